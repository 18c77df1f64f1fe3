package lambda

import (
	"errors"
	"fmt"
	"math"
)

// maxCandidates bounds how many vectors one search keeps.
const maxCandidates = 8

// visits bounds a search, in nodes of its tree. Problems that can be decided
// need some hundreds; beyond this, near candidates cannot be separated.
const visits = 20_000

// Errors of a problem that has no answer. The caller has no opinion then.
var (
	errIndefinite = errors.New("lambda: covariance is not positive definite")
	errUnbounded  = errors.New("lambda: search ended without a decision, too many vectors are alike")
)

// candidate is an integer vector and its squared norm (a-z)'·inv(Q)·(a-z).
type candidate struct {
	Z    []float64 // whole numbers, as many as ambiguities
	Norm float64   // dimensionless
}

// solver is the work space. Its zero value is ready; results live in it until
// the next call.
type solver struct {
	n     int
	whole []float64 // integer part taken off a before the decorrelation
	zhat  []float64 // decorrelated estimate
	l     []float64 // n by n, unit lower: Qz = L'·diag(d)·L
	d     []float64 // conditional variances
	back  []float64 // n by n: z of the caller = back·(decorrelated z)
	work  []float64 // n by n

	cond, z, step, dist []float64 // of the search, by level

	found [maxCandidates]candidate
	order [maxCandidates]int // of found, by norm
	best  [maxCandidates]candidate
	count int
	stop  int // level at which the search ends: those before stay open
}

// size makes room for n ambiguities.
func (s *solver) size(n int) {
	s.n = n
	grow := func(v *[]float64, n int) {
		if cap(*v) < n {
			*v = make([]float64, n)
		}
		*v = (*v)[:n]
	}
	for _, v := range []*[]float64{&s.whole, &s.zhat, &s.d, &s.cond, &s.z, &s.step, &s.dist} {
		grow(v, n)
	}
	for _, v := range []*[]float64{&s.l, &s.back, &s.work} {
		grow(v, n*n)
	}
	for i := range s.found {
		grow(&s.found[i].Z, n)
	}
}

// solve returns the two best integer vectors for the real-valued estimate a with
// covariance q (len(a) squared, row by row). The vectors are valid until the next
// call.
func (s *solver) solve(a, q []float64) (best, second candidate, err error) {
	if err := s.decorrelate(a, q); err != nil {
		return best, second, err
	}
	found, err := s.search(2)
	if err != nil {
		return best, second, err
	}
	return found[0], found[1], nil
}

// decorrelate takes a problem in: afterwards [solver.failureRate] and
// [solver.search] answer for it. A size that does not fit panics.
func (s *solver) decorrelate(a, q []float64) error {
	n := len(a)
	if len(q) != n*n || n == 0 {
		panic(fmt.Sprintf("lambda: %d ambiguities with a covariance of %d elements", n, len(q)))
	}
	s.size(n)
	for i, v := range a {
		if math.IsNaN(v) || math.Abs(v) > 1<<52 {
			return fmt.Errorf("lambda: ambiguity %d is %g, want a number of cycles", i, v)
		}
		s.whole[i] = math.Round(v)
		s.zhat[i] = v - s.whole[i]
	}
	if !s.factor(q) {
		return errIndefinite
	}
	s.reduce()
	return nil
}

// factor writes Q = L'·D·L, starting at the last ambiguity.
func (s *solver) factor(q []float64) bool {
	n := s.n
	w := s.work
	copy(w, q)
	clear(s.l)
	clear(s.back)
	for i := n - 1; i >= 0; i-- {
		s.back[i*n+i] = 1
		d := w[i*n+i]
		if !(d > 1e-13*q[i*n+i]) || math.IsInf(d, 1) {
			return false
		}
		s.d[i] = d
		for j := range i + 1 {
			s.l[i*n+j] = w[i*n+j] / d
		}
		for j := range i {
			f := s.l[i*n+j] * d
			for k := range j + 1 {
				w[j*n+k] -= f * s.l[i*n+k]
			}
		}
	}
	return true
}

// reduce makes the off-diagonal elements of L small and orders the conditional
// variances, the smallest last (de Jonge and Tiberius 1996).
func (s *solver) reduce() {
	n := s.n
	j, reduced := n-2, n-2
	for j >= 0 {
		if j <= reduced {
			for i := j + 1; i < n; i++ {
				s.gauss(i, j)
			}
		}
		l := s.l[(j+1)*n+j]
		if delta := s.d[j] + l*l*s.d[j+1]; delta < s.d[j+1]*(1-1e-9) {
			s.swap(j, delta)
			reduced = j
			j = n - 2
			continue
		}
		j--
	}
}

