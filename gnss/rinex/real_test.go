package rinex

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// realFile returns a measured file of KERBLINE_REAL/phase, unpacked, or skips.
func realFile(t *testing.T, name string) []byte {
	t.Helper()
	dir := os.Getenv("KERBLINE_REAL")
	if dir == "" {
		t.Skip("KERBLINE_REAL names no folder of measured recordings")
	}
	b, err := os.ReadFile(filepath.Join(dir, "phase", name))
	if err != nil {
		t.Skip("no measured recordings: ", err)
	}
	if strings.HasSuffix(name, ".gz") {
		z, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if b, err = io.ReadAll(z); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func navigation(t *testing.T, names ...string) (*orbit.Store, *Navigation) {
	t.Helper()
	s := &orbit.Store{}
	var n *Navigation
	for _, name := range names {
		var err error
		n, err = ReadNavigation(bytes.NewReader(realFile(t, name)), func(e *orbit.Ephemeris) { s.Add(e) })
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: version %.2f, %d sets, %d skipped, %d refused: %v; Klobuchar %v", name, n.Version, n.Sets, n.Skipped, n.Refused.Records, n.Refused.First, n.GPS)
	}
	return s, n
}

func table(t *testing.T, name string) [][]string {
	r := csv.NewReader(bytes.NewReader(realFile(t, name)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func value(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every satellite of one epoch at its time of transmission, with its clock, as
// another program computed it: within a centimetre.
func TestReal_SatellitePositions(t *testing.T) {
	s, _ := navigation(t, "nav_moving.rnx")
	tag := gnsstime.Time{Week: 2176, TOW: 282600}
	worst, worstClock := 0.0, 0.0
	rows := table(t, "satellite_positions.csv")
	for _, r := range rows {
		id, err := satellite.Parse(r[0])
		if err != nil {
			t.Fatal(err)
		}
		var e *orbit.Ephemeris
		for i := range s.Sets(id) {
			if s.Sets(id)[i].Toe.TOW == value(t, r[2]) && (e == nil || s.Sets(id)[i].Source == orbit.INAV) {
				e = &s.Sets(id)[i]
			}
		}
		if e == nil {
			t.Errorf("%v: no set of %s s", id, r[2])
			continue
		}
		_, got := e.Transmitted(tag, value(t, r[1]), 0)
		want := geodesy.ECEF{X: value(t, r[3]), Y: value(t, r[4]), Z: value(t, r[5])}
		d, c := got.Pos.Dist(want), math.Abs(got.Clock-value(t, r[6]))*satellite.SpeedOfLight
		worst, worstClock = max(worst, d), max(worstClock, c)
		if !(d < 0.01) || !(c < 0.01) {
			t.Errorf("%v: %.4f m off, clock %.4f m", id, d, c)
		}
	}
	t.Logf("%d satellites: position within %.5f m, clock within %.5f m", len(rows), worst, worstClock)
}

// Broadcast orbits against independent precise ones, and against another
// computation of the same sets.
func TestReal_PreciseOrbits(t *testing.T) {
	s, _ := navigation(t, "city_street_gps.nav", "city_street_glonass.nav")
	off := map[byte][]float64{}
	twin := map[byte]float64{}
	for _, r := range table(t, "eph_check.csv") {
		id, err := satellite.Parse(r[0])
		if err != nil {
			t.Fatal(err)
		}
		c := strings.Split(r[1], ":")
		at, ok := clock(gpsScale, 2016, 6, 6, int(value(t, c[0])), int(value(t, c[1])), value(t, c[2]))
		if !ok {
			t.Fatal(r[1])
		}
		var e *orbit.Ephemeris
		for i := range s.Sets(id) {
			if math.Abs(s.Sets(id)[i].Toe.TOW-value(t, r[2])) < 1 {
				e = &s.Sets(id)[i]
			}
		}
		if e == nil {
			t.Errorf("%v: no set of %s s", id, r[2])
			continue
		}
		got := e.At(at)
		pos := func(i int) geodesy.ECEF {
			return geodesy.ECEF{X: value(t, r[i]), Y: value(t, r[i+1]), Z: value(t, r[i+2])}
		}
		d := got.Pos.Dist(pos(3))
		twin[r[0][0]] = max(twin[r[0][0]], d)
		if !(d < 0.01) || !(math.Abs(got.Clock-value(t, r[6])) < 3e-11) {
			t.Errorf("%v: %.4f m and %g s from the other computation", id, d, got.Clock-value(t, r[6]))
		}
		off[r[0][0]] = append(off[r[0][0]], got.Pos.Dist(pos(7)))
	}
	for sys, limit := range map[byte]float64{'G': 3, 'R': 7} {
		slices.Sort(off[sys])
		n := len(off[sys])
		if n == 0 {
			t.Fatalf("%c: nothing compared", sys)
		}
		t.Logf("%c: %d, median %.2f m, at most %.2f m from the precise orbit; %.4f m from the other computation", sys, n, off[sys][n/2], off[sys][n-1], twin[sys])
		if off[sys][n-1] > limit {
			t.Errorf("%c: %.2f m from the precise orbit, want at most %g", sys, off[sys][n-1], limit)
		}
	}
}

func TestReal_Observations(t *testing.T) {
	for _, c := range []struct {
		name   string
		epochs int
	}{{"rover_moving.obs", 360}, {"base_moving.obs", 360}, {"rover_roof.obs.gz", 900}, {"city_street.obs", 1200}} {
		epochs, obs, slips, half := 0, 0, 0, 0
		var first, last gnsstime.Time
		h, err := ReadObservations(bytes.NewReader(realFile(t, c.name)), func(e *observation.Epoch) error {
			if epochs == 0 {
				first = e.Time
			}
			last = e.Time
			epochs++
			obs += len(e.Obs)
			for i := range e.Obs {
				if e.Obs[i].Slip {
					slips++
				}
				if e.Obs[i].HalfCycle {
					half++
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(c.name, err)
		}
		t.Logf("%s: version %.2f, %d epochs %v to %v, %d observations, %d slips, %d half cycles; refused %d: %v", c.name, h.Version, epochs, first, last, obs, slips, half, h.Refused.Records, h.Refused.First)
		if epochs < c.epochs || h.Refused.Records > 0 {
			t.Errorf("%s: %d epochs, want %d; %d refused", c.name, epochs, c.epochs, h.Refused.Records)
		}
	}
}
