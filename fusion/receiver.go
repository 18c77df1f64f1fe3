package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

// receiver is what is known of the rover receiver.
type receiver struct {
	last     gnss.Epoch
	lastSeen float64 // host s at which the last epoch was complete
	n        uint64
	period   float64 // s, usual
	silent   bool
	late     bool // the last epoch came too late: one event a run of them
	precise  bool // the last epoch was fixed or float
	class    navigation.Class
	quality  gnss.Quality

	prev antennaFix // the epoch before, for the jump test
}

// antennaFix is one epoch's antenna position beside the filter's.
type antennaFix struct {
	ok    bool
	t     float64 // host s of validity
	class navigation.Class
	z     r3.Vec  // m, ENU, reported
	post  r3.Vec  // m, ENU, the filter's, after its update
	vel   r3.Vec  // m/s, ENU
	lat   float64 // s, the latency by which it was placed in time
	white [3]float64
}

func (r *receiver) reset() {
	*r = receiver{lastSeen: math.NaN(), quality: gnss.QualityUnknown}
	r.last = blankEpoch()
}

// trust is the memory of whether the receiver deserves belief.
type trust struct {
	proven  bool            // was usable, and dead reckoning has carried it since
	since   float64         // host s of the present verdict
	steps   integrity.Steps // steps of a receiver that says fixed
	step    integrity.Vec3  // m, ENU, the last of them
	row     int             // epochs in a row that stepped
	redone  bool            // the fix was lost since the first of them: ambiguities were estimated anew
	drifted bool            // a drift test alarmed: the filter itself was led astray
	orphan  bool            // the filter started again on the receiver while the account was open: nobody is left to contradict it
	good    float64         // host s since which fixed epochs are consistent, NaN when they are not
	fixed   float64         // host s since which epochs are fixed, NaN when they are not
	used    float64         // host s of the last fixed epoch fused
	refused float64         // host s since which fixed epochs are refused, NaN when they are not
	badVel  int             // velocities refused in a row
}

func (t *trust) reset() {
	*t = trust{good: math.NaN(), fixed: math.NaN(), used: math.NaN(), refused: math.NaN()}
}

// lose ends everything that was proven, but not the memory of steps.
func (t *trust) lose() {
	t.proven = false
	t.good, t.refused = math.NaN(), math.NaN()
	t.orphan = t.suspect()
}

// suspect reports whether the receiver has an open account.
func (t *trust) suspect() bool { return t.steps.Open || t.drifted }

// stain begins requalification anew.
func (t *trust) stain() { t.good = math.NaN() }

// tick notices silence.
func (r *receiver) tick(m *Monitor) {
	if r.n > 0 && m.now-r.lastSeen > m.silence() {
		if !r.silent {
			r.silent = true
			m.trust.stain()
		}
	}
}

// silence returns after how many seconds without an epoch the receiver is
// silent: the configured limit, or two and a half periods of a slow receiver.
func (m *Monitor) silence() float64 {
	return math.Max(m.cfg.GNSS.Silence, 2.5*m.rcv.period)
}

func (r *receiver) close(m *Monitor) {
	if r.n > 0 && m.now-r.lastSeen > math.Max(1, m.silence()) {
		m.event(Event{T: m.host(r.lastSeen), End: m.host(m.now), Kind: EventReceiver, Size: m.now - r.lastSeen,
			Where: m.where(), Detail: "no epoch from the receiver until the end"})
	}
}

// note takes the bookkeeping of one epoch: gap, rate, quality.
func (r *receiver) note(m *Monitor, e *gnss.Epoch) {
	if r.n > 0 {
		gap := m.now - r.lastSeen
		// The usual interval: the shortest seen, raised again by later ones.
		if d := e.UTC - r.last.UTC; d > 0 && d <= 2 {
			if r.period == 0 || d < r.period {
				r.period = d
			}
			r.period += 0.1 * (d - r.period)
		}
		if gap > m.silence() {
			m.event(Event{T: m.host(r.lastSeen), End: m.host(m.now), Kind: EventReceiver, Size: gap,
				Where: m.where(), Detail: "no epoch from the receiver"})
			m.trust.stain()
		}
		if e.Quality != r.quality {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventQuality, Cause: e.Quality.String(), Size: math.NaN(),
				Where: m.where(), Detail: fmt.Sprintf("fix quality %s -> %s", r.quality, e.Quality)})
		}
	}
	r.silent = false
	r.n++
	r.lastSeen = m.now
	r.quality = e.Quality
	r.precise = e.Quality == gnss.QualityFixed || e.Quality == gnss.QualityFloat
	r.last = *e
	m.nav.Heard(m.now, e.Speed, r.precise)
}

