package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/carrier"
	"kerbline/fusion/eskf"
	"kerbline/fusion/integers"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/phasecheck"
	"kerbline/fusion/trust"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	// carriedSigma is what is new in each carried position, m, one axis; the
	// rest stays from epoch to epoch. Common practice, no source.
	carriedSigma = 0.01
	// carriedTime is the time constant of that rest, s: longer than any outage.
	carriedTime = 1000.0
	// carriedGap is the longest time between two carried positions, s.
	carriedGap = 2.5
	// bridgedGap is the same where too few phases go on, s: under a bridge, say. Dead
	// reckoning carries across, and its growth is in the level.
	bridgedGap = 4.0
	// inUse is how lately a fixed epoch must have been used for the phases to leave
	// the filter to the receiver, s.
	inUse = 0.5
	// fitsFails is how many carried positions in a row the filter may refuse before
	// the phases are given up.
	fitsFails = 3
	// judgedFor is how long an opinion of our own integers holds, s.
	judgedFor = 3.0
	// refutedFor is how long a refuted fix stays so without a place by our own
	// integers, s; while there is one, only a confirmation ends it.
	refutedFor = 60.0
	// refuteRow is how many opinions in a row refute a fix, and confirmRow how many
	// confirm one that is accused.
	refuteRow, confirmRow = 2, 2
)

// phases is what the rover's raw observations say, and how it reaches the filter.
type phases struct {
	check    *phasecheck.Check // nil before the first observations or ephemerides
	at       float64           // host s of the last observations
	fed      float64           // host s at which the filter last had a carried position
	good     float64           // filter's time of that
	thin     bool              // since then too few phases went on
	fails    int
	drifting bool
	began    float64 // host s since which phases carry, NaN while they do not

	opinion integers.Opinion // that holds
	row     int              // opinions alike in a row
	last    integers.Opinion
	told    gnsstime.Time // of the fix last judged
	judged  float64       // host s of that
	decided float64       // host s at which our own integers last placed the antenna
	off     geodesy.ENU   // m, of a refuted fix

	way  [16]passed // where the filter had the antenna at the last epochs
	next int
}

// passed is where the filter had the antenna at an epoch, and how it moved.
type passed struct {
	t      float64 // host s
	at, by r3.Vec  // m, m/s
}

// passedBy is how far in s an epoch of observations may be from one of fixes: receivers'
// clocks are off by milliseconds.
const passedBy = 0.02

func (p *phases) init() {
	n := math.NaN()
	p.at, p.fed, p.good, p.began, p.judged, p.decided = n, n, n, n, n, n
}

// begin makes room for the phases when the first of them comes.
func (p *phases) begin() *phasecheck.Check {
	if p.check == nil {
		p.check = new(phasecheck.Check)
	}
	return p.check
}

// heard reports whether the rover observes.
func (p *phases) heard() bool { return p.check != nil && p.check.Heard() }

// onObservation takes what the rover or the base observed.
func (m *Monitor) onObservation(in *Measurement) {
	p := &m.phases
	if in.Channel == ChanCorrections {
		if l := m.link.State(); l.BaseECEF != (geodesy.ECEF{}) {
			p.begin().Base(in.Observed, l.BaseECEF)
		}
		return
	}
	near, ok := m.antennaNear()
	if !ok {
		return
	}
	p.at = m.now
	st := p.begin().Rover(in.Observed, near)
	m.hearOpinion(st)
	m.hearDrift(st)
	m.carry(st)
}

// antennaNear is where the antenna is, to some metres.
func (m *Monitor) antennaNear() (at geodesy.ECEF, ok bool) {
	switch {
	case m.hasFrame && m.nav.Phase == navigation.Aligned:
		return m.frame.ToECEF(enu(m.nav.Antenna())), true
	case m.rcv.n > 0 && m.rcv.last.HasPos && m.rcv.last.Pos.Valid():
		return m.rcv.last.Pos.ECEF(), true
	}
	return at, false
}

