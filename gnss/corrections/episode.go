package corrections

import (
	"math"

	"kerbline/gnss"
	"kerbline/gnss/bothends"
)

// Evidence holds the figures behind the facts of an episode. NaN and -1 mean
// unknown.
type Evidence struct {
	Span     float64 // s from the start to the last moment anything was wrong
	Silence  float64 // s, longest time without a byte
	Bytes    uint64  // bytes of the link
	Junk     uint64  // of them outside valid frames
	CRC      uint64  // frames that failed their CRC
	Expected float64 // observation epochs that should have come
	Epochs   int     // that came
	Late     int     // of them late
	Partial  int     // of them without usual constellations or messages
	Lost     [8]bool // constellations missing in the last partial epoch, by rtcm.System
	Latency  float64 // s, longest
	UsualLat float64 // s
	Types    [4]int  // station messages that stopped coming, by number
	NTypes   int

	StationBefore, StationAfter int     // on the link, else as the rover says
	BaseShift                   float64 // m between the coordinates before and after

	AgeLimit, AgeUsual        float64 // s: limit, and usual peak
	SatsBefore, SatsLeast     int
	CN0Before, CN0Least       float64 // dB-Hz
	QualityBefore, QualityMin gnss.Quality
	RoverGap                  float64 // s, longest without an epoch

	Fall              float64 // dB by which all of the rover's C/N0 fell together, most; 0 while its observations show none
	BaseFell, BaseWas bool    // the base's fell with them; its observations were there to show it
}

// Episode is one correction outage. It is a plain value; times are host Unix
// seconds.
type Episode struct {
	Cause Cause
	Facts Facts

	// Start is when the fault began: midway between the last moment at which
	// all was as usual and the first at which something was missing. It is
	// known to ±Slack.
	Start, Slack float64
	// FaultEnd is when the fault itself ended, known likewise. For a late link
	// it is the time at which corrections that were not delayed entered the
	// link; the delayed ones before them may arrive until Flowing. NaN while
	// the fault lasts.
	FaultEnd    float64
	Flowing     float64 // when fresh corrections arrived again, or were used again; NaN before
	Requalified float64 // when the receiver was as good as before; NaN when it was not
	Detected    float64 // when the episode was opened
	Closed      float64 // when it was closed
	Unfinished  bool    // the recording ended before the episode did

	AgeMax     float64 // s, longest correction age, NaN when none was reported
	Qualities  [8]gnss.Quality
	NQualities int     // qualities passed through, the one before first
	Where      float64 // m along the lap at Start
	Distance   float64 // m from the base at Start
	UTC        float64 // Unix s of Start by the receiver's clock, NaN when unknown

	Evidence Evidence
	Recurs   Recurrence // over this episode and those before
	BaseEnd  string     // what a record of the base's end adds, in a sentence or more; empty without one
}

// End returns the end of the fault, or the time of closing when it never
// ended.
func (e *Episode) End() float64 {
	if math.IsNaN(e.FaultEnd) {
		return e.Closed
	}
	return e.FaultEnd
}

func (e *Episode) addQuality(q gnss.Quality) {
	if n := e.NQualities; n < len(e.Qualities) && (n == 0 || e.Qualities[n-1] != q) {
		e.Qualities[n] = q
		e.NQualities++
	}
}

// rank orders qualities from none to fixed.
func rank(q gnss.Quality) int {
	switch q {
	case gnss.QualityFixed:
		return 4
	case gnss.QualityFloat:
		return 3
	case gnss.QualityDiff, gnss.QualityPPS:
		return 2
	case gnss.QualitySingle:
		return 1
	}
	return 0
}

// corrected reports whether e was solved with corrections of a base. Code
// differential without an age may be a satellite service that needs no link.
func corrected(e *gnss.Epoch) bool {
	switch e.Quality {
	case gnss.QualityFixed, gnss.QualityFloat:
		return true
	case gnss.QualityDiff:
		return !math.IsNaN(e.Age)
	}
	return false
}

// The tracks of an episode.
const (
	trackLink  = iota // corrections on the tap
	trackUse          // corrections taken up by the receiver
	trackSky          // satellites
	trackRover        // the receiver's sentences
	numTracks
)

// track is one kind of trouble over time.
type track struct {
	active bool
	from   float64 // estimated begin
	slack  float64
	to     float64 // estimated end, once it is over
	flow   float64 // when the end was seen
}

