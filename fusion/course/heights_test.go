package course

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/gnss/geodesy"
)

// A lap on a hill with 8 % of grade, driven three times a little to the side
// with 2 cm of noise: the height is known again within its claim on the path and
// a metre beside it, and not known where nobody drove.
func TestHeights(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 16))
	ground := func(e, n float64) float64 { return 5 * math.Sin(e/60) * math.Cos(n/60) }
	at := func(s, side float64) geodesy.ENU {
		r := 80 + side
		e, n := r*math.Cos(s/80), r*math.Sin(s/80)
		return geodesy.ENU{E: e, N: n, U: ground(e, n)}
	}
	q := new(Heights)
	if _, _, ok := q.At(at(0, 0)); ok {
		t.Error("a height before any was learned")
	}
	host := 0.0
	for lap := range 3 {
		side := 0.4 * float64(lap-1)
		for s := 0.0; s < 2*math.Pi*80; s += 1.2 {
			p := at(s, side+0.1*rng.NormFloat64())
			p.U += 0.02 * rng.NormFloat64()
			q.Learn(p, host)
			host += 0.1
		}
	}
	var sum, n float64
	for s := 0.5; s < 2*math.Pi*80; s += 3.7 {
		for _, side := range []float64{0, 1, -1} {
			p := at(s, side)
			h, sigma, ok := q.At(p)
			if !ok {
				t.Fatalf("nothing known at %.0f m, %.0f m aside", s, side)
			}
			if !(sigma > 0.02 && sigma < 0.2) {
				t.Fatalf("1 sigma %.3f m at %.0f m", sigma, s)
			}
			sum += (h - p.U) * (h - p.U) / (sigma * sigma)
			n++
		}
	}
	if rms := math.Sqrt(sum / n); !(rms < 1.1) {
		t.Errorf("heights are off by %.2f of what they claim", rms)
	}
	if _, _, ok := q.At(at(100, 12)); ok {
		t.Error("a height where nobody drove")
	}
}

// A table that is full keeps what it knows and takes no more.
func TestHeights_Full(t *testing.T) {
	q := new(Heights)
	for k := range 2 * heightCells {
		q.Learn(geodesy.ENU{E: 5 * float64(k), U: 7}, float64(k))
	}
	if h, _, ok := q.At(geodesy.ENU{E: 0.1, N: 0.1}); !ok || !(math.Abs(h-7) < 1e-6) {
		t.Errorf("height %.2f, %v of the first cell, want 7", h, ok)
	}
	if q.n > heightCells {
		t.Errorf("%d cells", q.n)
	}
}
