package fusion

import (
	"math"

	"kerbline/fusion/coast"
	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/trust"
	"kerbline/fusion/verdict"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

func blankEpoch() gnss.Epoch {
	n := math.NaN()
	return gnss.Epoch{UTC: n, Arrival: n, Complete: n, Quality: gnss.QualityUnknown, Sats: -1, HDOP: n, PDOP: n, Age: n, Station: -1,
		Speed: n, Course: n, SigmaN: n, SigmaE: n, SigmaU: n, RMSRange: n, FaultSat: -1, FaultBias: n, FaultSigma: n,
		ErrN: n, ErrE: n, ErrU: n, Heading: n, Tracked: -1, CN0: n}
}

func blankSnapshot() Snapshot {
	n := math.NaN()
	pl := verdict.BlankPL()
	s := Snapshot{T: n, UTC: n, Since: n, SpeedCap: n, Coast: n, Handover: n, LeaveIn: n, Pos: geodesy.LLA{Lat: n, Lon: n, H: n},
		Roll: n, Pitch: n, Yaw: n, Speed: n, YawRate: n, LatAcc: n, LonAcc: n, SigmaLat: n, SigmaLon: n, SigmaYaw: n,
		PLLat: pl, PLLon: pl, PLYaw: pl, ALLat: n, ALLon: n, ALYaw: n, Epoch: blankEpoch(), EpochAge: n, EpochRate: n, SigmaFix: n,
		IMURate: n, IMUAge: n, Vibration: n, WheelRate: n, WheelAge: n, WheelSpeed: n, WheelScale: n, Slip: n,
		HostMinusUTC: n, Latency: n, LatencySigma: n, ClockDrift: n,
		LeverSigma: [2]float64{math.Inf(1), math.Inf(1)},
		Station:    n, LapLength: n, Cross: n, HalfWidth: n, CourseYaw: n}
	s.Tests = integrity.BlankTests()
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
		now := m.coastNow(s)
		s.Coast, s.CoastMax = m.coast.Update(&m.nav, &now)
	} else {
		m.describeNothing(s)
	}
	m.link.Where(s.Station, s.LapLength)
	s.Setup = m.params.Progress(&m.nav)
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
	if m.clock.Ready() {
		s.HostMinusUTC = m.clock.HostMinusUTC(m.nav.Latency()) - m.shift
		s.UTC = s.T - s.HostMinusUTC
		s.Latency = m.clock.MinLatency(m.nav.Latency())
		s.ClockDrift = m.clock.Drift()
		if m.nav.Phase == navigation.Aligned {
			s.LatencySigma = math.Sqrt(m.nav.Filter.P[eskf.ILat][eskf.ILat])
			m.params.OnLatency(s.Latency, s.LatencySigma)
		}
	}
	s.Refused = m.trust.RefusedFor(m.now)
	_, s.DwellLeft = m.trust.Served(m.now, &m.cfg.Tests.Requalification)
	tr := &m.trust
	s.NeedsProof = tr.Accused()
	s.Driven = m.driven
	s.Claim = Claim{Fix: tr.Fix, Fault: tr.Fault, Since: m.host(tr.Since), LLR: tr.LLR, Believe: tr.Needed, Refute: trust.Refute,
		Offset: tr.Offset, Followed: tr.Followed, Proven: m.host(tr.BelievedAt)}
	s.Link = *m.link.State()
	m.describePhases(s)
	m.describeMark(s)
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
	m.checks.look(m, s)
	s.Symptom = m.checks.first(m.params.Finding())
}

func rate(period float64) float64 {
	if period > 0 {
		return 1 / period
	}
	return math.NaN()
}

func (m *Monitor) describeMotion(s *Snapshot) {
	p := &m.nav.Pred
	s.ENU = enu(p.State.Origin())
	s.Pos = m.frame.ToLLA(s.ENU)
	s.Roll, s.Pitch, s.Yaw = p.State.Roll(), p.State.Pitch(), p.State.Yaw()
	s.Vel = enu(p.State.OriginVel(m.nav.IMU.MeanW))
	s.Speed = math.Hypot(s.Vel.E, s.Vel.N)
	up := p.State.ToWorld(p.W)
	s.YawRate = up.Z
	a := p.State.InBody(r3.Sub(p.F, p.State.ToBody(r3.Vec{Z: m.nav.Filter.Params.Gravity})))
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
	pause := m.now - q.Last.T - m.cfg.IMU.Latency - m.nav.Stamps.Usual - 3*q.Period
	return 0.002 + m.cfg.IMU.Latency/2 + m.nav.StampError() + math.Max(0, pause)
}

