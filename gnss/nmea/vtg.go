package nmea

// vtg reads the velocity; mode from version 2.3 on. Knots win over km/h.
//
//	$--VTG,c.c,T,c.c,M,s.s,N,s.s,K[,m]*hh
func (r *reader) vtg(s *Sentence) {
	r.atLeast(8)
	s.Course = r.bearing(1, "course")
	r.unit(1, 2, "reference of course", 'T')
	r.bearing(3, "magnetic course")
	r.unit(3, 4, "reference of magnetic course", 'M')
	s.Speed = r.number(5, "speed in knots", 0, 1e4) * knot
	r.unit(5, 6, "unit of speed in knots", 'N')
	kmh := r.number(7, "speed in km/h", 0, 2e4)
	r.unit(7, 8, "unit of speed in km/h", 'K')
	if s.Speed != s.Speed {
		s.Speed = kmh / 3.6
	}
	s.Mode = r.known(9, modes)
}
