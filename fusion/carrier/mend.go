package carrier

import (
	"math"

	"kerbline/gnss/gnsstime"
)

// A phase that was lost comes back with the same fraction of a cycle and another
// number of whole ones. Where the satellites that went on tell how its range changed
// meanwhile to a small part of a cycle, that number is known, and the arc goes on from
// where it ended: a satellite behind a hoarding for a second a lap serves all the
// same. A number that is wrong is a faulty satellite, which the levels hold.
const (
	mendFor    = 12.0 // s after its end that an arc may be mended
	mendWithin = 0.2  // of a cycle, that the phase may be off a whole number
	mendSigma  = 0.15 // of a cycle, the most that its prediction may be uncertain, one deviation
	mendAlike  = 0.02 // m, by which two carriers may be off differently
	mendBy     = 5    // satellites at least that went on
	maxMarks   = 6    // losses at different epochs at a time

	bridgeFor    = 30.0 // s for which a position from before a loss is gone on from
	bridgeBetter = 0.9  // of the level by what is left, below which that is better
)

// loss is an epoch at which arcs ended: the last with them.
type loss struct {
	at  gnsstime.Time
	sol solution // from the known position to there
}

// mark is where an arc that goes on stood at a loss.
type mark struct {
	y  float64 // m, phase less the model less that at the anchor
	on bool
}

// kept reports whether an arc of the satellite may be mended.
func (b *body) kept(now gnsstime.Time) bool {
	for j := range b.tracks {
		if t := &b.tracks[j]; t.kept && now.Sub(t.leftAt) < mendFor {
			return true
		}
	}
	return false
}

// mend continues arcs that ended since the anchor, and keeps what the next epochs need
// for it.
func (p *Path) mend() {
	for m := range p.losses {
		if at := p.losses[m].at; !at.IsZero() && p.time.Sub(at) < mendFor && p.back(at) {
			p.mendSince(m)
		}
	}
	for i := range p.n {
		b := &p.sats[i]
		for j := range b.tracks {
			if t := &b.tracks[j]; b.up && t.now && t.anchored {
				t.keep(p.time)
			}
		}
	}
}

// keep notes where an arc that is carried stands.
func (t *track) keep(now gnsstime.Time) {
	t.kept, t.doubt, t.left, t.leftAt = t.anchored && !t.half, false, t.y-t.ref, now
}

// waits reports whether the arc ended at an epoch and its phase is there again, to be
// continued.
func (t *track) waits(at gnsstime.Time) bool {
	return t.kept && t.now && !t.anchored && !t.half && t.leftAt == at
}

// back reports whether an arc that ended at an epoch waits.
func (p *Path) back(at gnsstime.Time) bool {
	for i := range p.n {
		b := &p.sats[i]
		if b.up && b.barred.Sub(p.time) <= 0 && (b.tracks[0].waits(at) || b.tracks[1].waits(at)) {
			return true
		}
	}
	return false
}

// markLosses notes where the arcs that go on stood at the epoch before, if others
// ended there.
func (p *Path) markLosses() {
	lost := false
	for i := range p.n {
		b := &p.sats[i]
		for j := range b.tracks {
			t := &b.tracks[j]
			lost = lost || t.kept && t.leftAt == p.before && !(b.up && t.now && t.anchored)
		}
	}
	if !lost {
		return
	}
	slot := 0
	for m := range p.losses {
		if p.losses[m].at.IsZero() || p.losses[m].at.Sub(p.losses[slot].at) < 0 {
			slot = m
		}
	}
	p.losses[slot].at, p.losses[slot].sol = p.before, p.last
	for i := range p.n {
		b := &p.sats[i]
		for j := range b.tracks {
			t := &b.tracks[j]
			t.marks[slot] = mark{t.left, b.up && t.now && t.anchored && t.leftAt == p.before}
		}
	}
}

// mendSince continues arcs that ended at an epoch.
func (p *Path) mendSince(m int) {
	sol, ok := p.since(m, 0)
	if !ok || sol.used < mendBy || sol.dof < 1 {
		return
	}
	at := p.losses[m].at
	for i := range p.n {
		if b := &p.sats[i]; b.up && b.barred.Sub(p.time) <= 0 {
			p.mendBody(b, at, p.time.Sub(at))
		}
	}
}

