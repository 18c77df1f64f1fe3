package calibrate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// The other deviations of the published rows, by their definitions (NIST SP
// 1065) on the running sum x of the samples: they show that the rows are read
// right, and that oadev agrees with them where they must.
func phase(y []float64) []float64 {
	x := make([]float64, len(y)+1)
	for i, v := range y {
		x[i+1] = x[i] + v
	}
	return x
}

func otherDevs(y []float64, m int) (adev, mdev, tdev, hdev, ohdev float64) {
	x, q := phase(y), float64(m)
	mean := func(stride, reach int, f func(i int) float64, div float64) float64 {
		s, n := 0.0, 0
		for i := 0; i+reach < len(x); i += stride {
			d := f(i)
			s += d * d
			n++
		}
		return math.Sqrt(s / float64(n) / div)
	}
	second := func(i int) float64 { return x[i+2*m] - 2*x[i+m] + x[i] }
	third := func(i int) float64 { return x[i+3*m] - 3*x[i+2*m] + 3*x[i+m] - x[i] }
	adev = mean(m, 2*m, second, 2*q*q)
	hdev = mean(m, 3*m, third, 6*q*q)
	ohdev = mean(1, 3*m, third, 6*q*q)
	mdev = mean(1, 3*m-1, func(i int) float64 {
		s := 0.0
		for j := range m {
			s += second(i + j)
		}
		return s / q
	}, 2*q*q)
	return adev, mdev, q * mdev / math.Sqrt(3), hdev, ohdev
}

type allanRow struct {
	m                                    int
	adev, oadev, mdev, tdev, hdev, ohdev float64
}

func checkRows(t *testing.T, src string, y []float64, rows []allanRow, tol float64) {
	t.Helper()
	near := func(what string, m int, got, want float64) {
		if !(math.Abs(got-want) <= tol*want) {
			t.Errorf("%s: %s at m = %d is %.7g, want %.7g", src, what, m, got, want)
		}
	}
	for _, r := range rows {
		o, _ := runs{y}.oadev(r.m)
		a, md, td, h, oh := otherDevs(y, r.m)
		near("OADEV", r.m, o, r.oadev)
		near("ADEV", r.m, a, r.adev)
		near("MDEV", r.m, md, r.mdev)
		near("TDEV", r.m, td, r.tdev)
		near("HDEV", r.m, h, r.hdev)
		near("OHDEV", r.m, oh, r.ohdev)
	}
}

// The nine points of NBS, as in allantools tests/nbs14 (599dc9e).
func TestAllan_NBS(t *testing.T) {
	y := []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}
	checkRows(t, "NBS 9 points", y, []allanRow{
		{1, 91.22945, 91.22945, 91.22945, 52.67135, 70.80607, 70.80607},
		{2, 115.8082, 85.95287, 74.78849, 86.35831, 116.7980, 85.61487},
	}, 1e-6)
	mean, sd := meanSD(y)
	if math.Abs(mean-788.8889) > 1e-4 || math.Abs(sd-100.9770) > 1e-4 {
		t.Errorf("mean %.4f, sample sigma %.4f, want 788.8889, 100.9770", mean, sd)
	}
	var pairs []float64
	for i := 0; i+1 < len(y); i += 2 {
		pairs = append(pairs, (y[i]+y[i+1])/2)
	}
	if _, sd := meanSD(pairs); math.Abs(sd-102.6039) > 1e-4 {
		t.Errorf("sample sigma averaged by two is %.4f, want 102.6039", sd)
	}
}

func meanSD(y []float64) (mean, sd float64) {
	for _, v := range y {
		mean += v / float64(len(y))
	}
	for _, v := range y {
		sd += (v - mean) * (v - mean) / float64(len(y)-1)
	}
	return mean, math.Sqrt(sd)
}

// nist1000 is the 1000-point suite of NIST SP 1065, p. 107 (as in the allantools
// tests): a linear congruential generator.
func nist1000() []float64 {
	n, y := int64(1234567890), make([]float64, 1000)
	for i := range y {
		y[i] = float64(n) / 2147483647
		n = n * 16807 % 2147483647
	}
	return y
}