// begin begins the trouble, from and slack being estimates of when; now where
// too little was seen for one.
func (k *track) begin(from, slack, now float64) {
	if !k.active {
		*k = track{active: true, from: finite(from, now), slack: finite(slack, 0), to: math.NaN(), flow: math.NaN()}
	}
}

func (k *track) end(to, flow float64) {
	if k.active {
		k.active, k.to, k.flow = false, max(finite(to, flow), k.from), flow
	}
}

func (k *track) shift(dt, now float64) {
	k.from = min(k.from+dt, now)
	k.to = min(k.to+dt, now)
	k.flow = min(k.flow+dt, now)
}

// outage is the open episode with what is needed to finish it.
type outage struct {
	open        bool
	ep          Episode
	tracks      [numTracks]track // as far as they belong to this episode
	base        totals           // counters at its start
	last        float64          // when something was last wrong
	quiet       float64          // since when every track is quiet, NaN while one is not
	fit         float64          // since when quality and age are back, NaN while they are not
	waitBase    bool             // the link was interrupted: coordinates must be heard again
	uncorrected bool             // the rover left the corrected solution
	silent      bool             // the link was silent beyond its limit
	stale       int              // old corrections taken up

	ends   bothends.Evidence // of both ends, from endsAt
	endsAt float64
	found  bothends.Finding
}

// silence notes a time without a byte.
func (o *outage) silence(gap float64) {
	if o.open && math.IsNaN(o.quiet) {
		o.ep.Evidence.Silence = max(o.ep.Evidence.Silence, gap)
	}
}

// roverGap notes a time without an epoch of the rover.
func (o *outage) roverGap(gap float64) {
	if o.open {
		o.ep.Evidence.RoverGap = max(o.ep.Evidence.RoverGap, gap)
	}
}

// partial notes which usual constellations c lacks.
func (o *outage) partial(f *flow, c *obsEpoch, whole bool) {
	if !o.open || whole {
		return
	}
	for i := range f.presence {
		o.ep.Evidence.Lost[i] = f.presence[i] > 0.75 && c.sats[i] == 0
	}
}

// late notes the latency of an epoch.
func (o *outage) late(latency float64) {
	if o.open {
		o.ep.Evidence.Latency = fmaxNaN(o.ep.Evidence.Latency, latency)
	}
}

// rover notes satellites and quality.
func (o *outage) rover(r *rover) {
	e := &o.ep.Evidence
	if r.sats >= 0 && (e.SatsLeast < 0 || r.sats < e.SatsLeast) {
		e.SatsLeast = r.sats
	}
	if !math.IsNaN(r.cn0) && !(r.cn0 >= e.CN0Least) {
		e.CN0Least = r.cn0
	}
	if rank(r.quality) < rank(e.QualityMin) {
		e.QualityMin = r.quality
	}
}

// samples is how many of the last half seconds are remembered, so that an
// outage seen late is described from its beginning.
const samples = 128

// sample is the state at one moment.
type sample struct {
	t        float64
	tot      totals
	quality  gnss.Quality
	sats     int
	cn0      float64
	age      float64
	place    float64
	distance float64
	station  int
}

// sample remembers the state, twice a second.
func (l *Link) sample(t float64) {
	if l.nPast > 0 {
		if last := l.past[(l.nPast-1)%samples].t; t < last+0.5 && t > last-1 {
			return
		}
	}
	r := &l.rover
	l.past[l.nPast%samples] = sample{t: t, tot: l.flow.tot, quality: r.quality, sats: r.sats, cn0: r.cn0, age: r.age,
		place: l.place, distance: l.st.Baseline, station: l.stationHeard()}
	l.nPast++
}

// stationHeard is the id on the link, or what the rover says of it.
func (l *Link) stationHeard() int {
	if l.st.Tapped {
		return l.st.Station
	}
	return l.base.roverStn
}

// at returns the state remembered from t, or the oldest one.
func (l *Link) at(t float64) *sample {
	n := min(l.nPast, samples)
	k := l.nPast - 1
	for i := 1; i < n && l.past[k%samples].t > t; i++ {
		k--
	}
	return &l.past[max(k, 0)%samples]
}

