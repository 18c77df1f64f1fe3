package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// weighed is one epoch's position beside the filter, which stands at its time.
type weighed struct {
	z      r3.Vec     // m, ENU, antenna by the receiver
	t      float64    // host s of validity
	white  [3]float64 // m²
	said   [3]float64 // m², before what was learned
	before r3.Vec     // m, ENU, antenna by the filter
	obs    eskf.Obs
	in     eskf.Innovation
	nis    float64
	gate   *integrity.Gate
	timed  bool // it stepped in time

	// Where the filter took it:
	updated integrity.Sym3 // m², of its place then
	left    integrity.Sym3 // m², of what is left of the innovation
}

// weigh tests one epoch against the filter and uses what passes.
func (m *Monitor) weigh(e *gnss.Epoch, z r3.Vec, t float64) (used bool) {
	f, fixed := &m.nav.Filter, m.rcv.class == navigation.ClassFixed
	x := m.observe(e, z, t)
	m.advancePaths(e, t, true)
	stepped := m.testJump(e, x)
	placed := f.Latency
	if !stepped {
		p := m.position(e, x)
		d := m.believe(&p)
		if used = d.Use; d.Reposition {
			x.obs = m.nav.Position(z, e.HasH, x.white)
			x.in = f.Innovation(&x.obs)
		}
	}
	if used && fixed && m.testDrift(x) {
		used = false // nor is the epoch that shows it
		x.before = m.nav.Antenna()
	}
	if used {
		f.Apply(&x.obs)
		x.updated = m.placeCov()
		if fixed {
			m.believe(&trust.Evidence{Kind: trust.Used, Now: m.now})
		}
	}
	m.useVelocity(e, stepped, f.Latency-placed)
	if used {
		x.left = m.left(x)
	}
	m.nav.TakeHeading(e)
	m.params.OnPlaces(&m.nav)
	if !f.Healthy() {
		m.restart("the filter lost its numbers")
		return false
	}
	m.anchor(x, fixed, used)
	m.remember(e, z, t, placed, x.white, m.nav.Antenna())
	m.rcv.prev.ok = m.rcv.prev.ok && !x.timed
	m.rcv.prev.used, m.rcv.prev.left = used, x.left
	if !used {
		m.rcv.prev.post = x.before
		m.reconsider()
	}
	return used
}

// observe sets the noise of the epoch's class and compares its position with the
// filter's.
func (m *Monitor) observe(e *gnss.Epoch, z r3.Vec, t float64) *weighed {
	f, x := &m.nav.Filter, &m.weighed
	white, fresh := m.nav.Noise(e, m.rcv.class)
	if fresh {
		m.rcv.prev.ok = false
	}
	m.snap.SigmaFix = math.Sqrt((white[0]+white[1])/2 + f.Params.CorrSigmaH*f.Params.CorrSigmaH)
	*x = weighed{z: z, t: t, white: white, said: m.nav.Said(), before: m.nav.Antenna(), gate: &m.posGate, obs: m.nav.Position(z, e.HasH, white)}
	if !e.HasH {
		x.gate = &m.horGate
	}
	x.in = f.Innovation(&x.obs)
	if x.nis = x.in.NIS; math.IsNaN(x.nis) {
		x.nis = math.Inf(1)
	}
	s := &x.in.S
	m.snap.Tests[TestInnovation].Set(x.nis, x.gate.Threshold, x.gate.Detectable(math.Sqrt(math.Max(s[0][0], s[1][1]))), "m")
	return x
}

