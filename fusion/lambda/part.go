package lambda

import "math"

// Part is a decision on as many combinations of ambiguities as can be decided: after
// the decorrelation the best known come last, wide lanes among them, and often they
// suffice where all the ambiguities do not (Teunissen, Joosten and Tiberius 1999).
type Part struct {
	A       []float64 // the ambiguities given the decision, real numbers
	N       int       // combinations decided
	Failure float64   // rate at which bootstrapping of them fails at most
	Ratio   float64   // best/second squared norm
	Norm    float64   // squared norm of the best

	solver solver
	free   int // combinations left open, the first ones
	t, y   []float64
}

// Accepted reports whether the combinations may be held for right.
func (p *Part) Accepted() bool {
	n := float64(p.N)
	return p.N > 0 && p.Ratio <= threshold(p.N, p.Failure) && p.Norm <= n+4*math.Sqrt(2*n)
}

// Decide decides on as many combinations of the estimate a with covariance q as
// bootstrapping finds with at most a rate of failure. N is 0 where that is none.
func (p *Part) Decide(a, q []float64, failure float64) error {
	s := &p.solver
	p.N, p.Ratio = 0, 1
	if err := s.decorrelate(a, q); err != nil {
		return err
	}
	n := s.n
	log := 0.0
	p.free, p.Failure = n, 0
	for i := n - 1; i >= 0; i-- {
		log += math.Log1p(-math.Erfc(0.5 / math.Sqrt(2*s.d[i])))
		if f := -math.Expm1(log); f <= failure {
			p.free, p.Failure = i, f
		} else {
			break
		}
	}
	p.N = n - p.free
	if p.N == 0 {
		return nil
	}
	s.stop = p.free
	defer func() { s.stop = 0 }()
	s.count = 0
	if err := s.walk(2); err != nil {
		p.N = 0
		return err
	}
	best, second := &s.found[s.order[0]], &s.found[s.order[1]]
	p.Norm, p.Ratio = best.Norm, best.Norm/second.Norm
	// The open combinations follow: the real number nearest, given the others.
	copy(s.z[p.free:], best.Z[p.free:])
	for level := n - 1; level >= 0; level-- {
		c := s.zhat[level]
		for i := level + 1; i < n; i++ {
			c -= s.l[i*n+level] * (s.cond[i] - s.z[i])
		}
		if s.cond[level] = c; level < p.free {
			s.z[level] = c
		}
	}
	p.A = resize(p.A, n)
	copy(p.A, s.z)
	s.restore(p.A)
	return nil
}

// Left returns v'·Q·w, Q being the covariance that A has left.
func (p *Part) Left(v, w []float64) float64 {
	p.t, p.y = resize(p.t, p.free), resize(p.y, p.free)
	p.through(v, p.t)
	p.through(w, p.y)
	sum := 0.0
	for i := range p.free {
		sum += p.solver.d[i] * p.t[i] * p.y[i]
	}
	return sum
}

// through sets out to L·back'·v of the open combinations.
func (p *Part) through(v, out []float64) {
	s := &p.solver
	n := s.n
	for j := range p.free {
		sum := 0.0
		for k := range n {
			sum += s.back[k*n+j] * v[k]
		}
		out[j] = sum
	}
	for i := p.free - 1; i >= 0; i-- { // row i needs the elements up to i
		sum := 0.0
		for j := range i + 1 {
			sum += s.l[i*n+j] * out[j]
		}
		out[i] = sum
	}
}
