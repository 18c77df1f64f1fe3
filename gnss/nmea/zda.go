package nmea

// zda reads time and date. The local zone is checked and not used; some
// receivers leave its fields out.
//
//	$--ZDA,hhmmss.ss,dd,mm,yyyy[,zz,zz]*hh
func (r *reader) zda(s *Sentence) {
	r.atLeast(4)
	s.Time = r.clock(1)
	d := r.integer(2, "day", 1, 31)
	m := r.integer(3, "month", 1, 12)
	y := r.integer(4, "year", 1980, 2200)
	r.number(5, "zone hours", -14, 14)
	r.number(6, "zone minutes", -59, 59)
	if d < 0 || m < 0 || y < 0 {
		return
	}
	n, ok := days(y, m, d)
	if !ok {
		r.refuse(2, "day", "a day of the month")
		return
	}
	s.Date = n
}