// position is what belief has to know of the epoch's position.
func (m *Monitor) position(e *gnss.Epoch, x *weighed) trust.Evidence {
	p := &m.nav.Filter.P
	ev := trust.Evidence{Kind: trust.Position, Now: m.now, OfFix: m.rcv.class == navigation.ClassFixed, NIS: x.nis, Gate: x.gate.Threshold,
		Sigma: math.Sqrt(math.Max(p[eskf.IPos][eskf.IPos], p[eskf.IPos+1][eskf.IPos+1])), LLR: math.NaN()}
	if ev.OfFix && m.trust.Accused() {
		ev.LLR, ev.Y = m.weighFix(x, e.HasH)
		if m.trust.Fault == trust.Drifted {
			now, pe := m.epochFix(x), m.pathError()
			quiet := m.drift.Quiet(x.t, m.claims.drifted, &m.ref, &now, &pe)
			ev.Moves = !quiet || m.phases.drifting // which shows what is too slow for wheels and gyro
		}
	}
	return ev
}

// useVelocity gives the filter the reported speed and course. learned is by how
// much the latency has changed since the filter was placed at the epoch.
func (m *Monitor) useVelocity(e *gnss.Epoch, stepped bool, learned float64) {
	o, ok := m.nav.Velocity(e, m.rcv.class)
	if !ok || stepped {
		return
	}
	f := &m.nav.Filter
	o.Shift(learned)
	in := f.Innovation(&o)
	ts := &m.snap.Tests[TestVelocity]
	ts.Set(in.NIS, m.velGate.Threshold, m.velGate.Detectable(math.Sqrt(math.Max(in.S[0][0], in.S[1][1]))), "m/s")
	if in.NIS <= m.velGate.Threshold {
		f.Apply(&o)
	}
	m.believe(&trust.Evidence{Kind: trust.Velocity, Agrees: in.NIS <= m.velGate.Threshold})
	ts.SetAlarm(m.trust.VelocityAlarm(), m.host(m.now))
}

const (
	// jumpGap is the longest time between two epochs over which a step is looked
	// for, s: beyond, inertial growth hides it. Common practice, no source.
	jumpGap = 2.5
	// leverStat times the threshold of the jump test is what a wrong lever arm
	// may look like: small steps. Common practice, no source.
	leverStat = 4.0
	// jumpEvents is how many steps in a row become events: where a receiver seems to
	// step at every epoch the two disagree on the motion.
	jumpEvents = 3
	// noHeight is the variance of a step in height that nothing shows, m².
	noHeight = 1e4
)

