package integers

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// reference picks the satellite of each group that the others are subtracted from:
// the highest whose half cycle is settled, but none of those barred.
func (c *Checker) reference(barred satellite.ID) {
	for g := range c.ngroups {
		c.groups[g].ref = -1
	}
	for i := range c.n {
		it := &c.items[i]
		g := &c.groups[it.group]
		if it.half || c.sats[it.sat].id == barred {
			continue
		}
		if g.ref < 0 || it.sin > c.items[g.ref].sin {
			g.ref = i
		}
	}
}

// search estimates the ambiguities by code and looks for their integers.
func (c *Checker) search() Reason {
	var barred satellite.ID
	for range 2 {
		c.reference(barred)
		why := c.trySearch()
		if why != Undecided {
			return why
		}
		// A bad reference spoils all: once more without the one of most groups.
		best := 0
		for g := range c.ngroups {
			if c.groups[g].count > c.groups[best].count {
				best = g
			}
		}
		if c.groups[best].ref < 0 {
			return why
		}
		barred = c.sats[c.items[c.groups[best].ref].sat].id
	}
	return Undecided
}

func (c *Checker) trySearch() Reason {
	if _, _, why := c.estimate(); why != Decided {
		return why
	}
	f, err := c.partial.Fix(c.a, c.q, c.of, c.nsats, rule)
	if err != nil {
		return Undecided
	}
	r := &c.result
	r.Failure, r.Ratio, r.Limit, r.LeftOut = f.Failure, f.Ratio, f.Limit, f.Left
	if !f.Accepted() {
		return Undecided
	}
	for k, i := range c.at {
		if f.Used[k] {
			c.items[i].fixed, c.items[i].whole = true, f.Z[k]
		}
	}
	for g := range c.ngroups {
		if ref := c.groups[g].ref; ref >= 0 && c.groups[g].count > 1 {
			c.items[ref].fixed, c.items[ref].whole = true, 0
		}
	}
	return Decided
}

// estimate fills a, q, of and at with the ambiguities by the code's place, x with
// covariance p; Decided is that there are enough.
func (c *Checker) estimate() (x [3]float64, p [3][3]float64, why Reason) {
	x, p, ok := c.codePlace()
	if !ok {
		return x, p, FewSignals
	}
	c.a, c.of, c.at = c.a[:0], c.of[:0], c.at[:0]
	for i := range c.n {
		it := &c.items[i]
		it.fixed = false
		g := &c.groups[it.group]
		if g.ref < 0 || g.ref == i || g.count < 2 {
			continue
		}
		ref := &c.items[g.ref]
		d := it.phase - ref.phase
		for k := range 3 {
			d += (it.u[k] - ref.u[k]) * x[k]
		}
		c.a = append(c.a, d/it.wave)
		c.of = append(c.of, it.sat)
		c.at = append(c.at, i)
	}
	switch {
	case len(c.a) < minFixed:
		return x, p, FewSignals
	case c.oneCarrier():
		return x, p, OneCarrier
	}
	c.covariance(len(c.a), &p)
	return x, p, Decided
}

// oneCarrier reports whether all ambiguities are of one system and one carrier.
func (c *Checker) oneCarrier() bool {
	first := &c.items[c.at[0]]
	for _, i := range c.at {
		it := &c.items[i]
		if it.signal.Band != first.signal.Band || c.sats[it.sat].id.System != c.sats[first.sat].id.System {
			return false
		}
	}
	return true
}

// covariance fills q for the n ambiguities: phases of rover and base differenced
// between satellites, and the code's place.
func (c *Checker) covariance(n int, p *[3][3]float64) {
	if cap(c.q) < n*n {
		c.q = make([]float64, maxSignals*maxSignals)
	}
	c.q = c.q[:n*n]
	for a := range n {
		i := c.at[a]
		it := &c.items[i]
		ref := c.groups[it.group].ref
		var du, pd [3]float64
		for k := range 3 {
			du[k] = it.u[k] - c.items[ref].u[k]
		}
		for k := range 3 {
			pd[k] = p[k][0]*du[0] + p[k][1]*du[1] + p[k][2]*du[2]
		}
		for b := range a + 1 {
			j := c.at[b]
			ot := &c.items[j]
			oref := c.groups[ot.group].ref
			v := c.both(i, j) - c.both(i, oref) - c.both(ref, j) + c.both(ref, oref)
			for k := range 3 {
				v += pd[k] * (ot.u[k] - c.items[oref].u[k])
			}
			v /= it.wave * ot.wave
			c.q[a*n+b], c.q[b*n+a] = v, v
		}
	}
}

