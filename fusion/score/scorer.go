package score

import (
	"math"

	"kerbline/fusion"
	"kerbline/gnss/geodesy"
)

// Constants of the score. They define what the printed figures mean and are
// the same for every run, so that runs compare.
const (
	SettleTime = 20.0 // s from moving off until availability counts as that of driving
	moveSpeed  = 1.5  // m/s held for moveHold means the car drives
	moveHold   = 0.5  // s
	maxHold    = 0.5  // s, longest time one verdict line stands for
	runGap     = 2.0  // s, misleading lines closer than this are one run
	alertSlack = 2.0  // s after a fault's end during which an alert still counts
	nearBefore = 1.0  // s before a fault's start during which an alarm is put down to it
	judgeShare = 0.25 // 3 sigma of a reference may be this share of the alert limit
	realStep   = 0.05 // m, smaller steps of the receiver against the reference are none
)

// Axis numbers the three errors that have a protection level.
type Axis int

const (
	Lateral Axis = iota
	Along
	Heading
	NumAxes
)

// String returns the word used in print.
func (a Axis) String() string { return axisNames[a] }

var axisNames = [NumAxes]string{"lateral", "along", "heading"}

// FaultScore says when a labelled fault was noticed.
type FaultScore struct {
	Label   Label
	Onset   float64 // host Unix s of the first line that carries it; NaN when none did
	Alert   float64 // host Unix s of the first alert, NaN when it was missed
	By      string  // what alerted: an event kind, or the verdict that was given
	Already bool    // the verdict was not usable when it began, so nobody was exposed
	Cause   string  // correction faults: cause of the outage episode that covers it
}

// Exposed reports whether the fault came while the position was called usable.
func (f *FaultScore) Exposed() bool { return !math.IsNaN(f.Onset) && !f.Already }

// Missed reports whether an exposed fault ended without an alert.
func (f *FaultScore) Missed() bool { return f.Exposed() && math.IsNaN(f.Alert) }

// Delay returns the time to alert in s, NaN when missed or not exposed.
func (f *FaultScore) Delay() float64 {
	if !f.Exposed() {
		return math.NaN()
	}
	return f.Alert - f.Onset
}

// AxisResult is how well one protection level did on usable and coasting lines.
type AxisResult struct {
	Lines   int // with a reference
	Bounded int // of these, |error| <= PL
	Worst   float64
	Diagram Diagram
	pl      spread // usable lines
	ratio   spread // PL/|error|, usable lines
	err     spread // |error|, usable lines
}

// MedianPL returns the median protection level (m or rad) of usable lines.
func (a *AxisResult) MedianPL() float64 { return a.pl.quantile(0.5) }

// MedianRatio returns the median of PL/|error| of usable lines.
func (a *AxisResult) MedianRatio() float64 { return a.ratio.quantile(0.5) }

// ErrorQuantile returns quantile q of |error| (m or rad) of usable lines.
func (a *AxisResult) ErrorQuantile(q float64) float64 { return a.err.quantile(q) }

// Result is what a run, or several merged, were worth. Seconds weigh each
// verdict line by the time until the next.
type Result struct {
	Runs    int
	Lines   int
	Judged  int        // lines compared with the reference
	Seconds [4]float64 // by verdict, whole run

	Driving      float64    // s from moving off to the end
	Settled      float64    // s from SettleTime after moving off to the end
	SettledBy    [4]float64 // of these, by verdict
	FirstUsable  float64    // s from moving off to the first usable line; NaN when never; worst of merged runs
	NeverUsable  int        // runs that drove and never were usable
	JudgedDrive  float64    // s of Driving compared with the reference
	UsableJudged float64    // s usable and compared with the reference: exposure of MisleadingRuns

	MisleadingLines   int
	MisleadingSeconds float64
	MisleadingRuns    int     // lines less than 2 s apart are one run
	LongestMisleading float64 // s
	WorstMisleading   float64 // m, largest error beyond its limit on a misleading line

	Axes     [NumAxes]AxisResult
	AllLines int // usable and coasting lines with every error known
	AllBound int // of these, every |error| within its PL
	sqHor    float64
	sqYaw    float64
	nHor     int
	nYaw     int
	sqUsable float64
	nUsable  int

	Faults     []FaultScore
	Jumps      int // jump events
	Drifts     int // drift events
	FalseJumps int // jump events that nothing explains
	FalseDrift int // drift events that nothing explains
	AlarmHours float64
	Outages    int  // correction outages reported
	Extra      int  // of these, with no label near (labels only)
	HasTruth   bool // a reference trajectory was given
	Smoothed   bool // it was a smoothed one
	HasLabels  bool
}

