package gnsstime

import (
	"fmt"
	"math"
	"testing"
	"time"
)

func unix(s string) float64 {
	t, err := time.Parse(time.DateTime, s)
	if err != nil {
		panic(err)
	}
	return float64(t.Unix())
}

// IERS list of leap seconds through Bulletin C 69, as GPS - UTC = TAI - UTC - 19 s.
func TestLeapSeconds_IERS(t *testing.T) {
	for _, tt := range []struct {
		from string
		want int
	}{
		{"1980-01-06 00:00:00", 0},
		{"1981-07-01 00:00:00", 1},
		{"1999-01-01 00:00:00", 13},
		{"2006-01-01 00:00:00", 14},
		{"2009-01-01 00:00:00", 15},
		{"2012-07-01 00:00:00", 16},
		{"2015-07-01 00:00:00", 17},
		{"2017-01-01 00:00:00", 18},
	} {
		u := unix(tt.from)
		if got := LeapSeconds(u); got != tt.want {
			t.Errorf("LeapSeconds(%s) = %d, want %d", tt.from, got, tt.want)
		}
		if got := LeapSeconds(u - 0.001); tt.want > 0 && got != tt.want-1 {
			t.Errorf("LeapSeconds just before %s = %d, want %d", tt.from, got, tt.want-1)
		}
	}
	if got := LeapSeconds(unix("2026-11-25 12:00:00")); got != 18 {
		t.Errorf("LeapSeconds(2026) = %d, want 18", got)
	}
}

// Computed from GPS = TAI - 19 s, BDT = GPS - 14 s, GLONASS = UTC + 3 h and the
// IERS leap seconds; -1 where the system did not exist.
func TestScales_Computed(t *testing.T) {
	for _, tt := range []struct {
		utc           string
		week          int
		tow, bdt      int64
		gloDay        int
		gloMs         int64
		mjd, mjdOfDay int
	}{
		{"1980-01-06 00:00:00", 0, 0, -1, -1, -1, 44244, 0},
		{"1999-08-21 23:59:47", 1024, 0, -1, -1, -1, 51411, 86387},
		{"2017-01-01 00:00:00", 1930, 18, 4, 0, 10800000, 57754, 0},
		{"2019-01-25 02:55:03", 2037, 442521, 442507, 5, 21303000, 58508, 10503},
		{"2019-04-06 23:59:42", 2048, 0, 604786, 0, 10782000, 58579, 86382},
		{"2024-01-01 00:00:00", 2295, 86418, 86404, 1, 10800000, 60310, 0},
		{"2024-12-31 23:59:59", 2347, 259217, 259203, 3, 10799000, 60675, 86399},
		{"2025-01-01 00:00:00", 2347, 259218, 259204, 3, 10800000, 60676, 0},
		{"2038-11-20 23:59:42", 3072, 0, -1, -1, -1, 65747, 86382},
	} {
		u := unix(tt.utc)
		if w, tow := UTCToGPS(u); w != tt.week || tow != float64(tt.tow) {
			t.Errorf("UTCToGPS(%s) = %d, %g, want %d, %d", tt.utc, w, tow, tt.week, tt.tow)
		}
		if d, s := UTCToMJD(u); d != tt.mjd || s != float64(tt.mjdOfDay) {
			t.Errorf("UTCToMJD(%s) = %d, %g, want %d, %d", tt.utc, d, s, tt.mjd, tt.mjdOfDay)
		}
		// Back again, with a clock that is wrong by up to half a period.
		for _, off := range []float64{0, 0.4, -300, 300, -3 * Day, 3 * Day} {
			if got := GPSToUTC(tt.tow*1000, u+off); got != u {
				t.Errorf("GPSToUTC(%d, %s%+g) = %f, want %f", tt.tow*1000, tt.utc, off, got, u)
			}
			if tt.bdt < 0 {
				continue
			}
			if got := BDTToUTC(tt.bdt*1000, u+off); got != u {
				t.Errorf("BDTToUTC(%d, %s%+g) = %f, want %f", tt.bdt*1000, tt.utc, off, got, u)
			}
			if got := GLONASSToUTC(tt.gloDay, tt.gloMs, u+off); got != u {
				t.Errorf("GLONASSToUTC(%d, %d, %s%+g) = %f, want %f", tt.gloDay, tt.gloMs, tt.utc, off, got, u)
			}
			if math.Abs(off) < Day/2 {
				if got := GLONASSToUTC(7, tt.gloMs, u+off); got != u {
					t.Errorf("GLONASSToUTC(unknown day, %d, %s%+g) = %f, want %f", tt.gloMs, tt.utc, off, got, u)
				}
			}
		}
		if tt.bdt < 0 {
			continue
		}
		if got := UTCToBDT(u); got != float64(tt.bdt) {
			t.Errorf("UTCToBDT(%s) = %g, want %d", tt.utc, got, tt.bdt)
		}
		if d, s := UTCToGLONASS(u); d != tt.gloDay || s != float64(tt.gloMs)/1000 {
			t.Errorf("UTCToGLONASS(%s) = %d, %g, want %d, %d ms", tt.utc, d, s, tt.gloDay, tt.gloMs)
		}
	}
}

