package integrity

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Averaged innovation in the form of Diesel and Luu 1995: variance 0.04, ten
// samples of mean 0.1 give s² = 2.5. Computed.
func TestWindow_DieselLuu(t *testing.T) {
	w := newWindow(10, 0)
	for i := range 10 {
		w.Push(float64(i), 0.1+0.05*float64(i%2*2-1), 0.04)
	}
	mean, v, ok := w.mean()
	near(t, "mean", mean, 0.1, 1e-12)
	near(t, "variance", v, 0.004, 1e-15)
	near(t, "s²", mean*mean/v, 2.5, 1e-12)
	if !ok {
		t.Error("nine of ten seconds are not enough")
	}
	// Equal weights: the bias found shrinks with the root of their number.
	g := NewGate(1e-3, 1e-3, 1)
	near(t, "detectable", g.Detectable(math.Sqrt(v)), 0.2*2.017773176, 1e-6)
	// The floor does not average out.
	f := newWindow(10, 0.03)
	for i := range 10 {
		f.Push(float64(i), 0.1, 0.04)
	}
	_, v, _ = f.mean()
	near(t, "variance with a floor", v, 0.004+0.0009, 1e-15)
}

// Against the sums over everything pushed, at rates, gaps and variances as they
// come and go with the quality of a fix, past the end of the ring many times.
func TestWindow_BruteForce(t *testing.T) {
	type sample struct{ t, r, v float64 }
	for _, span := range []float64{1, 5, 20} {
		rng := rand.New(rand.NewPCG(uint64(span), 7))
		const floor = 0.02
		w := newWindow(span, floor)
		var all []sample
		at := 1.7e9
		for k := range 6000 {
			dt := [...]float64{0.04, 0.1, 0.2}[k/1000%3]
			if rng.IntN(500) == 0 {
				dt = 3 * span * rng.Float64()
			}
			at += dt
			s := sample{at, rng.NormFloat64(), math.Pow(10, -4+5*rng.Float64())}
			if rng.IntN(2000) == 0 {
				w.Reset()
				all = all[:0]
			}
			w.Push(s.t, s.r, s.v)
			all = append(all, s)
			for len(all) > 0 && all[0].t < at-span {
				all = all[1:]
			}
			mean, v, ok := w.mean()
			if len(all) < 2 {
				if ok || !math.IsNaN(mean) || !math.IsNaN(v) {
					t.Fatalf("span %g, sample %d: %d samples give a mean", span, k, len(all))
				}
				continue
			}
			var sw, swr, size float64
			for _, s := range all {
				sw += 1 / s.v
				swr += s.r / s.v
				size += math.Abs(s.r) / s.v
			}
			// A heavy sample that has left leaves its rounding in the sums.
			if math.Abs(mean-swr/sw) > 1e-9*size/sw || math.Abs(v-(1/sw+floor*floor)) > 1e-9*v {
				t.Fatalf("span %g, sample %d: mean %g variance %g, want %g %g", span, k, mean, v, swr/sw, 1/sw+floor*floor)
			}
			if want := at-all[0].t >= span/2; ok != want {
				t.Fatalf("span %g, sample %d: full enough %v, want %v", span, k, ok, want)
			}
		}
	}
}

// A receiver faster than the ring is deep loses its oldest samples, no more.
func TestWindow_Overflow(t *testing.T) {
	w := newWindow(20, 0)
	for i := range 2 * maxWindow {
		w.Push(float64(i)*0.01, float64(i), 1)
	}
	mean, v, _ := w.mean()
	near(t, "mean of the newest", mean, 1.5*maxWindow-0.5, 1e-9)
	near(t, "variance", v, 1.0/maxWindow, 1e-12)
}

// Nothing that is no number may enter the sums, where it would stay.
func TestWindow_NotNumbers(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	w := newWindow(5, 0)
	for i := range 40 {
		at := float64(i) * 0.1
		w.Push(at, 0.5, 0.01)
		for _, bad := range [][3]float64{{nan, 1, 1}, {at, nan, 1}, {at, inf, 1}, {at, -inf, 1}, {at, 1, nan}, {at, 1, 0}, {at, 1, -1}, {at, 1, inf}} {
			w.Push(bad[0], bad[1], bad[2])
		}
	}
	mean, v, ok := w.mean()
	near(t, "mean", mean, 0.5, 1e-12)
	near(t, "variance", v, 0.01/40, 1e-15)
	if !ok {
		t.Error("not full")
	}
}
