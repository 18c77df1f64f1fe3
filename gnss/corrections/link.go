package corrections

import (
	"math"

	"kerbline/gnss"
	"kerbline/gnss/bothends"
	"kerbline/gnss/rtcm"
)

// Link follows the correction link and the rover's use of it. Feed it every
// arrival in order of host time; State and the episodes follow.
type Link struct {
	cfg Config
	st  State

	t      float64 // newest host time
	off    float64 // host clock - UTC in s, NaN while unknown
	least  float64 // s, least arrival - epoch heard: stands in for off until then
	place  float64 // m along the lap
	lap    float64 // m, lap length
	armed  bool    // start-up is over: outages count
	flow   flow
	rover  rover
	base   base
	tracks [numTracks]track
	out    outage
	moved  outage // of base coordinates; it may go on beside others
	thin   outage // of station messages, likewise
	gone   span   // when those stopped
	back   span   // and when they began again, as far as known
	past   [samples]sample
	nPast  int // samples written so far
	recur  recur
	ends   endHistory      // what was heard of the base's end
	both   *bothends.Watch // frames at both ends; nil until the base's end reports any

	done  [16]Episode // closed, not yet taken
	nDone int
}

// New returns a Link that has heard nothing yet.
func New(cfg Config) *Link {
	nan := math.NaN()
	l := &Link{cfg: cfg, t: nan, off: nan, least: nan, place: nan, lap: nan}
	l.st = State{Since: nan, LastByte: nan, BytesPerS: nan, Latency: nan, UsualLat: nan, BadShare: nan,
		UsualSats: nan, Station: -1, BaseOff: nan, BaseChangedAt: nan, BaseStep: nan, StationBefore: -1,
		Baseline: nan, RoverAge: nan, RoverStn: -1, OpenSince: nan, LastStart: nan, LastEnd: nan, Recurs: l.recur.test()}
	l.flow = newFlow()
	l.rover = newRover()
	l.base = newBase(&l.cfg)
	for i := range l.tracks {
		l.tracks[i] = track{from: nan, to: nan, flow: nan}
	}
	return l
}

// State returns the link as it is now; it points into the Link and is valid
// until the next call.
func (l *Link) State() *State { return &l.st }

// Clock sets host clock - UTC in s, NaN while it is not known. Without it
// latencies count from the least one heard, so that a late link is seen all the
// same.
func (l *Link) Clock(hostMinusUTC float64) {
	if math.IsNaN(l.off) && !math.IsNaN(hostMinusUTC) {
		l.flow.shiftLatency(l.least - hostMinusUTC)
	}
	l.off = hostMinusUTC
}

// hostMinusUTC is host clock - UTC in s, or what stands in for it.
func (l *Link) hostMinusUTC() float64 {
	if math.IsNaN(l.off) {
		return l.least
	}
	return l.off
}

// Where sets the place on the lap and the lap's length in m, NaN where there
// is no map.
func (l *Link) Where(s, lap float64) { l.place, l.lap = s, lap }

// Bytes notes that n bytes of the link arrived at t, before they are framed.
func (l *Link) Bytes(t float64, n int) {
	l.advance(t)
	f := &l.flow
	if !l.st.Tapped {
		l.st.Tapped = true
	} else {
		gap := t - l.st.LastByte
		l.out.silence(gap)
		l.base.silence = max(l.base.silence, gap)
	}
	l.st.LastByte = t
	f.tot.bytes += uint64(n)
	f.bucket(t).bytes += n
	l.step(t)
}

// Frame takes one whole frame, complete at t.
func (l *Link) Frame(t float64, m *rtcm.Message) {
	l.advance(t)
	l.st.Frames++
	l.count(t, m)
	l.station(t, m)
	if m.HasBase {
		l.coordinates(t, m)
	}
	if m.System != rtcm.NoSystem && m.EpochMs >= 0 {
		if l.both != nil {
			l.both.Arrived(t, m.CRC)
		}
		l.observe(t, m)
	}
	l.step(t)
}

// Junk takes n bytes of the link that belong to no valid frame.
func (l *Link) Junk(t float64, why rtcm.Refusal, n int) {
	l.advance(t)
	l.st.JunkBytes += uint64(n)
	f := &l.flow
	f.tot.junk += uint64(n)
	b := f.bucket(t)
	b.junk += n
	b.bad++
	if why == rtcm.BadCRC {
		l.st.CRCErrors++
		f.tot.crc++
	}
	f.junk(t)
	l.step(t)
}

// Epoch takes what the rover reports; e arrived at t.
func (l *Link) Epoch(e *gnss.Epoch, t float64) {
	l.advance(t)
	l.follow(e, t)
	l.step(t)
}

