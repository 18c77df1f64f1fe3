package nmea

// rmc reads position, velocity and date; mode from version 2.3 on,
// navigational status from 4.10 on.
//
//	$--RMC,hhmmss.ss,A,llll.ll,a,yyyyy.yy,a,s.s,c.c,ddmmyy,v.v,a[,m[,n]]*hh
func (r *reader) rmc(s *Sentence) {
	r.atLeast(11)
	s.Time = r.clock(1)
	s.Status = r.letter(2, "status", "AV")
	s.Lat, s.Lon = r.position(3)
	s.Speed = r.number(7, "speed", 0, 1e4) * knot
	s.Course = r.bearing(8, "course")
	s.Date = r.date(9)
	r.number(10, "magnetic variation", -180, 180)
	r.letter(11, "direction of variation", "EW")
	s.Mode = r.known(12, modes)
	s.Nav = r.known(13, navs)
}
