package course_test

import (
	"math"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion/course"
)

// Driving the generated circuits with their own truth: the place goes forward
// by what was driven, the car stays near the centre line, and the course points
// where the car goes.
func TestLocateAlongGeneratedLaps(t *testing.T) {
	for seed := uint64(1); seed <= 6; seed++ {
		s := fixtures.Standard("nominal", seed)
		s.Duration, s.IMUHz = 150, 1
		files, _ := s.Files()
		c, err := course.Load(files[fixtures.CourseFile])
		if err != nil {
			t.Fatal(err)
		}
		tr := s.Truth()
		c.Bind(tr.Frame())
		if !c.Closed() || math.Abs(c.Length()-tr.LapLength()) > 6 || c.Name() != "Quarry Loop" {
			t.Fatalf("seed %d: closed %v, length %.1f (driven %.1f), name %q", seed, c.Closed(), c.Length(), tr.LapLength(), c.Name())
		}
		hint, last, gone := -1, math.NaN(), 0.0
		var first, end fixtures.State
		for at := 30.0; at < 150; at += 0.1 {
			st := tr.AtUTC(at)
			pl := c.Locate(st.ENU, &hint)
			if !pl.OK || math.Abs(pl.Cross) > 0.6 || !(pl.HalfWidth > 1.5 && pl.HalfWidth < 4) {
				t.Fatalf("seed %d at %.1f: %+v", seed, at, pl)
			}
			if d := math.Remainder(pl.Yaw-math.Atan2(st.Vel.N, st.Vel.E), 2*math.Pi); st.Speed > 1 && math.Abs(d) > 0.05 {
				t.Fatalf("seed %d at %.1f: course %.3f rad off the path", seed, at, d)
			}
			if !math.IsNaN(last) {
				d := math.Remainder(pl.S-last, c.Length())
				if d < -0.05 || d > s.VMax*0.1+0.3 {
					t.Fatalf("seed %d at %.1f: moved %.2f m along the lap in 0.1 s", seed, at, d)
				}
				gone += d
			} else {
				first = st
			}
			last, end = pl.S, st
		}
		if laps := end.Lap - first.Lap; math.Abs(gone/c.Length()-laps) > 0.03 || laps < 1 {
			t.Errorf("seed %d: %.3f laps along the course, %.3f driven", seed, gone/c.Length(), laps)
		}
	}
}
