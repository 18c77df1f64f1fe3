package integrity

import (
	"math"
	"math/rand/v2"
	"testing"
)

// What a car does beside the model is found from displacements of 4 s, with a
// covariance that holds the error: normalised errors of 200 cars are chi squared.
func TestHandling(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	var nees float64
	const cars = 200
	for range cars {
		var q handling
		q.init()
		var truth [3]float64
		for i, s := range handlingPrior {
			truth[i] = s * r.NormFloat64()
		}
		const sigma = 0.04 // m, of a displacement
		for k := range 30 {
			var h [3][2]float64
			for i, size := range [3]float64{150, 3000, 25} { // metres by a unit each
				s, c := math.Sincos(2 * math.Pi * r.Float64())
				h[i] = [2]float64{size * c, size * s}
			}
			y := Vec3{sigma * r.NormFloat64(), sigma * r.NormFloat64()}
			for i := range 3 {
				y[0] += truth[i] * h[i][0]
				y[1] += truth[i] * h[i][1]
			}
			q.learn(4*float64(k), &h, y, Sym3{{sigma * sigma, 0}, {0, sigma * sigma}})
		}
		e := Vec3{q.x[0] - truth[0], q.x[1] - truth[1], q.x[2] - truth[2]}
		p := Sym3(q.p)
		nees += NIS(&e, &p, 3)
		if s := math.Sqrt(q.p[2][2]); !(s < 0.2*handlingPrior[2]) {
			t.Fatalf("pull known to %g after 30 stretches, want a fifth of %g", s, handlingPrior[2])
		}
	}
	// Chi squared of 600, 99.9 % two-sided (Wilson-Hilferty). What is forgotten
	// between two stretches, 4 s of 900, is in the covariance and not in the cars.
	const n = 3 * cars
	bound := func(z float64) float64 { return n * math.Pow(1-2.0/(9*n)+z*math.Sqrt(2.0/(9*n)), 3) }
	if !(nees < bound(3.29) && nees > 0.5*bound(-3.29)) {
		t.Errorf("normalised errors sum to %.0f, want %.0f to %.0f", nees, 0.5*bound(-3.29), bound(3.29))
	}
}

// A displacement that no car makes is a fix gone wrong, and teaches nothing.
func TestHandling_Gate(t *testing.T) {
	var q handling
	q.init()
	before := q
	h := [3][2]float64{{100, 0}, {1000, 0}, {20, 10}}
	q.learn(10, &h, Vec3{1.5, -1}, Sym3{{1e-3, 0}, {0, 1e-3}})
	if q.x != before.x || q.p != before.p {
		t.Errorf("learned %v from a jump", q.x)
	}
}