// offerFix gives the phases an epoch of the receiver; used says that the filter took it.
func (m *Monitor) offerFix(e *gnss.Epoch, used bool) {
	p := &m.phases
	if !p.heard() {
		return
	}
	if m.nav.Phase == navigation.Aligned {
		p.way[p.next] = passed{m.nav.Filter.T, m.nav.Antenna(), m.nav.Filter.Vel}
		p.next = (p.next + 1) % len(p.way)
	}
	if !e.HasH {
		return
	}
	served, _ := m.trust.Served(m.now, &m.cfg.Tests.Requalification)
	fixed := m.rcv.class == navigation.ClassFixed
	white, ch, cv := m.cfg.GNSS.Noise(e, m.rcv.class)
	fix := phasecheck.Fix{Time: gnsstime.AtUTC(e.UTC), At: e.Pos.ECEF(),
		White: [2]float64{math.Max(white[0], white[1]), white[2]}, Shared: [2]float64{ch, cv},
		Fixed:  fixed,
		Proven: fixed && used && served && !m.trust.Accused() && m.snap.Verdict == Usable}
	p.check.Fix(&fix)
	st := p.check.State()
	m.hearOpinion(st)
	m.hearDrift(st)
}

// hearDrift accuses a receiver that moves against its own phases.
func (m *Monitor) hearDrift(st *phasecheck.State) {
	d := &st.Drift
	begins := d.Alarm && !m.phases.drifting
	if m.phases.drifting = d.Alarm; !begins {
		return
	}
	e := trust.Evidence{Kind: trust.Drift, Now: m.now, Y: d.Shift}
	for i := range 3 {
		e.S[i][i] = d.Threshold * d.Threshold / 16
	}
	// The last place that counted as believed was already drifting: the phases have
	// the one of before.
	m.claims.drift(integrity.Mark{}, &e.Y, &e.S, m.now)
	m.believe(&e)
	m.reposition()
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventDrift, Cause: "phases", Size: math.Hypot(d.Shift[0], d.Shift[1]), Where: m.where(),
		Detail: fmt.Sprintf("the receiver's position moved by %.2f m (%.2f east, %.2f north) against its own carrier phases while it said fixed; alarm beyond %.2f m",
			math.Hypot(d.Shift[0], d.Shift[1]), d.Shift[0], d.Shift[1], d.Threshold)})
}

// cleared ends the accusation of a receiver that is believed again.
func (p *phases) cleared() {
	if p.drifting {
		p.check.Believe()
		p.drifting = false
	}
}

// hearOpinion counts what our own integers say of the fixes, one after the other.
func (m *Monitor) hearOpinion(st *phasecheck.State) {
	p := &m.phases
	if st.Judged.IsZero() || st.Judged == p.told {
		return
	}
	p.told = st.Judged
	if st.Integers.Why == integers.Decided {
		p.decided = m.now
	}
	if st.Opinion == integers.None {
		return
	}
	p.judged = m.now
	if p.row++; st.Opinion != p.last {
		p.row = 1
	}
	p.last = st.Opinion
	switch {
	case st.Opinion == integers.Refuted && p.row >= refuteRow:
		if p.off = st.Off; p.opinion != integers.Refuted {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventRefuted, Size: r3.Norm(vec(st.Off)), Where: m.where(),
				Detail: fmt.Sprintf("the receiver says fixed, but stands %.2f m east, %.2f m north, %.2f m up of where rover and base observations place it (%d satellites, ratio of integers %.2f, at most %.2f)",
					st.Off.E, st.Off.N, st.Off.U, st.Integers.Satellites, st.Integers.Ratio, st.Integers.Limit)})
		}
		p.opinion = integers.Refuted
	case st.Opinion == integers.Confirmed && p.row >= confirmRow:
		was := p.opinion
		p.opinion = integers.Confirmed
		if m.trust.Accused() || was == integers.Refuted {
			m.integersConfirm()
		}
	}
}

// integersConfirm clears a receiver whose fix our own integers confirm.
func (m *Monitor) integersConfirm() {
	m.believe(&trust.Evidence{Kind: trust.Mark, Now: m.now})
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventConfirmed, Size: math.NaN(), Where: m.where(),
		Detail: "the receiver's fix is confirmed by rover and base observations"})
	m.reposition()
}

// vouched is the shift, m, from which on the phases must show a drift for the tests by
// wheels, gyro and velocity to be needed no more. Common practice, no source.
const vouched = 0.15

