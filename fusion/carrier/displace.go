package carrier

import (
	"math"
	"slices"

	"kerbline/gnss/satellite"
)

// Slips that need no solution: by Doppler, and by the difference of two carriers.
const (
	dopplerSlack = 0.3  // m, beside what a jerk of 30 m/s^3 makes of the mean of two Dopplers
	dopplerJerk  = 30.0 // m/s^3
	geometryFree = 5.0  // deviations of the difference of two carriers, beside the ionosphere
)

// slips ends arcs whose phase jumped against Doppler or against the other carrier.
func (p *Path) slips(dt float64) {
	if dt <= 0 {
		return
	}
	limit := dopplerSlack + dopplerJerk*dt*dt/12
	if mid, ok := p.median(func(b *body) float64 { return b.tracks[0].turned * b.wave(0) }); ok {
		for i := range p.n {
			b := &p.sats[i]
			for j := range b.tracks {
				if t := &b.tracks[j]; b.up && t.recent && math.Abs(t.turned*b.wave(j)-mid) > limit {
					t.slip()
				}
			}
		}
	}
	for s := range satellite.NSystems {
		for _, band := range secondBands {
			split := func(b *body) float64 {
				t, o := &b.tracks[0], &b.tracks[1]
				if b.id.System != s || o.signal.Band != band || !t.recent || !o.recent {
					return math.NaN()
				}
				return (o.y - o.last) - (t.y - t.last)
			}
			mid, ok := p.median(split)
			if !ok {
				continue
			}
			for i := range p.n {
				if b := &p.sats[i]; b.up && math.Abs(split(b)-mid) > geometryFree*2*phaseSigma/b.Sin+ionoRate*10*dt {
					b.tracks[0].slip()
					b.tracks[1].slip()
				}
			}
		}
	}
}

// barred is for how long in s a satellite is not carried from that drifted from the
// others.
const barred = 120.0

var secondBands = [...]byte{'5', '7', '2', '6', '8', '3'}

func (b *body) wave(j int) float64 { return satellite.SpeedOfLight / b.tracks[j].hz }

// slip ends an arc that a test of ours says has jumped.
func (t *track) slip() {
	t.doubt = t.doubt || t.anchored
	t.goes, t.recent, t.anchored = false, false, false
}

// median of a value over the satellites in view that have it, at least three.
func (p *Path) median(value func(*body) float64) (float64, bool) {
	v := p.values[:0]
	for i := range p.n {
		if b := &p.sats[i]; b.up {
			if x := value(b); !math.IsNaN(x) {
				v = append(v, x)
			}
		}
	}
	if len(v) < 3 {
		return 0, false
	}
	slices.Sort(v)
	return v[len(v)/2], true
}

// clock returns the number of the receiver's clock for a system and carrier.
func (p *Path) clock(s satellite.System, band byte) int {
	for i := range p.clocks {
		c := &p.clocks[i]
		if c.band == 0 {
			c.system, c.band = s, band
		}
		if c.system == s && c.band == band {
			return i
		}
	}
	return -1
}

// link makes a satellite's differences over age seconds, of the carriers that with
// chooses, in one: ok is false when there is none. Before them the position was carried
// for old seconds: clocks and ionosphere go on as they went, so that their variance
// grows by more than in as many seconds alone.
func (p *Path) link(b *body, age, old, dwet, split float64, diff func(*track) (float64, bool)) (k link, ok bool) {
	k.u = b.U
	var iono [2]float64
	noise := 2 * phaseSigma * phaseSigma / (b.Sin * b.Sin)
	for j := range b.tracks {
		t := &b.tracks[j]
		d, use := diff(t)
		if !use {
			continue
		}
		c := p.clock(b.id.System, t.signal.Band)
		if c < 0 {
			continue
		}
		k.clock[k.carriers], k.diff[k.carriers], k.place[k.carriers] = c, d, j
		f := satellite.GPS.Frequency(satellite.Signal{Band: '1', Attribute: 'C'}, 0) / t.hz
		iono[k.carriers] = f * f
		k.delay[k.carriers] = f * f * b.Slant
		k.carriers++
	}
	if k.carriers == 0 {
		return k, false
	}
	was, is := ClockDrift(b.id.System, old), ClockDrift(b.id.System, old+age)
	common := is*is - was*was + wetZenith*wetZenith*dwet*dwet
	delay := (ionoRate*ionoRate*age*(age+2*old) + split) * b.Slant * b.Slant
	k.cov = [3]float64{
		noise + common + delay*iono[0]*iono[0],
		common + delay*iono[0]*iono[1],
		noise + common + delay*iono[1]*iono[1],
	}
	return k, true
}

