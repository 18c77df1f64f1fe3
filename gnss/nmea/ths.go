package nmea

// ths reads the heading of an antenna pair and its status. A heading that is
// said to be not valid, or simulated, is none.
//
//	$--THS,h.h,a*hh
func (r *reader) ths(s *Sentence) {
	r.atLeast(2)
	s.Heading = r.bearing(1, "heading")
	s.HdgMode = r.letter(2, "status", "AEMSV")
	if s.HdgMode == 'V' || s.HdgMode == 'S' || s.HdgMode == 0 {
		s.Heading = nan
	}
}