// phasesVouch reports whether fixes and phases are known to move alike.
func (m *Monitor) phasesVouch() bool {
	p := &m.phases
	if !p.heard() || !(m.now-p.at < carriedGap) {
		return false
	}
	st := p.check.State()
	return st.Lack == carrier.None && st.Drift.Known && !st.Drift.Alarm && st.Drift.Threshold < vouched
}

// reposition gives the filter's position up: another one follows.
func (m *Monitor) reposition() {
	if m.nav.Phase != navigation.Aligned {
		return
	}
	const lost = 1.0 // m²
	for i := range 3 {
		m.nav.Filter.SetVariance(eskf.IPos+i, lost)
	}
}

// integersOdds is the log-likelihood ratio of an opinion of our own integers: wrong
// ones are accepted once in a thousand times.
const integersOdds = 6.9

// odds is what the opinion that holds says for the fix being right.
func (p *phases) odds(now float64) float64 {
	switch {
	case !(now-p.judged < judgedFor):
		return 0
	case p.opinion == integers.Confirmed:
		return integersOdds
	case p.opinion == integers.Refuted:
		return -integersOdds
	}
	return 0
}

// againstPhases is the fix less the carried position, m, ENU, with its covariance.
func (m *Monitor) againstPhases(x *weighed) (y integrity.Vec3, c integrity.Sym3, ok bool) {
	if !m.carried() {
		return y, c, false
	}
	st := m.phases.check.State()
	t := m.clock.Reference(st.Time.UTC()) - m.nav.Latency()
	at := vec(m.frame.FromECEF(st.Position))
	if math.Abs(x.t-t) > 0.002 {
		was, known := m.phases.antennaAt(t)
		if !known {
			return y, c, false
		}
		at = r3.Add(x.before, r3.Sub(at, was)) // carried on by dead reckoning
	}
	d := r3.Sub(x.z, at)
	y = integrity.Vec3{d.X, d.Y, d.Z}
	for i := range 3 {
		s := st.Sigma[0]
		if i == 2 {
			s = st.Sigma[1]
		}
		c[i][i] = s*s + x.white[i]
	}
	return y, c, true
}

// refuted reports whether our own integers hold the present fix for wrong.
func (p *phases) refuted(now float64) bool {
	return p.opinion == integers.Refuted && now-p.decided < refutedFor
}

// carry gives the filter the position by phases while the receiver's is not used.
func (m *Monitor) carry(st *phasecheck.State) {
	p, f := &m.phases, &m.nav.Filter
	if !m.clock.Ready() || m.nav.Phase != navigation.Aligned {
		return
	}
	thin := st.Lack == carrier.FewPhases && m.now-p.fed < bridgedGap
	if st.Lack != carrier.None && !thin {
		return
	}
	t := m.clock.Reference(st.Time.UTC()) - m.nav.Latency()
	p.thin = p.thin || thin
	if m.now-m.trust.UsedAt < inUse && !m.trust.Accused() {
		if p.began = math.NaN(); !thin { // ready, but not needed
			p.fed, p.good, p.fails, p.thin = m.now, t, 0, false
		}
		return
	}
	if math.IsNaN(p.began) {
		p.began = m.now
	}
	at, ok := m.antennaThen(t)
	if !ok || p.thin && !m.rejoin(at) && thin {
		return
	}
	p.thin = false
	// Where the filter is past it, what it was off then it is off now.
	z := r3.Add(m.nav.Antenna(), r3.Sub(vec(m.frame.FromECEF(st.Position)), at))
	m.rcv.prev.ok = false
	o := m.nav.Carried(z, carriedSigma, st.Sigma, carriedTime)
	if in := f.Innovation(&o); !(in.NIS <= m.posGate.Threshold) {
		if p.fails++; p.fails >= fitsFails {
			p.check.Reset()
			p.began = math.NaN()
		}
		return
	}
	f.Apply(&o)
	p.fails, p.fed, p.good = 0, m.now, t
}

// antennaThen is where the filter has the antenna at host time t: it is brought there
// if it has not passed it.
func (m *Monitor) antennaThen(t float64) (r3.Vec, bool) {
	switch {
	case m.nav.Reaches(t):
		ok := m.nav.AdvanceTo(t)
		return m.nav.Antenna(), ok
	case t > m.nav.Filter.T:
		return r3.Vec{}, false
	}
	return m.phases.antennaAt(t)
}