// Tick notes that time passed.
func (l *Link) Tick(t float64) {
	l.advance(t)
	l.step(t)
}

// Close ends the recording at t: open episodes are closed unfinished.
func (l *Link) Close(t float64) {
	l.advance(t)
	for _, o := range [...]*outage{&l.out, &l.moved, &l.thin} {
		if o.open {
			o.ep.Unfinished = math.IsNaN(o.ep.FaultEnd)
			l.finish(o, l.t)
		}
	}
}

// Take hands over the episodes closed since the last call, in the order in
// which they closed. Each is valid during its call.
func (l *Link) Take(f func(*Episode)) {
	for i := range l.done[:l.nDone] {
		f(&l.done[i])
	}
	l.nDone = 0
}

// opened returns the open outage as the evidence stands, nil when there is
// none. It points into the Link and is valid until the next call.
func (l *Link) opened() *Episode {
	switch {
	case l.out.open:
		return &l.out.ep
	case l.moved.open:
		return &l.moved.ep
	case l.thin.open:
		return &l.thin.ep
	}
	return nil
}

// ClockStep notes that the host clock was set forward by dt s, as found out
// only now: the silence that seemed to be there was none. A clock set back is
// noticed without it.
func (l *Link) ClockStep(dt float64) {
	if !(dt > 0) {
		return
	}
	before := l.t - dt
	if l.out.open && l.out.ep.Detected >= before {
		l.out.open = false
	}
	for i := range l.tracks {
		if l.tracks[i].from >= before-l.silentLimit() {
			l.tracks[i].active = false
		}
	}
	if l.flow.running && l.flow.from >= before-l.silentLimit() {
		l.flow.running = false
	}
	l.shiftTimes(dt, l.t)
	l.step(l.t)
}

// shiftTimes moves every remembered host time by dt, none of them beyond now.
func (l *Link) shiftTimes(dt, now float64) {
	move := func(x *float64) { *x = min(*x+dt, now) }
	st, f, r, b := &l.st, &l.flow, &l.rover, &l.base
	for _, x := range [...]*float64{
		&l.least, &st.Since, &st.LastByte, &st.BaseChangedAt, &st.LastStart, &st.LastEnd,
		&f.badFrom, &f.cur.first, &f.cur.last, &f.assessed.first, &f.assessed.last, &f.due, &f.from, &f.lastBad,
		&f.lastEntry, &f.firstGood, &f.firstCame, &f.lastGood, &f.junkAt,
		&r.last, &r.lastUse, &r.freshAt, &r.wasRight, &r.rightFrom, &r.lowFrom, &r.lowAt, &r.lowTill, &r.backAt, &r.posAt, &r.fall.from, &r.fall.to,
		&b.at, &l.gone.from, &l.gone.to, &l.back.from, &l.back.to,
	} {
		move(x)
	}
	for i := range f.spacings {
		move(&f.spacings[i].last)
		move(&f.spacings[i].due)
	}
	for i := range st.Types[:st.NTypes] {
		move(&st.Types[i].Last)
	}
	for i := range r.steps {
		move(&r.steps[i].t)
	}
	for i := range l.past {
		move(&l.past[i].t)
	}
	for i := range l.ends.list {
		move(&l.ends.list[i].t)
	}
	if l.both != nil {
		l.both.Shift(dt)
	}
	for i := range l.recur.at {
		move(&l.recur.at[i])
	}
	for i := range l.tracks {
		l.tracks[i].shift(dt, now)
	}
	for _, o := range [...]*outage{&l.out, &l.moved, &l.thin} {
		for _, x := range [...]*float64{&o.last, &o.quiet, &o.fit,
			&o.ep.Start, &o.ep.FaultEnd, &o.ep.Flowing, &o.ep.Requalified, &o.ep.Detected} {
			move(x)
		}
		for i := range o.tracks {
			o.tracks[i].shift(dt, now)
		}
	}
}

// advance moves host time on. A clock that was set back takes all that is
// remembered with it.
func (l *Link) advance(t float64) {
	if t < l.t-1 {
		l.shiftTimes(t-l.t, t)
		l.off += t - l.t
	}
	if dt := t - l.t; dt > 0 && dt < 1 {
		l.recur.spend(l.place, l.lap, dt)
	}
	l.t = t
	l.roll(t)
}

// step re-evaluates everything that depends on the time.
func (l *Link) step(t float64) {
	l.settleEpoch(t)
	l.condition(t)
	l.watchLink(t)
	l.watchRover(t)
	l.sample(t)
	l.episodes(t)
}