// Scorer judges one run, line by line.
type Scorer struct {
	truth  *Truth
	labels *Labels
	res    Result
	hint   int

	pend     pending
	hasPend  bool
	lastStep float64
	before   fusion.Verdict // of the line before the present one: what the car acted on when a fault came

	moved      float64 // host s of moving off, NaN before
	fastFrom   float64 // host s since which the car is fast
	firstGood  float64 // host s of the first usable line since then
	lastMI     float64 // host s of the last misleading line
	miFrom     float64 // host s of the present run's start
	epochUTC   float64
	epochErr   geodesy.ENU
	steps      [16]step // steps of the receiver against the reference, a ring
	nsteps     int
	firstLabel float64
	lastLabel  float64
}

type step struct{ t, size float64 }

// pending is a line whose duration is not yet known.
type pending struct {
	t          float64
	verdict    fusion.Verdict
	moved      bool
	settled    bool
	judged     bool
	misleading bool
}

// New returns a scorer against truth or labels; either may be nil.
func New(truth *Truth, labels *Labels) *Scorer {
	s := &Scorer{truth: truth, labels: labels, moved: math.NaN(), fastFrom: math.NaN(), firstGood: math.NaN(), lastMI: math.Inf(-1), epochUTC: math.NaN(), lastStep: 0.1}
	s.res.Runs = 1
	s.res.FirstUsable = math.NaN()
	s.res.HasTruth = truth != nil
	s.res.Smoothed = truth != nil && !truth.Exact()
	s.firstLabel, s.lastLabel = math.Inf(1), math.Inf(-1)
	if labels != nil {
		s.res.HasLabels = true
		s.res.Faults = make([]FaultScore, len(labels.Faults))
		for i, l := range labels.Faults {
			s.res.Faults[i] = FaultScore{Label: l, Onset: math.NaN(), Alert: math.NaN()}
			s.firstLabel = math.Min(s.firstLabel, l.From+labels.HostMinusUTC)
			s.lastLabel = math.Max(s.lastLabel, l.To+labels.HostMinusUTC)
		}
	}
	return s
}

// Add takes what one Step of the monitor returned; snap may be nil.
func (s *Scorer) Add(snap *fusion.Snapshot, events []fusion.Event) {
	if snap != nil {
		s.line(snap)
	}
	for i := range events {
		s.event(snap, &events[i])
	}
}

func (s *Scorer) line(snap *fusion.Snapshot) {
	t := snap.T
	if s.hasPend {
		s.lastStep = math.Max(0, math.Min(t-s.pend.t, maxHold))
		s.account(&s.res, s.lastStep)
	}
	s.res.Lines++

	var ref Pose
	haveRef := false
	if s.truth != nil {
		ref, haveRef = s.truth.At(t, &s.hint)
	}
	s.movingOff(snap, ref, haveRef)
	s.before = s.pend.verdict
	p := pending{t: t, verdict: snap.Verdict, moved: !math.IsNaN(s.moved)}
	p.settled = p.moved && t >= s.moved+SettleTime
	if snap.Verdict == fusion.Usable && math.IsNaN(s.firstGood) && !math.IsNaN(s.fastFrom) {
		s.firstGood = t
	}

	switch {
	case s.truth != nil:
		s.epochStep(snap)
		// An inexact reference judges only where it is good enough to.
		if haveRef && snap.HasPos && (ref.Sigma == 0 || 3*ref.Sigma <= judgeShare*math.Min(snap.ALLat, snap.ALLon)) {
			p.judged = true
			p.misleading = s.compare(snap, ref, p.moved)
		}
	case s.labels != nil:
		p.judged = true
		p.misleading = s.compareLabels(snap)
	}
	if p.judged {
		s.res.Judged++
	}
	if p.misleading {
		s.res.MisleadingLines++
		if t-s.lastMI > runGap {
			s.res.MisleadingRuns++
			s.miFrom = t
		}
		s.lastMI = t
	}
	s.pend, s.hasPend = p, true
	if s.labels != nil {
		s.faults(snap)
	}
}