// rejoin lets the phases go on from where dead reckoning has the antenna, after an
// interval in which too few of them went on.
func (m *Monitor) rejoin(at r3.Vec) bool {
	v := m.reckoned()
	for i := range v {
		v[i] += carriedSigma * carriedSigma
	}
	return m.phases.check.Rejoin(m.frame.ToECEF(geodesy.ENU{E: at.X, N: at.Y, U: at.Z}), v)
}

// reckoned is the variance in m^2 that dead reckoning has added since the phases last
// carried the position, horizontally and up: at most what the velocity is off now,
// all the time.
func (m *Monitor) reckoned() (v [2]float64) {
	f := &m.nav.Filter
	if dt := f.T - m.phases.good; dt > 0 {
		v[0] = math.Max(f.P[eskf.IVel][eskf.IVel], f.P[eskf.IVel+1][eskf.IVel+1]) * dt * dt
		v[1] = f.P[eskf.IVel+2][eskf.IVel+2] * dt * dt
	}
	return v
}

// antennaAt is where the filter had the antenna at host time t.
func (p *phases) antennaAt(t float64) (r3.Vec, bool) {
	near, by := -1, passedBy
	for i := range p.way {
		if d := math.Abs(p.way[i].t - t); d < by {
			near, by = i, d
		}
	}
	if near < 0 {
		return r3.Vec{}, false
	}
	w := &p.way[near]
	return r3.Add(w.at, r3.Scale(t-w.t, w.by)), true
}

// carried reports whether phases hold the proven position now, or did until a moment ago.
func (m *Monitor) carried() bool {
	p := &m.phases
	if !p.heard() {
		return false
	}
	switch p.check.State().Lack {
	case carrier.None:
		return m.now-p.fed < carriedGap
	case carrier.FewPhases:
		return p.thin && m.now-p.fed < bridgedGap
	}
	return false
}

// lead reports whether they alone do.
func (m *Monitor) phasesLead() bool { return m.carried() && !math.IsNaN(m.phases.began) }

// describePhases fills in what is reported of the phases.
func (m *Monitor) describePhases(s *Snapshot) {
	p := &m.phases
	x := &s.Phases
	if x.Heard = p.heard(); !x.Heard {
		return
	}
	st := p.check.State()
	*x = Phases{Heard: true, Age: m.now - p.at, Carried: m.carried(), Lead: m.phasesLead(), Since: st.Age + m.now - p.at,
		Sigma: st.Sigma[0], Level: st.Level[0], Lack: st.Lack, Satellites: st.Path.Satellites, Systems: st.Path.Systems, Dual: st.Path.Dual,
		Opinion: integers.None, Why: st.Integers.Why, Drift: st.Drift}
	if x.Lack == carrier.None && x.Age > carriedGap { // nothing has come
		x.Lack = carrier.FewPhases
	}
	if m.now-p.judged < judgedFor {
		x.Opinion = p.opinion
		x.Off = p.off
	}
	if x.Carried && x.Since > 1 {
		// The level grows about in proportion to the time.
		x.Left = math.Max(0, x.Since*(m.cfg.Limits.Lateral/x.Level-1))
	}
}

// protectCarried widens the sigmas to those of a carried position, and returns what
// no test would miss: at least what one faulty satellite may add.
func (m *Monitor) protectCarried(s *Snapshot, step float64) float64 {
	x := &s.Phases
	if !x.Lead {
		return step
	}
	sigma := x.Sigma
	if m.phases.thin {
		sigma = math.Sqrt(sigma*sigma + m.reckoned()[0])
	}
	s.SigmaLat = math.Max(s.SigmaLat, sigma)
	s.SigmaLon = math.Max(s.SigmaLon, sigma)
	return math.Max(0, x.Level-m.kPL*x.Sigma)
}

// sinceUsed returns for how long no position of satellites has been used, s.
func (m *Monitor) sinceUsed() float64 {
	s := m.now - m.trust.UsedAt
	if c := m.now - m.phases.fed; c < s {
		return c
	}
	return s
}
