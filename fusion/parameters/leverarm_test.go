package parameters

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

// The lever fit gives back an antenna that is elsewhere, with the error it
// claims (200 runs of 100 displacements over a bend).
func TestLeverFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	const dx, dy, noise = -0.4, 0.15, 0.01
	for name, solve := range map[string]func(*leverFit) (x, y, sx, sy float64){"solve": (*leverFit).solve, "steady": (*leverFit).steady} {
		var sum, square [2]float64
		var sx, sy float64
		const runs = 200
		for range runs {
			var l leverFit
			yaw := rng.Float64() * 6
			var before r3.Vec
			for k := range 100 {
				yaw += 0.05
				s := eskf.State{Att: eskf.FromEuler(0, 0, yaw)}
				arm := s.ToWorld(r3.Vec{X: dx, Y: dy})
				d := r3.Sub(arm, before)
				d.X += noise * rng.NormFloat64()
				d.Y += noise * rng.NormFloat64()
				if before = arm; k == 0 {
					d = r3.Vec{}
				}
				l.add(d, s.R(), noise)
			}
			var x, y float64
			x, y, sx, sy = solve(&l)
			for i, e := range [2]float64{x - dx, y - dy} {
				sum[i] += e
				square[i] += e * e
			}
		}
		for i, s := range [2]float64{sx, sy} {
			rms := math.Sqrt(square[i] / runs)
			if !(math.Abs(rms/s-1) < 0.2) || !(math.Abs(sum[i]/runs) < 4*s/math.Sqrt(runs)) {
				t.Errorf("%s, axis %d: error rms %.4f, mean %.4f m; the fit claims %.4f", name, i, rms, sum[i]/runs, s)
			}
		}
	}
	// A position that drifts at 0.15 m/s for half of the time is no lever arm.
	var d leverFit
	yaw := 0.0
	for k := range 300 {
		yaw += 0.05 * math.Sin(float64(k)/40)
		step := r3.Vec{X: noise * rng.NormFloat64(), Y: noise * rng.NormFloat64()}
		if k >= 150 {
			step.X += 0.015
		}
		d.add(step, (&eskf.State{Att: eskf.FromEuler(0, 0, yaw)}).R(), noise)
	}
	if x, y, sx, sy := d.steady(); !(math.Abs(x) < 4*sx && math.Abs(y) < 4*sy) {
		t.Errorf("a drift looks like a lever arm that is off by %.2f ± %.2f, %.2f ± %.2f m", x, sx, y, sy)
	}
	// Driving straight shows nothing.
	var l leverFit
	for range 100 {
		l.add(r3.Vec{}, (&eskf.State{Att: eskf.FromEuler(0, 0, 1)}).R(), noise)
	}
	if _, _, sx, sy := l.solve(); sx < 1 && sy < 1 {
		t.Error("a straight has shown the lever arm")
	}
}
