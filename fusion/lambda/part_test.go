package lambda

import (
	"math"
	"math/rand/v2"
	"testing"
)

// lanesProblem is a covariance of two carriers of some satellites (L1 and L5) at which
// the ionosphere leaves the carriers open, but not their wide lanes.
func lanesProblem(r *rand.Rand, sats int) []float64 {
	n := 2 * sats
	waves := [2]float64{0.1903, 0.2548}
	gamma := [2]float64{1, 1.793}
	u := make([][3]float64, sats)
	for i := range u {
		for k := range 3 {
			u[i][k] = r.Float64() - 0.5
		}
	}
	q := make([]float64, n*n)
	for a := range n {
		for b := range n {
			i, j, v := a/2, b/2, 0.0
			for k := range 3 {
				v += 0.15 * 0.15 * u[i][k] * u[j][k] // the code's place
			}
			if i == j {
				v += 0.07 * 0.07 * gamma[a%2] * gamma[b%2]
			}
			if a == b {
				v += 0.004 * 0.004
			}
			q[a*n+b] = v / waves[a%2] / waves[b%2]
		}
	}
	return q
}

// normal draws a vector of covariance q.
func normal(r *rand.Rand, q []float64, n int) []float64 {
	l, x := make([]float64, n*n), make([]float64, n)
	for i := range n {
		for j := range i + 1 {
			sum := q[i*n+j]
			for k := range j {
				sum -= l[i*n+k] * l[j*n+k]
			}
			if l[i*n+j] = sum; i == j {
				l[i*n+i] = math.Sqrt(sum)
			} else {
				l[i*n+j] /= l[j*n+j]
			}
		}
		x[i] = r.NormFloat64()
	}
	out := make([]float64, n)
	for i := range n {
		for j := range i + 1 {
			out[i] += l[i*n+j] * x[j]
		}
	}
	return out
}

// Some combinations are decided where not all ambiguities can be; they are right as
// often as promised, and what is left of the ambiguities has the covariance that is
// said: the mean square of 2000 draws, for ten directions.
func TestPart_Decide(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const sats, n, draws, rate = 12, 24, 2000, 1e-3
	q := lanesProblem(r, sats)
	var all solver
	if err := all.decorrelate(make([]float64, n), q); err != nil || all.failureRate() < 10*rate {
		t.Fatalf("all integers: %v, failure %.3f, want a problem without an answer", err, all.failureRate())
	}
	var p Part
	var dirs [10][n]float64
	var sum [10]float64
	for i := range dirs {
		for k := range n {
			dirs[i][k] = r.NormFloat64()
		}
	}
	accepted, wrong := 0, 0
	for range draws {
		a, z := normal(r, q, n), make([]float64, n)
		for k := range n {
			z[k] = math.Round(100 * r.Float64())
			a[k] += z[k]
		}
		if err := p.Decide(a, q, rate); err != nil {
			t.Fatal(err)
		}
		if p.N < 2 || p.N == n || p.Failure > rate {
			t.Fatalf("%d combinations decided, failure %.4f", p.N, p.Failure)
		}
		if p.Accepted() {
			accepted++
		}
		// In the combinations that were decided nothing is left.
		off := 0.0
		for i := range dirs {
			e := 0.0
			for k := range n {
				e += dirs[i][k] * (p.A[k] - z[k])
			}
			sum[i] += e * e
			off = math.Max(off, e*e/p.Left(dirs[i][:], dirs[i][:]))
		}
		if off > 36 {
			wrong++
		}
	}
	if accepted < draws*9/10 || wrong > 6 { // 2 are expected, 6 are beyond 99 %
		t.Errorf("%d of %d accepted, %d wrong", accepted, draws, wrong)
	}
	for i := range dirs {
		before := 0.0
		for k := range n {
			for l := range n {
				before += dirs[i][k] * dirs[i][l] * q[k*n+l]
			}
		}
		got, want := sum[i]/draws, p.Left(dirs[i][:], dirs[i][:])
		if math.Abs(got/want-1) > 0.15 || want > before {
			t.Errorf("direction %d: mean square %.4f, said %.4f, before the decision %.4f", i, got, want, before)
		}
	}
}

// Where all can be decided that is what the search finds, and nothing is left.
func TestPart_All(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n = 6
	q := make([]float64, n*n)
	for i := range n {
		for j := range n {
			q[i*n+j] = 0.002
		}
		q[i*n+i] += 0.003
	}
	a := normal(r, q, n)
	for k := range a {
		a[k] += float64(3 * k)
	}
	var p Part
	if err := p.Decide(a, q, 1e-3); err != nil || p.N != n || !p.Accepted() {
		t.Fatalf("%v, %d of %d decided, ratio %.2f", err, p.N, n, p.Ratio)
	}
	for k := range a {
		if p.A[k] != float64(3*k) {
			t.Errorf("ambiguity %d is %g, want %d", k, p.A[k], 3*k)
		}
	}
	if v := p.Left([]float64{1, 0, 0, 0, 0, 0}, []float64{1, 0, 0, 0, 0, 0}); v != 0 {
		t.Errorf("variance left %g", v)
	}
	if n := testing.AllocsPerRun(20, func() { _ = p.Decide(a, q, 1e-3) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
