package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// claims keep what a fix that is not believed is weighed by: the place from
// which the references carry on, and what was learned of heights.
type claims struct {
	right integrity.Mark // at the last believed epoch
	wrong integrity.Mark // at the last epoch of a refuted fix
	off   offset         // of that fix
	last  offset         // of the fix weighed last
	rest  restPlace

	drifted float64 // host s of the last drift alarm
}

// offset is how far a fix stood from where it should have.
type offset struct {
	y  integrity.Vec3 // m, ENU
	c  integrity.Sym3 // m²
	at float64        // host s at which it was measured, NaN without one
}

// by returns the offset as it is by now, m, and its covariance, m².
func (o *offset) by(now float64) (y integrity.Vec3, c integrity.Sym3) {
	walk := offsetWalk * (now - o.at)
	c = o.c
	for i := range c {
		c[i][i] += walk * walk
	}
	return o.y, c
}

// offsetWalk is how fast the position of wrong integers moves, m/s, 1 sigma:
// satellites turn about the sky by some 1.5e-4 rad/s, an offset of 2 m with them,
// three times over for poor geometry. Common practice, no source.
const offsetWalk = 0.001

// drift takes the alarm of a drift test: right is from before the drift.
func (k *claims) drift(right integrity.Mark, y *integrity.Vec3, c *integrity.Sym3, now float64) {
	k.right, k.off, k.drifted = right, offset{*y, *c, now}, now
}

// heightDoubt widens the height of dead reckoning: over 15 to 30 s of a real drive it
// was off by twice its sigma, root mean square of 60.
const heightDoubt = 2.0

// weighFix weighs the fix at an epoch by the sharpest place that was kept without
// it and by its height, and returns the log-likelihood ratio and the offset from
// there, m.
func (m *Monitor) weighFix(x *weighed, hasHeight bool) (llr float64, y integrity.Vec3) {
	k, c := &m.claims, integrity.Sym3{}
	best := math.Inf(1)
	take := func(dy integrity.Vec3, dc *integrity.Sym3) {
		if s := dc[0][0] + dc[1][1]; s < best {
			best, y, c = s, dy, *dc
		}
	}
	up, sigma := math.NaN(), math.Inf(1)
	if !m.trust.Followed {
		s := integrity.Sym3(x.in.S)
		take(integrity.Vec3(x.in.Y), &s)
		if hasHeight {
			up, sigma = x.in.Y[2], heightDoubt*math.Sqrt(s[2][2])
		}
	}
	now, pe := m.epochFix(x), m.pathError()
	if w := m.ref.Sharpest(&k.right, &now, &pe); w.OK {
		take(w.Y, &w.C)
	}
	if w := m.ref.Sharpest(&k.wrong, &now, &pe); w.OK && !math.IsNaN(k.off.at) && m.trust.Fix == trust.Claimed {
		oy, oc := k.off.by(m.now)
		for i := range 2 {
			w.Y[i] += oy[i]
			for j := range 2 {
				w.C[i][j] += oc[i][j]
			}
		}
		take(w.Y, &w.C)
	}
	if dy, dc, ok := m.againstPhases(x); ok {
		take(dy, &dc)
	}
	if !math.IsInf(best, 1) {
		m.byPath(now.Pos, &y, &c)
	}
	k.last = offset{y, c, m.now}
	llr = math.NaN()
	if !math.IsInf(best, 1) {
		llr = m.trust.Horizontal(&y, &c)
	}
	if o := m.phases.odds(m.now); o != 0 {
		if math.IsNaN(llr) {
			llr = 0
		}
		llr += o
	}
	if !hasHeight {
		return llr, y
	}
	h, s, ok := m.heights.At(enu(x.z))
	if s = math.Sqrt(s*s + x.white[2] + m.nav.Filter.Params.CorrSigmaV*m.nav.Filter.Params.CorrSigmaV); ok && s < sigma {
		up, sigma = x.z.Z-h, s
	}
	if !math.IsNaN(up) {
		if math.IsNaN(llr) {
			llr = 0
		}
		llr += trust.Vertical(up, sigma)
		y[2] = up
	}
	return llr, y
}

