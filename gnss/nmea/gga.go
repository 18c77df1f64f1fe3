package nmea

// gga reads one fix.
//
//	$--GGA,hhmmss.ss,llll.ll,a,yyyyy.yy,a,q,nn,h.h,H.H,M,G.G,M,t.t,iiii*hh
func (r *reader) gga(s *Sentence) {
	r.atLeast(14)
	s.Time = r.clock(1)
	s.Lat, s.Lon = r.position(2)
	s.Quality = r.integer(6, "fix quality", 0, 8)
	s.Used = r.integer(7, "satellites used", 0, 255)
	s.HDOP = r.number(8, "HDOP", 0, 1e4)
	s.Alt = r.number(9, "altitude", -1e4, 1e5)
	r.unit(9, 10, "unit of altitude", 'M')
	s.Sep = r.number(11, "geoid separation", -200, 200)
	r.unit(11, 12, "unit of geoid separation", 'M')
	s.Age = r.number(13, "age of differential data", 0, 1e6)
	s.Station = r.station(14)
}
