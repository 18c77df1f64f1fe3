package lambda

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// covariance draws one of n ambiguities that is as elongated as those of
// double differences: a few directions far wider than the others.
func covariance(r *rand.Rand, n int) []float64 {
	b := mat.NewDense(n, n, nil)
	for i := range n {
		scale := 0.2
		if i < 2 {
			scale = 3
		}
		for j := range n {
			b.Set(j, i, scale*r.NormFloat64())
		}
	}
	var q mat.Dense
	q.Mul(b, b.T())
	for i := range n {
		q.Set(i, i, q.At(i, i)+0.05)
	}
	return slices.Clone(q.RawMatrix().Data)
}

// draw is a sample of a normal vector with covariance q.
func draw(r *rand.Rand, q []float64, n int) []float64 {
	var c mat.Cholesky
	if !c.Factorize(mat.NewSymDense(n, q)) {
		panic("indefinite")
	}
	var l mat.TriDense
	c.LTo(&l)
	w := mat.NewVecDense(n, nil)
	for i := range n {
		w.SetVec(i, r.NormFloat64())
	}
	var v mat.VecDense
	v.MulVec(&l, w)
	return slices.Clone(v.RawVector().Data)
}

// bruteForce looks at every vector that can be one of the k nearest: the ellipsoid of
// the k-th norm found by rounding reaches sqrt(norm·Q_ii) along axis i.
func bruteForce(a, q []float64, k int) []candidate {
	n := len(a)
	var inv mat.Dense
	if err := inv.Inverse(mat.NewDense(n, n, slices.Clone(q))); err != nil {
		panic(err)
	}
	norm := func(z []float64) float64 {
		sum := 0.0
		for i := range n {
			for j := range n {
				sum += (a[i] - z[i]) * inv.At(i, j) * (a[j] - z[j])
			}
		}
		return sum
	}
	// Rounded, and rounded with one element changed: n+1 vectors bound the k-th norm.
	z := make([]float64, n)
	bounds := []float64{}
	for i := -1; i < n; i++ {
		for j := range z {
			z[j] = math.Round(a[j])
		}
		if i >= 0 {
			z[i]++
		}
		bounds = append(bounds, norm(z))
	}
	slices.Sort(bounds)
	bound := bounds[k-1] * (1 + 1e-9)

	var all []candidate
	var rec func(i int)
	rec = func(i int) {
		if i == n {
			if v := norm(z); v <= bound {
				all = append(all, candidate{slices.Clone(z), v})
			}
			return
		}
		reach := math.Sqrt(bound * q[i*n+i])
		for v := math.Ceil(a[i] - reach); v <= a[i]+reach; v++ {
			z[i] = v
			rec(i + 1)
		}
	}
	rec(0)
	slices.SortFunc(all, func(x, y candidate) int { return int(math.Copysign(1, x.Norm-y.Norm)) })
	return all[:k]
}

func TestSearch_BruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var s solver
	for trial := range 300 {
		n := 1 + trial%4
		q := covariance(r, n)
		a := draw(r, q, n)
		for i := range a {
			a[i] += math.Round(1e4 * r.NormFloat64())
		}
		k := 1 + trial%(n+1)
		want := bruteForce(a, q, k)
		if err := s.decorrelate(a, q); err != nil {
			t.Fatal(err)
		}
		got, err := s.search(k)
		if err != nil {
			t.Fatal(err)
		}
		for i := range k {
			if !slices.Equal(got[i].Z, want[i].Z) || math.Abs(got[i].Norm-want[i].Norm) > 1e-6*(1+want[i].Norm) {
				t.Fatalf("trial %d, candidate %d: %v, want %v", trial, i, got[i], want[i])
			}
		}
	}
}