func (m *Monitor) onEpoch(e *gnss.Epoch) {
	m.due = true
	m.rcv.note(m, e)
	m.link.Epoch(e, m.now)
	m.snap.EpochUsed = false
	if m.fuse(e) {
		m.snap.EpochUsed = true
		m.snap.Counts.EpochsUsed++
	} else {
		m.snap.Counts.EpochsRefused++
	}
}

// fuse brings one epoch to the filter and reports whether its position was
// used.
func (m *Monitor) fuse(e *gnss.Epoch) bool {
	r := &m.rcv
	r.class = m.cfg.GNSS.Classify(e)
	if r.class == navigation.ClassFixed {
		if math.IsNaN(m.trust.fixed) {
			m.trust.fixed = m.now
		}
	} else {
		m.trust.fixed = math.NaN()
		m.trust.stain()
		if e.Quality != gnss.QualityFixed {
			m.trust.redone = true
			m.drift.fixes++
		}
	}
	if math.IsNaN(e.UTC) {
		return false
	}
	arrival := e.Arrival + m.shift
	if m.leapt(arrival, e.UTC) {
		return false
	}
	switch m.tie.push(arrival, e.UTC, m.cfg.GNSS.Stall) {
	case fitOdd:
		if m.tie.odd >= 5 {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventClock, Size: m.tie.oddness(), Where: m.where(),
				Detail: "the receiver's time and the host clock came apart and stay so"})
			m.restart("receiver time stepped against the host clock")
			m.tie.push(arrival, e.UTC, m.cfg.GNSS.Stall)
		}
		return false
	case fitLate:
		if !r.late {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventLate, Size: m.tie.lateness(arrival, e.UTC), Where: m.where(),
				Detail: fmt.Sprintf("an epoch arrived %.2f s later than usual", m.tie.lateness(arrival, e.UTC))})
		}
		r.late = true
		r.prev.ok = false
		return false
	}
	r.late = false
	m.link.Clock(m.tie.hostMinusUTC(m.nav.Latency()))
	if r.class == navigation.ClassNone {
		r.prev.ok = false
		return false
	}
	if !m.hasFrame {
		m.setFrame(e.Pos)
	}
	z := vec(m.frame.FromLLA(e.Pos))
	if m.nav.Phase != navigation.Aligned {
		// The filter's latency counts from here on: the first epochs may have
		// waited in some buffer.
		if m.tie.young(e.UTC) {
			r.prev.ok = false
			return false
		}
		m.tie.anchor()
	}
	t := m.tie.reference(e.UTC) - m.nav.Latency()
	if m.nav.Phase != navigation.Aligned {
		r.prev.ok = false
		return m.align(e, z, t)
	}
	if t < m.nav.Filter.T-1e-6 || t > m.nav.IMU.Last.T+m.cfg.IMU.Gap {
		// Older than what was already used, or no inertial samples to reach it.
		r.prev.ok = false
		return false
	}
	m.units.onEpoch(m, e.Speed, e.Course, t)
	if !m.nav.AdvanceTo(t) {
		r.prev.ok = false
		return false
	}
	return m.weigh(e, z, t)
}

// leapt reports whether a hole in the inertial samples was no hole: the epochs
// after it arrive later by as much, so the host clock was set forward.
func (m *Monitor) leapt(arrival, utc float64) bool {
	q := &m.nav.IMU
	if !m.tie.ok || !(m.now-q.GapEnd < 1) || q.GapLength == 0 {
		return false
	}
	late := m.tie.lateness(arrival, utc)
	if math.Abs(late-q.GapLength) > 0.02+0.1*q.GapLength {
		return false
	}
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventClock, Size: late, Where: m.where(),
		Detail: fmt.Sprintf("the host clock leapt by %+.3f s", late)})
	m.link.ClockStep(late)
	m.restart("host clock leapt")
	return true
}

