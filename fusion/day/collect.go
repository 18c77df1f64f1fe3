package day

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/words"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

const (
	moveSpeed = 1.5 // m/s: slower is standing
	moveHold  = 0.5 // s above it until the car has moved off
	maxHold   = 0.5 // s, longest time one line stands for: as package score
	freshFor  = 1.0 // s: an older epoch or wheel sample says nothing
)

// Collector gathers a session line by line.
type Collector struct {
	s       Session
	cfg     *fusion.Config
	truth   *score.Truth
	scorer  *score.Scorer
	hint    int
	began   bool
	lastT   float64 // host Unix s of the line before
	shift   float64 // x = T + shift
	held    line
	hasHeld bool
	lastDT  float64

	fast      float64 // x since which the car is fast, NaN
	usable    bool    // usable once
	before    fusion.Verdict
	brk       *Break
	spare     Break // stands in for breaks beyond maxBreaks
	lastCoast float64
	lastUTC   float64 // of the last epoch taken
	wasJump   bool

	rest  restStretch
	noise Mean
}

// line is a verdict line until it is known how long it stands.
type line struct {
	x                float64
	verdict          fusion.Verdict
	quality          QualityClass
	link             corrections.Condition
	driving, settled bool
	place            int // -1 unknown
	still            bool
	reason           string
	speed, cap       float64
	phases           phaseState
}

// restStretch is the fixed epochs of one standing still, about their mean.
type restStretch struct {
	on     bool
	frame  geodesy.Frame
	n      int
	mE, mN float64
	m2     float64
	from   float64
	last   float64
}

// NewCollector returns a collector for a session called name, judged with cfg;
// truth may be nil.
func NewCollector(name string, cfg *fusion.Config, truth *score.Truth) *Collector {
	n := math.NaN()
	c := &Collector{cfg: cfg, truth: truth, lastDT: 0.1, fast: n, lastCoast: n, lastUTC: n}
	inf := math.Inf(1)
	c.s = Session{Name: name, Config: cfg, LeverSigma: [2]float64{inf, inf}, UTCStart: n, Moved: n, FirstEpoch: n, FirstFix: n, FirstUsable: n, TopSpeed: n,
		LowCap: n, LowCapWhere: n, LowCapX: n, BaseOff: n, BaseAt: n, MaxAge: n, MaxAgeX: n, LinkUsual: n,
		Latency: n, LatencySig: n, EpochRate: n, IMURate: n, GyroBias: n, AccBias: n, AccNoise: n, counts: map[fusion.EventKind]int{}}
	if truth != nil {
		c.scorer = score.New(truth, nil)
	}
	return c
}

// LinesOnly says that verdict lines are all there is: events are then taken from
// their reasons, and what they do not hold is not judged.
func (c *Collector) LinesOnly() { c.s.Live = true }

// OnMap says which map the session is driven on: its [course.Course.Fingerprint].
func (c *Collector) OnMap(fingerprint string) { c.s.Map = fingerprint }

// SurveyedBy says where the base of the map's survey stood, and whether the map's
// file says so. Without a call nothing is judged by it.
func (c *Collector) SurveyedBy(base geodesy.ECEF, known bool) {
	c.s.MapAsked, c.s.MapBase, c.s.HasMapBase = true, base, known
}

// Add takes what one step of the monitor returned; snap may be nil.
func (c *Collector) Add(snap *fusion.Snapshot, events []fusion.Event) {
	if c.scorer != nil {
		c.scorer.Add(snap, events)
	}
	if snap != nil {
		if c.s.Reception == nil {
			c.s.Reception = snap.Reception
		}
		c.line(snap)
	}
	for i := range events {
		c.event(&events[i])
	}
}