// arm ends the start-up: outages count once the receiver has been corrected
// for a while and its usual correction age is known; where no rover is heard,
// from the tenth epoch of the link on.
func (l *Link) arm(t float64) {
	r := &l.rover
	if r.heard {
		l.armed = t-r.rightFrom >= requalifyS && r.uses >= learnUses
	} else {
		l.armed = l.flow.epochs >= 2*learnEpochs
	}
	if l.st.Ready = l.armed; l.armed {
		for i := range l.tracks {
			l.tracks[i].active = false
		}
	}
}

// episodes opens, follows and closes the outage.
func (l *Link) episodes(t float64) {
	if !l.armed {
		l.arm(t)
		return
	}
	o, st := &l.out, &l.st
	if !o.open && l.due(t) {
		l.open(o, t)
	}
	if o.open {
		l.pursue(t)
	}
	st.Open, st.OpenSince, st.OpenCause = false, math.NaN(), CauseUnknown
	if e := l.opened(); e != nil {
		st.Open, st.OpenSince, st.OpenCause = true, e.Start, e.Cause
	}
}

// due reports whether something has been wrong for long enough.
func (l *Link) due(t float64) bool {
	if l.tracks[trackUse].active || l.tracks[trackSky].active || l.tracks[trackRover].active {
		return true
	}
	return l.linkDue(t)
}

// linkDue reports the same of the link alone.
func (l *Link) linkDue(t float64) bool {
	f := &l.flow
	return f.learned() && l.tracks[trackLink].active &&
		(f.cond == Silent || t-f.badFrom >= holdOpen && f.badUntil(t) >= 2)
}

// open begins an episode; what happened before it was seen comes from the
// samples.
func (l *Link) open(o *outage, t float64) {
	nan := math.NaN()
	*o = outage{open: true, last: t, quiet: nan, fit: nan, endsAt: math.Inf(-1)}
	e := &o.ep
	*e = Episode{Start: nan, Slack: nan, FaultEnd: nan, Flowing: nan, Requalified: nan, Detected: t, Closed: nan,
		AgeMax: l.rover.age, Where: nan, Distance: nan, UTC: nan}
	from := t
	for i := range l.tracks {
		if k := &l.tracks[i]; k.active {
			o.tracks[i] = *k
			from = min(from, k.from)
		} else {
			o.tracks[i] = track{from: nan, slack: nan, to: nan, flow: nan}
		}
	}
	p := l.at(from)
	o.base = p.tot
	ev := &e.Evidence
	*ev = Evidence{StationBefore: p.station, StationAfter: -1, SatsBefore: p.sats, SatsLeast: p.sats,
		CN0Before: p.cn0, CN0Least: p.cn0, QualityBefore: p.quality, QualityMin: p.quality,
		Latency: l.flow.latency, UsualLat: l.flow.lat, AgeLimit: l.ageLimit(), AgeUsual: l.rover.peak}
	if l.st.Tapped {
		ev.Silence = max(0, t-l.st.LastByte)
	}
	if l.rover.heard {
		ev.RoverGap = t - l.rover.last
	}
	o.stale = l.rover.stale
	// Qualities since then, from the samples.
	e.addQuality(p.quality)
	for i := max(0, l.nPast-samples); i < l.nPast; i++ {
		if s := &l.past[i%samples]; s.t > p.t {
			e.addQuality(s.quality)
			if rank(s.quality) < rank(ev.QualityMin) {
				ev.QualityMin = s.quality
			}
			if s.sats >= 0 && s.sats < ev.SatsLeast {
				ev.SatsLeast = s.sats
			}
			if s.cn0 < ev.CN0Least {
				ev.CN0Least = s.cn0
			}
		}
	}
	if l.rover.heard {
		o.rover(&l.rover)
		e.addQuality(l.rover.quality)
	}
}

