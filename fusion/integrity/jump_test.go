package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// someCov returns a random covariance of about sigma each axis.
func someCov(rng *rand.Rand, sigma float64) (s Sym3) {
	var a [3][3]float64
	for i := range a {
		for j := range a {
			a[i][j] = sigma * rng.NormFloat64() * 0.5
		}
		a[i][i] += sigma
	}
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				s[i][j] += a[i][k] * a[j][k]
			}
		}
	}
	return s
}

func dense(s *Sym3, n int) *mat.SymDense {
	d := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			d.SetSym(i, j, s[i][j])
		}
	}
	return d
}

// root returns L with L·Lᵀ = s.
func root(t *testing.T, s *Sym3) *mat.TriDense {
	t.Helper()
	var c mat.Cholesky
	if !c.Factorize(dense(s, 3)) {
		t.Fatal("not positive definite")
	}
	var l mat.TriDense
	c.LTo(&l)
	return &l
}

// times returns L·u.
func times(l *mat.TriDense, u Vec3) (v Vec3) {
	for i := range v {
		for k := 0; k <= i; k++ {
			v[i] += l.At(i, k) * u[k]
		}
	}
	return v
}

func normal(rng *rand.Rand) Vec3 {
	return Vec3{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
}

func TestNIS_Gonum(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		s := someCov(rng, math.Pow(10, -3+4*rng.Float64()))
		y := normal(rng)
		for n := 1; n <= 3; n++ {
			var c mat.Cholesky
			if !c.Factorize(dense(&s, n)) || c.Cond() > 1e8 {
				continue
			}
			var x mat.VecDense
			v := mat.NewVecDense(n, y[:n])
			if err := c.SolveVecTo(&x, v); err != nil {
				t.Fatal(err)
			}
			if want, got := mat.Dot(v, &x), NIS(&y, &s, n); math.Abs(got-want) > 1e-7*want {
				t.Fatalf("%d axes of %v, %v: %g, want %g", n, y, s, got, want)
			}
		}
	}
}

// An innovation that cannot be weighed is never consistent.
func TestNIS_NotNumbers(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	one := Sym3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	for _, y := range []Vec3{{nan, 0, 0}, {0, nan, 0}, {0, 0, nan}, {inf, 0, 0}, {0, -inf, 0}} {
		if got := NIS(&y, &one, 3); !math.IsInf(got, 1) {
			t.Errorf("NIS of %v is %g", y, got)
		}
	}
	for _, s := range []Sym3{
		{}, {{nan, 0, 0}, {0, 1, 0}, {0, 0, 1}}, {{1, 0, 0}, {nan, 1, 0}, {0, 0, 1}}, {{-1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		{{1, 2, 0}, {2, 1, 0}, {0, 0, 1}}, {{1, 1, 0}, {1, 1, 0}, {0, 0, 1}}, {{1, 0, 0}, {0, 1, 0}, {0, 0, 0}},
	} {
		if got := NIS(&Vec3{0.1, 0.1, 0.1}, &s, 3); !math.IsInf(got, 1) {
			t.Errorf("NIS with covariance %v is %g", s, got)
		}
	}
	// Rows beyond n are not looked at.
	near(t, "leading row", NIS(&Vec3{2, nan, nan}, &Sym3{{4}}, 1), 1, 0)
}

// False alarms and misses of the jump test as often as asked for, over random
// covariances; a jump of exactly the detectable size in a random direction.
func TestJumpTest_Rates(t *testing.T) {
	const n, pfa, pmd = 40000, 0.01, 0.05
	j := NewJumpTest(pfa, pmd)
	near(t, "threshold", j.Threshold, 11.344867, 1e-6) // chi-square, 3 degrees of freedom
	rng := rand.New(rand.NewPCG(3, 4))
	var alarms, misses float64
	for range n {
		s := someCov(rng, 0.02)
		l := root(t, &s)
		y, u := times(l, normal(rng)), normal(rng)
		if NIS(&y, &s, 3) > j.Threshold {
			alarms++
		}
		// The direction is random where the noise is white.
		d := math.Sqrt(u[0]*u[0] + u[1]*u[1] + u[2]*u[2])
		jump := times(l, u)
		for i := range y {
			y[i] += j.Detectable(jump[i] / d)
		}
		if NIS(&y, &s, 3) <= j.Threshold {
			misses++
		}
	}
	near(t, "false alarms", alarms/n, pfa, 4*math.Sqrt(pfa/n))
	near(t, "misses", misses/n, pmd, 4*math.Sqrt(pmd/n))
}

// A step and its opposite close one another; two different ones do not, unless
// their covariances cannot tell them apart. In any order, of any number.
func TestSteps(t *testing.T) {
	threshold := Chi2Upper(1e-3, 3)
	var alone Steps
	if alone.Add(0, &Vec3{1e-6}, &Sym3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}); alone.Closed(threshold) {
		t.Error("one step alone closes itself")
	}
	rng := rand.New(rand.NewPCG(5, 6))
	closed, apart := 0, 0
	const n = 3000
	for range n {
		a, b := someCov(rng, 0.02), someCov(rng, 0.02)
		ya := Vec3{rng.NormFloat64(), rng.NormFloat64(), 0.2 * rng.NormFloat64()}
		sum := a
		for i := range 3 {
			for k := range 3 {
				sum[i][k] += b[i][k]
			}
		}
		e := times(root(t, &sum), normal(rng))
		yb := Vec3{-ya[0] + e[0], -ya[1] + e[1], -ya[2] + e[2]}
		var s Steps
		if s.Closed(threshold) {
			t.Fatal("closed without a step")
		}
		s.Add(10, &ya, &a)
		if !s.Open || s.Count != 1 || s.First != 10 {
			t.Fatalf("%+v after one step", s)
		}
		s.Add(11, &yb, &b)
		if s.First != 10 || s.Count != 2 {
			t.Fatalf("%+v after two", s)
		}
		near(t, "size", s.Size(), math.Sqrt(e[0]*e[0]+e[1]*e[1]+e[2]*e[2]), 1e-12)
		if s.Closed(threshold) {
			closed++
		}
		// A second step that is not the opposite: 30 sigmas off.
		s.Close()
		if s.Open || s.Count != 0 || s.Size() != 0 {
			t.Fatalf("%+v after Close", s)
		}
		other := Vec3{-ya[0] + 0.6*math.Cos(ya[1]*9), -ya[1] + 0.6*math.Sin(ya[1]*9), -ya[2]}
		s.Add(20, &ya, &a)
		s.Add(21, &other, &b)
		if !s.Closed(threshold) {
			apart++
		}
		// It closes once a third step brings it home.
		var home Vec3
		for i := range home {
			home[i] = -s.Sum[i]
		}
		s.Add(22, &home, &a)
		if !s.Closed(threshold) {
			t.Fatal("three steps that add up to nothing do not close")
		}
	}
	near(t, "share of opposite steps that close", float64(closed)/n, 1-1e-3, 4*math.Sqrt(1e-3/n))
	if apart < n*99/100 {
		t.Errorf("%d of %d different steps stay open", apart, n)
	}
}

// A step of unknown size leaves the account open until it is closed by hand.
func TestSteps_NotNumbers(t *testing.T) {
	one := Sym3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		var s Steps
		s.Add(0, &Vec3{bad, 0, 0}, &one)
		for i := range 5 {
			s.Add(float64(i), &Vec3{}, &one)
		}
		s.Add(9, &Vec3{-bad, 0, 0}, &one)
		if !s.Open || s.Closed(1e9) {
			t.Errorf("a step of %g closed", bad)
		}
	}
}