// both is the covariance of the phases of two items, m^2.
func (c *Checker) both(i, j int) float64 {
	a, b := &c.items[i], &c.items[j]
	if a.sat != b.sat {
		return 0
	}
	v := c.sats[a.sat].common + c.sats[a.sat].delay*a.gamma*b.gamma
	if i == j {
		v += 2 * phaseSigma * phaseSigma / (a.sin * a.sin)
	}
	return v
}

// codePlace is where the codes place the rover, against near.
func (c *Checker) codePlace() (x [3]float64, p [3][3]float64, ok bool) {
	s := &c.solver
	scale := 1.0
	for range 4 {
		s.reset(c.ngroups)
		rows := 0
		for i := range c.n {
			it := &c.items[i]
			l := &c.sats[it.sat]
			if it.badCode {
				continue
			}
			s.add(it.u, it.group, it.code, scale*it.codeVariance()+l.common+l.delay*it.gamma*it.gamma)
			rows++
		}
		if !s.solve() {
			return x, p, false
		}
		copy(x[:], s.x[:3])
		for i := range 3 {
			copy(p[i][:], s.p[i][:3])
		}
		// A code far off, by a reflection, is left out.
		worst, by, sum := -1, 5.0, 0.0
		for i := range c.n {
			it := &c.items[i]
			if it.badCode {
				continue
			}
			v := scale * it.codeVariance()
			r := math.Abs(s.residual(it.u, it.group, it.code)) / math.Sqrt(v)
			if sum += r * r; r > by {
				worst, by = i, r
			}
		}
		if worst >= 0 {
			c.items[worst].badCode = true
			continue
		}
		// Codes are as good as they agree; a few do not suffice.
		free := rows - s.dim
		if free < 8 || scale != 1 {
			break
		}
		scale = math.Max(0.15, math.Min(6, 1.5*sum/float64(free)))
	}
	return x, p, true
}

// Residuals of fixed phases beyond this many deviations do not fit; half a cycle is some
// ten.
const misfit = 4.5

// bluntest is the deviation in m of a horizontal axis beyond which a place is no
// opinion: a wrong fix may be off by 0.3 m.
const bluntest = 0.04

// place solves the position by the phases whose integers are known, leaving out at
// most so many satellites whose residuals do not fit, and refuses one that still does
// not.
func (c *Checker) place(most int) Reason {
	s := &c.solver
	for left := 0; ; left++ {
		s.reset(c.ngroups)
		sats, signals := 0, 0
		last := -1
		for i := range c.n {
			it := &c.items[i]
			if !it.fixed {
				continue
			}
			s.add(it.u, it.group, it.phase-it.whole*it.wave, c.variance(i))
			if signals++; it.sat != last && !c.earlier(i) {
				sats++
			}
			last = it.sat
		}
		if sats < minFixed || !s.solve() || signals <= s.dim {
			return FewSignals
		}
		worst, by, chi := -1, misfit, 0.0
		for i := range c.n {
			if it := &c.items[i]; it.fixed {
				r := math.Abs(s.residual(it.u, it.group, it.phase-it.whole*it.wave)) / math.Sqrt(c.variance(i))
				chi += r * r
				if r > by {
					worst, by = i, r
				}
			}
		}
		if worst >= 0 && left < most && sats > minFixed+1 {
			for i := range c.n {
				if c.items[i].sat == c.items[worst].sat {
					c.items[i].fixed = false
				}
			}
			c.result.LeftOut++
			continue
		}
		if math.Max(s.p[0][0], s.p[1][1]) > bluntest*bluntest {
			return Undecided
		}
		dof := float64(signals - s.dim)
		if worst >= 0 || chi > dof+5*math.Sqrt(2*dof)+5 {
			return Contradicted
		}
		r := &c.result
		r.Satellites, r.Signals = sats, signals
		for i := range 3 {
			copy(r.Cov[i][:], s.p[i][:3])
		}
		r.Position = c.frame.ToECEF(geodesy.ENU{E: s.x[0], N: s.x[1], U: s.x[2]})
		return Decided
	}
}

