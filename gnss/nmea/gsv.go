package nmea

// gsv reads a part of the satellites in view, four fields each; signal id, a
// hexadecimal digit, from version 4.10 on. Some receivers give more than the
// four satellites of the standard, letters before ids, and fractions.
//
//	$--GSV,n,i,vv[,ii,ee,aaa,cc]...[,s]*hh
func (r *reader) gsv(s *Sentence, views []View) []View {
	r.atLeast(3)
	s.Messages = r.integer(1, "number of messages", 1, 99)
	s.Index = r.integer(2, "message number", 1, 99)
	s.InView = r.integer(3, "satellites in view", 0, 999)
	if r.err == nil && (s.Messages < 0 || s.Index < 0 || s.Index > s.Messages) {
		r.refuse(2, "message number", "1 to the number of messages")
	}
	n := len(r.f)
	switch (n - 3) % 4 {
	case 0:
	case 1:
		s.Signal = r.hex(n, "signal id")
		n--
	default:
		if r.err == nil {
			r.refuse(n, "last of a satellite", "id, elevation, azimuth and C/N0 together")
		}
	}
	for i := 4; i+3 <= n && r.err == nil; i += 4 {
		v := View{
			ID:   r.station(i),
			Elev: r.number(i+1, "elevation", -90, 90) * degree,
			Azim: r.bearing(i+2, "azimuth"),
			CN0:  r.number(i+3, "C/N0", 0, 99),
		}
		if r.field(i) != "" {
			views = append(views, v)
		}
	}
	s.Views = views
	return views
}