// NIST SP 1065, p. 107-108, as in the allantools tests; the further OADEV values
// were computed with an independent program.
func TestAllan_NIST1000(t *testing.T) {
	y := nist1000()
	for i, want := range map[int]float64{1: 395529916, 2: 1209410747, 3: 633705974, 999: 1560135652} {
		if got := math.Round(y[i] * 2147483647); got != want {
			t.Fatalf("n%d is %.0f, want %.0f", i, got, want)
		}
	}
	checkRows(t, "NIST 1000 points", y, []allanRow{
		{1, 2.922319e-1, 2.922319e-1, 2.922319e-1, 1.687202e-1, 2.943883e-1, 2.943883e-1},
		{10, 9.965736e-2, 9.159953e-2, 6.172376e-2, 3.563623e-1, 1.052754e-1, 9.581083e-2},
		{100, 3.897804e-2, 3.241343e-2, 2.170921e-2, 1.253382, 3.910861e-2, 3.237638e-2},
	}, 1e-6)
	for _, r := range []struct {
		m    int
		want float64
	}{{2, 2.010160e-1}, {5, 1.331864e-1}, {20, 5.369967e-2}, {50, 3.950179e-2}, {200, 1.644829e-2}, {250, 1.089868e-2}} {
		if got, _ := (runs{y}).oadev(r.m); math.Abs(got-r.want) > 1e-6*r.want {
			t.Errorf("OADEV at m = %d is %.7g, want %.7g", r.m, got, r.want)
		}
	}
	s := slices.Clone(y)
	slices.Sort(s)
	mean, sd := meanSD(y)
	for _, c := range []struct {
		what              string
		got, want, within float64
	}{
		{"minimum", s[0], 1.371760e-3, 1e-9}, {"maximum", s[999], 0.9957453, 1e-7}, {"mean", mean, 0.4897745, 1e-7},
		{"median", (s[499] + s[500]) / 2, 0.4798849, 1e-7}, {"sample sigma", sd, 2.884664e-1, 1e-7},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s is %.8g, want %.8g", c.what, c.got, c.want)
		}
	}
}

// Closed forms: a ramp of a per sample has a·τ/√2, a sine the value of its
// sampled sum (computed), and nothing at whole periods.
func TestAllan_Deterministic(t *testing.T) {
	ramp, sine := make([]float64, 4000), make([]float64, 4000)
	for i := range ramp {
		ramp[i] = 2e-3 * float64(i)
		sine[i] = math.Sin(2 * math.Pi * 0.01 * float64(i))
	}
	for _, r := range []struct {
		what string
		y    []float64
		m    int
		want float64
		tol  float64
	}{
		{"ramp", ramp, 1, 0.00141421, 5e-9}, {"ramp", ramp, 10, 0.01414214, 5e-9}, {"ramp", ramp, 100, 0.14142136, 5e-9},
		// Not a whole number of periods is averaged: a part in a thousand.
		{"sine", sine, 10, 0.303784, 4e-4}, {"sine", sine, 50, 0.636757, 7e-4}, {"sine", sine, 100, 0, 1e-12},
	} {
		if got, _ := (runs{r.y}).oadev(r.m); math.Abs(got-r.want) > r.tol {
			t.Errorf("%s at m = %d: %.8f, want %.8f", r.what, r.m, got, r.want)
		}
	}
}

// IEEE Std 952, Annex C (from memory; where each coefficient is read: several
// public scripts): slopes -1, -1/2, 0, +1/2, +1 of the Allan deviation, read at
// √3, 1, the floor over 0.664, 3 and √2 s.
func TestNoise_IEEE952(t *testing.T) {
	if got := math.Sqrt(floorOf); math.Abs(got-0.6642824703) > 1e-10 {
		t.Errorf("floor of flicker noise is %.10f, want 0.6642824703", got)
	}
	for _, r := range []struct {
		what      string
		n         Noise
		at, slope float64
	}{
		{"quantisation", Noise{Quantisation: Coefficient{Value: 7}}, math.Sqrt(3), -1},
		{"angle random walk", Noise{White: Coefficient{Value: 7}}, 1, -0.5},
		{"rate random walk", Noise{Walk: Coefficient{Value: 7}}, 3, 0.5},
		{"ramp", Noise{Ramp: Coefficient{Value: 7}}, math.Sqrt2, 1},
	} {
		if got := r.n.dev(r.at); math.Abs(got-7) > 1e-12 {
			t.Errorf("%s: %g at τ = %g, want the coefficient 7", r.what, got, r.at)
		}
		if got := math.Log2(r.n.dev(2) / r.n.dev(1)); math.Abs(got-r.slope) > 1e-12 {
			t.Errorf("%s: slope %g, want %g", r.what, got, r.slope)
		}
	}
	b := Noise{Instability: Coefficient{Value: 7}}
	if b.dev(3) != b.dev(1000) || math.Abs(b.dev(3)-7*0.6642824703) > 1e-9 {
		t.Errorf("bias instability: %g and %g, want %g at every τ", b.dev(3), b.dev(1000), 7*0.6642824703)
	}
}