func (m *Monitor) setFrame(p geodesy.LLA) {
	m.frame = geodesy.NewFrame(p)
	m.hasFrame = true
	m.nav.Filter.Params.Gravity = geodesy.NormalGravity(p.Lat, p.H)
	m.nav.Filter.Params.EarthRate = vec(geodesy.EarthRateENU(p.Lat))
	if m.crs != nil {
		m.crs.Bind(m.frame)
	}
	m.snap.Frame = m.frame
}

// align starts the filter on an epoch that has the antenna at z, m, ENU, at t.
func (m *Monitor) align(e *gnss.Epoch, z r3.Vec, t float64) bool {
	if !m.nav.Align(e, m.rcv.class, z, t, m.now) {
		return false
	}
	m.trust.stain()
	m.trust.refused = math.NaN()
	if m.rcv.class == navigation.ClassFixed {
		m.trust.used = m.now
	}
	m.forgetPath()
	m.units.arm = leverFit{} // what it gathered was of another trajectory
	white, _, _ := m.cfg.GNSS.Noise(e, m.rcv.class)
	m.remember(e, z, t, m.nav.Filter.Latency, white, m.nav.Antenna())
	return true
}

func (m *Monitor) remember(e *gnss.Epoch, z r3.Vec, t, placed float64, white [3]float64, post r3.Vec) {
	m.rcv.prev = antennaFix{ok: e.HasH, t: t, class: m.rcv.class, z: z, post: post, vel: m.nav.Filter.Vel, lat: placed, white: white}
}

// weigh tests one epoch against the filter, which stands at its time, and uses
// what passes.
func (m *Monitor) weigh(e *gnss.Epoch, z r3.Vec, t float64) bool {
	f, r, tr := &m.nav.Filter, &m.rcv, &m.trust
	white, ch, cv := m.cfg.GNSS.Noise(e, r.class)
	if r.prev.class != r.class {
		f.SetCorr(ch, cv, m.cfg.GNSS.CorrTime)
		r.prev.ok = false
	}
	f.Params.CorrSigmaH, f.Params.CorrSigmaV = ch, cv
	m.snap.SigmaFix = math.Sqrt((white[0]+white[1])/2 + ch*ch)
	w := m.nav.Rate
	before := m.nav.Antenna()
	m.odo.settle(t, f.Yaw())
	m.dop.settle(m, e, t)

	// What the position says, as an observation.
	var o eskf.Obs
	dof := 2
	if e.HasH {
		o = f.Position(z, white, m.nav.Lever, w)
		dof = 3
	} else {
		o = f.HorizontalPosition(z.X, z.Y, [2]float64{white[0], white[1]}, m.nav.Lever, w)
	}
	in := f.Innovation(&o)
	gate := &m.posGate
	if dof == 2 {
		gate = &m.horGate
	}
	nis := in.NIS
	if math.IsNaN(nis) {
		nis = math.Inf(1)
	}
	ts := &m.snap.Tests
	ts[TestInnovation].set(nis, gate.Threshold, gate.Detectable(math.Sqrt(math.Max(in.S[0][0], in.S[1][1]))), "m")

	stepped := m.testJump(e, z, t, white, before)
	placed := f.Latency
	use := true
	switch {
	case r.class != navigation.ClassFixed:
		// Float and code errors have no bound worth the name: they keep the
		// filter alive once dead reckoning is spent, not before.
		use = !tr.proven && nis <= gate.Threshold*4
		if !tr.proven && !use {
			m.refuse()
		}
	case stepped:
		use = false
		m.refuse()
	case tr.suspect():
		use = m.reconcile(&in, nis) || m.recover(z, white)
		if !use {
			m.refuse()
		}
	case nis > gate.Threshold:
		use = false
		m.refuse()
	}
	if use {
		if r.class == navigation.ClassFixed {
			m.drift.push(m, t, z, white, &in)
		}
		f.Apply(&o)
		if r.class == navigation.ClassFixed {
			tr.used = m.now
			tr.refused = math.NaN()
			if math.IsNaN(tr.good) {
				tr.good = m.now
			}
		}
	}
	m.useVelocity(e, stepped, f.Latency-placed)
	if !math.IsNaN(e.Heading) {
		s := m.cfg.GNSS.HeadingSigma * math.Pi / 180
		ho := f.Heading(math.Pi/2-(e.Heading-m.cfg.GNSS.HeadingYaw*math.Pi/180), s*s)
		if hin := f.Innovation(&ho); hin.NIS < m.wheelGate {
			f.Apply(&ho)
		}
	}
	if !f.Healthy() {
		m.restart("the filter lost its numbers")
		return false
	}
	m.remember(e, z, t, placed, white, m.nav.Antenna())
	if !use {
		r.prev.post = before
		m.reconsider()
	}
	return use
}

