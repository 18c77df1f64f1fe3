package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// runLength solves the integral equation of an average run length,
//
//	L(z) = 1 + stay(z)·L(lo) + ∫ L(y)·density(z, y) dy over lo..hi
//
// with Gauss-Legendre nodes (continuous limit of the Markov chain of Brook and
// Evans 1972) and returns L. stay is the probability of sitting on lo itself.
func runLength(lo, hi float64, stay func(z float64) float64, density func(z, y float64) float64) func(z float64) float64 {
	const n = 64
	y, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(y, w, lo, hi)
	z := append(y, lo)
	a, one := mat.NewDense(n+1, n+1, nil), mat.NewVecDense(n+1, nil)
	for i, zi := range z {
		one.SetVec(i, 1)
		for j := range n {
			a.Set(i, j, -w[j]*density(zi, y[j]))
		}
		a.Set(i, n, -stay(zi))
		a.Set(i, i, a.At(i, i)+1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, one); err != nil { // singular: it never ends
		return func(float64) float64 { return math.Inf(1) }
	}
	return func(at float64) float64 {
		sum := 1 + stay(at)*l.AtVec(n)
		for j := range n {
			sum += w[j] * density(at, y[j]) * l.AtVec(j)
		}
		return sum
	}
}

// oneSided is the average run length of S = max(0, S + x - k) to S > h from a
// start, x normal about shift.
func oneSided(k, h, shift float64) func(start float64) float64 {
	return runLength(0, h,
		func(z float64) float64 { return distuv.UnitNormal.CDF(k - shift - z) },
		func(z, y float64) float64 { return distuv.UnitNormal.Prob(y + k - shift - z) })
}

// twoSided is that of the larger of the two sums (Lucas and Crosier 1982).
func twoSided(k, h, shift float64) func(start float64) float64 {
	up, down := oneSided(k, h, shift), oneSided(k, h, -shift)
	return func(start float64) float64 {
		u, d := up(0), down(0)
		if math.IsInf(d, 1) {
			return up(start)
		}
		return (up(start)*d + down(start)*u - u*d) / (u + d)
	}
}

// Average run lengths at k = 0.5: Lucas and Crosier 1982 Table 1, Brook and
// Evans 1972, as listed in the R package spc (man/xcusum.arl.Rd) and computed
// with it. One-sided and two-sided are different schemes: 336 and 168.
var runLengths = []struct{ shift, one4, two4, printed4, fir4, printedFIR4, one5, two5 float64 }{
	{0, 335.3676, 167.6838, 168, 148.696, 149, 930.8870, 465.4435},
	{0.25, 77.0785, 74.2240, 74.2, 62.698, 62.7, 141.6877, 139.4937},
	{0.5, 26.6792, 26.6302, 26.6, 20.064, 20.1, 38.0096, 37.9961},
	{0.75, 13.2866, 13.2851, 13.3, 8.968, 8.97, 17.0485, 17.0483},
	{1, 8.3832, 8.3831, 8.38, 5.287, 5.29, 10.3760, 10.3760},
	{1.5, 4.7472, 4.7472, 4.75, 2.862, 2.86, 5.7472, 5.7472},
	{2, 3.3428, 3.3428, 3.34, 2.014, 2.01, 4.0089, 4.0089},
	{3, 2.1945, 2.1945, 2.19, 1.325, 1.32, 2.5733, 2.5733},
}

func TestCusum_RunLengthsSolved(t *testing.T) {
	for _, r := range runLengths {
		near(t, "h 4, one-sided", oneSided(0.5, 4, r.shift)(0), r.one4, 1e-4)
		near(t, "h 4, two-sided", twoSided(0.5, 4, r.shift)(0), r.two4, 1e-4)
		near(t, "h 4, two-sided, head start", twoSided(0.5, 4, r.shift)(2), r.fir4, 6e-4)
		near(t, "h 5, one-sided", oneSided(0.5, 5, r.shift)(0), r.one5, 1e-4)
		near(t, "h 5, two-sided", twoSided(0.5, 5, r.shift)(0), r.two5, 1e-4)
		// Three figures as printed.
		near(t, "printed two-sided", r.two4/r.printed4, 1, 3e-3)
		near(t, "printed head start", r.fir4/r.printedFIR4, 1, 5e-3)
	}
	for _, r := range []struct{ k, h, shift, want, tol float64 }{
		{0.5, 3, 0, 117.5957, 1e-4},
		{0.5, 3, 0, 117.59, 0.01}, // Brook and Evans 1972
		{0.5, 3, 1.5, 3.75, 0.01},
		{0.5, 4.77, 0, 737.1228, 1e-3},
		{0.5, 6, 0, 2553.12, 0.01},
		{0.5, 8, 0, 18965.7, 0.1},
		{0.5, 10, 0, 140265, 1},
		{0, 10, 0, 124.66, 0.01}, // Vance 1986
		{0, 10, 0.25, 36.71, 0.01},
		{0, 10, 1, 10.75, 0.01},
		{0.25, 8, 2.5, 4.1500836225, 2e-7}, // SAS documentation's example; see below
		{0.3175, 4.1959, 0, 127.13, 0.01},
	} {
		near(t, "one-sided", oneSided(r.k, r.h, r.shift)(0), r.want, r.tol)
	}
	// Printed there to ten digits, but good to six: the other side adds nothing
	// here, and refined chains of Brook and Evans tend to 4.15008373 too.
	near(t, "two-sided", twoSided(0.25, 8, 2.5)(0), 4.1500826715, 1.1e-6)
	near(t, "two-sided, converged", twoSided(0.25, 8, 2.5)(0), 4.15008373, 1e-8)
	near(t, "h of 370.4, two-sided", twoSided(0.5, 4.774897, 0)(0), 370.4, 1e-3)
}

// Zero-state run lengths of an exponentially weighted average, for a reader who
// would replace the cumulative sum by it. Computed.
func TestEWMA_RunLengthsSolved(t *testing.T) {
	near(t, "sigma factor", math.Sqrt(0.2/1.8), 0.333333, 1e-6)
	for _, r := range []struct{ lambda, limit, shift, want, tol float64 }{
		{0.2, 2.962, 0, 499.735, 1e-3}, {0.2, 2.962, 1, 10.5417, 1e-4},
		{0.1, 2.701, 0, 369.96, 0.01}, {0.1, 2.701, 1, 9.735, 1e-3},
	} {
		h := r.limit * math.Sqrt(r.lambda/(2-r.lambda))
		arl := runLength(-h, h,
			func(float64) float64 { return 0 },
			func(z, y float64) float64 {
				return distuv.UnitNormal.Prob((y-(1-r.lambda)*z)/r.lambda-r.shift) / r.lambda
			})
		near(t, "run length", arl(0), r.want, r.tol)
	}
}

// The same run lengths from [Cusum] itself, simulated; tolerance three standard
// errors (a run length scatters about as much as it is long).
func TestCusum_RunLengthsSimulated(t *testing.T) {
	const runs = 4000
	rng := rand.New(rand.NewPCG(19, 82))
	mean := func(h, start, shift float64, alarm func(c *Cusum, pushed bool) bool) float64 {
		n := 0
		for range runs {
			c := Cusum{K: 0.5, H: h}
			c.Reset(start)
			for n++; !alarm(&c, c.Push(shift+rng.NormFloat64())); n++ {
			}
		}
		return float64(n) / runs
	}
	up := func(c *Cusum, _ bool) bool { return c.Hi > c.H }
	both := func(_ *Cusum, pushed bool) bool { return pushed }
	for _, r := range runLengths {
		for _, s := range []struct {
			name           string
			h, start, want float64
			alarm          func(*Cusum, bool) bool
		}{
			{"h 4, one-sided", 4, 0, r.one4, up},
			{"h 4, two-sided", 4, 0, r.two4, both},
			{"h 4, two-sided, head start", 4, 2, r.fir4, both},
			{"h 5, two-sided", 5, 0, r.two5, both},
		} {
			near(t, s.name+", simulated", mean(s.h, s.start, r.shift, s.alarm), s.want, 3*s.want/math.Sqrt(runs))
		}
	}
}

// Lucas and Crosier 1982, Table 5, as reprinted in Six Sigma Advanced Tools
// (Table 24.1): k = 0.5, h = 5, plain and with a head start.
func TestCusum_LucasCrosier(t *testing.T) {
	x := []float64{0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6}
	for _, r := range []struct {
		start float64
		want  []float64
		alarm int // first
	}{
		{0, []float64{0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0}, 7},
		{2.5, []float64{2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5}, 3},
	} {
		c := Cusum{K: 0.5, H: 5}
		c.Reset(r.start)
		for i := range x {
			alarm := c.Push(x[i])
			near(t, "upper sum", c.Hi, r.want[i], 1e-12)
			if alarm != (i+1 >= r.alarm) {
				t.Errorf("start %g, sample %d: alarm %v", r.start, i+1, alarm)
			}
		}
		near(t, "statistic", c.Stat(), r.want[len(x)-1], 1e-12)
	}
}

// NIST/SEMATECH e-Handbook, data of its cumulative sum example (from memory),
// recursion computed: target 325, k = 0.3175, h = 4.1959.
func TestCusum_NIST(t *testing.T) {
	c := Cusum{K: 0.3175, H: 4.1959}
	want := map[int]float64{12: 0, 13: 3.0075, 14: 4.9400, 15: 7.4475, 16: 10.6300, 17: 11.9875, 18: 14.4450, 19: 16.0025, 20: 19.0350}
	lowest, at := 0.0, 0
	for i, x := range []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
		328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350} {
		n := i + 1
		if alarm := c.Push(x - 325); alarm != (n >= 14) {
			t.Errorf("sample %d: alarm %v", n, alarm)
		}
		if w, ok := want[n]; ok {
			near(t, "upper sum", c.Hi, w, 1e-9)
		}
		if c.Lo > lowest {
			lowest, at = c.Lo, n
		}
	}
	near(t, "largest lower sum", lowest, 0.7150, 1e-9)
	if at != 8 {
		t.Errorf("largest lower sum at sample %d, want 8", at)
	}
}

// What is no number must not silence the alarm.
func TestCusum_NotNumbers(t *testing.T) {
	c := Cusum{K: 0.5, H: 4}
	if c.Push(math.NaN()) || c.Stat() != 0 {
		t.Error("a value that could not be worked out moved the sums")
	}
	c.Push(5)
	if !c.Push(math.NaN()) {
		t.Error("an open alarm closed on a NaN")
	}
	if !c.Push(math.Inf(1)) || !c.Push(math.Inf(-1)) || !c.Push(0) {
		t.Error("infinite values silenced the alarm")
	}
	c.Reset(0)
	if c.Push(0) {
		t.Error("alarm after a reset")
	}
}