// The answer moves with the integers and does not know the order of the
// ambiguities.
func TestSolve_ShiftAndOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var s, u solver
	for range 100 {
		const n = 9
		q := covariance(r, n)
		a := draw(r, q, n)
		best, second, err := s.solve(a, q)
		if err != nil {
			t.Fatal(err)
		}
		perm := r.Perm(n)
		b, p, shift := make([]float64, n), make([]float64, n*n), make([]float64, n)
		for i := range n {
			shift[i] = math.Round(100 * r.NormFloat64())
			b[i] = a[perm[i]] + shift[i]
			for j := range n {
				p[i*n+j] = q[perm[i]*n+perm[j]]
			}
		}
		best2, second2, err := u.solve(b, p)
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			if best2.Z[i] != best.Z[perm[i]]+shift[i] {
				t.Fatalf("integers %v, want %v in order %v", best2.Z, best.Z, perm)
			}
		}
		if math.Abs(best.Norm-best2.Norm) > 1e-8*(1+best.Norm) || math.Abs(second.Norm-second2.Norm) > 1e-8*(1+second.Norm) {
			t.Fatalf("norms %g %g, want %g %g", best2.Norm, second2.Norm, best.Norm, second.Norm)
		}
	}
}

// The success rate is that of bootstrapping: never above the share of right
// answers of integer least squares.
func TestFailureRate_BelowRightAnswers(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 8 {
		n := 2 + r.IntN(6)
		q := covariance(r, n)
		for i := range q {
			q[i] *= 0.3
		}
		const trials = 4000
		right := 0
		var s solver
		for range trials {
			best, _, err := s.solve(draw(r, q, n), q)
			if err != nil {
				t.Fatal(err)
			}
			if slices.Max(best.Z) == 0 && slices.Min(best.Z) == 0 {
				right++
			}
		}
		share := float64(right) / trials
		if p := 1 - s.failureRate(); p > share+3*math.Sqrt(p*(1-p)/trials)+1e-3 {
			t.Errorf("success rate %.4f, but %.4f answers are right", p, share)
		}
	}
}

func TestDecorrelate_RefusesWhatHasNoAnswer(t *testing.T) {
	var s solver
	for _, q := range [][]float64{
		{1, 1, 1, 1},                    // singular
		{1, 2, 2, 1},                    // indefinite
		{0, 0, 0, 0},                    // nothing
		{math.NaN(), 0, 0, 1},           // unknown
		{math.Inf(1), 0, 0, 1},          // unbounded
		{1, math.Inf(1), math.NaN(), 1}, // unbounded
	} {
		if err := s.decorrelate([]float64{0.1, 0.2}, q); !errors.Is(err, errIndefinite) {
			t.Errorf("covariance %v: %v, want %v", q, err, errIndefinite)
		}
	}
	for _, a := range []float64{math.NaN(), math.Inf(1), 1e17} {
		if err := s.decorrelate([]float64{0.1, a}, []float64{1, 0, 0, 1}); err == nil {
			t.Errorf("estimate %g is accepted", a)
		}
	}
}

// A problem that nothing can decide ends, with an error.
func TestSearch_Ends(t *testing.T) {
	const n = 40
	a, q := make([]float64, n), make([]float64, n*n)
	r := rand.New(rand.NewPCG(7, 8))
	for i := range n {
		a[i] = r.Float64()
		q[i*n+i] = 1e4
	}
	var s solver
	if _, _, err := s.solve(a, q); !errors.Is(err, errUnbounded) {
		t.Errorf("error %v, want %v", err, errUnbounded)
	}
}

func TestSolve_AllocatesNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	q := covariance(r, 20)
	a := draw(r, q, 20)
	var s solver
	run := func() {
		if _, _, err := s.solve(a, q); err != nil {
			t.Fatal(err)
		}
	}
	run()
	if n := testing.AllocsPerRun(50, run); n != 0 {
		t.Errorf("%g allocations a problem", n)
	}
}

func BenchmarkSolve(b *testing.B) {
	r := rand.New(rand.NewPCG(11, 12))
	m := geometry(r, 2, 2, 20, 0.6, 0.003)
	a := draw(r, m, 20)
	var s solver
	for b.Loop() {
		if _, _, err := s.solve(a, m); err != nil {
			b.Fatal(err)
		}
	}
}
