package nmea

// gbs reads the receiver's own fault detection; system and signal from version
// 4.10 on.
//
//	$--GBS,hhmmss.ss,n.n,e.e,u.u,ii,p.p,b.b,s.s[,h,h]*hh
func (r *reader) gbs(s *Sentence) {
	r.atLeast(8)
	s.Time = r.clock(1)
	s.ErrN = r.number(2, "expected error of latitude", -1e7, 1e7)
	s.ErrE = r.number(3, "expected error of longitude", -1e7, 1e7)
	s.ErrU = r.number(4, "expected error of altitude", -1e7, 1e7)
	s.FaultSat = r.integer(5, "failed satellite", 0, 999)
	s.FaultMissed = r.number(6, "probability of missed detection", 0, 1)
	s.FaultBias = r.number(7, "bias", -1e9, 1e9)
	s.FaultSig = r.number(8, "sigma of bias", 0, 1e9)
	s.System = r.hex(9, "system id")
	s.Signal = r.hex(10, "signal id")
}