// line takes a verdict line.
func (c *Collector) line(s *fusion.Snapshot) {
	d := &c.s
	if !c.began {
		c.began = true
		d.HostStart = s.T
		c.shift = -s.T
		c.lastT = s.T
	}
	dt := s.T - c.lastT
	if dt < 0 { // the computer's clock was set back; the session goes on
		c.shift += 0.1 - dt
		dt = 0.1
	}
	c.lastT = s.T
	x := s.T + c.shift
	d.Lines++
	d.Length = x
	if c.hasHeld {
		c.lastDT = math.Min(dt, maxHold)
		c.account(c.lastDT)
	}
	if !math.IsNaN(s.UTC) {
		d.UTCStart, d.UTCKnown = s.UTC-x, true
	} else if !d.UTCKnown {
		d.UTCStart = s.T - x
	}

	v := bestSpeed(s)
	c.movingOff(x, v)
	l := line{x: x, verdict: s.Verdict & 3, quality: classOf(s), link: s.Link.Condition, place: -1, speed: s.Speed, cap: s.SpeedCap}
	l.driving = !math.IsNaN(d.Moved) && !(v <= moveSpeed)
	l.settled = l.driving && x >= d.Moved+score.SettleTime
	if s.NReasons > 0 {
		l.reason = s.Reasons[0].Code
	}
	l.phases = phaseState{s.Phases.Heard, s.Phases.Lead, s.Phases.Opinion}
	c.refuted(s, x)
	c.place(s, &l)
	c.breaks(s, &l)
	c.firsts(s, &l)
	c.figures(s, &l)
	c.health(s, &l)
	c.epoch(s, &l)
	c.held, c.hasHeld = l, true
	c.before = l.verdict
}

// account adds the held line, which stood for dt seconds.
func (c *Collector) account(dt float64) {
	d, l := &c.s, &c.held
	d.Seconds[l.verdict] += dt
	b := d.Series.bin(l.x)
	b.Verdict[l.verdict] += dt
	b.Link[min(int(l.link), numConditions-1)] += dt
	b.Quality[l.quality] += dt
	if c.brk != nil && l.verdict != fusion.Usable && l.driving {
		c.brk.Lost += dt
		c.brk.reasons.add(l.reason, dt)
	}
	if l.still {
		d.RestS += dt
	}
	if !l.driving {
		return
	}
	d.Driving += dt
	d.Phases.add(&l.phases, dt)
	d.LinkS[min(int(l.link), numConditions-1)] += dt
	if l.speed > 0 {
		d.Distance += l.speed * dt
	}
	g := &d.Lap
	if l.place >= 0 {
		g.cur.Sec[l.verdict] += dt
	}
	if !l.settled {
		return
	}
	d.Settled += dt
	d.ByV[l.verdict] += dt
	if l.quality == ClassFixed {
		d.FixedS += dt
	}
	if l.verdict == fusion.Usable {
		d.caps.add(l.cap, dt)
		if l.speed > l.cap {
			d.OverCap += dt
		}
	}
	if l.place >= 0 {
		p := &g.Places[l.place]
		p.Sec[l.verdict] += dt
		if l.quality == ClassFixed {
			p.Fixed += dt
		}
	}
}

// bestSpeed is the speed by whatever knows it, NaN when nothing does.
func bestSpeed(s *fusion.Snapshot) float64 {
	switch {
	case s.HasPos:
		return s.Speed
	case s.WheelAge < freshFor:
		return s.WheelSpeed
	case s.EpochAge < freshFor:
		return s.Epoch.Speed
	}
	return math.NaN()
}

func (c *Collector) movingOff(x, v float64) {
	d := &c.s
	if !math.IsNaN(d.Moved) {
		return
	}
	switch {
	case !(v > moveSpeed):
		c.fast = math.NaN()
	case math.IsNaN(c.fast):
		c.fast = x
	case x-c.fast >= moveHold:
		d.Moved = c.fast
	}
}

// classOf sorts the last epoch's quality.
func classOf(s *fusion.Snapshot) QualityClass {
	if s.EpochAge > freshFor {
		return ClassNone
	}
	switch s.Epoch.Quality {
	case gnss.QualityFixed:
		return ClassFixed
	case gnss.QualityFloat:
		return ClassFloat
	case gnss.QualityNone, gnss.QualityUnknown:
		return ClassNone
	}
	return ClassOther
}

