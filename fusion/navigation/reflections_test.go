package navigation

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// learn drives for so many seconds with a receiver of white noise and a first-order
// Gauss-Markov error (exact discretisation, variance slow²), drifting east.
func learn(seed uint64, seconds, white, slow, tau, drift float64) *Reflections {
	const dt, over = 0.1, 10
	r := rand.New(rand.NewPCG(seed, 1))
	q := &Reflections{}
	phi := math.Exp(-dt / tau)
	var gm, was [2]float64
	var sums [over][2]float64 // of the last second, by wheels: exact
	for i := range gm {
		gm[i] = slow * r.NormFloat64()
	}
	for k := range int(seconds / dt) {
		var at [2]float64
		for i := range gm {
			gm[i] = phi*gm[i] + slow*math.Sqrt(1-phi*phi)*r.NormFloat64()
			at[i] = gm[i] + white*r.NormFloat64()
		}
		at[0] += drift * float64(k) * dt
		var x [2]Displacement
		if k >= over {
			old := sums[k%over]
			x[0] = Displacement{Over: 1, E: at[0] - old[0], N: at[1] - old[1]}
		}
		sums[k%over] = at
		if k > 0 {
			q.Push(float64(k)*dt, dt, r3.Vec{X: at[0] - was[0], Y: at[1] - was[1]}, 0, [2]float64{2e-4, 2e-4}, x, 10, 15)
		}
		was = at
	}
	return q
}

// A generated error is found within a fifth, from above and from below the prior;
// what was not seen keeps the prior, and a drift is none of it.
func TestReflections(t *testing.T) {
	const prior = 0.02
	for _, c := range []struct{ seconds, slow, drift, lo, hi float64 }{
		{5, 0.02, 0, 0.015, 0.026},
		{240, 0.005, 0, 0.005, 0.012},
		{240, 0.02, 0, 0.016, 0.024},
		{240, 0.05, 0, 0.038, 0.056},
		{240, 0.08, 0, 0.060, 0.090},
		{240, 0.01, 0.02, 0.005, 1.1 * prior},
		{240, 0.01, 0.1, 0.005, 1.1 * prior},
	} {
		for seed := range uint64(8) {
			q := learn(seed, c.seconds, 0.006, c.slow, 15, c.drift)
			if s := q.Sigma(prior); !(s >= c.lo && s <= c.hi) {
				t.Errorf("%g m for %g s drifting at %g m/s, seed %d: %.4f m, want %g to %g", c.slow, c.seconds, c.drift, seed, s, c.lo, c.hi)
			}
		}
	}
	if q := (&Reflections{}); q.Sigma(prior) != prior || q.White() != 1 {
		t.Errorf("nothing seen: %g m, factor %g, want the prior and 1", q.Sigma(prior), q.White())
	}
	// White noise of 6 mm where 10 mm are said, and of 20 mm.
	for _, white := range []float64{0.006, 0.02} {
		if f, want := learn(1, 240, white, 0.01, 15, 0).White(), white*white/1e-4; math.Abs(f-want) > 0.25*want+0.05 {
			t.Errorf("white noise of %g m: factor %.2f, want %.2f", white, f, want)
		}
	}
}

// Rest and epochs far apart teach nothing.
func TestReflections_Nothing(t *testing.T) {
	q := &Reflections{}
	for k := range 100 {
		q.Push(float64(k), 1, r3.Vec{X: 0.1}, 0, [2]float64{1e-4, 1e-4}, [2]Displacement{}, 10, 15)
		q.Push(float64(k), 0.1, r3.Vec{X: 0.1}, 0, [2]float64{1e-4, 1e-4}, [2]Displacement{}, 0, 15)
	}
	if q.Sigma(0.02) != 0.02 || q.White() != 1 {
		t.Errorf("%g m, factor %g, want the prior and 1", q.Sigma(0.02), q.White())
	}
}

func sayingAll() gnss.Epoch {
	return gnss.Epoch{HasPos: true, HasH: true, Quality: gnss.QualityFixed, Sats: 20, HDOP: 0.6, Age: 1, SigmaN: 0.012, SigmaE: 0.013, SigmaU: 0.022}
}

// No field left blank makes a position better known, and each that stands for
// something makes it less well known.
func TestNoise_Blank(t *testing.T) {
	g := GNSS{FixedSigma: 0.01, BlankSigma: 0.02, Vertical: 1.5, Inflation: 1.2, Correlated: 0.7, Multipath: 0.02}
	all := sayingAll()
	white, h, v := g.Noise(&all, ClassFixed)
	for name, blank := range map[string]func(e *gnss.Epoch){
		"sigma":  func(e *gnss.Epoch) { e.SigmaN, e.SigmaE, e.SigmaU = math.NaN(), math.NaN(), math.NaN() },
		"height": func(e *gnss.Epoch) { e.HasH = false },
		"hdop":   func(e *gnss.Epoch) { e.HDOP = math.NaN() },
		"sats":   func(e *gnss.Epoch) { e.Sats = -1 },
		"age":    func(e *gnss.Epoch) { e.Age = math.NaN() },
	} {
		e := sayingAll()
		blank(&e)
		w, bh, bv := g.Noise(&e, ClassFixed)
		if !(bh > h && bv > v) || w[0] < white[0] || w[1] < white[1] || w[2] < white[2] {
			t.Errorf("%s blank: white %v, slow %.4f and %.4f m; with it %v, %.4f and %.4f m", name, w, bh, bv, white, h, v)
		}
	}
}

// A sigma left blank now and then counts for the epochs between; one that shakes by
// a tenth moves nothing, one that doubles may have moved the position by as much.
func TestSaid(t *testing.T) {
	var q said
	e, small, large := sayingAll(), posNoise{white: [3]float64{1, 1, 1}, corrH: 1, corrV: 1}, posNoise{white: [3]float64{4, 4, 4}, corrH: 2, corrV: 2}
	blank := e
	blank.SigmaE = math.NaN()
	for _, c := range []struct {
		t    float64
		e    *gnss.Epoch
		n    posNoise
		want posNoise
	}{
		{1, &e, small, small}, {2, &blank, large, large}, {3, &e, small, large}, {11, &e, small, large}, {13, &e, small, small},
	} {
		if got := q.hold(c.t, ClassFixed, c.e, c.n); got != c.want {
			t.Errorf("at %g s: %v, want %v", c.t, got, c.want)
		}
	}
	q.begin(small.white)
	for k, c := range []struct{ white, moved float64 }{{1.2, 0}, {0.8, 0}, {1.2, 0}, {4, 10}, {4, 0}, {1, 10}} {
		if q.compare([3]float64{c.white, c.white, c.white}, 0.3); math.Abs(q.moved[0]-c.moved) > 1e-9 {
			t.Errorf("%d: variance %g: moved by %g, want %g", k, c.white, q.moved[0], c.moved)
		}
	}
}