// anchor carries on, at an epoch that was weighed, the places from which claims
// are weighed.
func (m *Monitor) anchor(x *weighed, fixed, used bool) {
	if !fixed {
		return
	}
	now, pe := m.epochFix(x), m.pathError()
	if m.trust.Accused() {
		m.ref.Suspect()
	}
	switch {
	case m.trust.Fix == trust.Believed && used:
		// While a drift is suspected the place of before counts.
		suspected := m.drift.Suspected.Open()
		if m.claims.right = m.ref.Mark(&now, &pe); suspected {
			m.claims.right = m.drift.Before()
			m.ref.Suspect()
		}
		m.claims.off.at = math.NaN()
		if !suspected {
			m.learnCar(&now, &pe)
		}
		if m.trust.Proven && !suspected {
			m.ref.Learn(&now)
			m.heights.Learn(enu(x.z), m.now)
			m.learnPath()
		}
	case m.trust.Fix == trust.Refuted:
		m.claims.wrong = m.ref.Mark(&now, &pe)
		if m.trust.Fault == trust.Drifted { // what drifts is as far off as it is now
			m.claims.off = m.claims.last
		}
	}
}

// tellClaim makes the event of a decision on a fix that was believed, claimed or
// refuted since a host time.
func (m *Monitor) tellClaim(d trust.Decision, was trust.Fix, since float64) {
	size := r3.Norm(r3.Vec{X: m.trust.Offset[0], Y: m.trust.Offset[1], Z: m.trust.Offset[2]})
	e := Event{T: m.host(m.now), End: math.NaN(), Size: size, Where: m.where()}
	o := &m.trust.Offset
	switch {
	case d.Refuted:
		e.Kind = EventRefuted
		e.Detail = fmt.Sprintf("the receiver says fixed but stands %.2f m east, %.2f m north, %.2f m up from where the car is (evidence %.1f, refuted below %.1f)",
			o[0], o[1], o[2], m.trust.LLR, trust.Refute)
	case d.Cleared && (was == trust.Refuted || m.now-since > 1):
		e.Kind = EventConfirmed
		e.Detail = fmt.Sprintf("the receiver's fix is confirmed after %.1f s: evidence %.1f, wanted %.1f", m.now-since, m.trust.LLR, m.trust.Needed)
	default:
		return
	}
	m.event(e)
}

// restPlace is the mean of the fixed positions of a car that stands, before the
// filter has a position of its own: nothing is easier to check than a stand-still.
type restPlace struct {
	n     float64 // epochs
	mean  r3.Vec  // m, ENU
	since float64 // host s of the first
}

// restLeast is how long a receiver must have been fixed at rest for its place to
// be a reference, s. Common practice, no source.
const restLeast = 5.0

// watchRest weighs a fixed epoch of a car that stands against those before it.
func (m *Monitor) watchRest(e *gnss.Epoch, z r3.Vec) {
	p, tr := &m.claims.rest, &m.trust
	if !(m.nav.IMU.RestFor() > navigation.RestProof) {
		if tr.Fix == trust.Believed {
			*p = restPlace{}
		}
		return
	}
	if m.rcv.class != navigation.ClassFixed {
		return
	}
	if p.n == 0 {
		*p = restPlace{n: 1, mean: z, since: m.now}
		return
	}
	white, ch, cv := m.cfg.GNSS.Noise(e, m.rcv.class)
	d := r3.Sub(z, p.mean)
	y := integrity.Vec3{d.X, d.Y, d.Z}
	var s integrity.Sym3
	for i := range 2 {
		s[i][i] = white[i] + 2*ch*ch
	}
	up := 0.0
	if e.HasH {
		up = trust.Vertical(y[2], math.Sqrt(white[2]+2*cv*cv))
	}
	llr := trust.HorizontalLeast(&y, &s) + up
	if !(llr >= -trust.Refute) || tr.Fix != trust.Believed { // the bound alone does not settle it
		llr = trust.Horizontal(&y, &s) + up
	}
	switch {
	case llr <= trust.Refute && m.now-p.since < restLeast:
		*p = restPlace{n: 1, mean: z, since: m.now} // which of the two is right nothing tells yet
	case llr <= trust.Refute && tr.Fix != trust.Refuted:
		m.believe(&trust.Evidence{Kind: trust.AtRest, Now: m.now, Y: y, S: s, LLR: llr})
		m.claims.off = offset{y, s, m.now}
		m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventJump, Cause: "at rest", Size: r3.Norm(d), Where: m.where(),
			Detail: fmt.Sprintf("the position moved by %.2f m (%.2f east, %.2f north, %.2f up) while the car stood and the receiver said fixed", r3.Norm(d), d.X, d.Y, d.Z)})
	case llr >= -trust.Refute:
		p.n++
		p.mean = r3.Add(p.mean, r3.Scale(1/math.Min(p.n, 300), d))
		if tr.Fix != trust.Believed && !m.phases.drifting {
			m.believe(&trust.Evidence{Kind: trust.AtRest, Now: m.now, Y: y, S: s, LLR: llr})
		}
	}
}
