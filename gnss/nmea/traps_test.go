package nmea

import (
	"math"
	"strings"
	"testing"
)

// What go-nmea v1.10.0 does wrong, found by running it: each line must come
// out as want says, and without a want be refused with the message.
func TestLibraryTraps(t *testing.T) {
	const pos = "4807.038,N,01131.000,E"
	for _, tt := range []struct{ name, body, want, err string }{
		// Empty is not zero.
		{"no position, quality 1", "GNGGA,000000.00,,,,,1,08,0.9,545.4,M,46.9,M,,", "GN GGA Time 0 Alt 545.4 Sep 46.9 Quality 1 Used 8 HDOP 0.9", ""},
		{"no quality", "GNGGA,000000.00," + pos + ",,08,0.9,545.4,M,46.9,M,,", "GN GGA Time 0 Lat 48.1173 Lon 11.51666667 Alt 545.4 Sep 46.9 Used 8 HDOP 0.9", ""},
		{"empty GGA", "GPGGA,,,,,,,,,,,,,,", "GP GGA", ""},
		{"no HDOP, no altitude", "GNGGA,000000.00," + pos + ",4,,,,M,,M,,", "GN GGA Time 0 Lat 48.1173 Lon 11.51666667 Quality 4", ""},
		{"empty RMC", "GPRMC,,V,,,,,,,,,,N", "GP RMC Status V Mode N", ""},
		{"VTG without course", "GNVTG,,T,,M,0.086,N,0.160,K,A", "GN VTG Speed 0.04424222222 Mode A", ""},
		{"HDT without heading", "GPHDT,,T", "GP HDT", ""},
		{"GSA without DOPs", "GPGSA,A,1,,,,,,,,,,,,,,,", "GP GSA Used 0 FixDim 1", ""},
		{"GNS without age and station", "GNGNS,000000.00," + pos + ",RR,13,0.9,25.63,11.24,,", "GN GNS Time 0 Lat 48.1173 Lon 11.51666667 Alt 25.63 Sep 11.24 Used 13 HDOP 0.9 Mode R", ""},
		{"GSV satellite not tracked", "GPGSV,1,1,01,13,64,241,", "GP GSV Messages 1 Index 1 InView 1 [13 64 241 NaN]", ""},
		{"ZDA without date", "GPZDA,000000.00,,,,,", "GP ZDA Time 0", ""},
		{"ZDA without zone", "GPZDA,000000.00,01,01,2025", "GP ZDA Time 0 Date 20089", ""},

		// Letters and layouts of later editions.
		{"unknown navigational status", "GNRMC,000000.00,A," + pos + ",1,2,010125,,,A,X", "GN RMC Time 0 Date 20089 Lat 48.1173 Lon 11.51666667 Speed 0.5144444444 Course 2 Status A Mode A", ""},
		{"unknown GNS mode", "GNGNS,000000.00," + pos + ",RZ,13,0.9,25.63,11.24,,", "GN GNS Time 0 Lat 48.1173 Lon 11.51666667 Alt 25.63 Sep 11.24 Used 13 HDOP 0.9 Mode R", ""},
		{"hex signal id", "GBGSV,1,1,01,13,64,241,40,B", "GB GSV Signal 11 Messages 1 Index 1 InView 1 [13 64 241 40]", ""},
		{"fractional elevation", "GPGSV,1,1,01,13,64.5,241.3,40.2", "GP GSV Messages 1 Index 1 InView 1 [13 64.5 241.3 40.2]", ""},
		{"lettered satellite", "GPGSV,1,1,01,G13,64,241,40", "GP GSV Messages 1 Index 1 InView 1 [-1 64 241 40]", ""},
		{"five satellites", "GPGSV,1,1,05,1,1,1,41,2,2,2,42,3,3,3,43,4,4,4,44,5,5,5,45,6", "GP GSV Signal 6 Messages 1 Index 1 InView 5 [1 1 1 41] [2 2 2 42] [3 3 3 43] [4 4 4 44] [5 5 5 45]", ""},
		{"fourteen satellites used", "GNGSA,A,3,1,2,3,4,5,6,7,8,9,10,11,12,13,14,1.1,0.6,0.9,1", "GN GSA Used 14 HDOP 0.6 PDOP 1.1 VDOP 0.9 FixDim 3 System 1", ""},
		{"named station", "GNGGA,000000.00," + pos + ",4,17,0.6,1.0,M,2.0,M,1.2,HALF", "GN GGA Time 0 Lat 48.1173 Lon 11.51666667 Alt 1 Sep 2 Quality 4 Used 17 HDOP 0.6 Age 1.2", ""},
		{"bare address", "GGA,000000.00," + pos + ",4,17,0.6,1.0,M,2.0,M,1.2,7", "\x00\x00 GGA Time 0 Lat 48.1173 Lon 11.51666667 Alt 1 Sep 2 Quality 4 Used 17 HDOP 0.6 Age 1.2 Station 7", ""},

		// Times.
		{"seconds .9996", "GNGGA,235959.9996," + pos + ",4,17,0.6,1.0,M,2.0,M,1.2,7", "GN GGA Time 86399.9996 Lat 48.1173 Lon 11.51666667 Alt 1 Sep 2 Quality 4 Used 17 HDOP 0.6 Age 1.2 Station 7", ""},
		{"leap second", "GNGGA,235960.50,,,,,0,,,,,,,,", "GN GGA Time 86400.5 Quality 0", ""},
		{"second 60 elsewhere", "GNGGA,120060.50,,,,,0,,,,,,,,", "", `nmea: GGA field 1 (UTC) is "120060.50", want hhmmss.ss`},
		{"99:61:99", "GNGGA,996199,,,,,0,,,,,,,,", "", `nmea: GGA field 1 (UTC) is "996199", want hhmmss.ss`},
		{"24:00:00", "GNGGA,240000,,,,,0,,,,,,,,", "", `nmea: GGA field 1 (UTC) is "240000", want hhmmss.ss`},
		{"short time", "GNGGA,1234,,,,,0,,,,,,,,", "", `nmea: GGA field 1 (UTC) is "1234", want hhmmss.ss`},
		{"31 February", "GNRMC,000000.00,A," + pos + ",1,2,310225,,,A", "", `nmea: RMC field 9 (date) is "310225", want ddmmyy`},
		{"29 February of no leap year", "GPZDA,000000.00,29,02,2023,00,00", "", `nmea: ZDA field 2 (day) is "29", want a day of the month`},
		{"29 February 2024", "GPZDA,000000.00,29,02,2024,00,00", "GP ZDA Time 0 Date 19782", ""},
		{"99/99/99", "GNRMC,000000.00,A," + pos + ",1,2,999999,,,A", "", `nmea: RMC field 9 (date) is "999999", want ddmmyy`},

		// Numbers that are none.
		{"NaN", "GNGGA,000000.00,NaN,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 2 (latitude) is "NaN", want ddmm.mm`},
		{"NaN HDOP", "GNGGA,000000.00," + pos + ",1,08,NaN,545.4,M,46.9,M,,", "", `nmea: GGA field 8 (HDOP) is "NaN", want a number 0 to 10000`},
		{"infinite sigma", "GNGST,000000.00,0.9,0.030,0.012,35.0,+Inf,0.020,0.045", "", `nmea: GST field 6 (sigma of latitude) is "+Inf", want a number 0 to 1e+07`},
		{"hex float", "GNGST,000000.00,0.9,0.030,0.012,35.0,0x1p-2,0.020,0.045", "", `nmea: GST field 6 (sigma of latitude) is "0x1p-2", want a number 0 to 1e+07`},
		{"exponent", "GNGST,000000.00,0.9,0.030,0.012,35.0,1e2,0.020,0.045", "", `nmea: GST field 6 (sigma of latitude) is "1e2", want a number 0 to 1e+07`},
		{"underscore", "GNGST,000000.00,1_0,0.030,0.012,35.0,1,0.020,0.045", "", `nmea: GST field 2 (RMS of ranges) is "1_0", want a number 0 to 1e+07`},
		{"negative sigma", "GNGST,000000.00,0.9,0.030,0.012,35.0,0.026,-0.020,0.045", "", `nmea: GST field 7 (sigma of longitude) is "-0.020", want a number 0 to 1e+07`},
		{"two points", "GNHDT,08.4.4,T", "", `nmea: HDT field 1 (heading) is "08.4.4", want a number 0 to 360`},
		{"a point alone", "GNHDT,.,T", "", `nmea: HDT field 1 (heading) is ".", want a number 0 to 360`},
		{"endless digits", "GNHDT," + strings.Repeat("9", 400) + ",T", "", `nmea: HDT field 1 (heading) is "` + strings.Repeat("9", 400) + `", want a number 0 to 360`},
		{"negative age", "GNGGA,000000.00," + pos + ",4,17,0.6,1.0,M,2.0,M,-1.2,7", "", `nmea: GGA field 13 (age of differential data) is "-1.2", want a number 0 to 1e+06`},
		{"negative satellites", "GNGGA,000000.00," + pos + ",4,-7,0.6,1.0,M,2.0,M,1.2,7", "", `nmea: GGA field 7 (satellites used) is "-7", want 0-255`},

		// Positions that are none.
		{"minutes of 75", "GNGGA,000000.00,4875.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 2 (latitude) is "4875.038", want ddmm.mm`},
		{"minutes of 60", "GNRMC,000000.00,A,4807.038,N,01160.000,E,1,2,010125,,,A", "", `nmea: RMC field 5 (longitude) is "01160.000", want dddmm.mm`},
		{"beyond the pole", "GNGGA,000000.00,9000.0001,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 2 (latitude) is "9000.0001", want ddmm.mm`},
		{"beyond the date line", "GNGGA,000000.00,4807.038,N,18000.0001,W,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 4 (longitude) is "18000.0001", want dddmm.mm`},
		{"hemispheres swapped", "GNGGA,000000.00,4807.038,E,01131.000,N,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 3 (latitude hemisphere) is "E", want N or S`},
		{"fields swapped", "GNGGA,000000.00,01131.000,E,4807.038,N,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 2 (latitude) is "01131.000", want ddmm.mm`},
		{"negative latitude", "GNGGA,000000.00,-4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 2 (latitude) is "-4807.038", want ddmm.mm`},
		{"sign inside", "GNGGA,000000.00,48-7.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 2 (latitude) is "48-7.038", want ddmm.mm`},
		{"latitude alone", "GNGGA,000000.00,4807.038,N,,,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 4 (longitude) is "", want dddmm.mm`},
		{"no hemisphere", "GNGGA,000000.00,4807.038,,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "", `nmea: GGA field 3 (latitude hemisphere) is "", want N or S`},

		// Units that are others.
		{"altitude in feet", "GNGGA,000000.00," + pos + ",1,08,0.9,545.4,F,46.9,M,,", "", `nmea: GGA field 10 (unit of altitude) is "F", want M`},
		{"separation without unit", "GNGGA,000000.00," + pos + ",1,08,0.9,545.4,M,46.9,,,", "", `nmea: GGA field 12 (unit of geoid separation) is "", want M`},
		{"VTG in other units", "GNVTG,084.4,T,081.3,M,19.438,K,36.000,N", "", `nmea: VTG field 6 (unit of speed in knots) is "K", want N`},
		{"magnetic heading", "GNHDT,084.4,M", "", `nmea: HDT field 2 (reference of heading) is "M", want T`},
		{"status of RMC", "GNRMC,000000.00,B," + pos + ",1,2,010125,,,A", "", `nmea: RMC field 2 (status) is "B", want one of AV`},

		// Counts.
		{"GGA cut", "GNGGA,000000.00," + pos + ",1,08", "", "nmea: GGA has 7 fields, want 14"},
		{"GSV with half a satellite", "GPGSV,1,1,01,13,64", "", `nmea: GSV field 5 (last of a satellite) is "64", want id, elevation, azimuth and C/N0 together`},
		{"GSV 3 of 2", "GPGSV,2,3,01,13,64,241,40", "", `nmea: GSV field 2 (message number) is "3", want 1 to the number of messages`},
		{"signal id of two digits", "GPGSV,1,1,00,12", "", `nmea: GSV field 4 (signal id) is "12", want 0-F`},
		{"signal id that is none", "GPGBS,000000.10,1.4,1.3,3.1,03,,-21.4,3.8,1,G", "", `nmea: GBS field 10 (signal id) is "G", want 0-F`},
		{"GSA too short", "GPGSA,A,3,01,02,1.1,0.6,0.9", "", "nmea: GSA has 7 fields, want 17"},
		{"no fields", "GPGGA", "", "nmea: GGA has 0 fields, want 14"},

		// These two make the library panic.
		{"GPALC", "GPALC", "\x00\x00 other", ""},
		{"ALC", "ALC", "\x00\x00 other", ""},
		{"query", "CCGPQ,GGA", "\x00\x00 other", ""},
		{"Q alone", "Q", "\x00\x00 other", ""},
		{"proprietary", "PGGA,1", "\x00\x00 other", ""},
	} {
		s, err := NewParser().Parse(frame(tt.body))
		switch {
		case tt.err != "":
			if err == nil || err.Error() != tt.err {
				t.Errorf("%s:\n got %v\nwant %s", tt.name, err, tt.err)
			}
			if s != nil {
				t.Errorf("%s: refused, and a sentence all the same", tt.name)
			}
		case err != nil:
			t.Errorf("%s: %v", tt.name, err)
		case dump(s) != tt.want:
			t.Errorf("%s:\n got %s\nwant %s", tt.name, dump(s), tt.want)
		}
	}
}

// The two lines as they were found, with their own checksums.
func TestPanickingLines(t *testing.T) {
	for _, line := range []string{"$GPALC*59", "$ALC*4E"} {
		if s, err := NewParser().Parse([]byte(line)); err != nil || s.Type != Other {
			t.Errorf("%s: %v %v, want it passed over", line, s, err)
		}
	}
}

func TestParse_NoSentence(t *testing.T) {
	for _, tt := range []struct {
		line string
		want Reason
	}{
		{"", Headless}, {"\r\n", Headless}, {"GPGGA,1*00", Headless}, {"$", BadField}, {"$*00", BadField},
		{"$GPGGA,1,2*4", NoChecksum}, {"$GPGGA,1,2*4G", NoChecksum}, {"$GPGGA,1,2*444", NoChecksum}, {`\c:1*00\$GPGGA`, Headless},
	} {
		_, err := NewParser().Parse([]byte(tt.line))
		if e, ok := err.(*Error); !ok || e.Reason != tt.want {
			t.Errorf("%q: %v, want reason %v", tt.line, err, tt.want)
		}
	}
}

// decimal must round as the standard library does.
func TestDecimal(t *testing.T) {
	for s, want := range map[string]float64{
		"0": 0, "00.10": 0.1, "5.": 5, ".5": .5, "-25.0": -25, "+3": 3, "17959.9999999": 17959.9999999,
		"0.30000000000000004": 0.30000000000000004, "9007199254740993": 9007199254740993,
		"123456789012345678901234567890": 123456789012345678901234567890, "0.1234567890123456789": 0.1234567890123456789,
	} {
		if got, ok := decimal(s); !ok || got != want {
			t.Errorf("decimal(%q) = %v %v, want %v", s, got, ok, want)
		}
	}
	for _, s := range []string{"", ".", "-", "+.", "1-", "--1", "1e5", "0x1", "NaN", "Inf", "1_0", " 1", "1 ", "1.2.3", "٣"} {
		if got, ok := decimal(s); ok {
			t.Errorf("decimal(%q) = %v, want it refused", s, got)
		}
	}
	if got, _ := decimal("-0"); got != 0 || !math.Signbit(got) {
		t.Errorf("decimal(-0) = %v", got)
	}
}

// The short way and the library's must read alike.
func TestTwoWays(t *testing.T) {
	short, long := NewParser(), NewParser()
	for _, tt := range allSentences() {
		compareWays(t, short, long, []byte(tt[0]))
	}
}

func compareWays(t *testing.T, short, long *Parser, line []byte) {
	t.Helper()
	done, err := short.short(line)
	if !done {
		return
	}
	err2 := long.long(string(line))
	switch {
	case (err == nil) != (err2 == nil) || err != nil && err.Error() != err2.Error():
		t.Errorf("%q: %v on the short way, %v on the long", line, err, err2)
	case err == nil && dump(&short.s) != dump(&long.s):
		t.Errorf("%q:\nshort %s\n long %s", line, dump(&short.s), dump(&long.s))
	}
}