// place follows the car along the lap and over the ground.
func (c *Collector) place(s *fusion.Snapshot, l *line) {
	d := &c.s
	rank := rankOf[l.verdict]
	if s.HasPos && s.Pos.Valid() {
		if !math.IsNaN(d.Moved) {
			d.Track.add(s.Pos, l.x, uint8(l.verdict))
		}
	} else {
		d.Track.lift()
	}
	g := &d.Lap
	if !s.HasCourse || !(s.LapLength > 0) || math.IsNaN(s.Station) {
		if g.Length > 0 && l.driving {
			g.lose(rank)
		}
		return
	}
	if g.Length == 0 {
		g.begin(s.LapLength)
		d.HasCourse = true
	}
	if !l.driving {
		if g.place >= 0 {
			g.settled = false // a stop is no pass
			g.lastX = l.x
		}
		return
	}
	g.step(l.x, s.Station, rank, l.settled)
	l.place = g.place
	g.yaw = s.CourseYaw
	p := &g.Places[l.place]
	g.cur.Speed = math.Max(g.cur.Speed, s.Speed)
	ratios := [numAxes]float64{s.PLLat.Total / s.ALLat, s.PLLon.Total / s.ALLon, s.PLYaw.Total / s.ALYaw}
	inUse := l.quality == ClassFixed && s.Refused == 0 && (l.verdict == fusion.Usable || l.verdict == fusion.Coasting)
	for i, r := range ratios {
		if !math.IsNaN(r) {
			g.cur.PLRatio[i] = math.Max(g.cur.PLRatio[i], r)
			if inUse && l.settled {
				p.Ratio[i].Add(r)
			}
		}
	}
	if l.settled && l.verdict == fusion.Usable {
		p.Cap.Add(s.SpeedCap)
		p.Speed.Add(s.Speed)
		p.Budget.Add(s.Coast)
		g.cross.Add(s.Cross)
	}
}

// breaks follows the times that were not usable.
func (c *Collector) breaks(s *fusion.Snapshot, l *line) {
	d := &c.s
	if l.verdict == fusion.Usable {
		if c.brk != nil {
			c.brk.To = l.x
			c.brk = nil
		}
		c.lastCoast = s.Coast
		return
	}
	if c.brk == nil && l.driving && (c.usable || l.settled) {
		b := Break{From: l.x, To: math.NaN(), Open: true, Where: where(s), Coast: c.lastCoast, Handover: math.NaN(), Said: math.NaN(), Ended: math.NaN(), Outage: -1}
		if c.before != fusion.Usable { // not lost while driving: there was nothing to lose
			b.Coast = math.NaN()
		}
		d.NBreaks++
		if len(d.Breaks) < maxBreaks {
			if d.Breaks == nil {
				d.Breaks = make([]Break, 0, maxBreaks) // brk points into it
			}
			d.Breaks = append(d.Breaks, b)
			c.brk = &d.Breaks[len(d.Breaks)-1]
		} else {
			c.spare = b
			c.brk = &c.spare
		}
	}
	c.countdown(s, l)
	if c.brk != nil && math.IsNaN(c.brk.Handover) && l.verdict != fusion.Coasting &&
		(c.before == fusion.Usable || c.before == fusion.Coasting) && l.driving {
		c.brk.Handover, c.brk.Why = l.x, whyEnded(s, c.cfg)
	}
}

// countdown notes what the countdown said as the coast began, and when it ended.
func (c *Collector) countdown(s *fusion.Snapshot, l *line) {
	b := c.brk
	if b == nil || l.verdict != fusion.Coasting && c.before != fusion.Coasting {
		return
	}
	if math.IsNaN(b.Said) && l.verdict == fusion.Coasting {
		b.Said, b.coastFrom = s.LeaveIn, l.x
	}
	if math.IsNaN(b.Ended) && !math.IsNaN(b.Said) && s.Advice < fusion.AdviseMapSlow {
		b.Ended = l.x
	}
}

// whyEnded says what ended the carrying by dead reckoning. The budget runs at the
// risk of the seconds after a loss, the levels at that of every line, so the levels
// may end it first.
func whyEnded(s *fusion.Snapshot, cfg *fusion.Config) string {
	for _, a := range []struct {
		name string
		over bool
	}{{"lateral", s.PLLat.Total > s.ALLat}, {"along-track", s.PLLon.Total > s.ALLon}, {"heading", s.PLYaw.Total > s.ALYaw}} {
		if a.over {
			return fmt.Sprintf("the %s level passed its limit; levels hold at risk %s, the budget at %s", a.name, plain(cfg.Limits.Risk), plain(cfg.Limits.RiskCoast))
		}
	}
	if s.NReasons > 0 {
		if f := words.OfReason(s.Reasons[0].Code); s.Reasons[0].Code != "receiver-silent" {
			return f.Was
		}
	}
	return fmt.Sprintf("dead reckoning is never called coasting for longer than %s", with(cfg.Tests.MaxCoast, 0, "s"))
}

func where(s *fusion.Snapshot) float64 {
	if s.HasCourse {
		return s.Station
	}
	return math.NaN()
}

