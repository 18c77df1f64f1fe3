package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/hostclock"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

// onEpoch takes one epoch of the receiver.
func (m *Monitor) onEpoch(e *gnss.Epoch) {
	m.due = true
	m.notice(e)
	m.link.Epoch(e, m.now)
	m.snap.EpochUsed = false
	used := m.fuse(e)
	m.checks.onEpoch(m, e)
	if used {
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
	m.believeClass(e)
	if math.IsNaN(e.UTC) {
		return false
	}
	arrival := e.Arrival + m.shift
	if m.leapt(arrival, e.UTC) {
		return false
	}
	switch m.clock.Push(arrival, e.UTC, m.cfg.GNSS.Stall) {
	case hostclock.Stepped:
		if n, by := m.clock.SteppedFor(); n >= 5 {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventClock, Size: by, Where: m.where(),
				Detail: "the receiver's time and this computer's clock came apart and stay so"})
			m.restart("receiver time stepped against the host clock")
			m.clock.Push(arrival, e.UTC, m.cfg.GNSS.Stall)
		}
		return false
	case hostclock.Late:
		if !r.late {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventLate, Size: m.clock.Lateness(arrival, e.UTC), Where: m.where(),
				Detail: fmt.Sprintf("an epoch arrived %.2f s later than usual", m.clock.Lateness(arrival, e.UTC))})
		}
		r.late = true
		r.prev.ok = false
		return false
	}
	r.late = false
	m.link.Clock(m.clock.HostMinusUTC(m.nav.Latency()))
	if r.class == navigation.ClassNone {
		r.prev.ok = false
		return false
	}
	if !m.hasFrame {
		m.setFrame(e.Pos)
	}
	z := vec(m.frame.FromLLA(e.Pos))
	// A coarse position wanders by as much as a car turns: its course is none.
	if m.clock.Ready() && r.class == navigation.ClassFixed {
		m.params.OnFix(m.clock.Reference(e.UTC)-m.cfg.GNSS.Latency, z.X, z.Y)
		m.standsAt(z)
		if sin, cos := math.Sincos(e.Course); !math.IsNaN(e.Speed) && !math.IsNaN(sin) {
			m.params.OnVelocity(m.clock.Reference(e.UTC)-m.cfg.GNSS.Latency, e.Speed*sin, e.Speed*cos)
		}
	}
	if m.nav.Phase != navigation.Aligned {
		// The filter's latency counts from here on: the first epochs may have
		// waited in some buffer.
		if m.clock.Young(e.UTC) {
			r.prev.ok = false
			return false
		}
		m.clock.Anchor()
	}
	t := m.clock.Reference(e.UTC) - m.nav.Latency()
	// No epoch is valid after it arrived: what its time claims beyond is left to the
	// jump test.
	r.ahead = math.Max(0, t-m.now)
	t -= r.ahead
	if math.IsNaN(e.Speed) {
		m.nav.Seen(r.class, z, t, m.now)
	}
	if m.nav.Phase != navigation.Aligned {
		r.prev.ok = false
		m.offerFix(e, false) // rover and base tell whether it is right before anything else can
		m.watchRest(e, z)
		m.advancePaths(e, t, false)
		return m.align(e, z, t)
	}
	if !m.nav.Reaches(t) {
		// Older than what was already used, or no inertial samples to reach it: the
		// path by reported velocity goes on. What comes after an older one may be
		// compared with what came before it.
		r.prev.ok = r.prev.ok && t <= m.nav.Filter.T
		m.advancePaths(e, t, false)
		return false
	}
	m.params.OnEpoch(e.Speed, e.Course, t, m.wheelSpeed())
	if !m.nav.AdvanceTo(t) {
		r.prev.ok = false
		m.advancePaths(e, t, false)
		return false
	}
	if m.nav.Backward() {
		m.realign("the car would have to reverse at speed: the sensor's axes are not the car's")
		return false
	}
	if m.phasesLead() && r.class != navigation.ClassFixed {
		// A float position says less than the phases that it is made of.
		m.useVelocity(e, false, 0)
		m.offerFix(e, false)
		return false
	}
	used := m.weigh(e, z, t)
	m.offerFix(e, used)
	m.nav.Least(m.clock.MinLatency(m.nav.Latency()))
	if !m.leverFree && !m.trust.EverProven && m.params.Contradicted() {
		m.leverFree = true
		m.params.Unbelieved()
		m.nav.FreeLever()
		m.realign("the drive contradicts the lever arm of the settings, and it is looked for without them")
	}
	return used
}

