package nmea

// hdt reads the heading of an antenna pair.
//
//	$--HDT,h.h,T*hh
func (r *reader) hdt(s *Sentence) {
	r.atLeast(2)
	s.Heading = r.bearing(1, "heading")
	r.unit(1, 2, "reference of heading", 'T')
}