// firsts notes what happened for the first time.
func (c *Collector) firsts(s *fusion.Snapshot, l *line) {
	d := &c.s
	if math.IsNaN(d.FirstEpoch) && (!math.IsNaN(s.EpochAge) || l.quality != ClassNone) {
		d.FirstEpoch = l.x
	}
	if math.IsNaN(d.FirstFix) && l.quality == ClassFixed {
		d.FirstFix = l.x
	}
	if l.verdict == fusion.Usable {
		c.usable = true
		if math.IsNaN(d.FirstUsable) {
			d.FirstUsable = l.x
		}
	}
}

// figures takes what the time axis shows.
func (c *Collector) figures(s *fusion.Snapshot, l *line) {
	d := &c.s
	b := d.Series.bin(l.x)
	for i, v := range [numAxes]float64{s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total} {
		b.Of[PL.At(score.Axis(i))].Add(v)
	}
	for i, v := range [numAxes]float64{s.ALLat, s.ALLon, s.ALYaw} {
		b.Of[AL.At(score.Axis(i))].Add(v)
	}
	if l.quality != ClassNone {
		b.Of[Age].Add(s.Epoch.Age)
		if s.Epoch.Sats >= 0 {
			b.Of[Sats].Add(float64(s.Epoch.Sats))
		}
		b.Of[CN0].Add(s.Epoch.CN0)
	}
	b.Of[Speed].Add(s.Speed)
	b.Of[Cap].Add(s.SpeedCap)
	b.Of[Coast].Add(s.Coast)
	if c.truth != nil && s.HasPos {
		if ref, ok := c.truth.At(s.T, &c.hint); ok {
			p := c.truth.Frame().FromLLA(s.Pos)
			e, n := p.E-ref.Pos.E, p.N-ref.Pos.N
			sin, cos := math.Sincos(score.Direction(s))
			b.Of[Err.At(score.Lateral)].Add(math.Abs(-sin*e + cos*n))
			b.Of[Err.At(score.Along)].Add(math.Abs(cos*e + sin*n))
			b.Of[Err.At(score.Heading)].Add(math.Abs(math.Remainder(s.Yaw-ref.Yaw, 2*math.Pi)))
		}
	}
	if l.settled && l.verdict == fusion.Usable {
		d.detectable.add(s)
		d.level[0].Add(s.PLLon.Total)
		d.level[1].Add(s.PLLat.Total)
		if !(s.Speed <= d.TopSpeed) {
			d.TopSpeed = s.Speed
		}
		if s.SpeedCap < d.LowCap || math.IsNaN(d.LowCap) {
			d.LowCap, d.LowCapWhere, d.LowCapX = s.SpeedCap, where(s), l.x
		}
	}
}

// health takes what is known of base, link, clock and inertial sensor.
func (c *Collector) health(s *fusion.Snapshot, l *line) {
	d := &c.s
	base := s.Link.Base
	jump, moved := false, false
	for i := range s.NReasons {
		switch s.Reasons[i].Code {
		case "base-moved":
			base, moved = corrections.BaseElsewhere, true
		case "base-unconfirmed":
			base = corrections.BaseUnconfirmed
		case "jump", "drift":
			jump = true
		}
	}
	if c.s.Live { // no events are published: the reasons tell of them
		if jump && !c.wasJump {
			c.jump(Jump{X: l.x, Size: math.NaN(), Where: where(s)})
		}
		c.wasJump = jump
	}
	if baseRank[base] > baseRank[d.Base] {
		d.Base = base
	}
	d.Marked = s.Mark.At > 0 // it ends with the base
	d.Taken = s.Taken
	if s.Link.Base != corrections.BaseUnheard && !d.HasBase {
		d.HasBase, d.BaseFirst = true, s.Link.BaseECEF
	}
	if off := s.Link.BaseOff; base != corrections.BaseUnheard && !(off <= d.BaseOff) && !math.IsNaN(off) {
		d.BaseOff = off
	}
	if (base == corrections.BaseElsewhere || moved) && math.IsNaN(d.BaseAt) {
		d.BaseAt = l.x
	}
	if id := s.Epoch.Station; id >= 0 && l.quality != ClassNone && !slices.Contains(d.Stations, id) && len(d.Stations) < maxStations {
		d.Stations = append(d.Stations, id)
	}
	if l.driving && l.quality == ClassFixed && s.Epoch.Age >= 0 && !(s.Epoch.Age <= d.MaxAge) {
		d.MaxAge, d.MaxAgeX = s.Epoch.Age, l.x
	}
	keep := func(to *float64, v float64) {
		if !math.IsNaN(v) {
			*to = v
		}
	}
	keep(&d.LinkUsual, s.Link.UsualLat)
	keep(&d.Latency, s.Latency)
	keep(&d.LatencySig, s.LatencySigma)
	keep(&d.EpochRate, s.EpochRate)
	if s.IMUAge < freshFor {
		d.HasIMU = true
		keep(&d.IMURate, s.IMURate)
	}
	if s.WheelAge < freshFor {
		d.HasWheel = true
	}
	if s.HasPos && d.HasIMU {
		d.GyroBias = largest(s.GyroBias)
		d.AccBias = largest(s.AccBias)
		d.LeverOff, d.LeverSigma = s.LeverOff, s.LeverSigma
	}
	if f := &s.Symptom; f.ID != symptoms.None {
		d.Symptoms[f.ID] = *f
		switch f.ID { // what lines could not be read for
		case symptoms.IMUClock:
			d.Symptoms[symptoms.IMUUnread] = symptoms.Finding{}
		case symptoms.WheelClock:
			d.Symptoms[symptoms.WheelUnread] = symptoms.Finding{}
		}
	}
	if s.Still && s.IMURate > 0 && s.Vibration > 0 {
		// Vibration is the rms of all three axes, white from sample to sample.
		c.noise.Add(s.Vibration / math.Sqrt(3*s.IMURate))
		l.still = true
	}
}

