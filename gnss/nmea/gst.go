package nmea

// gst reads the receiver's own error estimate. Fields 3 to 5 are often empty
// while 6 to 8 are filled.
//
//	$--GST,hhmmss.ss,r.r,a.a,b.b,o.o,n.n,e.e,u.u*hh
func (r *reader) gst(s *Sentence) {
	r.atLeast(8)
	s.Time = r.clock(1)
	s.RMSRange = r.number(2, "RMS of ranges", 0, 1e7)
	s.SemiMajor = r.number(3, "semi-major axis", 0, 1e7)
	s.SemiMinor = r.number(4, "semi-minor axis", 0, 1e7)
	s.Orient = r.number(5, "orientation", -360, 360) * degree
	s.SigN = r.number(6, "sigma of latitude", 0, 1e7)
	s.SigE = r.number(7, "sigma of longitude", 0, 1e7)
	s.SigU = r.number(8, "sigma of altitude", 0, 1e7)
}
