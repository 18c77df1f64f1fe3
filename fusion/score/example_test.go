package score_test

import (
	"os"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
)

// A car drives north at 10 m/s for 60 s; for 2 s its position, still called
// usable, is 0.8 m to the east with a limit of 0.5 m.
func ExampleScorer() {
	truth := score.NewTruth(geodesy.LLA{})
	frame := truth.Frame()
	s := score.New(truth, nil)
	for i := range 600 {
		t := float64(i) / 10
		truth.Add(t, frame.ToLLA(geodesy.ENU{N: 10 * t}), 1.5708, 0)
	}
	truth.Seal()
	snap := fusion.Snapshot{Verdict: fusion.Usable, HasPos: true, Yaw: 1.5708, Speed: 10, Vel: geodesy.ENU{N: 10},
		PLLat: fusion.PL{Total: 0.2}, PLLon: fusion.PL{Total: 0.2}, PLYaw: fusion.PL{Total: 0.02}, ALLat: 0.5, ALLon: 1, ALYaw: 0.05}
	for i := range 600 {
		snap.T = float64(i) / 10
		east := 0.05
		if i >= 400 && i < 420 {
			east = 0.8
		}
		snap.Pos = frame.ToLLA(geodesy.ENU{E: east, N: 10 * snap.T})
		s.Add(&snap, nil)
	}
	var b strings.Builder
	s.Result().Write(&b)
	for _, line := range strings.Split(b.String(), "\n") {
		if strings.HasPrefix(line, "misleading") || strings.HasPrefix(line, "error rms") {
			os.Stdout.WriteString(line + "\n")
		}
	}
	// Output:
	// misleading     2.0 s (20 lines in 1 runs, longest 2.0 s, worst 0.30 m beyond its limit)
	// error rms      horizontal 0.155 m (usable lines 0.155 m), heading 0.000 deg, from moving off
}