// baseRank orders base states from unknown to worst.
var baseRank = [...]int{corrections.BaseUnheard: 0, corrections.BaseAsSurveyed: 1, corrections.BaseFirstHeard: 2,
	corrections.BaseUnconfirmed: 3, corrections.BaseElsewhere: 4}

func largest(v [3]float64) float64 {
	return math.Max(math.Abs(v[0]), math.Max(math.Abs(v[1]), math.Abs(v[2])))
}

// epoch takes each epoch once: how still it stands while the car does.
func (c *Collector) epoch(s *fusion.Snapshot, l *line) {
	e := &s.Epoch
	if e.UTC == c.lastUTC || math.IsNaN(e.UTC) {
		return
	}
	c.lastUTC = e.UTC
	r := &c.rest
	if !s.Still || l.quality != ClassFixed || !e.HasPos {
		c.endRest()
		return
	}
	if !r.on {
		*r = restStretch{on: true, frame: geodesy.NewFrame(e.Pos), from: l.x}
	}
	p := r.frame.FromLLA(e.Pos)
	r.n++
	de, dn := p.E-r.mE, p.N-r.mN
	r.mE += de / float64(r.n)
	r.mN += dn / float64(r.n)
	r.m2 += de*(p.E-r.mE) + dn*(p.N-r.mN)
	r.last = l.x
}

// endRest closes a stretch of standing still.
func (c *Collector) endRest() {
	r := &c.rest
	if r.on && r.n > 1 {
		d := &c.s.Rest
		d.N += r.n
		d.Span += r.last - r.from
		d.sum += r.m2
		d.free += 2 * (r.n - 1)
	}
	r.on = false
}

func (c *Collector) jump(j Jump) {
	d := &c.s
	if !j.Back {
		d.NJumps++
	}
	if len(d.Jumps) < maxJumps {
		d.Jumps = append(d.Jumps, j)
	}
}

// event takes an event.
func (c *Collector) event(e *fusion.Event) {
	d := &c.s
	d.counts[e.Kind]++
	x := e.T + c.shift
	switch e.Kind {
	case fusion.EventJump:
		c.jump(Jump{X: x, Size: e.Size, Where: e.Where, Back: e.Cause == "step back"})
	case fusion.EventOutage:
		d.NOut++
		if len(d.Outages) < maxOutages {
			to := e.End + c.shift
			if math.IsNaN(to) {
				to = d.Length
			}
			d.Outages = append(d.Outages, Outage{From: x, To: to, Cause: e.Cause, Detail: e.Detail, Where: e.Where})
		}
	case fusion.EventVerdict, fusion.EventQuality: // the time axis shows them
	default:
		switch e.Kind {
		case fusion.EventComputer: // what it costs is seen when it is over
			x = e.End + c.shift
		case fusion.EventDrift:
			d.NDrifts++
		}
		if len(d.Events) < maxEvents {
			d.Events = append(d.Events, Happening{X: x, Kind: e.Kind, Size: e.Size, Where: e.Where, Detail: e.Detail})
		}
	}
}