// A filter of place and velocity that knows its noise: the difference of the two
// displacements has the covariance that its innovations give it, at every rate, and
// the one by its velocity bounds that.
func TestJumpNoise_ByInnovations(t *testing.T) {
	const white, acc, n = 0.01, 0.1, 60000 // m, m/s²/√Hz
	for _, dt := range []float64{1, 0.25, 0.1} {
		rng := rand.New(rand.NewPCG(5, uint64(1000*dt)))
		// Errors of the estimate, and their covariance.
		p, v := 0.0, 0.0
		pp, pv, vv := 1.0, 0.0, 1.0
		q := acc * acc
		var stat, bound, before float64
		var left Sym3
		for k := range n {
			w1, w2 := rng.NormFloat64(), rng.NormFloat64()
			dv := acc * math.Sqrt(dt) * w1
			p += v*dt + dt*(dv/2+acc*math.Sqrt(dt/12)*w2)
			v += dv
			pp, pv, vv = pp+2*dt*pv+dt*dt*vv+q*dt*dt*dt/3, pv+dt*vv+q*dt*dt/2, vv+q*dt
			noise := white * rng.NormFloat64()
			y, s := noise-p, pp+white*white // p is estimate less truth
			if k > 100 {
				jump := JumpNoise{Dt: dt, Vel: Sym3{{vv}}, White: [3]float64{white * white}, Before: [3]float64{white * white}, CorrTime: 15}
				c := jump.ByInnovations(&Sym3{{s}}, &left)
				d := y - before
				stat += d * d / c[0][0]
				wide := jump.Cov()
				bound += d * d / wide[0][0]
			}
			left = Left(&Sym3{{s, 0, 0}, {0, 1, 0}, {0, 0, 1}}, &Vec3{white * white}, 3)
			kp, kv := pp/s, pv/s
			p, v = p+kp*y, v+kv*y
			before = y - kp*y
			pp, pv, vv = pp-kp*pp, pv-kp*pv, vv-kv*pv
		}
		stat, bound = stat/n, bound/n
		t.Logf("every %.2f s: squared difference by its covariance %.3f, by velocity and white noise %.3f", dt, stat, bound)
		if math.Abs(stat-1) > 0.03 { // 60000 of them scatter by 0.006, neighbours share errors
			t.Errorf("every %.2f s: %.3f, want 1", dt, stat)
		}
		if s := Sharper(&Sym3{{2}}, &Sym3{{1}}); s[0][0] != 1 {
			t.Error("want the smaller bound")
		}
	}
}

// What is left of an innovation, against a dense filter.
func TestLeft_Gonum(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 500 {
		s, n := someCov(rng, 0.02), 2+rng.IntN(2)
		r := Vec3{1e-4 * rng.Float64(), 1e-4 * rng.Float64(), 1e-4 * rng.Float64()}
		var c mat.Cholesky
		if !c.Factorize(dense(&s, n)) || c.Cond() > 1e6 {
			continue
		}
		var inv mat.SymDense
		if err := c.InverseTo(&inv); err != nil {
			t.Fatal(err)
		}
		got := Left(&s, &r, n)
		for i := range 3 {
			for j := range 3 {
				want := 0.0
				if i < n && j < n {
					want = r[i] * inv.At(i, j) * r[j]
				}
				if math.Abs(got[i][j]-want) > 1e-6*math.Abs(want)+1e-18 {
					t.Fatalf("row %d, column %d of %d axes: %g, want %g", i, j, n, got[i][j], want)
				}
			}
		}
	}
	if (Left(&Sym3{{1, 2, 0}, {2, 1, 0}, {0, 0, 1}}, &Vec3{1, 1, 1}, 3) != Sym3{}) {
		t.Error("a covariance that is none leaves something")
	}
}
