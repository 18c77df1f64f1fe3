package nmea

import "strings"

// weakest orders the positioning modes, the least to be believed first.
const weakest = "SMEADPFR"

// gns reads one fix of several constellations, each with its mode letter;
// navigational status from version 4.10 on. Mode is the weakest of the
// constellations used, N when none is.
//
//	$--GNS,hhmmss.ss,llll.ll,a,yyyyy.yy,a,m...,nn,h.h,H.H,G.G,t.t,iiii[,n]*hh
func (r *reader) gns(s *Sentence) {
	r.atLeast(12)
	s.Time = r.clock(1)
	s.Lat, s.Lon = r.position(2)
	rank := len(weakest)
	for _, c := range []byte(r.field(6)) {
		if k := strings.IndexByte(weakest, c); k >= 0 && k < rank {
			s.Mode, rank = c, k
		} else if c == 'N' && s.Mode == 0 {
			s.Mode = 'N'
		}
	}
	s.Used = r.integer(7, "satellites used", 0, 255)
	s.HDOP = r.number(8, "HDOP", 0, 1e4)
	s.Alt = r.number(9, "altitude", -1e4, 1e5)
	s.Sep = r.number(10, "geoid separation", -200, 200)
	s.Age = r.number(11, "age of differential data", 0, 1e6)
	s.Station = r.station(12)
	s.Nav = r.known(13, navs)
}