// testJump compares the receiver's displacement since the epoch before with the
// filter's, and reports whether the receiver is accused of a step.
func (m *Monitor) testJump(e *gnss.Epoch, x *weighed) bool {
	pv, f := &m.rcv.prev, &m.nav.Filter
	ts := &m.snap.Tests[TestJump]
	dt := x.t - pv.t
	if m.rcv.class != navigation.ClassFixed || pv.class != navigation.ClassFixed || !pv.ok || dt <= 0 || dt > jumpGap {
		ts.Stat = math.NaN()
		ts.Threshold = m.jump.Threshold
		m.params.Unpaired()
		m.nav.Slow.Break()
		return false
	}
	d := r3.Sub(r3.Sub(x.z, pv.z), r3.Sub(x.before, pv.post))
	// While the latency is learned the two epochs were placed by different
	// values of it.
	d = r3.Sub(d, r3.Scale(f.Latency-pv.lat, pv.vel))
	m.learnNoise(x, dt, d)
	s := m.jumpCov(dt, x)
	if !e.HasH || !pv.height {
		// The threshold stays that of three axes: less is tested, nothing sharper.
		d.Z = 0
		s[0][2], s[1][2], s[2][0], s[2][1], s[2][2] = 0, 0, 0, 0, noHeight
	}
	y := integrity.Vec3{d.X, d.Y, d.Z}
	dof := 3.0
	if s[2][2] == noHeight {
		dof = 2
	}
	share := m.jumpShare.Of()
	if x := integrity.NIS(&y, &s, 3); x <= share*m.jump.Threshold && m.trust.Fix == trust.Believed {
		m.jumpShare.Push(x/dof, dt)
	}
	s.Scale(share)
	stat := integrity.NIS(&y, &s, 3)
	ts.Set(stat, m.jump.Threshold, m.jump.Detectable(math.Sqrt(math.Max(s[0][0], s[1][1]))), "m")
	if stat <= leverStat*m.jump.Threshold {
		m.params.OnPair(d, f.R(), math.Sqrt(x.white[0]+pv.white[0]))
	} else {
		m.params.Unpaired()
	}
	if stat <= m.jump.Threshold {
		m.params.OnRow(0, f.Forward())
	}
	if stat <= m.jump.Threshold || m.params.Wrong() { // then the IMU is the accused
		m.believe(&trust.Evidence{Kind: trust.Undisplaced})
		return false
	}
	if x.timed = m.timeStepped(e, &y, &s); x.timed {
		return true
	}
	if !m.rcv.frozen() {
		m.params.OnRow(m.trust.Row+1, f.Forward())
	}
	followed := m.drift.Suspected.Open() && !m.trust.Accused()
	b := m.believe(&trust.Evidence{Kind: trust.Displaced, Now: m.now, Y: y, S: s, Detectable: ts.Detectable})
	if !b.Blamed {
		return false
	}
	if followed { // the filter may be what was wrong: a drift that ended
		now, pe := m.epochFix(x), m.pathError()
		m.takeBack(x.t, &now, &pe, d)
		x.before = m.nav.Antenna()
	}
	ts.SetAlarm(true, m.host(m.now))
	cause := "step"
	if b.Back {
		cause = "step back"
	}
	if m.trust.Row <= jumpEvents {
		m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventJump, Cause: cause, Size: r3.Norm(d), Where: m.where(),
			Detail: fmt.Sprintf("the position stepped by %.2f m (%.2f east, %.2f north, %.2f up) while the receiver said fixed; smallest step found %.2f m",
				r3.Norm(d), d.X, d.Y, d.Z, ts.Detectable)})
	}
	return true
}

// timeStepped reports whether a step y, m, with covariance s, is one of time: the
// receiver tells another UTC than before, or the host clock was set, so that the
// epoch was placed on the track ahead of where it belongs or behind. Arrival less
// UTC then changed by as much as the car takes for the step. Epochs to come are
// placed by the new relation, and the fix is a claim.
func (m *Monitor) timeStepped(e *gnss.Epoch, y *integrity.Vec3, s *integrity.Sym3) bool {
	const (
		jitter = 0.03       // s, of arrivals
		least  = 2 * jitter // s, that jitter does not explain
		most   = 0.25       // s, from which the clocks themselves show it
	)
	v, a := m.nav.Filter.Vel, m.nav.Accel()
	by := (y[0]*v.X + y[1]*v.Y) / (v.X*v.X + v.Y*v.Y)
	r := r3.Add(r3.Scale(by, v), r3.Scale(by*by/2, a))
	by -= m.rcv.ahead
	if size := math.Abs(by); !(size > least && size < most && math.Abs(e.Arrival-e.UTC-m.rcv.prev.lag-by) < jitter) {
		return false
	}
	rest := integrity.Vec3{y[0] - r.X, y[1] - r.Y, y[2] - r.Z}
	if !(integrity.NIS(&rest, s, 3) <= m.jump.Threshold) {
		return false
	}
	m.clock.Shift(by)
	m.ref.Velocity.Reset() // it was carried to the wrong time
	m.believe(&trust.Evidence{Kind: trust.Gap})
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventClock, Size: by, Where: m.where(),
		Detail: fmt.Sprintf("the receiver's time and this computer's clock came apart by %+.3f s: the position moved by what the car drives in that time", by)})
	return true
}

