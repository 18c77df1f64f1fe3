package nmea

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
)

// dump writes the fields of s that say something, angles in degrees.
func dump(s *Sentence) string {
	angles := map[string]bool{"Lat": true, "Lon": true, "Course": true, "Heading": true, "Orient": true}
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s", s.Talker[:], s.Type)
	v, empty := reflect.ValueOf(*s), reflect.ValueOf(blank)
	for i := 2; i < v.NumField(); i++ {
		name, f := v.Type().Field(i).Name, v.Field(i)
		switch x := f.Interface().(type) {
		case float64:
			if angles[name] {
				x /= degree
			}
			if !math.IsNaN(x) {
				fmt.Fprintf(&b, " %s %.10g", name, x)
			}
		case byte:
			if x != 0 {
				fmt.Fprintf(&b, " %s %c", name, x)
			}
		case int:
			if x != empty.Field(i).Interface().(int) {
				fmt.Fprintf(&b, " %s %d", name, x)
			}
		case []View:
			for _, w := range x {
				fmt.Fprintf(&b, " [%d %.4g %.4g %g]", w.ID, w.Elev/degree, w.Azim/degree, w.CN0)
			}
		}
	}
	return b.String()
}

// Sentences of adrianmo/go-nmea (e4d24e3, tests and comments) and of another
// open project's fixtures, with what they hold.
var publishedSentences = [][2]string{
	{"$GPGGA,034225.077,3356.4650,S,15124.5567,E,1,03,9.7,-25.0,M,21.0,M,,0000*51",
		"GP GGA Time 13345.077 Lat -33.94108333 Lon 151.4092783 Alt -25 Sep 21 Quality 1 Used 3 HDOP 9.7 Station 0"},
	{"$GNGGA,203415.000,6325.6138,N,01021.4290,E,1,8,2.42,72.5,M,41.5,M,,*7C",
		"GN GGA Time 74055 Lat 63.42689667 Lon 10.35715 Alt 72.5 Sep 41.5 Quality 1 Used 8 HDOP 2.42"},
	{"$GNRMC,220516,A,5133.82,N,00042.24,W,173.8,231.8,130694,004.2,W*6E",
		"GN RMC Time 79516 Date 8929 Lat 51.56366667 Lon -0.704 Speed 89.41044444 Course 231.8 Status A"},
	{"$GNRMC,142754.0,A,4302.539570,N,07920.379823,W,0.0,,070617,0.0,E,A*21",
		"GN RMC Time 52074 Date 17324 Lat 43.04232617 Lon -79.33966372 Speed 0 Status A Mode A"},
	{"$GNRMC,102014.00,A,5550.6082,N,03732.2488,E,000.00000,092.9,300518,,,A,V*3B",
		"GN RMC Time 37214 Date 17681 Lat 55.84347 Lon 37.53748 Speed 0 Course 92.9 Status A Mode A Nav V"},
	{"$GPGSA,A,3,22,19,18,27,14,03,,,,,,,3.1,2.0,2.4*36",
		"GP GSA Used 6 HDOP 2 PDOP 3.1 VDOP 2.4 FixDim 3"},
	{"$GNGSA,A,3,13,12,22,19,08,21,,,,,,,1.05,0.64,0.83,4*0B",
		"GN GSA Used 6 HDOP 0.64 PDOP 1.05 VDOP 0.83 FixDim 3 System 4"},
	{"$GLGSV,3,1,11,03,03,111,00,04,15,270,00,06,01,010,12,13,06,292,00*6B",
		"GL GSV Messages 3 Index 1 InView 11 [3 3 111 0] [4 15 270 0] [6 1 10 12] [13 6 292 0]"},
	{"$GAGSV,3,1,09,02,00,179,,04,09,321,,07,11,134,11,11,10,227,,7*7F",
		"GA GSV Signal 7 Messages 3 Index 1 InView 9 [2 0 179 NaN] [4 9 321 NaN] [7 11 134 11] [11 10 227 NaN]"},
	{"$GBGSV,1,1,00,0*77",
		"GB GSV Signal 0 Messages 1 Index 1 InView 0"},
	{"$GPZDA,172809.456,12,07,1996,00,00*57",
		"GP ZDA Time 62889.456 Date 9689"},
	{"$GPHDT,123.456,T*32", "GP HDT Heading 123.456"},
	{"$INTHS,123.456,A*20", "IN THS Heading 123.456 HdgMode A"},
	{"$INTHS,,V*1E", "IN THS HdgMode V"},
	{"$GPVTG,45.5,T,67.5,M,30.45,N,56.40,K*4B", "GP VTG Speed 15.66483333 Course 45.5"},
	{"$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34", "GP VTG Speed 1.311833333 Course 220.86 Mode A"},
	{"$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,*70",
		"GN GNS Time 6035 Lat -43.544877 Lon 172.5914248 Alt 25.63 Sep 11.24 Used 13 HDOP 0.9 Mode R"},
	{"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
		"GP GGA Time 45319 Lat 48.1173 Lon 11.51666667 Alt 545.4 Sep 46.9 Quality 1 Used 8 HDOP 0.9"},
	{"$GPGLL,4916.45,N,12311.12,W,225444,A,*1D", "\x00\x00 other"},
}