// bridge is the solution by way of the last epoch before satellites were lost, where
// that is better than what those left say of the time since the anchor: hidden for
// some seconds, they need not have told anything meanwhile.
func (p *Path) bridge(total solution, ok bool) (solution, bool) {
	best, most := -1, total.used+1
	if !ok {
		most = 0
	}
	for m := range p.losses {
		l := &p.losses[m]
		if !l.at.IsZero() && p.time.Sub(l.at) < bridgeFor && l.sol.used > most {
			best, most = m, l.sol.used
		}
	}
	if best < 0 {
		return total, ok
	}
	l := &p.losses[best]
	sol, can := p.since(best, l.at.Sub(p.anchor.time))
	if !can || sol.left > 0 || sol.used < mendBy {
		return total, ok
	}
	p.solver.separate(p.links[:p.linked], &sol)
	sol.add(&l.sol)
	if !ok || sol.level() < bridgeBetter*total.level() {
		return sol, true
	}
	return total, ok
}

// since solves the displacement since a loss by the arcs that go on. The position had
// been carried for old seconds then.
func (p *Path) since(m int, old float64) (solution, bool) {
	gap := p.time.Sub(p.losses[m].at)
	n := 0
	for i := range p.n {
		b := &p.sats[i]
		if !b.up || b.barred.Sub(p.time) > 0 {
			continue
		}
		k, ok := p.link(b, gap, old, 0, 0, func(t *track) (float64, bool) {
			return t.y - t.ref - t.marks[m].y, t.now && t.anchored && t.marks[m].on
		})
		if ok {
			k.sat = i
			p.links[n] = k
			n++
		}
	}
	p.linked = n
	p.solver.air0(p.links[:n], gap, old)
	return p.solver.exclude(p.links[:n], 1, &slipTest)
}

// mendBody continues the arcs of one satellite by the solution at hand.
func (p *Path) mendBody(b *body, at gnsstime.Time, gap float64) {
	var off, cycles [2]float64
	var ok [2]bool
	for j := range b.tracks {
		t := &b.tracks[j]
		if !t.waits(at) {
			continue
		}
		d, sigma, known := p.predicted(b, t, gap)
		if !known || sigma > mendSigma*b.wave(j) {
			continue
		}
		d = t.y - t.ref - t.left - d
		cycles[j] = math.Round(d / b.wave(j))
		off[j] = d - cycles[j]*b.wave(j)
		ok[j] = math.Abs(off[j]) < mendWithin*b.wave(j) && !(cycles[j] == 0 && t.doubt)
		t.kept = ok[j] // else it did not go on by whole cycles
	}
	if ok[0] && ok[1] && math.Abs(off[0]-off[1]) > mendAlike {
		return
	}
	for j := range b.tracks {
		if t := &b.tracks[j]; ok[j] {
			t.ref += cycles[j] * b.wave(j)
			t.anchored = true
			p.state.Back++
		}
	}
}

// predicted is by how much the solution at hand says that a phase changed, and the
// deviation of the difference to what is observed.
func (p *Path) predicted(b *body, t *track, gap float64) (d, sigma float64, ok bool) {
	s := &p.solver
	g := p.clock(b.id.System, t.signal.Band)
	if g < 0 || s.active[g] < 0 {
		return 0, 0, false
	}
	f := delayHz / t.hz
	delay := f * f * b.Slant
	h := [maxRow]float64{-b.U[0], -b.U[1], -b.U[2], 1, -delay}
	at := [maxRow]int{0, 1, 2, s.active[g], s.air}
	clock, iono := ClockDrift(b.id.System, gap), ionoRate*gap*delay
	v := 2*phaseSigma*phaseSigma/(b.Sin*b.Sin) + clock*clock + iono*iono
	for i := range at {
		d += h[i] * s.x[at[i]]
		for j := range at {
			v += h[i] * h[j] * s.p[at[i]][at[j]]
		}
	}
	return d, math.Sqrt(math.Max(0, v)), true
}

// forgetLosses forgets the arcs that ended.
func (p *Path) forgetLosses() {
	for m := range p.losses {
		p.losses[m].at = gnsstime.Time{}
	}
}