// pursue follows the open outage.
func (l *Link) pursue(t float64) {
	o := &l.out
	e, ev := &o.ep, &o.ep.Evidence
	wrong := false
	rover := l.tracks[trackUse].active || l.tracks[trackSky].active || l.tracks[trackRover].active
	// A single bad epoch after an outage is not part of it, but spoiled bytes come
	// and go.
	single := !rover && !l.linkDue(t) && !(e.Cause == LinkCorrupt && l.flow.spoiled)
	for i := range l.tracks {
		k, mine := &l.tracks[i], &o.tracks[i]
		switch {
		case i == trackLink && k.active && !mine.active && single:
		case k.active:
			wrong = true
			if math.IsNaN(mine.from) {
				*mine = *k
			}
			mine.active = true
		case mine.active:
			mine.active, mine.to, mine.flow = false, k.to, k.flow
		}
	}
	// While the link alone is still being watched, as usual again, the fault
	// itself is over: its figures stand.
	over := l.tracks[trackLink].active && l.flow.goodRun >= goodToFlow && !rover
	if wrong {
		o.quiet = math.NaN()
		e.FaultEnd, e.Flowing = math.NaN(), math.NaN()
	}
	if wrong && !over || !l.fit() {
		o.fit = math.NaN()
	} else if math.IsNaN(o.fit) {
		o.fit = t
	}
	if wrong && !over {
		o.last = t
		if l.st.Tapped {
			ev.Silence = max(ev.Silence, t-l.st.LastByte)
		}
		if l.flow.cond == Silent {
			o.silent = true
			o.waitBase = l.base.heard
		}
		tot := &l.flow.tot
		ev.Bytes, ev.Junk, ev.CRC = tot.bytes-o.base.bytes, tot.junk-o.base.junk, tot.crc-o.base.crc
		ev.Epochs, ev.Late, ev.Partial = tot.epochs-o.base.epochs, tot.late-o.base.late, tot.partial-o.base.partial
	}
	ev.StationAfter = l.stationHeard()
	l.decide(t)
	if wrong {
		if e.Cause == LinkSparse && t-e.Start > newUsualAfter && l.fit() {
			l.flow.relearn()
			l.flow.running = false
			l.tracks[trackLink].end(t, t)
		}
		return
	}
	if math.IsNaN(o.quiet) {
		o.quiet = t
	}
	if o.waitBase && t-o.quiet > min(baseWaitMax, finite(1.5*l.base.interval+1, baseWaitMax)) {
		o.waitBase = false
	}
	switch {
	case o.waitBase, l.waitEnds(t, e):
	case t-o.fit >= requalifyS:
		e.Requalified = o.fit
		l.finish(o, t)
	case t-o.quiet > requalifyMax:
		l.finish(o, t)
	}
}

// fit reports whether the receiver is as good as before the episode.
func (l *Link) fit() bool {
	r := &l.rover
	if !r.heard {
		return true
	}
	return rank(r.quality) >= rank(l.out.ep.Evidence.QualityBefore) && !(r.age > l.ageLimit())
}

// decide forms the facts from the evidence and the cause from the facts, and
// takes start and end from the track that the cause speaks of.
func (l *Link) decide(t float64) {
	o, f := &l.out, &l.flow
	e, ev := &o.ep, &o.ep.Evidence
	for range 2 { // the cause moves the start, and the start the shares
		start := e.Start
		if math.IsNaN(start) {
			start = e.Detected
		}
		ev.Span = max(0, o.last-start)
		e.Facts = l.facts()
		e.Cause = Decide(e.Facts)
		k := &o.tracks[trackOf(e.Cause, e.Facts)]
		if math.IsNaN(k.from) {
			for i := range o.tracks {
				if c := &o.tracks[i]; !math.IsNaN(c.from) && (math.IsNaN(k.from) || c.from < k.from) {
					k = c
				}
			}
		}
		e.Start, e.Slack = k.from, k.slack
		if !k.active {
			e.FaultEnd, e.Flowing = k.to, k.flow
			if e.Cause == LinkLate && !math.IsNaN(f.lastEntry) && f.lastEntry >= e.Start {
				e.FaultEnd = min(k.to, f.lastEntry+f.interval/2)
			}
		}
	}
	l.situate(e)
	l.compareEnds(t, e)
}

// situate says where the car was at the start.
func (l *Link) situate(e *Episode) {
	p := l.at(e.Start)
	e.Where, e.Distance, e.UTC = p.place, p.distance, e.Start-l.off
}

// trackOf is the track whose begin and end are those of an episode of cause c.
func trackOf(c Cause, f Facts) int {
	switch c {
	case ReceiverNotUsing:
		return trackUse
	case SkyBlocked, Interference:
		return trackSky
	case ReceiverSilent:
		return trackRover
	case CauseUnknown:
		if f&Tapped == 0 {
			return trackUse
		}
	}
	if f&Tapped == 0 {
		return trackUse
	}
	return trackLink
}