// protect fills sigmas, protection levels and alert limits.
func (m *Monitor) protect(s *Snapshot) {
	p := &m.nav.Pred
	e, n := m.predDirection(s)
	c := integrity.Sym3(m.nav.OriginCov(&p.State, &p.P))
	s.SigmaLat = math.Sqrt(math.Max(0, c.Along(-n, e)))
	s.SigmaLon = math.Sqrt(math.Max(0, c.Along(e, n)))
	s.SigmaYaw = math.Sqrt(math.Max(0, m.nav.YawVariance(&p.State, &p.P)))
	step := missedStep(s.Tests[TestJump].Detectable)
	step = m.protectCarried(s, step)
	t := m.timing()
	d, unchecked := &m.drift.Suspected, m.drift.Unchecked()
	// Were the antenna's place wrong the body origin would be: by how much, along
	// and across.
	s.LeverOff, s.LeverSigma = m.params.Shown(&m.nav)
	off, yaw := m.params.Disputed(&m.nav), s.Yaw-math.Atan2(n, e)
	sin, cos := math.Abs(math.Sin(yaw)), math.Abs(math.Cos(yaw))
	s.PLLat.Set(m.kPL, s.SigmaLat, step, d.Along(-n, e)+unchecked+sin*off[0]+cos*off[1], s.Speed*math.Abs(s.YawRate)*t, t)
	s.PLLon.Set(m.kPL, s.SigmaLon, step, d.Along(e, n)+unchecked+cos*off[0]+sin*off[1], s.Speed, t)
	s.PLYaw.Set(m.kPL, s.SigmaYaw, 0, 0, s.YawRate, t+m.nav.HeadingLag())
	m.limits(s)
}