// Constructed from the layouts for fix states, dropouts and the roll-over of
// the day; all but THS read alike by pynmea2 1.15.0.
var constructedSentences = [][2]string{
	{"$GNGGA,235959.90,4807.0380000,N,01131.0000000,E,4,17,0.6,545.4000,M,46.9000,M,1.2,2003*5A",
		"GN GGA Time 86399.9 Lat 48.1173 Lon 11.51666667 Alt 545.4 Sep 46.9 Quality 4 Used 17 HDOP 0.6 Age 1.2 Station 2003"},
	{"$GNGGA,000000.00,4807.0380000,N,01131.0000000,E,4,17,0.6,545.4000,M,46.9000,M,1.0,2003*50",
		"GN GGA Time 0 Lat 48.1173 Lon 11.51666667 Alt 545.4 Sep 46.9 Quality 4 Used 17 HDOP 0.6 Age 1 Station 2003"},
	{"$GNGGA,000000.10,4807.0380123,N,01131.0000456,E,5,15,0.7,545.4100,M,46.9000,M,3.4,2003*53",
		"GN GGA Time 0.1 Lat 48.1173002 Lon 11.51666743 Alt 545.41 Sep 46.9 Quality 5 Used 15 HDOP 0.7 Age 3.4 Station 2003"},
	{"$GNGGA,000000.20,4807.0390000,N,01131.0020000,E,2,12,0.8,545.5000,M,46.9000,M,8.0,0120*56",
		"GN GGA Time 0.2 Lat 48.11731667 Lon 11.5167 Alt 545.5 Sep 46.9 Quality 2 Used 12 HDOP 0.8 Age 8 Station 120"},
	{"$GNGGA,000000.30,4807.0400000,N,01131.0040000,E,1,10,1.1,545.9000,M,46.9000,M,,*7F",
		"GN GGA Time 0.3 Lat 48.11733333 Lon 11.51673333 Alt 545.9 Sep 46.9 Quality 1 Used 10 HDOP 1.1"},
	{"$GNGGA,000000.40,,,,,0,00,99.99,,,,,,*7C",
		"GN GGA Time 0.4 Quality 0 Used 0 HDOP 99.99"},
	{"$GNGGA,000000.50,4807.0410000,N,01131.0060000,E,6,00,99.99,545.9000,M,46.9000,M,,*7C",
		"GN GGA Time 0.5 Lat 48.11735 Lon 11.51676667 Alt 545.9 Sep 46.9 Quality 6 Used 0 HDOP 99.99"},
	{"$GNGST,000000.00,0.9,0.030,0.012,35.0,0.026,0.020,0.045*71",
		"GN GST Time 0 RMSRange 0.9 SemiMajor 0.03 SemiMinor 0.012 Orient 35 SigN 0.026 SigE 0.02 SigU 0.045"},
	{"$GNGST,000000.10,,,,,0.26,0.20,0.45*7F",
		"GN GST Time 0.1 SigN 0.26 SigE 0.2 SigU 0.45"},
	{"$GNGBS,000000.00,0.021,0.018,0.040,,,,,,*51",
		"GN GBS Time 0 ErrN 0.021 ErrE 0.018 ErrU 0.04"},
	{"$GPGBS,000000.10,1.4,1.3,3.1,03,,-21.4,3.8,1,0*56",
		"GP GBS Time 0.1 ErrN 1.4 ErrE 1.3 ErrU 3.1 FaultSat 3 FaultBias -21.4 FaultSig 3.8 System 1 Signal 0"},
	{"$GNRMC,235959.90,A,4807.0380000,N,01131.0000000,E,19.438445,084.4,311224,3.1,E,R,S*42",
		"GN RMC Time 86399.9 Date 20088 Lat 48.1173 Lon 11.51666667 Speed 10.00000004 Course 84.4 Status A Mode R Nav S"},
	{"$GNRMC,000000.00,A,4807.0380000,N,01131.0000000,E,19.438445,084.4,010125,3.1,E,F,C*4E",
		"GN RMC Time 0 Date 20089 Lat 48.1173 Lon 11.51666667 Speed 10.00000004 Course 84.4 Status A Mode F Nav C"},
	{"$GNRMC,000000.10,V,,,,,,,010125,,,N,V*1F",
		"GN RMC Time 0.1 Date 20089 Status V Mode N Nav V"},
	{"$GNZDA,235959.90,31,12,2024,00,00*75", "GN ZDA Time 86399.9 Date 20088"},
	{"$GNZDA,000000.00,01,01,2025,00,00*7D", "GN ZDA Time 0 Date 20089"},
	{"$GNZDA,235960.50,31,12,2016,00,00*72", "GN ZDA Time 86400.5 Date 17166"}, // in a leap second
	{"$GNGSA,A,3,03,06,09,12,17,19,22,25,28,,,,1.1,0.6,0.9,1*32",
		"GN GSA Used 9 HDOP 0.6 PDOP 1.1 VDOP 0.9 FixDim 3 System 1"},
	{"$GNHDT,084.400,T*23", "GN HDT Heading 84.4"},
	{"$GNTHS,084.400,A*21", "GN THS Heading 84.4 HdgMode A"},
	{"$GNVTG,084.4,T,081.3,M,19.438,N,36.000,K,R*2E", "GN VTG Speed 9.999771111 Course 84.4 Mode R"},
}