// Values of the time tests of the open library go-gnss/rtcm (165455a,
// rtcm3/time_test.go).
func TestToUTC_GoGNSS(t *testing.T) {
	for _, tt := range []struct {
		name, near, want string
		got              func(near float64) float64
	}{
		{"BDT 604786000", "2023-02-25 12:00:00", "2023-02-25 23:59:42", func(n float64) float64 { return BDTToUTC(604786000, n) }},
		{"BDT 0", "2023-02-25 12:00:00", "2023-02-25 23:59:56", func(n float64) float64 { return BDTToUTC(0, n) }},
		{"GLONASS 562199912", "2019-03-28 00:00:00", "2019-03-28 04:02:09", func(n float64) float64 { return GLONASSToUTC(562199912>>27, 562199912&(1<<27-1), n) }},
		{"DF034 9700000", "2019-03-28 00:00:00", "2019-03-27 23:41:40", func(n float64) float64 { return GLONASSToUTC(7, 9700000, n) }},
		{"DF034 13484000", "2019-03-28 00:00:00", "2019-03-28 00:44:44", func(n float64) float64 { return GLONASSToUTC(7, 13484000, n) }},
		{"GLONASS last ms of the week", "2019-02-02 12:00:00", "2019-02-02 20:59:59.999", func(n float64) float64 { return GLONASSToUTC(6, 86399999, n) }},
		{"GLONASS 0", "2019-02-02 12:00:00", "2019-02-02 21:00:00", func(n float64) float64 { return GLONASSToUTC(0, 0, n) }},
	} {
		want, err := time.Parse(time.DateTime, tt.want)
		if err != nil {
			t.Fatal(err)
		}
		w := float64(want.UnixMilli()) / 1000
		if got := tt.got(unix(tt.near)); math.Abs(got-w) > 1e-6 {
			t.Errorf("%s near %s = %.3f, want %.3f (%s)", tt.name, tt.near, got, w, tt.want)
		}
	}
}

// Epochs that one base sent together in captures of pyrtcm (68fd989, tests)
// and go-gnss/rtcm (165455a): the three scales must name one instant.
func TestAlignment_Captures(t *testing.T) {
	near := unix("2019-01-25 03:00:00")
	for _, tt := range []struct {
		gps, bdt int64
		day      int
		glo      int64
	}{
		{204137001, 204123001, 2, 42119001},
		{442521000, 442507000, 5, 21303000},
		{84967000, -1, 1, 9349000},
		{318945000, 318931000, 3, 70527000},
	} {
		u := GPSToUTC(tt.gps, near)
		if g := GLONASSToUTC(tt.day, tt.glo, near); g != u {
			t.Errorf("GLONASS %d/%d is %f s after GPS %d", tt.day, tt.glo, g-u, tt.gps)
		}
		if tt.bdt < 0 {
			continue
		}
		if b := BDTToUTC(tt.bdt, near); b != u {
			t.Errorf("BDT %d is %f s after GPS %d", tt.bdt, b-u, tt.gps)
		}
	}
}