// learnNoise takes what the receiver's displacement d (m, ENU, less the filter's) of
// the dt seconds since the epoch before says of its noise.
func (m *Monitor) learnNoise(x *weighed, dt float64, d r3.Vec) {
	now, pe := m.epochFix(x), m.pathError()
	f, pv := &m.nav.Filter, &m.rcv.prev
	var others [2]navigation.Displacement
	for i, w := range m.ref.Over(x.t, navigation.ReflectOver, &now, &pe) {
		if w.OK && w.Fix == m.drift.Fix() && w.For < 2*navigation.ReflectOver {
			others[i] = navigation.Displacement{Over: w.For, E: w.Y[0], N: w.Y[1], Var: w.Own}
		}
	}
	said := [2]float64{x.said[0] + pv.said[0], x.said[1] + pv.said[1]}
	vel := (f.P[eskf.IVel][eskf.IVel] + f.P[eskf.IVel+1][eskf.IVel+1]) / 2
	m.nav.Slow.Push(x.t, dt, d, vel, said, others, f.Forward(), m.cfg.GNSS.CorrTime)
}

// jumpCov returns what the difference of the two displacements may be off by
// honestly.
func (m *Monitor) jumpCov(dt float64, x *weighed) integrity.Sym3 {
	f, pv := &m.nav.Filter, &m.rcv.prev
	f.Flush()
	a := m.nav.Accel()
	white, before := x.white, pv.white
	if w := m.nav.Slow.White(); w < 1 && !m.trust.Accused() { // by the noise that was seen
		for i := range 2 {
			white[i], before[i] = w*white[i], w*before[i]
		}
	}
	n := integrity.JumpNoise{Dt: dt, Latency: f.P[eskf.ILat][eskf.ILat], Acc: integrity.Vec3{a.X, a.Y, a.Z}, White: white, Before: before,
		CorrH: f.Params.CorrSigmaH, CorrV: f.Params.CorrSigmaV, CorrTime: f.Params.CorrTime}
	for i := range 3 {
		for j := range 3 {
			n.Vel[i][j] = f.P[eskf.IVel+i][eskf.IVel+j]
		}
	}
	c := n.Cov()
	turn := m.params.PlacesLeft(&m.nav) * r3.Norm(f.TurnRate(m.nav.Rate)) * dt // of the antenna about the sensor
	for i, moved := range m.nav.Moved() {
		c[i][i] += moved + turn*turn
	}
	if !pv.used {
		return c
	}
	s := integrity.Sym3(x.in.S)
	by := n.ByInnovations(&s, &pv.left)
	for i := range 3 {
		by[i][i] += turn * turn
	}
	return *integrity.Sharper(&c, &by)
}

// placeCov returns the covariance of the filter's place, m².
func (m *Monitor) placeCov() (c integrity.Sym3) {
	for i := range 3 {
		for j := range 3 {
			c[i][j] = m.nav.Filter.P[eskf.IPos+i][eskf.IPos+j]
		}
	}
	return c
}

// left returns the covariance of what is left of the innovation of an epoch that was
// taken. The velocity beside it has moved the place once more, by its own innovation.
func (m *Monitor) left(x *weighed) integrity.Sym3 {
	r := integrity.Vec3(x.white)
	s := integrity.Sym3(x.in.S)
	c, now := integrity.Left(&s, &r, x.obs.N), m.placeCov()
	for i := range 3 {
		for j := range 3 {
			c[i][j] += x.updated[i][j] - now[i][j]
		}
	}
	return c
}

// reconsider starts the filter again on a receiver that it has refused for too
// long. A receiver with an open fault stays unproven all the same.
func (m *Monitor) reconsider() {
	if m.phasesLead() {
		return // the proven position goes on without the receiver
	}
	refused := m.trust.RefusedFor(m.now)
	if !m.believe(&trust.Evidence{Kind: trust.Waited, Now: m.now}).Restart {
		return
	}
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventReinit, Size: refused, Where: m.where(),
		Detail: fmt.Sprintf("the receiver was refused for %.1f s; alignment starts again on it", refused)})
	m.nav.Phase = navigation.Empty
	m.rcv.prev.ok = false
	m.tearPaths()
}