// solveRate solves the displacement since the last epoch and ends the arcs of the
// satellites that it leaves out.
func (p *Path) solveRate(dt float64) {
	n := 0
	for i := range p.n {
		b := &p.sats[i]
		if !b.up {
			continue
		}
		k, ok := p.link(b, dt, 0, 0, 0, func(t *track) (float64, bool) { return t.y - t.last, t.now && t.recent })
		if ok {
			k.sat = i
			p.links[n] = k
			n++
		}
	}
	links := p.links[:n]
	p.solver.air0(links, dt, 0)
	sol, ok := p.solver.exclude(links, min(maxFaulty, n/3), &slipTest)
	p.state.LeftOut = sol.left
	if !ok {
		p.state.RateLack = FewPhases
		if sol.dof > 0 && sol.used >= 4 { // solved, and refused
			p.state.RateLack = Inconsistent
			for i := range links {
				p.sats[links[i].sat].end()
			}
		}
		return
	}
	for i := range links {
		k := &links[i]
		for j := range k.carriers {
			if k.out || k.bad[j] {
				p.sats[k.sat].tracks[k.place[j]].slip()
			}
		}
	}
	p.state.RateLack = None
	p.shift(sol.x)
	p.rateSol = sol
	p.solver.separate(links, &p.rateSol)
	if !math.IsNaN(p.clockWas) && !math.IsNaN(p.state.Clock) {
		dt -= p.state.Clock - p.clockWas // of the antenna, not of the tags
	}
	for i := range 3 {
		p.rate[i] = (p.at[i] - p.from[i]) / dt
		p.state.Rate[i] = p.rate[i]
		for j := range 3 {
			p.state.RateCov[i][j] = sol.p[i][j] / (dt * dt)
		}
	}
}

// solveAnchored solves the displacement since the anchor.
func (p *Path) solveAnchored() {
	st := &p.state
	if !p.anchor.set {
		return
	}
	st.Age = p.time.Sub(p.anchor.time)
	age := p.time.Sub(p.anchor.from)
	if age <= 0 {
		return
	}
	p.markLosses()
	old := p.anchor.from.Sub(p.anchor.time)
	split := p.ionosphere()
	if age >= unevenAfter {
		p.uneven = math.Sqrt(split) / age
	}
	n, known := 0, 0
	for i := range p.n {
		b := &p.sats[i]
		if !b.up {
			continue
		}
		known++
		k, ok := p.link(b, age, old, b.Wet-b.wetRef, split, func(t *track) (float64, bool) { return t.y - t.ref, t.now && t.anchored })
		if ok {
			k.sat = i
			p.links[n] = k
			n++
		}
	}
	links := p.links[:n]
	p.solver.air0(links, age, old)
	sol, ok := p.solver.exclude(links, min(maxFaulty, n/3), &outlierTest)
	total := sol
	if ok {
		p.solver.separate(links, &sol)
		total = sol
		total.add(&p.anchor.sol)
		for i := range links {
			k := &links[i]
			b := &p.sats[k.sat]
			for j := range k.carriers {
				if k.out || k.bad[j] {
					b.tracks[k.place[j]].anchored, b.tracks[k.place[j]].kept = false, false
				}
			}
			if k.out {
				b.barred = p.time.Add(barred)
				st.LeftOut++
			}
		}
	}
	total, ok = p.bridge(total, ok)
	// The way by the last epoch, with all that goes on from there: better once arcs of
	// the anchor have ended, and needed before too few are left.
	if st.RateLack == None && p.carried {
		over := p.rateSol
		over.add(&p.last)
		thin := total.used < minCarried+2 && p.rateSol.used > total.used+1
		if !ok || thin {
			p.handOver(false)
			total, ok = over, true
			total.x = [3]float64{} // at the rate's solution already
		}
	}
	p.carried = ok
	if !ok {
		st.Lack = FewPhases
		switch {
		case known < 4 && p.blind > 0:
			st.Lack = NoEphemeris
		case sol.dof > 0 && sol.used >= 4:
			st.Lack = Inconsistent
		}
		return
	}
	st.Lack = None
	p.shift(total.x)
	p.last = total
	p.mend()
	if age-p.looked >= lookEvery {
		p.looked = age
		p.lookAhead(age, split)
	}
	st.count(p)
}

// unevenAfter is the age in s from which on two carriers tell how unevenly the
// ionosphere changes.
const unevenAfter = 4.0