func allSentences() [][2]string {
	return append(publishedSentences[:len(publishedSentences):len(publishedSentences)], constructedSentences...)
}

func TestParse_Published(t *testing.T) {
	p := NewParser()
	for _, tt := range allSentences() {
		s, err := p.Parse([]byte(tt[0]))
		if err != nil {
			t.Errorf("%s: %v", tt[0], err)
			continue
		}
		if got := dump(s); got != tt[1] {
			t.Errorf("%s\n got %s\nwant %s", tt[0], got, tt[1])
		}
	}
}

// The checksum is the exclusive or of what stands between $ and * (same
// sentences): any changed byte breaks it, either case of the digits is good,
// and it may not be missing.
func TestChecksum(t *testing.T) {
	p := NewParser()
	for _, tt := range allSentences() {
		line := []byte(tt[0])
		star := strings.IndexByte(tt[0], '*')
		for i := 1; i < star; i++ {
			broken := append([]byte(nil), line...)
			broken[i] ^= 1
			if _, err := p.Parse(broken); err == nil {
				t.Errorf("%q was taken", broken)
			}
		}
		if _, err := p.Parse([]byte(tt[0][:star] + strings.ToLower(tt[0][star:]))); err != nil {
			t.Errorf("lower-case digits: %v", err)
		}
		for _, cut := range []string{tt[0][:star], tt[0][:star+1], tt[0][:star+2]} {
			_, err := p.Parse([]byte(cut))
			if e, ok := err.(*Error); !ok || e.Reason != NoChecksum {
				t.Errorf("%q: %v, want it to be refused for want of a checksum", cut, err)
			}
		}
	}
	_, err := p.Parse([]byte("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*48"))
	if want := "nmea: GGA has checksum 48, want 47"; err == nil || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
}

// frame gives a body its checksum.
func frame(body string) []byte {
	return []byte(fmt.Sprintf("$%s*%02X", body, checksum([]byte(body))))
}

