package setup

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fusion"
)

// A base that was set up again moves the laps over the ground; a driver's habits move
// them along the lap with its turns. The first is told from the second, within what
// is claimed (100 drivers round an oval with hairpins).
func TestLapsShift(t *testing.T) {
	const east, north = 0.8, -0.5
	rng := rand.New(rand.NewPCG(9, 2))
	within := 0
	for range 100 {
		var l laps
		side, cut := 0.3*rng.NormFloat64(), 3*rng.NormFloat64()
		wander := 0.0
		for k := range 400 {
			s := fusion.Snapshot{Verdict: fusion.Usable, HasCourse: true, Speed: 5, HalfWidth: 4}
			s.Station = float64(k)
			u := 2 * math.Pi * float64(k) / 400
			s.CourseYaw = u + 0.5*math.Sin(2*u)
			curve := (1 + math.Cos(2*u)) * 2 * math.Pi / 400
			s.YawRate = curve * s.Speed
			wander += -wander/15 + 0.08*rng.NormFloat64()
			sin, cos := math.Sincos(s.CourseYaw)
			s.Cross = -sin*east + cos*north + side + cut*curve + wander
			l.add(&s)
		}
		e, n, sigma, ok := l.shift()
		if !ok || sigma > shiftSure {
			t.Fatalf("a lap tells the shift to %.2f m (%v)", sigma, ok)
		}
		if math.Abs(e-east) < 2*sigma && math.Abs(n-north) < 2*sigma {
			within++
		}
	}
	// Both axes within 2 sigma: 91 of 100 for a normal error.
	if within < 80 {
		t.Errorf("within two sigma in %d of 100", within)
	}
}
