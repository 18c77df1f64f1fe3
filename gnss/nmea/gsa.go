package nmea

// gsa reads the satellites in use and the dilution of precision; system id
// from version 4.10 on. Some receivers give more than the twelve satellites of
// the standard, so the DOPs are counted from the end.
//
//	$--GSA,a,d,ii,ii,ii,ii,ii,ii,ii,ii,ii,ii,ii,ii,p.p,h.h,v.v[,s]*hh
func (r *reader) gsa(s *Sentence) {
	r.atLeast(17)
	if r.err != nil {
		return
	}
	r.letter(1, "selection mode", "MA")
	s.FixDim = r.integer(2, "fix", 1, 3)
	n := len(r.f)
	dop := n - 2
	// A system id is one digit; DOPs come with decimals.
	if last := r.field(n); n > 17 && (last == "" || len(last) == 1 && isHex(last[0])) {
		s.System = r.hex(n, "system id")
		dop--
	}
	s.Used = 0
	for i := 3; i < dop; i++ {
		if r.field(i) != "" {
			s.Used++
		}
	}
	s.PDOP = r.number(dop, "PDOP", 0, 1e4)
	s.HDOP = r.number(dop+1, "HDOP", 0, 1e4)
	s.VDOP = r.number(dop+2, "VDOP", 0, 1e4)
}