// Exact rationals of ddmm.mmmm fields, in degrees within 1e-12.
func TestPosition_ExactDegrees(t *testing.T) {
	p := NewParser()
	for _, tt := range []struct {
		lat, ns, lon, ew string
		wantLat, wantLon float64
	}{
		{"4807.038", "N", "01131.000", "E", 481173.0 / 10000, 691.0 / 60},
		{"3356.4650", "S", "15124.5567", "E", -407293.0 / 12000, 90845567.0 / 600000},
		{"0000.0001", "N", "00042.24", "W", 1.0 / 600000, -88.0 / 125},
		{"0059.9999", "N", "17959.9999999", "W", 599999.0 / 600000, -107999999999.0 / 600000000},
		{"0900.0000", "N", "07920.379823", "W", 9, -4760379823.0 / 60000000},
		{"8959.99999", "S", "00000.0000", "E", -539999999.0 / 6000000, 0},
		{"4302.539570", "N", "18000.0000", "E", 258253957.0 / 6000000, 180},
	} {
		s, err := p.Parse(frame(fmt.Sprintf("GNGGA,000000.00,%s,%s,%s,%s,4,17,0.6,1.0,M,2.0,M,1.2,2003", tt.lat, tt.ns, tt.lon, tt.ew)))
		if err != nil {
			t.Error(err)
			continue
		}
		if d := s.Lat/degree - tt.wantLat; math.Abs(d) > 1e-12 {
			t.Errorf("%s,%s is %g degrees off", tt.lat, tt.ns, d)
		}
		if d := s.Lon/degree - tt.wantLon; math.Abs(d) > 1e-12 {
			t.Errorf("%s,%s is %g degrees off", tt.lon, tt.ew, d)
		}
	}
}

// 1 kn = 1852 m / 3600 s = 463/900 m/s (SI Brochure, ISO 80000-3, from memory).
func TestSpeedUnits(t *testing.T) {
	p := NewParser()
	for _, tt := range []struct {
		kn, kmh string
		want    float64
	}{
		{"1", "1.852", 463.0 / 900},
		{"19.438444924406", "", 10},
		{"", "36", 10},
	} {
		s, err := p.Parse(frame("GNVTG,,T,,M," + tt.kn + ",N," + tt.kmh + ",K"))
		if err != nil || math.Abs(s.Speed-tt.want) > 1e-12 {
			t.Errorf("%s kn, %s km/h: %v m/s (%v), want %v", tt.kn, tt.kmh, s.Speed, err, tt.want)
		}
	}
}

// All nine values of the quality indicator: nuovamarea.net/blog/gpgga. Go-nmea
// has 0 to 6 only.
func TestQualities(t *testing.T) {
	p := NewParser()
	for q := 0; q <= 9; q++ {
		s, err := p.Parse(frame(fmt.Sprintf("GNGGA,000000.00,4807.038,N,01131.000,E,%d,17,0.6,1.0,M,2.0,M,1.2,2003", q)))
		if q <= 8 && (err != nil || s.Quality != q || s.Station != 2003) {
			t.Errorf("quality %d: %v %v", q, s, err)
		}
		if q == 9 && err == nil {
			t.Error("quality 9 was taken")
		}
	}
	_, err := p.Parse(frame("GNGGA,000000.00,4807.038,N,01131.000,E,x,17,0.6,1.0,M,2.0,M,1.2,2003"))
	if want := `nmea: GGA field 6 (fix quality) is "x", want 0-8`; err == nil || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
}

// Mode letters of go-nmea (e4d24e3, types.go) with the navigational status of
// NMEA 4.10; V means not valid.
func TestModes(t *testing.T) {
	p := NewParser()
	for _, m := range "ADEFMNPRS" {
		for _, n := range "SCUV" {
			s, err := p.Parse(frame(fmt.Sprintf("GNRMC,000000.00,A,4807.038,N,01131.000,E,1,2,010125,,,%c,%c", m, n)))
			if err != nil || s.Mode != byte(m) || s.Nav != byte(n) {
				t.Errorf("mode %c status %c: %v %v", m, n, s, err)
			}
		}
	}
	for modes, want := range map[string]byte{"RR": 'R', "RF": 'F', "NA": 'A', "NN": 'N', "AANN": 'A', "DA": 'A', "ARNS": 'S', "xR": 'R', "": 0} {
		s, err := p.Parse(frame("GNGNS,000000.00,4807.038,N,01131.000,E," + modes + ",13,0.9,25.63,11.24,,"))
		if err != nil || s.Mode != want {
			t.Errorf("GNS modes %q: %q %v, want %q", modes, s.Mode, err, want)
		}
	}
}