// useVelocity gives the filter the reported speed and course. learned is by how
// much the latency has changed since the filter was placed at the epoch.
func (m *Monitor) useVelocity(e *gnss.Epoch, stepped bool, learned float64) {
	if !(e.Speed > 0.5) || math.IsNaN(e.Course) || stepped {
		return
	}
	f := &m.nav.Filter
	s := m.cfg.GNSS.SpeedSigma
	if m.rcv.class == navigation.ClassCoarse {
		s *= 3
	}
	ve, vn := e.Speed*math.Sin(e.Course), e.Speed*math.Cos(e.Course)
	a := r3.Add(f.ToWorld(r3.Sub(m.nav.Force, f.AccBias)), r3.Vec{Z: -f.Params.Gravity})
	// Receivers differ in what they call velocity: of the antenna or reduced to
	// some other point, smoothed or not. That is no noise but the same from
	// epoch to epoch, so while the car turns the lever arm's share is weighed
	// three times over, and while it brakes or turns what smoothing would have
	// kept back.
	arm := 3 * r3.Norm(r3.Cross(r3.Sub(m.nav.Rate, f.GyroBias), m.nav.Lever))
	late := m.cfg.GNSS.VelocityLag * math.Hypot(a.X, a.Y)
	v := s*s + arm*arm + late*late
	o := f.Velocity(ve, vn, [2]float64{v, v}, m.nav.Lever, m.nav.Rate, a)
	o.Shift(learned)
	in := f.Innovation(&o)
	ts := &m.snap.Tests[TestVelocity]
	ts.set(in.NIS, m.velGate.Threshold, m.velGate.Detectable(math.Sqrt(math.Max(in.S[0][0], in.S[1][1]))), "m/s")
	if in.NIS <= m.velGate.Threshold {
		m.trust.badVel = 0
		f.Apply(&o)
	} else {
		m.trust.badVel++
	}
	// One outlier is refused; several in a row mean that receiver and filter
	// disagree on the motion itself.
	ts.alarm(m.trust.badVel >= 3, m.host(m.now))
}

// An unproven filter may accuse the receiver of a step only when it finds steps
// as small as witness, m, and epochs have agreed with it for settling, s.
const (
	witness  = 0.2
	settling = 2.0
)

// A fix younger than this, s, that steps leaves open which of its places was
// wrong: dead reckoning took its start from the first.
const youngFix = 10.0