// Units of noise (computed): 0.3 deg/√h = 0.005 deg/s/√Hz = 8.72664626e-5
// rad/s/√Hz; at 200 Hz a sample has 0.0707106781 deg/s; 0.1 m/s/√h =
// 1.6666667e-3 m/s²/√Hz; 100 µg/√Hz = 9.80665e-4 m/s²/√Hz = 0.0588399 m/s/√h.
func TestNoise_Units(t *testing.T) {
	const deg = math.Pi / 180
	for _, r := range []struct{ got, want float64 }{
		{0.3 * deg / 60, 8.72664626e-5}, {0.3 / 60, 0.005}, {0.005 * 3600, 18}, {0.1 / 60, 1.6666667e-3},
		{100e-6 * 9.80665, 9.80665e-4}, {9.80665e-4 * 60, 0.0588399},
	} {
		if math.Abs(r.got-r.want) > 1e-7*r.want {
			t.Errorf("%.9g, want %.9g", r.got, r.want)
		}
	}
	// White samples of 0.0707106781 deg/s at 200 Hz: the fit reads the density.
	rng := rand.New(rand.NewPCG(5, 1))
	y := make([]float64, 200*600)
	for i := range y {
		y[i] = 0.0707106781 * deg * rng.NormFloat64()
	}
	n := fitNoise(runs{y}.curve(1. / 200))
	if got := n.White.Value; math.Abs(got-8.72664626e-5) > 0.01*8.72664626e-5 {
		t.Errorf("density %.5g, want 8.72664626e-5 within 1 %%", got)
	}
}

// flicker makes noise of power spectral density b²/(2πf), two-sided, whose
// Allan deviation is 0.664·b: white noise through the fractional integrator of
// order a half (Kasdin 1995), convolved by Fourier transform.
func flicker(rng *rand.Rand, n int, b float64) []float64 {
	size := 1
	for size < 2*n {
		size *= 2
	}
	h, w := make([]float64, size), make([]float64, size)
	h[0] = 1
	for k := 1; k < n; k++ {
		h[k] = h[k-1] * (float64(k) - 0.5) / float64(k)
	}
	for i := range n {
		w[i] = b * rng.NormFloat64()
	}
	f := fourier.NewFFT(size)
	hc, wc := f.Coefficients(nil, h), f.Coefficients(nil, w)
	for i := range hc {
		hc[i] *= wc[i] / complex(float64(size), 0)
	}
	return f.Sequence(nil, hc)[:n]
}

// Noise of known angle random walk and bias instability is recovered within
// 10 %, rate random walk within 3.5 of its own sigma; a term that is not there
// stays below what the fit allows it.
func TestNoise_Recovered(t *testing.T) {
	const hz, seconds = 10.0, 4 * 3600.0
	for _, truth := range []struct{ n, b, k float64 }{
		{8.7e-5, 6e-5, 0}, {8.7e-5, 0, 2e-6}, {1e-3, 7e-4, 0}, {8.7e-5, 3e-5, 2e-6},
	} {
		for seed := range uint64(3) {
			rng := rand.New(rand.NewPCG(seed, 9))
			y := flicker(rng, int(hz*seconds), truth.b)
			walk := 0.0
			for i := range y {
				y[i] += truth.n*math.Sqrt(hz)*rng.NormFloat64() + walk
				walk += truth.k / math.Sqrt(hz) * rng.NormFloat64()
			}
			got := fitNoise(runs{y}.curve(1 / hz))
			for _, c := range []struct {
				what        string
				want, share float64
				got         Coefficient
			}{{"N", truth.n, 0.1, got.White}, {"B", truth.b, 0.1, got.Instability}, {"K", truth.k, math.Inf(1), got.Walk}} {
				e := math.Abs(c.got.Value - c.want)
				if e > 3.5*c.got.Sigma || c.want > 0 && e > c.share*c.want {
					t.Errorf("N %g B %g K %g, seed %d: %s is %.3g ± %.2g, want %.3g", truth.n, truth.b, truth.k, seed, c.what, c.got.Value, c.got.Sigma, c.want)
				}
			}
		}
	}
}

// Stretches are pooled: two halves of a signal give nearly the whole's value,
// and a stretch too short for an averaging time is passed over.
func TestAllan_Stretches(t *testing.T) {
	y := nist1000()
	whole, n := runs{y}.oadev(10)
	halves, h := runs{y[:500], y[500:], y[:7]}.oadev(10)
	if n != 981 || h != 2*481 || math.Abs(halves/whole-1) > 0.05 {
		t.Errorf("whole %.4f of %d, halves %.4f of %d", whole, n, halves, h)
	}
	if d, n := (runs{y[:7]}).oadev(10); n != 0 || !math.IsNaN(d) {
		t.Errorf("too short: %g of %d", d, n)
	}
}

func noiseSource(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 9)) }