// account adds a pending line that stood for dt seconds.
func (s *Scorer) account(r *Result, dt float64) {
	p := &s.pend
	v := p.verdict & 3
	r.Seconds[v] += dt
	if p.moved {
		r.Driving += dt
		if p.judged {
			r.JudgedDrive += dt
		}
	}
	if p.settled {
		r.Settled += dt
		r.SettledBy[v] += dt
	}
	if p.judged && p.verdict == fusion.Usable {
		r.UsableJudged += dt
	}
	if p.misleading {
		r.MisleadingSeconds += dt
		r.LongestMisleading = math.Max(r.LongestMisleading, p.t+dt-s.miFrom)
	}
}

func (s *Scorer) movingOff(snap *fusion.Snapshot, ref Pose, haveRef bool) {
	if !math.IsNaN(s.moved) {
		return
	}
	var v float64
	switch {
	case haveRef:
		v = math.Hypot(ref.Vel.E, ref.Vel.N)
	case snap.HasPos:
		v = snap.Speed
	case snap.WheelAge < 1:
		v = snap.WheelSpeed
	default:
		v = snap.Epoch.Speed
	}
	switch {
	case !(v > moveSpeed):
		s.fastFrom, s.firstGood = math.NaN(), math.NaN()
	case math.IsNaN(s.fastFrom):
		s.fastFrom = snap.T
	case snap.T-s.fastFrom >= moveHold:
		s.moved = s.fastFrom
	}
}

// Direction returns the direction (rad, ENU) that splits errors into lateral
// and along: of the map where the car is on one, else of the velocity, else of the heading.
func Direction(snap *fusion.Snapshot) float64 {
	switch {
	case snap.HasCourse && !math.IsNaN(snap.CourseYaw):
		return snap.CourseYaw
	case snap.Speed > moveSpeed:
		return math.Atan2(snap.Vel.N, snap.Vel.E)
	}
	return snap.Yaw
}

// compare takes one line with its reference and reports whether it misleads.
func (s *Scorer) compare(snap *fusion.Snapshot, ref Pose, moved bool) bool {
	r := &s.res
	p := s.truth.frame.FromLLA(snap.Pos)
	de, dn := p.E-ref.Pos.E, p.N-ref.Pos.N
	sn, cs := math.Sincos(Direction(snap))
	err := [NumAxes]float64{
		Lateral: math.Abs(-sn*de + cs*dn),
		Along:   math.Abs(cs*de + sn*dn),
		Heading: math.Abs(wrap(snap.Yaw - ref.Yaw)),
	}
	pl := [NumAxes]float64{snap.PLLat.Total, snap.PLLon.Total, snap.PLYaw.Total}
	al := [NumAxes]float64{snap.ALLat, snap.ALLon, snap.ALYaw}
	usable := snap.Verdict == fusion.Usable
	if moved {
		r.sqHor += de*de + dn*dn
		r.nHor++
		if usable {
			r.sqUsable += de*de + dn*dn
			r.nUsable++
		}
		if !math.IsNaN(err[Heading]) {
			r.sqYaw += err[Heading] * err[Heading]
			r.nYaw++
		}
	}
	live := usable || snap.Verdict == fusion.Coasting
	all := true
	for i := range err {
		if math.IsNaN(err[i]) {
			continue // no heading in the reference
		}
		a := &r.Axes[i]
		if al[i] > 0 && !math.IsNaN(pl[i]) {
			a.Diagram.add(err[i], pl[i], al[i])
		}
		if !live {
			continue
		}
		a.Lines++
		if err[i] <= pl[i] {
			a.Bounded++
		} else {
			all = false
		}
		if usable {
			a.Worst = math.Max(a.Worst, err[i])
			a.pl.add(pl[i])
			a.ratio.add(pl[i] / math.Max(err[i], 1e-5))
			a.err.add(err[i])
		}
	}
	if live {
		r.AllLines++
		if all {
			r.AllBound++
		}
	}
	if !usable {
		return false
	}
	over := math.Max(err[Lateral]-al[Lateral], err[Along]-al[Along])
	// A limit or error that is not a number cannot vouch for a usable line.
	if over <= 0 {
		return false
	}
	if !math.IsNaN(over) {
		r.WorstMisleading = math.Max(r.WorstMisleading, over)
	}
	return true
}