// testJump compares the receiver's displacement since the epoch before with
// the filter's, and keeps account of the steps.
func (m *Monitor) testJump(e *gnss.Epoch, z r3.Vec, t float64, white [3]float64, before r3.Vec) bool {
	pv := &m.rcv.prev
	ts := &m.snap.Tests[TestJump]
	dt := t - pv.t
	if m.rcv.class != navigation.ClassFixed || pv.class != navigation.ClassFixed || !pv.ok || !e.HasH || dt <= 0 || dt > 2.5 {
		ts.Stat = math.NaN()
		ts.Threshold = m.jump.Threshold
		m.units.arm.ok = false
		return false
	}
	d := r3.Sub(r3.Sub(z, pv.z), r3.Sub(before, pv.post))
	// While the latency is learned the two epochs were placed by different
	// values of it.
	d = r3.Sub(d, r3.Scale(m.nav.Filter.Latency-pv.lat, pv.vel))
	y := integrity.Vec3{d.X, d.Y, d.Z}
	s := m.jumpCov(dt, white)
	stat := integrity.NIS(&y, &s, 3)
	worst := math.Sqrt(math.Max(s[0][0], s[1][1]))
	ts.set(stat, m.jump.Threshold, m.jump.Detectable(worst), "m")
	if stat <= 4*m.jump.Threshold { // a wrong lever arm looks like small steps
		m.units.onPair(m, d, math.Sqrt(white[0]+pv.white[0]))
	} else {
		m.units.arm.ok = false
	}
	tr := &m.trust
	if stat <= m.jump.Threshold || m.units.fatal() { // then the IMU is the accused
		tr.row = 0
		return false
	}
	tr.row++
	m.units.onRow(m, tr.row)
	if settled := m.now-tr.good > settling; !tr.proven && !tr.suspect() && !(settled && ts.Detectable < witness) {
		// Dead reckoning is too uncertain to accuse anyone; the innovation gate
		// and the dwell deal with it.
		tr.stain()
		return false
	}
	if !tr.steps.Open {
		tr.redone = false
		if !(m.now-tr.fixed > youngFix) {
			tr.proven = false
		}
	}
	tr.steps.Add(m.now, &y, &s)
	tr.step = y
	size := r3.Norm(d)
	cause := "step"
	if !tr.drifted && tr.steps.Closed(m.agreeGate) {
		cause = "step back"
		tr.steps.Close()
		tr.refused = math.NaN()
		ts.alarm(false, m.host(m.now))
	} else {
		ts.alarm(true, m.host(m.now))
	}
	// A receiver steps once. Where it seems to at every epoch the two disagree
	// on the motion, and one word of it is enough.
	if tr.row <= 3 {
		m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventJump, Cause: cause, Size: size, Where: m.where(),
			Detail: fmt.Sprintf("the position stepped by %.2f m (%.2f east, %.2f north, %.2f up) while the receiver said fixed; smallest step found %.2f m",
				size, d.X, d.Y, d.Z, ts.Detectable)})
	}
	// The epoch that closes the account is good, but proof of it is the next
	// one: this one carried a step.
	return true
}

// jumpCov returns the covariance of the difference of two displacements over
// dt: both epochs' white noise, what the slow error may change, what the
// filter's velocity and time of validity may be off.
func (m *Monitor) jumpCov(dt float64, white [3]float64) integrity.Sym3 {
	f := &m.nav.Filter
	f.Flush()
	var s integrity.Sym3
	a := r3.Add(f.ToWorld(r3.Sub(m.nav.Force, f.AccBias)), r3.Vec{Z: -f.Params.Gravity})
	dv := [3]float64{a.X * dt, a.Y * dt, a.Z * dt} // change of velocity, for the latency
	grow := renewed(dt, f.Params.CorrTime)
	ch, cv := f.Params.CorrSigmaH, f.Params.CorrSigmaV
	lat := f.P[eskf.ILat][eskf.ILat]
	for i := range 3 {
		for j := range 3 {
			s[i][j] = f.P[eskf.IVel+i][eskf.IVel+j]*dt*dt + lat*dv[i]*dv[j]
		}
		c := ch
		if i == 2 {
			c = cv
		}
		s[i][i] += white[i] + m.rcv.prev.white[i] + grow*c*c
	}
	return s
}

// reconcile decides whether a receiver that stepped or drifted has come back:
// its ambiguities were redone and agree, or it agrees with dead reckoning that
// is still sharp enough to tell. (Two steps that cancel have closed the account
// already.)
func (m *Monitor) reconcile(in *eskf.Innovation, nis float64) (use bool) {
	tr := &m.trust
	agrees := nis <= m.agreeGate
	switch {
	case !agrees:
		return false
	case tr.redone:
	case tr.orphan:
		return true // follow it, but prove nothing by it
	case tr.drifted:
		// How far it had wandered is not known well; that it stepped since, onto
		// where dead reckoning is, tells.
		if tr.steps.Count < 2 {
			return false
		}
	default:
		s := integrity.Sym3(in.S)
		if integrity.NIS(&tr.steps.Sum, &s, in.N) <= 4*m.agreeGate {
			return false
		}
	}
	m.forgive()
	return true
}