// facts says what the evidence shows.
func (l *Link) facts() Facts {
	o, f, r := &l.out, &l.flow, &l.rover
	e, ev := &o.ep, &o.ep.Evidence
	var facts Facts
	set := func(holds bool, which Facts) {
		if holds {
			facts |= which
		}
	}
	if f.interval > 0 {
		ev.Expected = ev.Span / f.interval
	}
	share := func(n int) float64 { return float64(n) / max(1, float64(ev.Epochs)) }
	bad := 0.0
	if ev.Bytes > 0 {
		bad = float64(ev.Junk) / float64(ev.Bytes)
	}
	fresh := !(e.AgeMax > ev.AgeLimit) && e.AgeMax > 0 && !o.uncorrected && r.peak > 0.3

	tapped := l.st.Tapped && (f.learned() || ev.Epochs > 0)
	set(tapped, Tapped)
	if tapped {
		set(o.silent && ev.Silence >= 0.5*ev.Span, NoBytes)
		set(o.silent, Interrupted)
		// A broken frame among a few is no sign: what is broken must go some way to
		// explain what is missing.
		missing := max(0, ev.Expected-float64(ev.Epochs)) + float64(ev.Partial)
		set(bad >= l.cfg.CorruptShare/2 && float64(ev.Junk) > 0.05*missing*f.size, BadBytes)
		set(ev.Late > 0 && share(ev.Late) >= 0.5, LateFrames)
		set(ev.Expected >= 2 && (float64(ev.Epochs) < l.cfg.SparseShare*ev.Expected || share(ev.Partial) >= 0.5), FewFrames)
		set(float64(ev.Epochs) >= 0.7*ev.Expected-1 && share(ev.Late) < 0.3 && share(ev.Partial) < 0.3 &&
			bad < l.cfg.CorruptShare/2 && !o.silent, LinkHealthy)
		set(fresh && (ev.Silence > ev.AgeLimit+2 || ev.Latency-ev.UsualLat > ev.AgeLimit+1) && ev.RoverGap < r.roverGapLimit(), AgeContradicts)
	} else {
		set(e.AgeMax > ev.AgeLimit, Interrupted)
	}
	set(ev.StationBefore >= 0 && ev.StationAfter >= 0 && ev.StationBefore != ev.StationAfter, StationChanged)
	set(ev.BaseShift > l.cfg.Tolerance, BaseShifted)
	set(e.AgeMax > ev.AgeLimit, AgeGrew)
	set(o.uncorrected, Uncorrected)
	set(o.stale >= 3 && float64(o.stale) >= 0.4*ev.Span/finite(r.every, 1), UsedLate)
	set(!math.IsNaN(o.tracks[trackSky].from), SatsFell)
	set(rank(ev.QualityMin) < rank(ev.QualityBefore), QualityFell)
	set(ev.RoverGap > r.roverGapLimit() && ev.RoverGap >= 0.5*ev.Span, RoverSilent)
	facts |= l.ends.baseEndFacts(e.Start, e.Start+ev.Span) | endsFacts[o.found]
	if fall := &r.fall; fall.to >= e.Start-fallBefore {
		ev.Fall, ev.BaseFell, ev.BaseWas = fall.most, fall.base, fall.heard
		set(true, FellTogether)
		set(fall.base, BaseFellToo)
	}
	return facts
}

// finish closes o at t.
func (l *Link) finish(o *outage, t float64) {
	e := &o.ep
	if l.both != nil && o == &l.out {
		o.endsAt = math.Inf(-1)
		l.compareEnds(t, e)
		l.decide(t)
		if o.ends.Covered && (e.Cause == CauseUnknown || e.Cause == LinkSilent || e.Cause.TakesBothEnds()) {
			_, e.BaseEnd = BothEnds(o.found, &o.ends, &l.cfg.Radio)
		}
		l.both.Over(e.Start, e.faultTo())
	}
	e.Closed = t
	e.Start = min(e.Start, e.End()) // host time may run back a little
	l.recur.add(e.Start, e.Where)
	e.Recurs = l.recur.test()
	if l.nDone == len(l.done) {
		copy(l.done[:], l.done[1:])
		l.nDone--
	}
	l.done[l.nDone] = *e
	l.nDone++
	o.open = false
	st := &l.st
	st.Recurs = e.Recurs
	st.Episodes++
	st.LastCause, st.LastStart, st.LastEnd = e.Cause, e.Start, e.End()
}