// compareLabels reports whether a usable line rests on an epoch whose labelled
// shift is beyond a limit.
func (s *Scorer) compareLabels(snap *fusion.Snapshot) bool {
	if snap.Verdict != fusion.Usable {
		return false
	}
	var e, n float64
	for i := range s.labels.Faults {
		de, dn := s.labels.Faults[i].offset(snap.Epoch.UTC)
		e, n = e+de, n+dn
	}
	if e == 0 && n == 0 {
		return false
	}
	sn, cs := math.Sincos(Direction(snap))
	over := math.Max(math.Abs(-sn*e+cs*n)-snap.ALLat, math.Abs(cs*e+sn*n)-snap.ALLon)
	if over <= 0 {
		return false
	}
	s.res.WorstMisleading = math.Max(s.res.WorstMisleading, over)
	return true
}

// epochStep keeps how far the receiver stepped against the reference, to tell
// true from false alarms where there are no labels. The lever arm turns by
// centimetres between epochs and is left in.
func (s *Scorer) epochStep(snap *fusion.Snapshot) {
	e := &snap.Epoch
	if !e.HasPos || e.UTC == s.epochUTC || math.IsNaN(snap.HostMinusUTC) {
		return
	}
	hint := s.hint
	ref, ok := s.truth.At(e.UTC+snap.HostMinusUTC, &hint)
	if !ok {
		return
	}
	p := s.truth.frame.FromLLA(e.Pos)
	err := geodesy.ENU{E: p.E - ref.Pos.E, N: p.N - ref.Pos.N}
	if e.UTC-s.epochUTC < 2 {
		s.steps[s.nsteps%len(s.steps)] = step{snap.T, math.Hypot(err.E-s.epochErr.E, err.N-s.epochErr.N)}
		s.nsteps++
	}
	s.epochUTC, s.epochErr = e.UTC, err
}

// faults follows every label that is near.
func (s *Scorer) faults(snap *fusion.Snapshot) {
	t := snap.T
	if t < s.firstLabel || t > s.lastLabel+alertSlack {
		return
	}
	for i := range s.res.Faults {
		f := &s.res.Faults[i]
		utc := t - s.labels.HostMinusUTC
		if utc < f.Label.From || utc > f.Label.To+alertSlack || !math.IsNaN(f.Alert) {
			continue
		}
		if math.IsNaN(f.Onset) {
			if utc > f.Label.To || f.Label.class() == classPosition && f.Label.Kind != "drift" && !(snap.Epoch.UTC >= f.Label.From) {
				continue // the first line that rests on a shifted epoch is the onset
			}
			f.Onset = t
			if s.before != fusion.Usable {
				f.Already, f.Alert, f.By = true, t, snap.Verdict.String()
				continue
			}
		}
		switch {
		case snap.Verdict != fusion.Usable:
			f.Alert, f.By = t, snap.Verdict.String()
		case f.Label.class() == classLink && snap.Link.Tapped && snap.Link.Open:
			f.Alert, f.By = t, string(fusion.EventOutage)
		}
	}
}

