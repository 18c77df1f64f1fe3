package singlepoint

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
	"kerbline/gnss/rinex"
	"kerbline/gnss/rtcm"
	"kerbline/gnss/satellite"
)

// realFile returns a measured file of KERBLINE_REAL, unpacked, or skips.
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

// A drive and a roof, measured: horizontal error, 95 %, within 3 m, by the
// broadcast ionosphere model and by two frequencies.
func TestReal_DriveAndRoof(t *testing.T) {
	roof := geodesy.ECEF{X: -3962108.673, Y: 3381309.574, Z: 3668678.638}
	drive := map[float64]geodesy.ECEF{}
	r := csv.NewReader(bytes.NewReader(realFile(t, "phase/rover_moving_truth.csv")))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		var v [4]float64
		for i := range v {
			v[i], _ = strconv.ParseFloat(row[i], 64)
		}
		drive[v[0]] = geodesy.ECEF{X: v[1], Y: v[2], Z: v[3]}
	}
	for _, c := range []struct {
		name, obs, nav string
		truth          func(tow float64) (geodesy.ECEF, bool)
	}{
		{"drive", "phase/rover_moving.obs", "phase/nav_moving.rnx", func(tow float64) (geodesy.ECEF, bool) { p, ok := drive[tow]; return p, ok }},
		{"roof", "phase/rover_roof.obs.gz", "phase/nav_roof.rnx", func(float64) (geodesy.ECEF, bool) { return roof, true }},
	} {
		for _, model := range []Ionosphere{Broadcast, DualFrequency, Unmodelled} {
			s := Solver{Sets: &orbit.Store{}}
			nav, err := rinex.ReadNavigation(bytes.NewReader(realFile(t, c.nav)), func(e *orbit.Ephemeris) { s.Sets.Add(e) })
			if err != nil {
				t.Fatal(err)
			}
			if model == Broadcast {
				s.Ionosphere = nav.GPS
			}
			var horizontal, ratio []float64
			failed, excluded, alarms := 0, 0, 0
			_, err = rinex.ReadObservations(bytes.NewReader(realFile(t, c.obs)), func(e *observation.Epoch) error {
				truth, ok := c.truth(e.Time.TOW)
				if !ok {
					return nil
				}
				if model == Unmodelled {
					keepBand1(e)
				}
				sol := s.Solve(e, geodesy.ECEF{})
				if sol.Failure != Solved {
					failed++
					return nil
				}
				if sol.Model != model && model != DualFrequency {
					t.Errorf("%s: %v, want %v", c.name, sol.Model, model)
				}
				excluded += sol.Excluded
				for i := range sol.Systems {
					if !sol.Systems[i].Passed() {
						alarms++
					}
				}
				f := geodesy.NewFrame(truth.LLA())
				v := f.FromECEF(sol.Pos)
				horizontal = append(horizontal, math.Hypot(v.E, v.N))
				ratio = append(ratio, math.Hypot(v.E, v.N)/math.Hypot(sol.Sigma.E, sol.Sigma.N))
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			slices.Sort(horizontal)
			slices.Sort(ratio)
			n := len(horizontal)
			t.Logf("%s, %v: %d epochs, %d failed, horizontal p50 %.2f p95 %.2f max %.2f m; error/sigma p95 %.2f; %d excluded, %d systems failed", c.name, model, n, failed,
				horizontal[n/2], horizontal[n*95/100], horizontal[n-1], ratio[n*95/100], excluded, alarms)
			if p := horizontal[n*95/100]; failed > 0 || !(p < 3) {
				t.Errorf("%s, %v: p95 %.2f m, %d failed", c.name, model, p, failed)
			}
		}
	}
}

// keepBand1 leaves only the first frequency in an epoch.
func keepBand1(e *observation.Epoch) {
	e.Obs = slices.DeleteFunc(e.Obs, func(o observation.Observation) bool { return o.Signal.Band != '1' })
}

// Base stations in measured streams stand where they say, by their own
// observations and the ephemerides in the stream.
func TestReal_BasesStandWhereTheySay(t *testing.T) {
	for name, near := range map[string]gnsstime.Time{
		"rtcm/week_rollover.rtcm3": {Week: 2009, TOW: 604000}, "rtcm/six_systems.rtcm3": {Week: 2240, TOW: 176000},
	} {
		var s rtcm.Scanner
		var j rtcm.Epochs
		var base geodesy.ECEF
		solver := Solver{Sets: &orbit.Store{}}
		var off []float64
		failed := map[Failure]int{}
		systems := map[satellite.System]int{}
		s.Push(realFile(t, name), func(m *rtcm.Message) {
			switch {
			case m.HasBase:
				base = m.Base
			case rtcm.IsEphemeris(m.Number):
				var e rtcm.Ephemeris
				if err := e.Decode(s.Raw(), near); err != nil {
					t.Error(err)
				}
				solver.Sets.Add(&e.Set)
				if e.Number == 1020 {
					j.SetChannel(int(e.Set.Sat.Number), e.Set.Inertial.Channel)
				}
			case m.MSM > 0:
				j.Push(s.Raw(), near, func(e *observation.Epoch) {
					sol := solver.Solve(e, geodesy.ECEF{})
					if sol.Failure != Solved || base == (geodesy.ECEF{}) {
						failed[sol.Failure]++
						return
					}
					off = append(off, sol.Pos.Dist(base))
					for i := range sol.Systems {
						if sol.Systems[i].Used > 0 {
							systems[satellite.System(i)]++
						}
					}
				})
			}
		}, nil)
		slices.Sort(off)
		if len(off) == 0 {
			t.Errorf("%s: no solution: %v", name, failed)
			continue
		}
		if p := off[len(off)*95/100]; !(p < 6) || len(systems) < 5 {
			t.Errorf("%s: %.2f m off, 95 %%; systems %v", name, p, systems)
		}
		t.Logf("%s: %d solutions, p50 %.2f p95 %.2f max %.2f m from the coordinates sent; not solved %v; systems %v", name, len(off), off[len(off)/2], off[len(off)*95/100], off[len(off)-1], failed, systems)
	}
}