// gauss subtracts from ambiguity j a whole multiple of ambiguity i > j.
func (s *solver) gauss(i, j int) {
	n := s.n
	mu := math.Round(s.l[i*n+j])
	if mu == 0 {
		return
	}
	for k := i; k < n; k++ {
		s.l[k*n+j] -= mu * s.l[k*n+i]
	}
	s.zhat[j] -= mu * s.zhat[i]
	for k := range n {
		s.back[k*n+i] += mu * s.back[k*n+j]
	}
}

// swap exchanges ambiguities j and j+1; delta is the conditional variance that
// the first of them has behind the second.
func (s *solver) swap(j int, delta float64) {
	n := s.n
	l := s.l
	at := l[(j+1)*n+j]
	eta := s.d[j] / delta
	lambda := s.d[j+1] * at / delta
	s.d[j] = eta * s.d[j+1]
	s.d[j+1] = delta
	for k := range j {
		a0, a1 := l[j*n+k], l[(j+1)*n+k]
		l[j*n+k] = a1 - at*a0
		l[(j+1)*n+k] = eta*a0 + lambda*a1
	}
	l[(j+1)*n+j] = lambda
	for k := j + 2; k < n; k++ {
		l[k*n+j], l[k*n+j+1] = l[k*n+j+1], l[k*n+j]
	}
	s.zhat[j], s.zhat[j+1] = s.zhat[j+1], s.zhat[j]
	for k := range n {
		s.back[k*n+j], s.back[k*n+j+1] = s.back[k*n+j+1], s.back[k*n+j]
	}
}

// failureRate is the probability that bootstrapping of the decorrelated ambiguities
// does not find the right integers, if the covariance is right: one less the
// product of 2·Phi(1/(2·sigma)) - 1 over the conditional deviations (Teunissen
// 1998). Integer least squares fails no more often (Teunissen 1999).
func (s *solver) failureRate() float64 {
	log := 0.0
	for _, d := range s.d {
		log += math.Log1p(-math.Erfc(0.5 / math.Sqrt(2*d)))
	}
	return -math.Expm1(log)
}

// search returns the k best integer vectors of the problem taken in, best first.
// They are valid until the next call.
func (s *solver) search(k int) ([]candidate, error) {
	if k < 1 || k > maxCandidates {
		panic(fmt.Sprintf("lambda: %d candidates, want 1-%d", k, maxCandidates))
	}
	s.count = 0
	if err := s.walk(k); err != nil {
		return nil, err
	}
	for i, place := range s.order[:k] {
		s.restore(s.found[place].Z)
		s.best[i] = s.found[place]
	}
	return s.best[:k], nil
}

// walk goes depth first from the last ambiguity, whose conditional variance is
// the smallest, to the first.
func (s *solver) walk(k int) error {
	n := s.n
	bound := math.Inf(1)
	level := n - 1
	s.enter(level, 0)
	for range visits {
		r := s.cond[level] - s.z[level]
		norm := s.dist[level] + r*r/s.d[level]
		switch {
		case norm < bound && level > s.stop:
			level--
			s.enter(level, norm)
			continue
		case norm < bound:
			s.keep(k, norm)
			if s.count == k {
				bound = s.found[s.order[k-1]].Norm
			}
		default: // the next integers of this level are farther still
			if level++; level == n {
				return nil
			}
		}
		s.next(level)
	}
	return errUnbounded
}

// enter starts a level at the integer nearest to its conditional estimate.
func (s *solver) enter(level int, norm float64) {
	n := s.n
	c := s.zhat[level]
	for i := level + 1; i < n; i++ {
		c -= s.l[i*n+level] * (s.cond[i] - s.z[i])
	}
	s.cond[level], s.dist[level] = c, norm
	s.z[level] = math.Round(c)
	s.step[level] = 1
	if c < s.z[level] {
		s.step[level] = -1
	}
}

// next goes to the next farther integer of a level, in turns on both sides.
func (s *solver) next(level int) {
	s.z[level] += s.step[level]
	if s.step[level] > 0 {
		s.step[level] = -s.step[level] - 1
	} else {
		s.step[level] = -s.step[level] + 1
	}
}

// keep takes the vector of the walk among the best k.
func (s *solver) keep(k int, norm float64) {
	place := s.count
	if s.count < k {
		s.count++
	} else {
		place = s.order[k-1]
	}
	at := s.count - 1
	for ; at > 0 && s.found[s.order[at-1]].Norm > norm; at-- {
		s.order[at] = s.order[at-1]
	}
	s.order[at] = place
	s.found[place].Norm = norm
	copy(s.found[place].Z, s.z)
}

// restore turns a decorrelated vector into one of the caller's ambiguities.
func (s *solver) restore(z []float64) {
	n := s.n
	for i := range n {
		sum := s.whole[i]
		for j := range n {
			sum += s.back[i*n+j] * z[j]
		}
		s.work[i] = sum
	}
	copy(z, s.work[:n])
}
