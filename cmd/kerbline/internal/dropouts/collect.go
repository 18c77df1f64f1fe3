package dropouts

import (
	"cmp"
	"math"
	"regexp"
	"slices"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/day"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// collector watches a run.
type collector struct {
	cfg    *fusion.Config
	hasMap bool

	from    float64 // host Unix s of the first record
	now     float64 // the same that goes on when the host clock is set back
	shift   float64 // s, now less host time
	started bool
	off     float64 // s, host clock - UTC

	link      Link
	firstByte float64
	lastByte  float64
	junk      [rtcm.NumRefusals]uint64
	systems   [rtcm.NSystems]systemSeen
	clock     rtcm.EpochClock
	epochUTC  float64   // Unix s, of the newest observation epoch
	epochAt   float64   // when it came
	intervals []float64 // s, first ones
	sent      []sent    // epochs that came
	latMin    float64
	latencies int
	stations  []Station
	baseline  day.Range // m

	rcv       Receiver
	firstEp   float64
	lastEp    float64
	qualities [16]int
	ages      [1200]int // by tenths of a second
	nAges     int

	imu     bool
	changes []Change
	closed  []corrections.Episode // as the monitor closes them, before their events
	outages []Outage
	marks   []corrections.Condition // worst of each second
	fixes   []byte                  // worst quality of each second
	moments []moment                // by seconds
	placed  bool                    // a place on the lap was known
	trail   []place                 // where the car was, for who joins the base's end
	lap     float64                 // m, length of the lap
}

// systemSeen is one constellation over all epochs.
type systemSeen struct {
	ms           int64 // of the newest epoch
	epochs, sats int
}

func newCollector(cfg *fusion.Config) *collector {
	nan := math.NaN()
	c := &collector{cfg: cfg, from: nan, off: nan, firstByte: nan, lastByte: nan, epochUTC: nan,
		latMin: nan, firstEp: nan, lastEp: nan}
	c.link.LatencyUse, c.link.LatencyMax, c.link.Silence = num(nan), num(nan), num(nan)
	c.rcv.AgeMax, c.rcv.Longest = num(nan), num(nan)
	for i := range c.systems {
		c.systems[i].ms = -1
	}
	return c
}

// larger returns the larger of a and b, the other one where one is NaN.
func larger(a num, b float64) num {
	if !a.known() || b > float64(a) {
		return num(b)
	}
	return a
}

// measurement counts what goes into the monitor.
func (c *collector) measurement(m *fusion.Measurement) {
	if math.IsNaN(m.T) || math.IsInf(m.T, 0) {
		return
	}
	if !c.started {
		c.started, c.from, c.now = true, m.T, m.T
	}
	t := m.T + c.shift
	switch {
	case m.Kind == fusion.KindIMU || m.Kind == fusion.KindWheel:
		// Stamps of their own, beside the order of arrival.
	case m.Channel == fusion.ChanCorrections && math.Abs(t-c.now) > 0.12:
		// As for the monitor, the link alone is no sign that a clock was set.
	case t < c.now-1:
		c.shift += c.now - t
	default:
		c.now = math.Max(c.now, t)
	}
	switch t = c.now; m.Kind {
	case fusion.KindIMU:
		c.imu = true
	case fusion.KindLink:
		c.link.Bytes += uint64(m.N)
		if math.IsNaN(c.firstByte) {
			c.firstByte = t
		} else {
			c.link.Silence = larger(c.link.Silence, t-c.lastByte)
		}
		c.lastByte = t
	case fusion.KindJunk:
		c.junk[m.Reason] += uint64(m.N)
	case fusion.KindFrame:
		c.frame(t, m.Frame)
	case fusion.KindEpoch:
		c.epoch(t, m.Epoch)
	}
}

// since is t, on the clock that is never set back, in seconds from the first
// record.
func (c *collector) since(t float64) num { return num(t - c.from) }

// most listed of what a damaged recording could hold without end.
const (
	mostStations  = 64
	mostGaps      = 10
	mostRollovers = 100
	mostIntervals = 1000
)

func (c *collector) frame(t float64, m *rtcm.Message) {
	if m.Station >= 0 {
		c.station(t, m)
	}
	if m.System >= rtcm.NSystems || m.EpochMs < 0 {
		return
	}
	s := &c.systems[m.System]
	if m.EpochMs != s.ms {
		s.epochs++
		c.rollover(t, m, s.ms)
		s.ms = m.EpochMs
	}
	s.sats += m.Sats

	near := t - c.shift
	switch {
	case !math.IsNaN(c.off):
		near -= c.off
	case !math.IsNaN(c.epochUTC):
		near = c.epochUTC + t - c.epochAt // the host clock may be days off
	}
	utc := c.clock.Epoch(m, near)
	if math.IsNaN(utc) || math.Abs(utc-c.epochUTC) < 0.05 {
		return
	}
	c.link.Epochs++
	if d := utc - c.epochUTC; d > 0 {
		if len(c.intervals) < mostIntervals {
			c.intervals = append(c.intervals, d)
		}
		c.gap(t, d)
	}
	if len(c.sent) < mostSent {
		c.sent = append(c.sent, sent{t - c.from, utc - c.epochUTC})
	}
	c.epochUTC, c.epochAt = utc, t
}

// gap keeps the longest times from epoch to epoch, the longest first.
func (c *collector) gap(t, d float64) {
	g := &c.link.Gaps
	if len(*g) == mostGaps && d <= float64((*g)[mostGaps-1].Length) {
		return
	}
	i, _ := slices.BinarySearchFunc(*g, d, func(a Gap, d float64) int {
		if float64(a.Length) >= d {
			return -1
		}
		return 1
	})
	*g = slices.Insert(*g, i, Gap{UTC: num(c.epochUTC), At: c.since(t) - num(d), Length: num(d)})
	if len(*g) > mostGaps {
		*g = (*g)[:mostGaps]
	}
}

// rollover separates a count of time that began anew from one that ran back.
func (c *collector) rollover(t float64, m *rtcm.Message, before int64) {
	period, unit := int64(604_800_000), "week"
	if m.System == rtcm.GLONASS {
		period, unit = 86_400_000, "day"
	}
	const edge = 600_000 // ms: a gap may hide the turn itself
	if before < period-edge || m.EpochMs > edge || len(c.link.Rollovers) == mostRollovers {
		return
	}
	c.link.Rollovers = append(c.link.Rollovers, Rollover{T: num(t - c.shift), At: c.since(t), System: m.System.String(), Unit: unit, From: before, To: m.EpochMs})
}

// station keeps which stations reported themselves, and where they stand. One
// that moves by less than a millimetre stands still.
func (c *collector) station(t float64, m *rtcm.Message) {
	id := count(m.Station)
	var s *Station
	for i := len(c.stations) - 1; i >= 0 && s == nil; i-- {
		if c.stations[i].ID == id {
			s = &c.stations[i]
		}
	}
	nan := num(math.NaN())
	fresh := Station{ID: id, First: c.since(t), X: nan, Y: nan, Z: nan, Lat: nan, Lon: nan, H: nan}
	if s == nil || m.HasBase && s.X.known() && s.ecef().Dist(m.Base) > 1e-3 {
		// It may have gone back to where it was.
		s = nil
		for i := range c.stations {
			if k := &c.stations[i]; m.HasBase && k.ID == id && k.X.known() && k.ecef().Dist(m.Base) <= 1e-3 {
				s = k
			}
		}
		if s == nil {
			if len(c.stations) == mostStations {
				return
			}
			c.stations = append(c.stations, fresh)
			s = &c.stations[len(c.stations)-1]
		}
	}
	s.Frames++
	s.Last = c.since(t)
	if m.HasBase && !s.X.known() {
		p := m.Base.LLA()
		s.X, s.Y, s.Z = num(m.Base.X), num(m.Base.Y), num(m.Base.Z)
		s.Lat, s.Lon, s.H = num(p.Lat/geodesy.Degree), num(p.Lon/geodesy.Degree), num(p.H)
	}
}

func (c *collector) epoch(t float64, e *gnss.Epoch) {
	r := &c.rcv
	r.Epochs++
	if math.IsNaN(c.firstEp) {
		c.firstEp = t
	} else {
		r.Longest = larger(r.Longest, t-c.lastEp)
	}
	c.lastEp = t
	q := min(int(e.Quality), len(c.qualities)-1)
	c.qualities[q]++
	if k := c.second(t); k >= 0 {
		if mark := qualityMark(e.Quality); rankOf(mark) < rankOf(c.fixes[k]) {
			c.fixes[k] = mark
		}
	}
	if e.Age >= 0 && (e.Quality == gnss.QualityFixed || e.Quality == gnss.QualityFloat || e.Quality == gnss.QualityDiff) {
		r.AgeMax = larger(r.AgeMax, e.Age)
		c.ages[min(int(e.Age*10+0.5), len(c.ages)-1)]++
		c.nAges++
	}
	if e.Station >= 0 && len(r.Stations) < mostStations && !slices.Contains(r.Stations, e.Station) {
		r.Stations = append(r.Stations, e.Station)
	}
}

// mostSeconds bounds the timeline: a damaged time must not make it endless.
const mostSeconds = 7 * 86400

// second returns the place of t in the timeline, -1 when there is none, and makes the timeline as long as that.
func (c *collector) second(t float64) int {
	k := int(math.Floor(t - c.from))
	if k < 0 || k >= mostSeconds {
		return -1
	}
	for len(c.fixes) <= k {
		c.fixes = append(c.fixes, noEpoch)
		c.marks = append(c.marks, noCondition)
	}
	return k
}

// output takes what the monitor says.
func (c *collector) output(snap *fusion.Snapshot, events []fusion.Event) error {
	if snap != nil {
		c.snapshot(snap)
	}
	for i := range events {
		switch ev := &events[i]; ev.Kind {
		case fusion.EventOutage:
			c.outages = append(c.outages, c.outage(ev, &c.closed[0]))
			c.closed = c.closed[1:]
		case fusion.EventBase:
			c.changes = append(c.changes, Change{T: num(ev.T), At: c.since(ev.T + c.shift), Step: num(ev.Size), Text: ev.Detail})
		}
	}
	return nil
}

func (c *collector) snapshot(s *fusion.Snapshot) {
	c.off = s.HostMinusUTC
	if k := c.second(s.T + c.shift); k >= 0 {
		c.marks[k] = worse(c.marks[k], s.Link.Condition)
		c.live(k, s)
	}
	if x := s.Link.Latency; !math.IsNaN(x) && s.Link.Tapped {
		c.link.LatencyMax = larger(c.link.LatencyMax, x)
		if !(x >= c.latMin) {
			c.latMin = x
		}
		c.latencies++
	}
	c.baseline.Add(s.Link.Baseline)
	c.track(s)
	c.placed = c.placed || s.HasCourse && s.HasPos
}

// outage turns an episode, whose times are the monitor's, into host time by its
// event.
func (c *collector) outage(ev *fusion.Event, e *corrections.Episode) Outage {
	host := func(t float64) num { return num(t + ev.T - e.Start) }
	v := &e.Evidence
	o := Outage{
		Cause: e.Cause.String(), T: num(ev.T), End: num(ev.End), At: c.since(e.Start), UTC: num(e.UTC),
		Length: num(ev.End - ev.T), Slack: num(e.Slack), Flowing: host(e.Flowing), Requalified: host(e.Requalified),
		Unfinished: e.Unfinished, AgeMax: num(e.AgeMax), Qualities: []string{}, Where: num(e.Where), Distance: num(e.Distance),
		Facts: []string{}, Text: ev.Detail, Try: e.Cause.Try(), episode: *e,
		Evidence: Evidence{
			Silence: num(v.Silence), Bytes: v.Bytes, Junk: v.Junk, CRC: v.CRC, Expected: num(v.Expected), Epochs: v.Epochs,
			Late: v.Late, Partial: v.Partial, Lost: []string{}, Stopped: append([]int{}, v.Types[:v.NTypes]...),
			Latency: num(v.Latency), LatencyUse: num(v.UsualLat), StationBefore: count(v.StationBefore), StationAfter: count(v.StationAfter),
			BaseShift: num(v.BaseShift), AgeLimit: num(v.AgeLimit), SatsBefore: count(v.SatsBefore), SatsLeast: count(v.SatsLeast),
			CN0Before: num(v.CN0Before), CN0Least: num(v.CN0Least), RoverGap: num(v.RoverGap),
		},
	}
	for _, q := range e.Qualities[:e.NQualities] {
		o.Qualities = append(o.Qualities, q.String())
	}
	if e.Facts != 0 {
		o.Facts = strings.Split(e.Facts.String(), ", ")
	}
	for i, lost := range v.Lost {
		if lost {
			o.Evidence.Lost = append(o.Evidence.Lost, rtcm.System(i).String())
		}
	}
	return o
}

// report sums up; s is the monitor's last snapshot.
func (c *collector) report(s *fusion.Snapshot, damage string) *Report {
	st := &s.Link
	r := &Report{From: num(c.from), Span: num(math.NaN()), HostMinusUTC: num(c.off), Damage: damage,
		Link: c.link, Types: []Type{}, Stations: c.stations, Distances: []Distance{}, Receiver: c.rcv, Outages: c.outages, NearMisses: st.NearMisses,
		trail: c.trail, lap: c.lap, zero: c.from, zone: c.cfg.Zone()}
	if c.started {
		r.Span = c.since(c.now)
	}
	r.Stations, r.Outages, r.Receiver.Stations = listed(r.Stations), listed(r.Outages), listed(r.Receiver.Stations)
	c.sumLink(&r.Link, st)
	for _, t := range st.Types[:st.NTypes] {
		row := Type{Number: t.Number, Holds: corrections.MessageWords(t.Number), Count: t.Count, Rate: num(t.Rate),
			Gap: larger(num(t.MaxGap), c.now-t.Last), Size: num(t.Bytes), Last: c.since(t.Last)}
		r.Types = append(r.Types, row)
	}
	slices.SortFunc(r.Types, func(a, b Type) int { return a.Number - b.Number })
	for i := range r.Stations {
		for k := range i {
			if a, b := &r.Stations[k], &r.Stations[i]; a.X.known() && b.X.known() {
				r.Distances = append(r.Distances, Distance{From: k + 1, To: i + 1, Metres: num(a.ecef().Dist(b.ecef()))})
			}
		}
	}
	r.Base = Base{State: baseWords[st.Base], Surveyed: c.cfg.Base.ECEF != [3]float64{}, ID: count(st.Station), Off: num(st.BaseOff),
		Tolerance: num(c.cfg.Base.Tolerance), Baseline: num(st.Baseline), Nearest: num(c.baseline.Lo()), Farthest: num(c.baseline.Hi()), Changes: c.changes}
	r.Base.Changes = listed(r.Base.Changes)
	c.sumReceiver(&r.Receiver)
	if w := s.Reception; w != nil {
		r.Reception = w.Text()
		found := w.AtBase()
		if w.NTypes > 0 {
			found = append(found, w.Needs()...)
		}
		for _, f := range found {
			r.Findings = append(r.Findings, Finding(f))
		}
	}
	p := &st.Recurs
	if p.Events == 0 {
		*p = corrections.Recurrence{Period: math.NaN(), PeriodP: math.NaN(), Place: math.NaN(), PlaceP: math.NaN()}
	}
	r.Recurrence = Recurrence{Events: p.Events, Period: num(p.Period), PeriodN: p.PeriodN, PeriodP: prob(p.PeriodP), Place: num(p.Place), PlaceN: p.PlaceN, PlaceP: prob(p.PlaceP)}
	r.Recurrence.Text = r.Recurrence.words()
	for i := range r.Outages { // what recurs is told once, of all of them
		o := &r.Outages[i]
		o.episode.Recurs = corrections.Recurrence{Period: math.NaN(), Place: math.NaN()}
		o.Text = recurs.ReplaceAllString(o.Text, "")
		end := o.At + o.Length
		for _, t := range []num{o.Flowing, o.Requalified} {
			if t.known() {
				end = max(end, o.At+t-o.T)
			}
		}
		if c.rcv.Epochs > 0 {
			o.Cost = c.cost(float64(o.At), float64(end), float64(o.Length))
		}
	}
	r.Loss = c.loss(float64(r.Link.Interval))
	r.Advice = listed(r.advise())
	r.all = len(r.Outages)
	for i := range r.Outages {
		r.allLength += r.Outages[i].Length
	}
	r.Timeline = Timeline{Step: 1}
	var link strings.Builder
	for _, m := range c.marks {
		link.WriteByte(linkMark(m))
	}
	r.Timeline.Link, r.Timeline.Quality = link.String(), string(c.fixes)
	r.letters = letters(len(r.Outages))
	r.Missing = c.missing(r, st)
	return r
}

// recurs is the sentence of an outage's paragraph about those before it.
var recurs = regexp.MustCompile(`It recurs .*?\)\. `)

// listed is list, empty where it is nil: JSON has a list there and not null.
func listed[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

var baseWords = [...]string{corrections.BaseUnheard: "unheard", corrections.BaseAsSurveyed: "as surveyed",
	corrections.BaseFirstHeard: "first heard", corrections.BaseElsewhere: "elsewhere", corrections.BaseUnconfirmed: "unconfirmed"}

func (c *collector) sumLink(l *Link, st *corrections.State) {
	l.Tapped = st.Tapped
	// Times made up from the epochs themselves leave no latency at all.
	l.Timed = st.Tapped && !(c.latencies > 0 && float64(l.LatencyMax)-c.latMin < 1e-3)
	l.Rate = num(float64(l.Bytes) / (c.lastByte - c.firstByte))
	l.Frames, l.CRC, l.Junk = st.Frames, st.CRCErrors, st.JunkBytes
	l.LatencyUse, l.LatencyTied = num(st.UsualLat), st.Tapped && !st.LatencyRelative
	if !l.Timed {
		l.LatencyUse, l.LatencyMax, l.LatencyTied = num(math.NaN()), num(math.NaN()), false
	}
	l.Refused, l.Systems = []Refused{}, []System{}
	for i, n := range c.junk {
		if n > 0 {
			l.Refused = append(l.Refused, Refused{rtcm.Refusal(i).String(), n})
		}
	}
	for i := range c.systems {
		if s := &c.systems[i]; s.epochs > 0 {
			l.Systems = append(l.Systems, System{Name: rtcm.System(i).String(), Sats: num(float64(s.sats) / float64(s.epochs)),
				Share: num(math.Min(1, float64(s.epochs)/float64(max(l.Epochs, 1))))})
		}
	}
	l.Interval = num(math.NaN())
	if n := len(c.intervals); n > 0 {
		s := slices.Clone(c.intervals)
		slices.Sort(s)
		l.Interval = num(s[n/2])
	}
	l.Gaps = listed(slices.DeleteFunc(slices.Clone(l.Gaps), func(g Gap) bool { return !(g.Length > 1.5*l.Interval) }))
	l.Rollovers = listed(l.Rollovers)
}

func (c *collector) sumReceiver(r *Receiver) {
	r.Rate, r.AgeUsual = num(math.NaN()), num(math.NaN())
	if c.lastEp > c.firstEp {
		r.Rate = num(float64(r.Epochs-1) / (c.lastEp - c.firstEp))
	}
	r.Qualities = []QualityShare{}
	for q, n := range c.qualities {
		if n > 0 {
			r.Qualities = append(r.Qualities, QualityShare{gnss.Quality(q).String(), num(float64(n) / float64(r.Epochs))})
		}
	}
	slices.SortStableFunc(r.Qualities, func(a, b QualityShare) int { return cmp.Compare(b.Share, a.Share) })
	sum := 0
	for i, n := range c.ages {
		if sum += n; 2*sum >= c.nAges && c.nAges > 0 {
			r.AgeUsual = num(float64(i) / 10)
			break
		}
	}
}

// missing says what could not be determined.
func (c *collector) missing(r *Report, st *corrections.State) []string {
	out := []string{}
	say := func(holds bool, text string) {
		if holds {
			out = append(out, text)
		}
	}
	say(!st.Tapped, "the correction bytes were not recorded: a silent, corrupt or thin link and a receiver that ignores a healthy one look alike, and message types, latency and the base's coordinates are unknown; record them too (--corrections)")
	say(st.Tapped && !r.Link.Timed, "the correction bytes carry no times of arrival: silence shows as gaps between epochs, latency not at all")
	say(st.Tapped && r.Link.Timed && st.LatencyRelative && r.Link.LatencyMax.known(), "the offset of host clock and UTC is not known: latencies count from the least one heard")
	say(r.Receiver.Epochs == 0, "no receiver was recorded: whether it used the corrections, their age, the baseline and the place on the lap are unknown")
	say(r.Receiver.Epochs > 0 && !r.Receiver.AgeMax.known(), "the receiver reported no correction age")
	say(!st.Ready, "the link or the receiver's use of it never got through its start-up (the receiver corrected for some seconds; without one, ten epochs of the link), so no outage was counted")
	say(st.Tapped && st.Base == corrections.BaseUnheard, "the base sent no coordinates (1005 or 1006)")
	say(st.Tapped && st.Base != corrections.BaseUnheard && !r.Base.Surveyed, "no surveyed base in the settings: the first coordinates heard are the reference")
	say(r.Receiver.Epochs > 0 && !c.hasMap, "no map: places on the lap are unknown")
	say(r.Receiver.Epochs > 0 && c.hasMap && !c.placed, "the monitor never placed the car on the map: places on the lap are unknown"+noIMU[c.imu])
	return out
}

var noIMU = map[bool]string{false: " (it needs an inertial sensor)"}