// leapt reports whether a hole in the inertial samples was no hole: the epochs
// after it arrive later by as much, so the host clock was set forward.
func (m *Monitor) leapt(arrival, utc float64) bool {
	q := &m.nav.IMU
	if !m.clock.Ready() || !(m.now-q.GapEnd < 1) || q.GapLength == 0 || !m.nav.Stamps.Settled() {
		return false
	}
	late := m.clock.Lateness(arrival, utc)
	if math.Abs(late-q.GapLength) > 0.02+0.1*q.GapLength {
		return false
	}
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventClock, Size: late, Where: m.where(),
		Detail: fmt.Sprintf("this computer's clock stepped by %+.3f s", late)})
	m.link.ClockStep(late)
	m.restart("host clock leapt")
	return true
}

func (m *Monitor) setFrame(p geodesy.LLA) {
	m.frame = geodesy.NewFrame(p)
	m.hasFrame = true
	m.nav.SetPlace(p)
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
	m.believe(&trust.Evidence{Kind: trust.Realigned, Now: m.now, OfFix: m.rcv.class == navigation.ClassFixed})
	m.tearPaths()
	m.params.Restart()
	white, _, _ := m.cfg.GNSS.Noise(e, m.rcv.class)
	m.remember(e, z, t, m.nav.Filter.Latency, white, m.nav.Antenna())
	return true
}

func (m *Monitor) remember(e *gnss.Epoch, z r3.Vec, t, placed float64, white [3]float64, post r3.Vec) {
	m.rcv.prev = antennaFix{ok: true, height: e.HasH, t: t, lag: e.Arrival - e.UTC, class: m.rcv.class, z: z, post: post, vel: m.nav.Filter.Vel, lat: placed, white: white, said: m.nav.Said()}
}

// believeClass notes whether the epoch passes the fix gate.
func (m *Monitor) believeClass(e *gnss.Epoch) {
	if m.rcv.class == navigation.ClassFixed {
		m.believe(&trust.Evidence{Kind: trust.GatePassed, Now: m.now})
		return
	}
	m.believe(&trust.Evidence{Kind: trust.NoFix})
	if e.Quality != gnss.QualityFixed {
		m.drift.FixLost()
	}
}

// wheelSpeed returns the newest wheel speed while it may be compared with the
// receiver's, m/s, else NaN.
func (m *Monitor) wheelSpeed() float64 {
	if w := &m.nav.Wheels; w.Fresh(m.now) && m.rcv.precise {
		return w.Last.V
	}
	return math.NaN()
}

// believe takes one piece of evidence and does what follows from it.
func (m *Monitor) believe(e *trust.Evidence) (d trust.Decision) {
	was, since := m.trust.Fix, m.trust.Since
	m.trust, d = trust.Next(m.trust, e, &m.cfg.Tests.Requalification)
	if d.Anew {
		m.forgetPaths()
	}
	if d.Cleared {
		ts := &m.snap.Tests
		for _, id := range [...]TestID{TestJump, TestDrift1, TestDrift2, TestDrift3, TestCusum} {
			ts[id].SetAlarm(false, m.host(m.now))
		}
		m.phases.cleared()
	}
	if d.Reposition {
		m.drift.Reset()
		const lost = 25.0 // m², a position that is given up
		for i := range 3 {
			m.nav.Filter.SetVariance(eskf.IPos+i, lost)
		}
	}
	if d.Refuted && e.Kind == trust.Position {
		m.claims.off = m.claims.last
	}
	if d.Cleared || d.Refuted {
		m.tellClaim(d, was, since)
	}
	return d
}

// forgetPaths begins the references and drift tests anew: the position was set.
func (m *Monitor) forgetPaths() {
	m.drift.Reset()
	m.ref.Reset()
}

// onBase makes an event of each change of the reference station: coordinates
// or station id, heard on the link.
func (m *Monitor) onBase() {
	l := m.link.State()
	if l.BaseChanges == m.baseChanges {
		return
	}
	m.baseChanges = l.BaseChanges
	m.expireMark(l)
	detail := fmt.Sprintf("the base's broadcast coordinates moved by %.3f m", l.BaseStep)
	if math.IsNaN(l.BaseStep) {
		detail = fmt.Sprintf("station id %d -> %d with the same coordinates, or none heard yet", l.StationBefore, l.Station)
	}
	m.event(Event{T: m.host(l.BaseChangedAt), End: math.NaN(), Kind: EventBase, Size: l.BaseStep, Where: m.where(), Detail: detail})
}