// recover takes back a receiver that stepped back from a drift, on the word of
// the odometer. The filter's own position followed the drift and is given up.
func (m *Monitor) recover(z r3.Vec, white [3]float64) bool {
	tr := &m.trust
	if !tr.drifted || tr.orphan || !m.returned(z, white) {
		return false
	}
	for i := range 2 {
		m.nav.Filter.SetVariance(eskf.IPos+i, 1)
	}
	m.forgive()
	return true
}

// forgive closes the account of steps; requalification begins here.
func (m *Monitor) forgive() {
	tr := &m.trust
	tr.steps.Close()
	tr.drifted, tr.redone, tr.orphan = false, false, false
	m.forgetPath()
	ts := &m.snap.Tests
	for _, id := range [...]TestID{TestJump, TestDrift1, TestDrift2, TestDrift3, TestCusum} {
		ts[id].alarm(false, m.host(m.now))
	}
	tr.good = m.now
}

// refuse notes that an epoch that could have been used was not.
func (m *Monitor) refuse() {
	m.trust.stain()
	if math.IsNaN(m.trust.refused) {
		m.trust.refused = m.now
	}
}

// reconsider starts the filter again on a receiver that it has refused for too
// long. A receiver with an open account of steps stays unproven all the same.
func (m *Monitor) reconsider() {
	tr := &m.trust
	if math.IsNaN(tr.refused) {
		return
	}
	limit := m.cfg.Tests.MaxRefused
	if !tr.proven && !tr.suspect() {
		limit = math.Min(limit, 3) // nothing proven to defend
	}
	if m.now-tr.refused < limit {
		return
	}
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventReinit, Size: m.now - tr.refused, Where: m.where(),
		Detail: fmt.Sprintf("the receiver was refused for %.1f s; alignment starts again on it", m.now-tr.refused)})
	tr.lose()
	m.nav.Phase = navigation.Empty
	m.rcv.prev.ok = false
	m.forgetPath()
}

// confirm takes a person's word that the car stands on check mark name: a
// receiver that agrees with the survey there is believed again.
func (m *Monitor) confirm(name string) {
	for i := range m.cfg.Marks {
		k := &m.cfg.Marks[i]
		if k.Name != name || !m.hasFrame || !m.rcv.prev.ok || m.nav.Phase != navigation.Aligned {
			continue
		}
		at := vec(m.frame.FromLLA(geodesy.LLA{Lat: k.Lat * geodesy.Degree, Lon: k.Lon * geodesy.Degree, H: k.H}))
		body := r3.Sub(m.rcv.prev.z, m.nav.Filter.ToWorld(m.nav.Lever))
		off := math.Hypot(body.X-at.X, body.Y-at.Y)
		if off < 0.1 && m.rcv.class == navigation.ClassFixed {
			m.forgive()
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventVerdict, Cause: "mark", Size: off, Where: m.where(),
				Detail: fmt.Sprintf("check mark %q confirmed: the receiver is %.2f m from it", name, off)})
		} else {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventVerdict, Cause: "mark", Size: off, Where: m.where(),
				Detail: fmt.Sprintf("check mark %q not confirmed: the receiver is %.2f m from it, want a fix within 0.10 m", name, off)})
		}
	}
}

// onBase makes an event of each change of the reference station: coordinates
// or station id, heard on the link.
func (m *Monitor) onBase() {
	l := m.link.State()
	if l.BaseChanges == m.baseChanges {
		return
	}
	m.baseChanges = l.BaseChanges
	detail := fmt.Sprintf("the base's broadcast coordinates moved by %.3f m", l.BaseStep)
	if math.IsNaN(l.BaseStep) {
		detail = fmt.Sprintf("station id %d -> %d with the same coordinates, or none heard yet", l.StationBefore, l.Station)
	}
	m.event(Event{T: m.host(l.BaseChangedAt), End: math.NaN(), Kind: EventBase, Size: l.BaseStep, Where: m.where(), Detail: detail})
}