// missedStep is the largest step the jump test would miss, m; before the first
// pair of epochs nothing was tested and nothing is claimed.
func missedStep(detectable float64) float64 {
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

// coastNow says what the coast budget is to be found for.
func (m *Monitor) coastNow(s *Snapshot) coast.Now {
	n := coast.Now{T: m.now, Used: m.now-m.trust.UsedAt < 0.5 || s.Phases.Lead, Speed: s.Speed, YawRate: s.YawRate,
		Unseen: [3]float64{s.PLLat.Unseen(), s.PLLon.Unseen()},
		Timing: [3]float64{s.PLLat.Timing, s.PLLon.Timing, s.PLYaw.Timing},
		Limit:  [3]float64{s.ALLat, s.ALLon, s.ALYaw}}
	n.Since, n.Time, n.Lost = m.now-m.trust.UsedAt, m.timing(), m.memory.Told.Verdict == Coasting
	car := &m.cfg.Vehicle
	n.Room = coast.Room{Most: m.cfg.Limits.Lateral, CarHalf: car.HalfWidth, Margin: car.TrackingSigma}
	n.Brake = coast.Handover{Reaction: car.Reaction, Reactive: car.ReactiveSpeed, Brake: car.Brake}
	n.East, n.North = m.predDirection(s)
	if s.HasCourse {
		n.Course, n.Station, n.Way = m.crs, s.Station, 1
		if s.Vel.E*math.Cos(s.CourseYaw)+s.Vel.N*math.Sin(s.CourseYaw) < 0 {
			n.Way = -1
		}
	}
	return n
}

func (m *Monitor) describeNothing(s *Snapshot) {
	n := math.NaN()
	pl := verdict.BlankPL()
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

// judge gathers the evidence of this instant and sets the verdict.
func (m *Monitor) judge(s *Snapshot) {
	cfg, e, j := &m.cfg, &m.evidence, &m.judgement
	m.gather(e, s)
	j.Begin()
	if !e.ReceiverSilent && !e.Fixed {
		m.explainFix(&j.Reasons, s)
	}
	verdict.Judge(e, &cfg.Vehicle.Car, &cfg.Tests.Timing, j)
	if first := j.Reasons.First(); j.Verdict != Usable && s.Symptom.ID.IsCauseOf(first) {
		j.Reasons.AddCoded(verdict.WhySettings, symptoms.Of(s.Symptom.ID).Code, math.NaN(), math.NaN(), "")
	}
	told := m.memory.Tell(m.now, m.shift, e, j, &cfg.Vehicle.Car, &cfg.Tests.Timing)
	m.believe(&trust.Evidence{Kind: trust.Verdict, Usable: told.Verdict == Usable, Coasting: told.Verdict == Coasting})
	s.Verdict, s.Advice, s.Since, s.SpeedCap = told.Verdict, told.Advice, told.Since, told.SpeedCap
	s.Reasons, s.NReasons = told.Reasons, told.NReasons
	s.Handover, s.LeaveIn = j.Handover, j.LeaveIn

	s.Tests[TestInputs].SetAlarm(j.InputAlarm, s.T)
	s.Tests[TestFix].SetAlarm(!e.Fixed, s.T)
	rt := &s.Tests[TestReference]
	rt.Set(s.Link.BaseOff, cfg.Base.Tolerance, cfg.Base.Tolerance, "m")
	rt.SetAlarm(j.BaseAlarm, s.T)
	if told.Changed {
		m.tellVerdict(s, told.Was)
	}
}

const (
	// imuSlack is how much later than the configured gap a sample may be, s:
	// transfer and a busy computer. Common practice, no source.
	imuSlack = 0.02
	// saturatedHold is how long a saturated sample counts, s. Common practice.
	saturatedHold = 0.5
)

// gather fills the evidence of this instant.
func (m *Monitor) gather(e *verdict.Evidence, s *Snapshot) {
	tr, q, cfg := &m.trust, &m.nav.IMU, &m.cfg
	served, left := tr.Served(m.now, &cfg.Tests.Requalification)
	*e = verdict.Evidence{
		SettingsWrong: m.params.Wrong() || m.checks.stops(), Symptom: symptoms.Of(s.Symptom.ID).Code,
		IMUHeard: q.N > 0,
		// After a gap in the samples the first epoch has to say where the car is.
		IMUSilent: q.N == 0 || s.IMUAge > cfg.IMU.Gap+imuSlack || q.GapLength > cfg.IMU.Gap && q.GapEnd > tr.UsedAt,
		IMUAge:    s.IMUAge, IMUGap: cfg.IMU.Gap,
		Saturated:      m.now-q.Saturated < saturatedHold,
		ReceiverHeard:  m.rcv.n > 0,
		ReceiverSilent: m.rcv.n == 0 || s.EpochAge > m.silence(),
		EpochAge:       s.EpochAge, Silence: m.silence(),
		Frozen:    m.rcv.frozen(),
		EpochLate: m.rcv.late, Stall: cfg.GNSS.Stall,
		ComputerLate: m.computerLate(),

		Fixed: m.rcv.class == navigation.ClassFixed,
		Base:  s.Link.Base, BaseOff: s.Link.BaseOff, BaseTolerance: cfg.Base.Tolerance,

		Stepped: tr.Fault == trust.Stepped, Drifted: tr.Fault == trust.Drifted, FaultSize: tr.Steps.Size(),
		Claimed: tr.Fault == trust.Broken && tr.Fix == trust.Claimed, Refuted: tr.Fault == trust.Broken && tr.Fix == trust.Refuted,
		Undecided: tr.Fault == trust.Stepped && tr.Fix == trust.Claimed,
		LLR:       tr.LLR, LLRWanted: tr.Needed, Offset: math.Hypot(tr.Offset[0], tr.Offset[1]),
		Refused: !math.IsNaN(tr.RefusedSince), Proven: tr.Proven,
		Requalifying: !served, DwellLeft: left, SinceUsed: m.sinceUsed(),
		Carried: s.Phases.Carried, CarriedLeads: s.Phases.Lead, CarriedFor: s.Phases.Since, CarriedLeft: s.Phases.Left,
		Contradicted: m.phases.refuted(m.now), ContradictedBy: r3.Norm(vec(s.Phases.Off)),
		SettingsOpen: !s.Setup.Confirmed,
		Tests:        &s.Tests,

		Empty: m.nav.Phase == navigation.Empty, Aligned: s.HasPos,
		PLLat: s.PLLat, PLLon: s.PLLon, PLYaw: s.PLYaw, ALLat: s.ALLat, ALLon: s.ALLon, ALYaw: s.ALYaw,
		SuspectedDrift: m.drift.Suspected.Size(), Unchecked: m.drift.Unchecked(),
		Speed: s.Speed, YawRate: s.YawRate, Timing: m.timing(), Coast: s.Coast, Leave: m.coast.Leave,
	}
}

// explainFix says why the last epoch does not pass the fix gate.
func (m *Monitor) explainFix(b *verdict.Reasons, s *Snapshot) {
	e, g := &s.Epoch, &m.cfg.GNSS
	none := math.NaN()
	switch s.Link.Condition {
	case corrections.Late, corrections.Sparse, corrections.Corrupt, corrections.Silent:
		b.AddCoded(verdict.WhyLink, linkCodes[s.Link.Condition], m.now-s.Link.Since, none, "s")
	}
	if m.recv.Watch != nil {
		if dB, _, _ := m.recv.State().Interference(); dB > 0 {
			b.Add(verdict.WhyInterference, dB, none, "dB")
		}
	}
	if !e.HasPos || e.Status == 'V' {
		b.Add(verdict.WhyNoPosition, none, none, "")
	}
	if e.Quality != gnss.QualityFixed {
		b.Add(verdict.WhyQuality, float64(e.Quality), float64(gnss.QualityFixed), "")
	}
	if e.Age > g.MaxAge {
		b.Add(verdict.WhyAge, e.Age, g.MaxAge, "s")
	}
	if e.Sats >= 0 && e.Sats < g.MinSats {
		b.Add(verdict.WhySats, float64(e.Sats), float64(g.MinSats), "")
	}
	if e.HDOP > g.MaxHDOP {
		b.Add(verdict.WhyHDOP, e.HDOP, g.MaxHDOP, "")
	}
	if h := math.Hypot(e.SigmaN, e.SigmaE) / math.Sqrt2; h > g.MaxSigma {
		b.Add(verdict.WhySigma, h, g.MaxSigma, "m")
	}
	if navigation.Faulty(e) {
		b.Add(verdict.WhyFault, e.FaultBias, 5*e.FaultSigma, "m")
	}
}

// linkCodes put the link's condition into the code of a reason.
var linkCodes = [...]string{"link-untapped", "link-flowing", "link-late", "link-sparse", "link-corrupt", "link-silent"}

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
