package lambda

// Fixing is a decision on integers.
type Fixing struct {
	Z    []float64 // whole numbers; those of a group left out are not set
	Used []bool    // by ambiguity
	N    int       // ambiguities used

	Failure float64 // rate at which bootstrapping fails at most
	Ratio   float64 // best/second squared norm
	Limit   float64 // what the ratio may be
	Norm    float64 // squared norm of the best
	Left    int     // groups left out
}

// Accepted reports whether the integers may be held for right.
func (f *Fixing) Accepted() bool { return f.N > 0 && f.Ratio <= f.Limit }

// Rule bounds partial fixing.
type Rule struct {
	MaxFailure float64 // of bootstrapping, of what is accepted
	MaxLeft    int     // groups that may be left out
	MinGroups  int     // groups that must remain
}

// Partial fixes integers by groups, a satellite's by trade: all if they can be
// accepted, else without the group whose absence makes the ratio smallest, and so
// on: one biased satellite spoils the ratio of all. It tries one group after the
// other, so that with MaxLeft 2 it solves up to twice as many problems as there are
// groups.
type Partial struct {
	solver    solver
	a, q      []float64
	fix, best Fixing
	out       []bool // by group
}

// Fix decides on the estimate a with covariance q. group gives each ambiguity's
// group, 0 to groups-1. The result is valid until the next call. An error says
// why there is none: the covariance has none, or no candidates could be separated.
func (p *Partial) Fix(a, q []float64, group []int, groups int, rule Rule) (*Fixing, error) {
	n := len(a)
	p.out = resize(p.out, groups)
	clear(p.out)
	for _, f := range []*Fixing{&p.fix, &p.best} {
		f.Z, f.Used = resize(f.Z, n), resize(f.Used, n)
	}
	if err := p.solve(a, q, group, rule, &p.best); err != nil && rule.MaxLeft == 0 {
		return nil, err
	} else if err != nil {
		p.best.N, p.best.Ratio = 0, 1
	}
	for left := 1; left <= rule.MaxLeft && groups-left >= rule.MinGroups && !p.best.Accepted(); left++ {
		drop, ratio := -1, 2.0
		var last error
		for g := range groups {
			if p.out[g] {
				continue
			}
			p.out[g] = true
			if err := p.solve(a, q, group, rule, &p.fix); err != nil {
				last = err
			} else if p.fix.Ratio-p.fix.Limit < ratio {
				drop, ratio = g, p.fix.Ratio-p.fix.Limit
				p.fix.Left = left
				p.fix, p.best = p.best, p.fix
			}
			p.out[g] = false
		}
		if drop < 0 {
			return nil, last
		}
		p.out[drop] = true
	}
	return &p.best, nil
}

// solve decides on the groups that are not left out.
func (p *Partial) solve(a, q []float64, group []int, rule Rule, f *Fixing) error {
	n, left := len(a), false
	p.a, p.q = p.a[:0], p.q[:0]
	for i := range n {
		f.Used[i] = !p.out[group[i]]
		if !f.Used[i] {
			left = true
			continue
		}
		p.a = append(p.a, a[i])
		for j := range n {
			if !p.out[group[j]] {
				p.q = append(p.q, q[i*n+j])
			}
		}
	}
	f.N, f.Left = len(p.a), 0
	if f.N == 0 {
		f.Ratio, f.Limit = 1, 0
		return nil
	}
	best, second, err := p.solver.solve(p.a, p.q)
	if err != nil {
		return err
	}
	f.Failure = p.solver.failureRate()
	f.Norm, f.Ratio = best.Norm, best.Norm/second.Norm
	f.Limit = 0
	if f.Failure <= rule.MaxFailure {
		f.Limit = threshold(f.N, f.Failure)
		if left {
			f.Limit = min(f.Limit, weakAlike)
		}
	}
	k := 0
	for i := range n {
		if f.Used[i] {
			f.Z[i] = best.Z[k]
			k++
		}
	}
	return nil
}

func resize[T any](v []T, n int) []T {
	if cap(v) < n {
		return make([]T, n)
	}
	return v[:n]
}
