package fusion

import (
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

// reasonID names one cause of a verdict, in the order in which a person wants
// to hear them: the first that holds is the one to act on.
type reasonID uint8

const (
	whyUnits reasonID = iota
	whyIMU
	whySaturated
	whyReceiver
	whyClock
	whyBaseMoved
	whyBaseUnknown
	whyDrift
	whyJump
	whyVelocity
	whyInnovation
	whyNoPosition
	whyLink
	whyQuality
	whyAge
	whySats
	whyHDOP
	whySigma
	whyFault
	whyAlign
	whyDoubt
	whyPLLat
	whyPLLon
	whyPLYaw
	whyCoast
	whyLever
	whyDwell
	whySpeed
	numReasons
)

var reasonCodes = [numReasons]string{
	"imu-units", "imu-silent", "imu-saturated", "receiver-silent", "epoch-late", "base-moved", "base-unconfirmed",
	"drift", "jump", "velocity", "innovation", "no-position", "link", "fix-quality", "corr-age", "sats", "hdop",
	"fix-sigma", "sat-fault", "aligning", "drift-suspected", "pl-lateral", "pl-along", "pl-heading", "coast-budget", "lever-arm-check", "requalifying", "speed",
}

// linkCodes put the link's condition into the code.
var linkCodes = [...]string{"link-untapped", "link-flowing", "link-late", "link-sparse", "link-corrupt", "link-silent"}

// reasonBook gathers the reasons of one line and remembers since when each
// holds.
type reasonBook struct {
	on         [numReasons]bool
	r          [numReasons]Reason
	since      [numReasons]float64 // NaN while it does not hold
	begun      bool
	cap, capAt float64 // m/s, host s: the speed cap given last, NaN when none was
	better     float64 // host s since which the advice would be better, NaN when it would not
}

func (b *reasonBook) open() {
	if !b.begun {
		b.begun = true
		for i := range b.since {
			b.since[i] = math.NaN()
		}
		b.better, b.cap = math.NaN(), math.NaN()
	}
	b.on = [numReasons]bool{}
}

func (b *reasonBook) add(id reasonID, value, limit float64, unit string) {
	b.on[id] = true
	b.r[id] = Reason{Code: reasonCodes[id], Value: value, Limit: limit, Unit: unit}
}

// close writes the reasons to the snapshot, those that another explains left
// out.
func (b *reasonBook) close(m *Monitor, s *Snapshot) {
	hide := func(by reasonID, ids ...reasonID) {
		if b.on[by] {
			for _, id := range ids {
				b.on[id] = false
			}
		}
	}
	hide(whyReceiver, whyLink, whyQuality, whyAge, whySats, whyHDOP, whySigma, whyFault, whyNoPosition, whyInnovation, whyVelocity, whyClock)
	hide(whyNoPosition, whyQuality, whyAge, whySats, whyHDOP, whySigma)
	hide(whyLink, whyAge, whyQuality)
	hide(whyQuality, whyAge, whySigma, whySats, whyHDOP)
	hide(whyDrift, whyInnovation, whyJump, whyDoubt)
	hide(whyDoubt, whyPLLat, whyPLLon, whyCoast)
	hide(whyJump, whyInnovation, whyVelocity)
	hide(whyAlign, whyPLLat, whyPLLon, whyPLYaw, whyCoast)
	hide(whyIMU, whyAlign, whyPLLat, whyPLLon, whyPLYaw, whyCoast)
	s.NReasons = 0
	for id := range numReasons {
		if !b.on[id] {
			b.since[id] = math.NaN()
			continue
		}
		if math.IsNaN(b.since[id]) {
			b.since[id] = m.now
		}
		if s.NReasons < MaxReasons {
			b.r[id].Since = m.host(b.since[id])
			s.Reasons[s.NReasons] = b.r[id]
			s.NReasons++
		}
	}
	for i := s.NReasons; i < MaxReasons; i++ {
		s.Reasons[i] = Reason{}
	}
}

func (t *TestState) set(stat, threshold, detectable float64, unit string) {
	t.Stat, t.Threshold, t.Detectable, t.Unit = stat, threshold, detectable, unit
}

func (t *TestState) alarm(on bool, now float64) {
	if on && !t.Alarm {
		t.Since = now
	}
	t.Alarm = on
}

func blankEpoch() gnss.Epoch {
	n := math.NaN()
	return gnss.Epoch{UTC: n, Arrival: n, Complete: n, Quality: gnss.QualityUnknown, Sats: -1, HDOP: n, PDOP: n, Age: n, Station: -1,
		Speed: n, Course: n, SigmaN: n, SigmaE: n, SigmaU: n, RMSRange: n, FaultSat: -1, FaultBias: n, FaultSigma: n,
		ErrN: n, ErrE: n, ErrU: n, Heading: n, Tracked: -1, CN0: n}
}

func blankPL() PL {
	n := math.NaN()
	return PL{n, n, n, n, n, n}
}

func blankSnapshot() Snapshot {
	n := math.NaN()
	pl := blankPL()
	s := Snapshot{T: n, UTC: n, Since: n, SpeedCap: n, Coast: n, Handover: n, LeaveIn: n, Pos: geodesy.LLA{Lat: n, Lon: n, H: n},
		Roll: n, Pitch: n, Yaw: n, Speed: n, YawRate: n, LatAcc: n, LonAcc: n, SigmaLat: n, SigmaLon: n, SigmaYaw: n,
		PLLat: pl, PLLon: pl, PLYaw: pl, ALLat: n, ALLon: n, ALYaw: n, Epoch: blankEpoch(), EpochAge: n, EpochRate: n, SigmaFix: n,
		IMURate: n, IMUAge: n, Vibration: n, WheelRate: n, WheelAge: n, WheelSpeed: n, WheelScale: n, Slip: n,
		HostMinusUTC: n, Latency: n, LatencySigma: n, ClockDrift: n,
		Station: n, LapLength: n, Cross: n, HalfWidth: n, CourseYaw: n}
	for i := range s.Tests {
		s.Tests[i] = TestState{Stat: n, Threshold: n, Detectable: n, Since: n}
	}
	return s
}

// evaluate makes the snapshot of this instant.
func (m *Monitor) evaluate() {
	s := &m.snap
	s.T = m.host(m.now)
	s.Seq++
	m.lastLine = m.now
	m.describeInputs(s)
	s.HasPos = m.nav.Phase == navigation.Aligned
	if s.HasPos {
		m.nav.Predict(m.now)
		m.describeMotion(s)
		m.protect(s)
		m.coast.update(m, s)
	} else {
		m.describeNothing(s)
	}
	m.link.Where(s.Station, s.LapLength)
	m.judge(s)
}

func (m *Monitor) describeInputs(s *Snapshot) {
	r, q, w := &m.rcv, &m.nav.IMU, &m.nav.Wheels
	s.Epoch = r.last
	s.EpochAge = m.now - r.lastSeen
	if r.n == 0 {
		s.EpochAge = math.NaN()
	}
	s.EpochRate = rate(r.period)
	s.UTC, s.HostMinusUTC, s.Latency, s.ClockDrift = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	s.LatencySigma = math.NaN()
	if m.tie.ok {
		s.HostMinusUTC = m.tie.hostMinusUTC(m.nav.Latency()) - m.shift
		s.UTC = s.T - s.HostMinusUTC
		s.Latency = m.tie.spread(m.nav.Latency())
		s.ClockDrift = m.tie.drift
		if m.nav.Phase == navigation.Aligned {
			s.LatencySigma = math.Sqrt(m.nav.Filter.P[eskf.ILat][eskf.ILat])
			m.units.onLatency(m, s.Latency, s.LatencySigma)
		}
	}
	s.Refused, s.DwellLeft = 0, m.cfg.Tests.Dwell
	if !math.IsNaN(m.trust.refused) {
		s.Refused = m.now - m.trust.refused
	}
	if !math.IsNaN(m.trust.good) {
		s.DwellLeft = math.Max(0, m.cfg.Tests.Dwell-(m.now-m.trust.good))
	}
	s.NeedsProof = m.trust.suspect()
	s.Link = *m.link.State()
	s.IMURate = rate(q.Period)
	s.IMUAge = m.now - q.Last.T
	s.Vibration = math.Sqrt(3 * q.AccVar)
	s.Still = q.RestFor() > navigation.RestProof
	b := m.nav.Filter.GyroBias
	s.GyroBias = [3]float64{b.X, b.Y, b.Z}
	b = m.nav.Filter.AccBias
	s.AccBias = [3]float64{b.X, b.Y, b.Z}
	if w.N > 0 {
		s.WheelRate, s.WheelAge, s.WheelSpeed = rate(w.Period), m.now-w.Last.T, w.Last.V
		s.WheelScale = m.nav.Filter.WheelScale
	}
	s.Slip = m.nav.Filter.Slip
	s.UnitHint = m.units.hint
}

func rate(period float64) float64 {
	if period > 0 {
		return 1 / period
	}
	return math.NaN()
}

func (m *Monitor) describeMotion(s *Snapshot) {
	p := &m.nav.Pred
	s.ENU = enu(p.State.Pos)
	s.Pos = m.frame.ToLLA(s.ENU)
	s.Roll, s.Pitch, s.Yaw = p.State.Roll(), p.State.Pitch(), p.State.Yaw()
	s.Vel = enu(p.State.Vel)
	s.Speed = math.Hypot(s.Vel.E, s.Vel.N)
	up := p.State.ToWorld(p.W)
	s.YawRate = up.Z
	a := r3.Sub(p.F, p.State.ToBody(r3.Vec{Z: m.nav.Filter.Params.Gravity}))
	s.LonAcc, s.LatAcc = a.X, a.Y
	s.HasCourse = false
	s.Station, s.Cross, s.HalfWidth, s.CourseYaw = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	if m.crs == nil {
		return
	}
	pl := m.crs.Locate(s.ENU, &m.hint)
	if !pl.OK {
		return
	}
	s.HasCourse = true
	s.LapLength = m.crs.Length()
	s.Station, s.Cross, s.HalfWidth, s.CourseYaw = pl.S, pl.Cross, pl.HalfWidth, pl.Yaw
	if m.crs.Closed() && m.lastS > 0.9*s.LapLength && pl.S < 0.1*s.LapLength {
		m.lap++
	}
	m.lastS = pl.S
	s.Lap = m.lap
}

// timing is what the time of the position may be off, s: the time stamps of the
// samples themselves, and a pause of theirs, which is a pause or the host clock
// set forward. It is taken off no protection level by any filter.
func (m *Monitor) timing() float64 {
	q := &m.nav.IMU
	pause := m.now - q.Last.T - m.cfg.IMU.Latency - 3*q.Period
	return 0.002 + m.cfg.IMU.Latency/2 + math.Max(0, pause)
}

// protect fills sigmas, protection levels and alert limits.
func (m *Monitor) protect(s *Snapshot) {
	p := &m.nav.Pred
	e, n := m.predDirection(s)
	c := posCov(&p.P)
	s.SigmaLat = math.Sqrt(math.Max(0, c.Along(-n, e)))
	s.SigmaLon = math.Sqrt(math.Max(0, c.Along(e, n)))
	s.SigmaYaw = math.Sqrt(math.Max(0, p.State.YawVariance(&p.P)))
	step := m.cfg.Tests.stepPart(s.Tests[TestJump].Detectable)
	t := m.timing()
	set := func(pl *PL, sigma, step, drift, rate float64) {
		pl.Sigma, pl.Step, pl.Drift = sigma, step, drift
		pl.Total, pl.Noise, pl.Timing = integrity.Protection(m.kPL, sigma, pl.unseen(), rate, t)
	}
	d := &m.drift.doubt
	set(&s.PLLat, s.SigmaLat, step, d.along(-n, e), s.Speed*math.Abs(s.YawRate)*t)
	set(&s.PLLon, s.SigmaLon, step, d.along(e, n), s.Speed)
	set(&s.PLYaw, s.SigmaYaw, 0, 0, s.YawRate)
	m.limits(s)
}

// stepPart is the largest step the jump test would miss, m; before the first
// pair of epochs nothing was tested and nothing is claimed.
func (t *Tests) stepPart(detectable float64) float64 {
	if math.IsNaN(detectable) {
		return 0
	}
	return detectable
}

func (m *Monitor) limits(s *Snapshot) {
	l, v := &m.cfg.Limits, &m.cfg.Vehicle
	s.ALLat = integrity.LateralLimit(l.Lateral, s.HalfWidth, v.HalfWidth, v.TrackingSigma)
	s.ALLon, s.ALYaw = l.Along, l.Heading*math.Pi/180
}

// predDirection is direction for the predicted state.
func (m *Monitor) predDirection(s *Snapshot) (e, n float64) {
	switch {
	case s.HasCourse:
		n, e = math.Sincos(s.CourseYaw)
	case s.Speed > 1:
		e, n = s.Vel.E/s.Speed, s.Vel.N/s.Speed
	default:
		n, e = math.Sincos(s.Yaw)
	}
	return e, n
}

// posCov is the position's part of a covariance, m².
func posCov(p *[eskf.NErr][eskf.NErr]float64) (c integrity.Sym3) {
	for i := range 3 {
		for j := range 3 {
			c[i][j] = p[eskf.IPos+i][eskf.IPos+j]
		}
	}
	return c
}

func (m *Monitor) describeNothing(s *Snapshot) {
	n := math.NaN()
	pl := blankPL()
	s.Pos = geodesy.LLA{Lat: n, Lon: n, H: n}
	s.ENU, s.Vel = geodesy.ENU{E: n, N: n, U: n}, geodesy.ENU{E: n, N: n, U: n}
	s.Roll, s.Pitch, s.Yaw, s.Speed, s.YawRate, s.LatAcc, s.LonAcc = n, n, n, n, n, n, n
	if m.nav.Phase == navigation.Levelled {
		s.Roll, s.Pitch = m.nav.Filter.Roll(), m.nav.Filter.Pitch()
	}
	s.SigmaLat, s.SigmaLon, s.SigmaYaw = n, n, n
	s.PLLat, s.PLLon, s.PLYaw = pl, pl, pl
	s.HasCourse = false
	s.Station, s.Cross, s.HalfWidth, s.CourseYaw = n, n, n, n
	s.Coast, s.SpeedCap = n, n
	s.CoastMax = false
	m.limits(s)
}

// judge says verdict, advice and reasons.
//
//	unproven --1--> usable --2--> coasting --3--> usable
//	                   \              \---4--> unusable, unproven
//	                    \--------5-----------> unusable
//	unusable --6--> unproven (fixed epochs in use again) --1--> usable
//
// 1 every condition holds and the dwell is served. 2 GNSS is absent or refused,
// dead reckoning is inside the limits. 3 as 1. 4 a protection level passed its
// limit or the time allowed is over: unproven where a stepped receiver leaves
// nobody to tell who is right. 5 an alarm that dead reckoning cannot answer:
// drift, base, units.
func (m *Monitor) judge(s *Snapshot) {
	b, tr, cfg := &m.reasons, &m.trust, &m.cfg
	b.open()

	// Inputs.
	imuSilent := m.nav.IMU.N == 0 || s.IMUAge > cfg.IMU.Gap+0.02
	// After a hole in the samples the first epoch has to say where the car is.
	imuSilent = imuSilent || (m.nav.IMU.GapLength > cfg.IMU.Gap && m.nav.IMU.GapEnd > tr.used)
	saturated := m.now-m.nav.IMU.Saturated < 0.5
	silent := m.rcv.n == 0 || s.EpochAge > m.silence()
	unitAlarm := m.units.fatal()
	if unitAlarm {
		b.add(whyUnits, math.NaN(), math.NaN(), "")
	}
	if imuSilent {
		b.add(whyIMU, s.IMUAge, cfg.IMU.Gap, "s")
	}
	if saturated {
		b.add(whySaturated, math.NaN(), math.NaN(), "")
	}
	if silent {
		b.add(whyReceiver, s.EpochAge, m.silence(), "s")
	}
	if m.rcv.late {
		b.add(whyClock, math.NaN(), cfg.GNSS.Stall, "s")
	}
	in := &s.Tests[TestInputs]
	in.alarm(unitAlarm || imuSilent || saturated || silent || m.rcv.late, s.T)

	// Receiver.
	fixed := m.rcv.class == navigation.ClassFixed
	if !silent && !fixed {
		m.explainFix(b, s)
	}
	s.Tests[TestFix].alarm(!fixed, s.T)
	switch s.Link.Base {
	case corrections.BaseElsewhere:
		b.add(whyBaseMoved, s.Link.BaseOff, cfg.Base.Tolerance, "m")
	case corrections.BaseUnconfirmed:
		b.add(whyBaseUnknown, math.NaN(), math.NaN(), "")
	}
	baseAlarm := b.on[whyBaseMoved] || b.on[whyBaseUnknown]
	rt := &s.Tests[TestReference]
	rt.set(s.Link.BaseOff, cfg.Base.Tolerance, cfg.Base.Tolerance, "m")
	rt.alarm(baseAlarm, s.T)
	if tr.drifted {
		b.add(whyDrift, tr.steps.Size(), s.Tests[TestDrift2].Detectable, "m")
	} else if tr.steps.Open {
		b.add(whyJump, tr.steps.Size(), s.Tests[TestJump].Detectable, "m")
	}
	if s.Tests[TestVelocity].Alarm {
		b.add(whyVelocity, s.Tests[TestVelocity].Stat, s.Tests[TestVelocity].Threshold, "")
	}
	if !math.IsNaN(tr.refused) && !tr.suspect() && m.nav.Phase == navigation.Aligned {
		b.add(whyInnovation, s.Tests[TestInnovation].Stat, s.Tests[TestInnovation].Threshold, "")
	}

	// Bounds.
	if m.nav.Phase != navigation.Aligned {
		b.add(whyAlign, math.NaN(), math.NaN(), "")
	}
	within := s.HasPos && s.PLLat.Total <= s.ALLat && s.PLLon.Total <= s.ALLon && s.PLYaw.Total <= s.ALYaw
	if s.HasPos {
		if !(s.PLLat.Total <= s.ALLat) {
			b.add(whyPLLat, s.PLLat.Total, s.ALLat, "m")
		}
		if !(s.PLLon.Total <= s.ALLon) {
			b.add(whyPLLon, s.PLLon.Total, s.ALLon, "m")
		}
		if !(s.PLYaw.Total <= s.ALYaw) {
			b.add(whyPLYaw, s.PLYaw.Total*180/math.Pi, s.ALYaw*180/math.Pi, "deg")
		}
		// It explains the levels that would be within their limits without it.
		if d := &m.drift.doubt; d.size > 0 && !within && s.PLLat.Total-s.PLLat.Drift <= s.ALLat && s.PLLon.Total-s.PLLon.Drift <= s.ALLon {
			b.add(whyDoubt, math.Hypot(d.y[0], d.y[1]), math.NaN(), "m")
		}
		s.Handover = integrity.Handover(s.Speed, cfg.Vehicle.Reaction, cfg.Vehicle.ReactiveSpeed, cfg.Vehicle.Brake)
	} else {
		s.Handover = math.NaN()
	}
	budget := s.Coast >= s.Handover
	if s.HasPos && !budget {
		b.add(whyCoast, s.Coast, s.Handover, "s")
	}

	dwelt := !math.IsNaN(tr.good) && m.now-tr.good >= cfg.Tests.Dwell-1e-6
	carried := m.now-tr.used <= m.silence() // a fixed epoch was used just now
	alarm := unitAlarm || saturated || baseAlarm || tr.suspect() || s.Tests[TestVelocity].Alarm
	if !dwelt && fixed && !silent {
		b.add(whyDwell, s.DwellLeft, 0, "s")
	}

	if u := &m.units; !u.armOK && m.nav.Phase == navigation.Aligned {
		if math.IsNaN(u.armEnd) {
			u.armEnd = m.now + leverWait
		}
		if u.armOK = u.armed(m.now > u.armEnd); !u.armOK {
			b.add(whyLever, math.NaN(), math.NaN(), "")
		}
	}
	was := s.Verdict
	usable := m.units.armOK && within && budget && dwelt && carried && fixed && !silent && !imuSilent && !alarm && !m.rcv.late && math.IsNaN(tr.refused)
	// What dead reckoning cannot answer: it was led astray itself, or its own
	// sensors are in doubt.
	astray := tr.drifted || baseAlarm || unitAlarm || saturated || imuSilent
	coasting := !usable && within && tr.proven && !astray && s.Coast > 0 && m.now-tr.used <= cfg.Tests.MaxCoast
	switch {
	case usable:
		s.Verdict = Usable
		tr.proven = true
	case coasting:
		s.Verdict = Coasting
	default:
		tr.proven = false
		s.Verdict = Unusable
		if m.nav.Phase != navigation.Aligned || (carried && fixed && !alarm) || (tr.steps.Open && !astray) {
			s.Verdict = Unproven
		}
		if (silent && m.rcv.n > 0 && m.nav.Phase == navigation.Aligned) || (imuSilent && m.nav.IMU.N > 0) {
			s.Verdict = Unusable
		}
	}
	s.LeaveIn = math.NaN()
	if s.Verdict == Coasting {
		s.LeaveIn = s.Coast - s.Handover
	}
	if s.Verdict == Usable || s.Verdict == Coasting {
		s.SpeedCap = m.speedCap(s)
		if s.Verdict == Usable && s.Speed > s.SpeedCap {
			b.add(whySpeed, s.Speed, s.SpeedCap, "m/s")
		}
	} else {
		s.SpeedCap = math.NaN()
		b.cap = math.NaN()
	}
	b.close(m, s)
	m.advise(s, imuSilent && silent)
	if s.Verdict != was || s.Seq == 1 {
		tr.since = m.now
		m.tellVerdict(s, was)
	}
	s.Since = m.host(tr.since)
}

// leverWait is how long after alignment the first turns are waited for to show
// that the lever arm is about right, s.
const leverWait = 14

// explainFix says why the last epoch does not pass the fix gate.
func (m *Monitor) explainFix(b *reasonBook, s *Snapshot) {
	e, g := &s.Epoch, &m.cfg.GNSS
	switch s.Link.Condition {
	case corrections.Late, corrections.Sparse, corrections.Corrupt, corrections.Silent:
		b.add(whyLink, m.now-s.Link.Since, math.NaN(), "s")
		b.r[whyLink].Code = linkCodes[s.Link.Condition]
	}
	if !e.HasPos || e.Status == 'V' {
		b.add(whyNoPosition, math.NaN(), math.NaN(), "")
	}
	if e.Quality != gnss.QualityFixed {
		b.add(whyQuality, float64(e.Quality), float64(gnss.QualityFixed), "")
	}
	if e.Age > g.MaxAge {
		b.add(whyAge, e.Age, g.MaxAge, "s")
	}
	if e.Sats >= 0 && e.Sats < g.MinSats {
		b.add(whySats, float64(e.Sats), float64(g.MinSats), "")
	}
	if e.HDOP > g.MaxHDOP {
		b.add(whyHDOP, e.HDOP, g.MaxHDOP, "")
	}
	if h := math.Hypot(e.SigmaN, e.SigmaE) / math.Sqrt2; h > g.MaxSigma {
		b.add(whySigma, h, g.MaxSigma, "m")
	}
	if navigation.Faulty(e) {
		b.add(whyFault, e.FaultBias, 5*e.FaultSigma, "m")
	}
}

// capRise is how fast the speed cap may rise again, m/s²: a person cannot follow
// a figure that dances with every bend.
const capRise = 1.0

// speedCap falls at once and rises slowly.
func (m *Monitor) speedCap(s *Snapshot) float64 {
	c := m.capNow(s)
	if p := &m.reasons; c > p.cap {
		c = math.Min(c, p.cap+capRise*(m.now-p.capAt))
	}
	m.reasons.cap, m.reasons.capAt = c, m.now
	return c
}

func (m *Monitor) capNow(s *Snapshot) float64 {
	v := &m.cfg.Vehicle
	return integrity.SpeedCap(integrity.CapInput{
		Speed: s.Speed, Coast: s.Coast,
		LatFixed: s.PLLat.Noise + s.PLLat.unseen(), LatPerV: math.Abs(s.YawRate) * m.timing(),
		LonFixed: s.PLLon.Noise + s.PLLon.unseen(), LonPerV: m.timing(),
		ALLat: s.ALLat, ALLon: s.ALLon,
		Reaction: v.Reaction, Reactive: v.ReactiveSpeed, Brake: v.Brake, Max: v.MaxSpeed,
	})
}

// advise turns the verdict into what to do. It worsens at once and improves
// only after a hold, so that it does not flicker.
func (m *Monitor) advise(s *Snapshot, blind bool) {
	want := AdviseReactive
	switch s.Verdict {
	case Usable:
		want = AdviseMap
		if !(s.SpeedCap >= m.cfg.Vehicle.MaxSpeed || s.Speed < 0.9*s.SpeedCap) {
			want = AdviseMapSlow
		}
		if math.IsNaN(s.SpeedCap) {
			want = AdviseReactive
		}
	case Coasting:
		if s.LeaveIn > 0 {
			want = AdviseMapSlow
		}
	default:
		// Blind on every side, or standing with nothing known: stay.
		if blind || (m.nav.Phase == navigation.Empty && m.nav.IMU.N == 0) {
			want = AdviseStop
		}
	}
	if want == AdviseMap && s.Advice < AdviseMapSlow {
		s.Advice = AdviseMapSlow // the dwell was hold enough for this much
	}
	if want <= s.Advice {
		s.Advice = want
		m.reasons.better = math.NaN()
		return
	}
	if math.IsNaN(m.reasons.better) {
		m.reasons.better = m.now
	}
	if m.now-m.reasons.better >= m.cfg.Tests.CapHold {
		s.Advice = want
		m.reasons.better = math.NaN()
	}
}

// tellVerdict makes the event of a changed verdict.
func (m *Monitor) tellVerdict(s *Snapshot, was Verdict) {
	detail := s.Verdict.String()
	if s.Seq > 1 {
		detail = was.String() + " -> " + detail
	}
	for i := range min(s.NReasons, 3) {
		if i == 0 {
			detail += ": "
		} else {
			detail += ", "
		}
		detail += s.Reasons[i].Code
	}
	m.event(Event{T: s.T, End: math.NaN(), Kind: EventVerdict, Cause: s.Verdict.String(), Size: math.NaN(), Where: m.where(), Detail: detail})
}
