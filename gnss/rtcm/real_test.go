package rtcm

import (
	"os"
	"path/filepath"
	"testing"
)

// realFile returns a measured stream, or skips the test where there is none.
// They are looked for in KERBLINE_REAL.
func realFile(t *testing.T, name string) []byte {
	t.Helper()
	dir := os.Getenv("KERBLINE_REAL")
	if dir == "" {
		t.Skip("KERBLINE_REAL names no folder of measured recordings")
	}
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Skip("no measured recordings: ", err)
	}
	return b
}

// steps follows the observation epochs of one system through a scan, in UTC,
// and returns the smallest and the largest step and how often the number as
// sent went down. The first epoch is taken as the one nearest to near.
func steps(r tally, sys System, near float64) (epochs int, least, most float64, wraps int) {
	var last, sent float64
	for _, f := range r.frames {
		m := f.msg
		if m.System != sys {
			continue
		}
		u := m.Epoch(near)
		near = u
		if epochs > 0 && u != last {
			if epochs == 1 || u-last < least {
				least = u - last
			}
			most = max(most, u-last)
			if float64(m.EpochMs) < sent {
				wraps++
			}
		}
		if epochs == 0 || u != last {
			epochs++
		}
		last, sent = u, float64(m.EpochMs)
	}
	return epochs, least, most, wraps
}

// Measured streams of base stations (swift-nav/gnss-converters @ 5e9b637,
// LGPL-3; yoronneko/qzsl6tool @ a3d8694, BSD-2); only what they hold is
// quoted.

func TestReal_FourBases(t *testing.T) {
	r := scanAll(realFile(t, "rtcm/four_bases.rtcm3"))
	if len(r.frames) != 1565 || r.fails != 0 || r.bytes[Unframed] != 235 {
		t.Errorf("%d frames, %d failures, %d stray bytes; want 1565, 0, 235", len(r.frames), r.fails, r.bytes[Unframed])
	}
	var stations []int
	var bases []found
	for _, f := range r.frames {
		m := f.msg
		if m.Truncated {
			t.Errorf("%d at %d is called truncated", m.Number, f.off)
		}
		if m.Station >= 0 && (len(stations) == 0 || stations[len(stations)-1] != m.Station) {
			stations = append(stations, m.Station)
		}
		if m.HasBase && (len(bases) == 0 || bases[len(bases)-1].msg.Base != m.Base) {
			bases = append(bases, f)
		}
	}
	if want := []int{175, 1014, 59, 0}; !equal(stations, want) {
		t.Errorf("stations %v, want %v", stations, want)
	}
	if len(bases) != 4 {
		t.Fatalf("%d bases, want 4", len(bases))
	}
	for i := 1; i < len(bases); i++ {
		if d := bases[i].msg.Base.Dist(bases[i-1].msg.Base); d < 100e3 {
			t.Errorf("bases %d and %d are %.0f m apart, want over 100 km", i-1, i, d)
		}
	}
}

func TestReal_WeekRollover(t *testing.T) {
	r := scanAll(realFile(t, "rtcm/week_rollover.rtcm3"))
	// Its GLONASS messages tell no weekday at first, so the time nearby must be
	// right to half a day: take it from the first GPS epoch.
	var near float64
	for _, f := range r.frames {
		if f.msg.System == GPS {
			near = f.msg.Epoch(1778922000)
			break
		}
	}
	for _, sys := range []System{GPS, Galileo, QZSS, BeiDou, GLONASS} {
		epochs, least, most, wraps := steps(r, sys, near)
		if epochs < 1133 || least != 1 || most > 2 {
			t.Errorf("%v: %d epochs, steps %g to %g s; want at least 1133 of 1 s", sys, epochs, least, most)
		}
		if want := 1; sys != GLONASS && wraps != want {
			t.Errorf("%v: the week turns %d times, want %d", sys, wraps, want)
		}
	}
}

// The Moscow day has turned while the GPS day has not: both systems' messages
// of a second still name one instant.
func TestReal_GLONASSDay(t *testing.T) {
	r := scanAll(realFile(t, "rtcm/glonass_day_rollover.rtcm3"))
	near, pairs := 1778922000.0, 0
	for _, f := range r.frames {
		switch u := f.msg.Epoch(near); f.msg.System {
		case GPS:
			near = u
		case GLONASS:
			if pairs++; u != near {
				t.Errorf("GLONASS %d ms is %f, GPS said %f", f.msg.EpochMs, u, near)
			}
		}
	}
	if pairs != 7 {
		t.Errorf("%d pairs of epochs, want 7", pairs)
	}
}

func TestReal_SixSystems(t *testing.T) {
	r := scanAll(realFile(t, "rtcm/six_systems.rtcm3"))
	const near = 1778922000
	perEpoch := map[float64]map[System]int{}
	for _, f := range r.frames {
		m := f.msg
		if m.MSM == 0 {
			continue
		}
		u := m.Epoch(near)
		if perEpoch[u] == nil {
			perEpoch[u] = map[System]int{}
		}
		perEpoch[u][m.System]++
	}
	whole := 0
	for _, c := range perEpoch {
		if c[BeiDou] == 3 && c[GPS] == 1 && c[GLONASS] == 1 && c[Galileo] == 1 && c[QZSS] == 1 && c[NavIC] == 1 {
			whole++
		}
	}
	if len(perEpoch) > 61 || whole < 58 {
		t.Errorf("%d epochs, %d of them with six systems and three BeiDou messages; want about 60", len(perEpoch), whole)
	}
}

func TestReal_MSM7(t *testing.T) {
	r := scanAll(realFile(t, "rtcm/msm7.rtcm3"))
	c := map[int]int{}
	for _, f := range r.frames {
		c[f.msg.Number]++
		if f.msg.Truncated {
			t.Errorf("%d at %d is called truncated", f.msg.Number, f.off)
		}
	}
	if c[1077] != 35 || c[1087] != 36 || c[1230] != 1 || r.fails != 0 {
		t.Errorf("messages %v with %d failures, want 35 of 1077, 36 of 1087, one 1230, none", c, r.fails)
	}
}