// Session ends the session and returns it. The collector is done then.
func (c *Collector) Session() *Session {
	d := &c.s
	if c.hasHeld {
		c.account(c.lastDT)
		c.hasHeld = false
	}
	c.endRest()
	if d.Lap.Length > 0 {
		d.Lap.close(d.Length)
	}
	d.AccNoise = c.noise.Value()
	if c.scorer != nil {
		d.Score = c.scorer.Result()
	}
	slices.SortStableFunc(d.Outages, func(a, b Outage) int { return cmp.Compare(a.From, b.From) })
	c.attribute()
	d.cutEnd()
	return d
}

// attribute puts every break down to what it coincides with: what else happened
// as it began, an outage of the corrections, a jump, else the reason that held
// longest.
func (c *Collector) attribute() {
	d := &c.s
	for i := range d.Breaks {
		b := &d.Breaks[i]
		if b.Open = math.IsNaN(b.To); b.Open {
			b.To = d.Length
		}
		b.Reason = b.reasons.most()
		b.Cause = d.eventAt(b.From, fusion.EventClock, fusion.EventComputer, fusion.EventIMUGap)
		if b.Cause != "" {
			continue
		}
		unknown := corrections.CauseUnknown.String()
		if b.Outage = d.outageOf(b); b.Outage >= 0 {
			b.Cause = d.Outages[b.Outage].Cause
		}
		for k := range d.Jumps {
			if j := &d.Jumps[k]; b.Outage < 0 && math.Abs(j.X-b.From) < 0.5 {
				b.Cause = causeJump
			}
		}
		if b.Cause == "" || b.Cause == unknown {
			if e := d.eventAt(b.From, fusion.EventLate, fusion.EventReceiver); e != "" {
				b.Cause = e
			} else if b.Cause == "" {
				b.Cause = b.Reason
			}
		}
	}
}

// endMost is how much longer one input of a recording may go on than the others, s.
const endMost = 15.0

// cutEnd takes out what only shows that the files of a recording do not end
// together.
func (s *Session) cutEnd() {
	n := len(s.Breaks)
	if n == 0 {
		return
	}
	b := &s.Breaks[n-1]
	if !b.Open || b.To-b.From > endMost || b.Reason != "imu-silent" && b.Reason != "receiver-silent" {
		return
	}
	from := b.From
	s.Breaks = s.Breaks[:n-1]
	s.NBreaks--
	for i := len(s.Outages) - 1; i >= 0; i-- {
		if o := &s.Outages[i]; o.To >= s.Length-1 && o.From > from-endMost {
			s.Outages = slices.Delete(s.Outages, i, i+1)
			s.NOut--
		}
	}
}

// eventCodes names the reason that an event is.
var eventCodes = map[fusion.EventKind]string{fusion.EventClock: causeClock, fusion.EventComputer: "computer-late", fusion.EventIMUGap: "imu-silent",
	fusion.EventLate: "epoch-late", fusion.EventReceiver: "receiver-silent"}

// eventAt returns the reason code of an event at x of the first of the kinds
// that had one, "" when there was none.
func (s *Session) eventAt(x float64, kinds ...fusion.EventKind) string {
	for _, kind := range kinds {
		if slices.ContainsFunc(s.Events, func(e Happening) bool { return e.Kind == kind && math.Abs(e.X-x) < 1 }) {
			return eventCodes[kind]
		}
	}
	return ""
}

// outageOf returns the outage that covers most of b, -1 when none does. The fix
// survives the start of an outage and comes back after its end.
func (s *Session) outageOf(b *Break) int {
	best, at := 0.0, -1
	for k := range s.Outages {
		o := &s.Outages[k]
		if share := math.Min(b.To, o.To+maxRefix) - math.Max(b.From, o.From-1); share > best && b.From <= o.To+maxRefix {
			best, at = share, k
		}
	}
	return at
}

// maxRefix is how long after its end an outage may still be why there is no
// fix, s: solving the ambiguities again takes that long.
const maxRefix = 5.0

const (
	causeJump  = "jump"       // a step of the receiver, the reason of that name
	causeClock = "clock-step" // the computer's clock was set, which is no reason of a verdict
)