// event counts alarms and puts them down to a label where one is near.
func (s *Scorer) event(snap *fusion.Snapshot, ev *fusion.Event) {
	// When it was reported, which for an episode is long after it began.
	t := math.Max(ev.T, s.pend.t)
	if snap != nil {
		t = snap.T
	}
	switch ev.Kind {
	case fusion.EventJump:
		s.res.Jumps++
		if s.isFalse(t, ev) {
			s.res.FalseJumps++
		}
	case fusion.EventDrift:
		s.res.Drifts++
		if s.isFalse(t, ev) {
			s.res.FalseDrift++
		}
	case fusion.EventOutage:
		s.res.Outages++
		s.outage(ev)
	}
	if s.labels == nil {
		return
	}
	utc := t - s.labels.HostMinusUTC
	for i := range s.res.Faults {
		f := &s.res.Faults[i]
		if math.IsNaN(f.Onset) || utc > f.Label.To+alertSlack {
			continue
		}
		// An event of the very line on which the verdict left names the alert better.
		if !math.IsNaN(f.Alert) && (f.Already || f.Alert < t) {
			continue
		}
		if alerts(f.Label.class(), ev.Kind) {
			f.Alert, f.By = t, string(ev.Kind)
		}
	}
}

// alerts reports whether an event of kind k reports a fault of class c.
func alerts(c class, k fusion.EventKind) bool {
	switch k {
	case fusion.EventJump, fusion.EventDrift, fusion.EventReinit:
		return c == classPosition
	case fusion.EventBase:
		return c == classPosition || c == classLink
	case fusion.EventOutage, fusion.EventReceiver:
		return c == classLink
	case fusion.EventIMUGap, fusion.EventLate, fusion.EventComputer, fusion.EventClock, fusion.EventUnit:
		return c == classInput
	}
	return false
}

// outage compares an episode with the labels it overlaps.
func (s *Scorer) outage(ev *fusion.Event) {
	if s.labels == nil {
		return
	}
	from, to := ev.T-s.labels.HostMinusUTC, ev.End-s.labels.HostMinusUTC
	if math.IsNaN(to) {
		to = from
	}
	covered := false
	for i := range s.res.Faults {
		f := &s.res.Faults[i]
		if to < f.Label.From || from > f.Label.settled() {
			continue
		}
		covered = true
		if f.Label.class() == classLink || f.Label.Kind == "base_moved" {
			if f.Cause == "" || f.Cause != f.Label.Kind {
				f.Cause = ev.Cause
			}
		}
	}
	if !covered {
		s.res.Extra++
	}
}

// isFalse reports whether nothing explains an alarm at host time t: no label
// near, or without labels no step of the receiver against the reference.
func (s *Scorer) isFalse(t float64, ev *fusion.Event) bool {
	switch {
	case s.labels != nil:
		utc := t - s.labels.HostMinusUTC
		for i := range s.labels.Faults {
			l := &s.labels.Faults[i]
			if utc >= l.From-nearBefore && utc <= l.settled() {
				return false
			}
		}
		return true
	case s.truth != nil:
		least := realStep
		if ev.Size/2 > least {
			least = ev.Size / 2
		}
		if ev.Kind == fusion.EventDrift {
			// A drift has no step; it is false while the receiver agrees with the reference.
			return math.Hypot(s.epochErr.E, s.epochErr.N) < least
		}
		for _, st := range s.steps {
			if st.size >= least && st.t >= t-1 {
				return false
			}
		}
		return true
	}
	return false // nothing to judge by
}

// Result returns the score so far.
func (s *Scorer) Result() *Result {
	r := s.res
	r.Faults = append([]FaultScore(nil), s.res.Faults...)
	if s.hasPend {
		s.account(&r, s.lastStep)
	}
	if s.labels != nil || s.truth != nil {
		r.AlarmHours = r.Driving / 3600
	}
	if !math.IsNaN(s.moved) {
		r.FirstUsable = s.firstGood - s.moved
		if math.IsNaN(s.firstGood) {
			r.NeverUsable = 1
		}
	}
	return &r
}