func TestImpossibleTimesAreNaN(t *testing.T) {
	near := unix("2025-01-01 00:00:00")
	nan, inf := math.NaN(), math.Inf(1)
	for name, got := range map[string]float64{
		"tow -1":          GPSToUTC(-1, near),
		"tow of a week":   GPSToUTC(Week*1000, near),
		"bdt of a week":   BDTToUTC(Week*1000, near),
		"near NaN":        GPSToUTC(0, nan),
		"near Inf":        BDTToUTC(0, inf),
		"glonass -1 ms":   GLONASSToUTC(0, -1, near),
		"glonass 86401 s": GLONASSToUTC(0, 86401000, near),
		"glonass NaN":     GLONASSToUTC(0, 0, nan),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s gives %f, want NaN", name, got)
		}
	}
}

// The second 23:59:60 of 2016-12-31 shares its number with the one after.
func TestLeapSecondItself(t *testing.T) {
	u := unix("2017-01-01 00:00:00")
	for _, tt := range []struct {
		tow  int64 // ms
		want float64
	}{
		{16999, u - 0.001}, // 23:59:59.999
		{17500, u + 0.5},   // 23:59:60.5
		{18000, u},         // 00:00:00
	} {
		if got := GPSToUTC(tt.tow, u); math.Abs(got-tt.want) > 1e-6 {
			t.Errorf("GPSToUTC(%d ms) = %+f s from midnight, want %+f", tt.tow, got-u, tt.want-u)
		}
	}
}

// Computed: day 235959.90 -> 000000.00 is +0.10 s, time of week 604799900 -> 0 ms
// is +100 ms.
func TestSince_Rollover(t *testing.T) {
	for _, tt := range []struct{ now, before, period, want float64 }{
		{0, 86399.90, Day, 0.10},
		{86399.90, 0, Day, -0.10},
		{43199, 0, Day, 43199},
		{0, 604799.900, Week, 0.100},
		{10, 4, Week, 6},
	} {
		if got := Since(tt.now, tt.before, tt.period); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("Since(%g, %g, %g) = %g, want %g", tt.now, tt.before, tt.period, got, tt.want)
		}
	}
}

// Ten-bit week of IS-GPS-200 (from memory): 2025-01-01 comes out as 2005-05-18.
func TestMissedRollover(t *testing.T) {
	now := unix("2025-01-01 00:00:00")
	for _, tt := range []struct {
		date string
		want int
	}{
		{"2005-05-18 00:00:00", 1024},
		{"1985-10-02 00:00:00", 2048},
		{"2044-08-17 00:00:00", -1024},
		{"2025-01-01 06:00:00", 0},
		{"2005-05-14 00:00:00", 0}, // not a multiple: something else is wrong
		{"2024-12-25 00:00:00", 0},
	} {
		if got := MissedRollover(unix(tt.date), now); got != tt.want {
			t.Errorf("MissedRollover(%s) = %d, want %d", tt.date, got, tt.want)
		}
	}
	if got := MissedRollover(math.NaN(), now); got != 0 {
		t.Errorf("MissedRollover(NaN) = %d, want 0", got)
	}
}

func ExampleGPSToUTC() {
	// The base sends ms of an unnamed week; the host clock, here ten minutes
	// wrong, names it.
	host := float64(time.Date(2025, 1, 1, 0, 10, 0, 0, time.UTC).Unix())
	utc := GPSToUTC(259218000, host)
	fmt.Println(time.Unix(int64(utc), 0).UTC())
	// Output: 2025-01-01 00:00:00 +0000 UTC
}

func ExampleMissedRollover() {
	receiver := float64(time.Date(2005, 5, 18, 0, 0, 0, 0, time.UTC).Unix())
	host := float64(time.Date(2025, 1, 1, 0, 10, 0, 0, time.UTC).Unix())
	fmt.Println(MissedRollover(receiver, host), "weeks")
	// Output: 1024 weeks
}