// How often in s it is asked whether the phases that are there now would carry
// further than those left of the anchor's, and how far ahead that is asked for.
const (
	lookEvery = 10.0
	lookFor   = 60.0
)

// lookAhead hands the position over to all phases of this epoch, if the level will be
// lower for it: what the anchor's gathered stays, but more satellites gather less.
func (p *Path) lookAhead(age, split float64) {
	if held, seen := p.phases(); seen <= held {
		return // those that are missing come back
	}
	grow := (age + lookFor) / age
	old := p.anchor.from.Sub(p.anchor.time)
	keep, ok := p.ahead(age+lookFor, old, split*grow*grow, func(t *track) bool { return t.anchored })
	if ok {
		p.solver.foresee(p.links[:p.linked], &keep, &outlierTest)
		keep.add(&p.anchor.sol)
	}
	grow = lookFor / age
	over, can := p.ahead(lookFor, old+age, split*grow*grow, func(t *track) bool { return t.goes })
	if can {
		p.solver.foresee(p.links[:p.linked], &over, &outlierTest)
		over.add(&p.last)
	}
	if can && (!ok || over.level() < 0.7*keep.level()) {
		p.handOver(true)
	}
}

// ahead is the solution of age seconds by some of this epoch's phases.
func (p *Path) ahead(age, old, split float64, with func(*track) bool) (sol solution, ok bool) {
	n := 0
	for i := range p.n {
		b := &p.sats[i]
		if !b.up || b.barred.Sub(p.time) > 0 {
			continue
		}
		if k, ok := p.link(b, age, old, b.Wet-b.wetRef, split, func(t *track) (float64, bool) { return 0, t.now && with(t) }); ok {
			k.sat = i
			p.links[n] = k
			n++
		}
	}
	p.linked = n
	p.solver.air0(p.links[:n], age, old)
	return p.solver.solve(p.links[:n])
}

// Spread is the variance in m^2 of one horizontal axis that a displacement over age
// seconds has by the phases in sight, as they are: without what levels are widened by.
// NaN without enough of them.
func (p *Path) Spread(age float64) float64 {
	split := p.uneven * p.uneven * age * age
	sol, ok := p.ahead(age, 0, split, func(t *track) bool { return t.goes })
	if !ok {
		return math.NaN()
	}
	return math.Max(sol.p[0][0], sol.p[1][1])
}

// level is what the solution may be off horizontally with one satellite at fault.
func (s *solution) level() float64 { return s.bias[0] + Missed*inflation*s.sub[0] }

// air0 sets how far the ionosphere may have changed at the zenith in age seconds, in
// all directions alike, beyond what it changed in old seconds before: satellites with two carriers measure it.
func (s *solver) air0(links []link, age, old float64) {
	dual := 0
	for i := range links {
		if links[i].carriers == 2 {
			dual++
		}
	}
	rate := sharedRate
	if dual >= minDual {
		rate = measuredRate
	}
	s.prior = rate*rate*age*(age+2*old) + 1e-12
}

// ionosphere measures by how much the delays changed since the anchor, beyond
// noise: the variance at the zenith on L1 in m^2, from the satellites whose two
// carriers go on, about the mean of those with the same two.
func (p *Path) ionosphere() float64 {
	var sum, sum2, noise [maxGroups]float64
	var count [maxGroups]float64
	for i := range p.n {
		b := &p.sats[i]
		t, o := &b.tracks[0], &b.tracks[1]
		if !b.up || !t.now || !o.now || !t.anchored || !o.anchored {
			continue
		}
		c := p.clock(b.id.System, o.signal.Band)
		if c < 0 {
			continue
		}
		f := delayHz / t.hz
		g := delayHz / o.hz
		scale := 1 / ((g*g - f*f) * b.Slant)
		x := ((t.y - t.ref) - (o.y - o.ref)) * scale
		sum[c] += x
		sum2[c] += x * x
		noise[c] += 4 * phaseSigma * phaseSigma / (b.Sin * b.Sin) * scale * scale
		count[c]++
	}
	total, free := 0.0, 0.0
	for c, n := range count {
		if n > 1 {
			total += sum2[c] - sum[c]*sum[c]/n - noise[c]*(n-1)/n
			free += n - 1
		}
	}
	if free < 3 {
		return 0
	}
	return math.Max(0, total/free)
}

// add joins what was carried before: errors add as independent ones, and what a fault
// of the same satellite may add in each part adds up.
func (s *solution) add(before *solution) {
	for i := range 3 {
		for j := range 3 {
			s.p[i][j] += before.p[i][j]
		}
	}
	for i := range s.by {
		f, b := &s.by[i], &before.by[i]
		for a := range 2 {
			f.bias[a] += b.bias[a]
			f.v[a] += b.v[a]
		}
	}
	s.worst()
}

