package nmea_test

import (
	"fmt"
	"math"

	"kerbline/gnss/nmea"
)

func ExampleFramer() {
	var f nmea.Framer
	p := nmea.NewParser()
	emit := func(l nmea.Line) {
		if l.Err != nil {
			fmt.Println(l.Err)
			return
		}
		s, err := p.Parse(l.Text)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s arrived at %.3f s\n", s.Type, l.T)
	}
	// Bytes as a port gives them: the rest of a line, then one with the time it
	// came at, cut in two.
	f.Push(1778922000.871, []byte("46.9,M,,*47\r\n\\c:1778922000875*63\\$GNHDT,08"), emit)
	f.Push(1778922000.890, []byte("4.400,T*23\r\n"), emit)
	// Output:
	// nmea: line at byte 0 has 11 bytes and no start, want $
	// HDT arrived at 1778922000.875 s
}

func ExampleParser_Parse() {
	p := nmea.NewParser()
	s, err := p.Parse([]byte("$GNGGA,000000.30,4807.0400000,N,01131.0040000,E,4,10,1.1,545.9000,M,46.9000,M,,*7A"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.7f deg north, %.1f m above the ellipsoid, quality %d\n", s.Lat*180/math.Pi, s.Alt+s.Sep, s.Quality)
	fmt.Println("correction age known:", !math.IsNaN(s.Age))
	// Output:
	// 48.1173333 deg north, 592.8 m above the ellipsoid, quality 4
	// correction age known: false
}