// earlier reports whether an item before has the same satellite and is fixed.
func (c *Checker) earlier(i int) bool {
	for j := range i {
		if c.items[j].fixed && c.items[j].sat == c.items[i].sat {
			return true
		}
	}
	return false
}

// variance is that of a fixed phase in m^2. What the signals of a satellite share
// counts as often as there are signals, so that together they are not taken for
// better than it.
func (c *Checker) variance(i int) float64 {
	it := &c.items[i]
	l := &c.sats[it.sat]
	return 2*phaseSigma*phaseSigma/(it.sin*it.sin) + 2*(l.common+l.delay*it.gamma*it.gamma)
}

// holding is the integers found, while both receivers track on.
type holding struct {
	n        int
	whole    [maxSignals]held
	found    gnsstime.Time // tag of the epoch whose search gave them
	searched gnsstime.Time // tag of the last search
}

type held struct {
	sat    satellite.ID
	signal satellite.Signal // the rover's
	other  satellite.Signal // the base's
	whole  float64
	half   bool
	lock   float64 // s, the rover's
	seen   gnsstime.Time
}

// hold keeps the integers of this epoch.
func (c *Checker) hold(now gnsstime.Time) {
	h := &c.held
	h.n, h.found = 0, now
	for i := range c.n {
		if it := &c.items[i]; it.fixed {
			h.whole[h.n] = held{c.sats[it.sat].id, it.signal, it.other, it.whole, it.half, it.lock, now}
			h.n++
		}
	}
}

// recall gives this epoch's signals the integers that are held and go on.
func (c *Checker) recall(now gnsstime.Time) bool {
	h := &c.held
	for i := range c.n {
		c.items[i].fixed = false
	}
	n := 0
	for k := range h.n {
		w := &h.whole[k]
		gap := now.Sub(w.seen)
		if gap > maxHeld || gap < 0 {
			continue
		}
		for i := range c.n {
			it := &c.items[i]
			if it.signal != w.signal || it.other != w.other || c.sats[it.sat].id != w.sat {
				continue
			}
			slip := it.slip || it.half != w.half || it.lock < w.lock || it.lock < gap
			if slip {
				w.seen = gnsstime.Time{}
				break
			}
			it.fixed, it.whole = true, w.whole
			w.lock, w.seen = it.lock, now
			break
		}
		if !w.seen.IsZero() {
			h.whole[n] = *w
			n++
		}
	}
	h.n = n
	return n >= minFixed
}

// release drops what is held and averaged of the signals that the base lost since its last epoch.
func (c *Checker) release(e *observation.Epoch) {
	h := &c.held
	gap := e.Time.Sub(c.base.epoch.Time)
	n := 0
	for k := range h.n {
		w := &h.whole[k]
		was, is := c.base.epoch.Find(w.sat, w.other), e.Find(w.sat, w.other)
		if was == nil || is == nil || broken(is, was, gap) {
			continue
		}
		h.whole[n] = *w
		n++
	}
	h.n = n
	for i := range c.n {
		it := &c.items[i]
		id := c.sats[it.sat].id
		was, is := c.base.epoch.Find(id, it.other), e.Find(id, it.other)
		if was == nil || is == nil || broken(is, was, gap) {
			c.smooths[id.Index()][it.slot()] = smooth{}
		}
	}
}

// broken reports whether the phase of an observation does not go on from the one a
// gap in s before.
func broken(is, was *observation.Observation, gap float64) bool {
	return is.Slip || is.HalfCycle != was.HalfCycle || is.Lock < was.Lock || is.Lock < gap
}

// uncovered reports whether so many signals have no integers that a search is worth
// its while.
func (c *Checker) uncovered() bool {
	open := 0
	for i := range c.n {
		if !c.items[i].fixed {
			open++
		}
	}
	return 4*open > c.n
}