// handOver makes this epoch, or the last, the one that the arcs refer to.
func (p *Path) handOver(now bool) {
	p.looked = 0
	p.anchor.from = p.before
	if now {
		p.anchor.from = p.time
	}
	p.anchor.sol = p.last
	p.forgetLosses()
	for i := range p.n {
		b := &p.sats[i]
		b.wetRef = b.Wet
		for j := range b.tracks {
			t := &b.tracks[j]
			t.anchored, t.kept = t.now && t.recent && b.up && b.barred.Sub(p.time) <= 0, false
			if t.ref = t.last; now {
				t.ref = t.y
			}
		}
	}
}

// phases counts those that are carried from the anchor, or may be again, and those
// that could be from here on.
func (p *Path) phases() (held, seen int) {
	for i := range p.n {
		b := &p.sats[i]
		for j := range b.tracks {
			t := &b.tracks[j]
			here := b.up && t.now && !t.half
			if here && b.barred.Sub(p.time) <= 0 {
				seen++
			}
			if here && t.anchored || t.kept && p.time.Sub(t.leftAt) < mendFor {
				held++
			}
		}
	}
	return held, seen
}

// count fills in what the solution rests on.
func (st *State) count(p *Path) {
	st.Satellites, st.Dual, st.Systems = 0, 0, 0
	st.Held, st.Seen = p.phases()
	var systems [satellite.NSystems]bool
	for i := range p.n {
		b := &p.sats[i]
		first, second := b.tracks[0].anchored && b.tracks[0].now, b.tracks[1].anchored && b.tracks[1].now
		if !b.up || !first && !second {
			continue
		}
		st.Satellites++
		if first && second {
			st.Dual++
		}
		if s := b.id.System; !systems[s] {
			systems[s] = true
			st.Systems++
		}
	}
}

// Where phases break all the time, those that seem to go on are not to be believed
// either: slips of a satellite are tested one against the others. Below seven
// satellites errors are far larger than their deviations. Common practice, no source.
const (
	breakMemory = 10.0 // s
	maxBreaks   = 0.20 // of the phases at an epoch, on average
	minCarried  = 6    // satellites
)

// readClock takes the receiver's clock from the codes.
func (p *Path) readClock() {
	if mid, ok := p.median(func(b *body) float64 { return b.ahead }); ok {
		p.state.Clock = mid / satellite.SpeedOfLight
		p.state.Time = p.time.Add(-p.state.Clock)
	}
}

// quality counts the phases that did not go on, and averages their share. Before
// some seconds have shown otherwise it is bad.
func (p *Path) quality(dt float64) {
	if dt <= 0 {
		p.breaks = 2 * maxBreaks
		return
	}
	had := 0
	for i := range p.n {
		b := &p.sats[i]
		for j := range b.tracks {
			t := &b.tracks[j]
			if t.now && b.up && t.goes || t.yBefore != p.before {
				continue
			}
			p.state.Slips++
		}
		for j := range b.tracks {
			if b.tracks[j].yBefore == p.before {
				had++
			}
		}
	}
	if had == 0 {
		return // nothing was there to break
	}
	f := 1 - math.Exp(-dt/breakMemory)
	p.breaks += f * (float64(p.state.Slips)/float64(had) - p.breaks)
}

// settle writes down the epoch's position.
func (p *Path) settle(dt float64) {
	st := &p.state
	p.quality(dt)
	p.before, p.clockWas = p.time, st.Clock
	p.has = st.RateLack == None || st.Lack == None && st.Age > 0
	p.conclude()
}

// conclude says where the antenna is, or why that is not known.
func (p *Path) conclude() {
	st := &p.state
	if st.Lack == None && (p.breaks > maxBreaks || st.Satellites < minCarried) {
		st.Lack = Slipping
		if st.Satellites < minCarried {
			st.Lack = FewPhases
		}
	}
	if st.Lack != None {
		return
	}
	p.good, p.goodAt = p.last, p.time
	st.Position = p.position()
	for i := range 3 {
		st.Displacement[i] = p.at[i] - p.anchor.at[i]
	}
	st.Cov, st.Bias, st.Sub = p.last.p, p.last.bias, p.last.sub
	for i := range 3 {
		for j := range 3 {
			st.Cov[i][j] *= inflation * inflation
		}
	}
	for i := range 2 {
		st.Sub[i] *= inflation
	}
}
