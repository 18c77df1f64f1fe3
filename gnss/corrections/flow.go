package corrections

import (
	"math"

	"kerbline/gnss/rtcm"
)

// totals counts what came over the link since the start.
type totals struct {
	bytes, junk, crc      uint64
	epochs, late, partial int
}

// bucket counts one second of the link.
type bucket struct {
	sec              int64
	bytes, junk, bad int
}

// obsEpoch is the observation messages of one instant.
type obsEpoch struct {
	utc         float64 // Unix s
	first, last float64 // host Unix s of its first and last frame
	msgs        int
	size        int // bytes
	sats        [rtcm.NSystems]uint8
	assessed    bool
}

// gapMeter measures the usual rate of one message type: gaps between frames
// between which the link flowed throughout.
type gapMeter struct {
	sum float64
	n   int
	run int // flow.runs at the last frame
}

// flow is the link's observation epochs, and what is usual about them.
type flow struct {
	tot      totals
	buckets  [8]bucket // of the last seconds, by second modulo 8
	second   int64     // of the newest Minute column
	meters   [MaxTypes]gapMeter
	spacings [MaxTypes]spacing
	cond     Condition // of the observations
	runs     int       // counts changes of it
	badFrom  float64   // since when the link has not been flowing, NaN while it is

	clock   rtcm.EpochClock
	cur     obsEpoch
	started bool // cur holds an epoch

	// What is usual.
	epochs   int // learned so far
	interval float64
	steps    [9]float64 // the last intervals; the usual one is their median
	nSteps   int
	presence [rtcm.NSystems]float64 // share of epochs that hold the constellation
	held     [rtcm.NSystems]float64 // satellites of it, where they do
	msgs     float64
	size     float64 // bytes
	sats     float64
	lat, dev float64 // s, latency and its mean deviation

	// The epochs as assessed.
	assessed obsEpoch
	due      float64 // host Unix s at which the last assessed epoch was due
	latency  float64 // s, of it
	absent   int     // epochs in a row without a usual constellation
	slots    [5]float64
	nSlots   int

	// The present run of trouble. It begins after an epoch that was as usual
	// and ends with goodToEnd such epochs in a row.
	running   bool
	bads      int     // epochs of it that were missing or not as usual
	goods     int     // the others, up to the last bad one
	from      float64 // estimated begin
	slack     float64
	lastBad   float64 // due time of the last epoch that was missing or not as usual
	lastEntry float64 // due time of the last late epoch that did not just queue behind another
	spoiled   bool    // bytes came broken
	serious   bool    // an epoch was missing, thin, damaged or clearly late
	goodRun   int
	firstGood float64 // due time of the first epoch of the good run
	firstCame float64 // and when it was there
	lastGood  float64 // due time of the last good epoch
	junkAt    float64 // first junk since the last assessed epoch, NaN for none
}

func newFlow() flow {
	nan := math.NaN()
	f := flow{badFrom: nan, interval: nan, msgs: nan, sats: nan, lat: nan, dev: nan, due: nan, latency: nan,
		lastBad: nan, lastEntry: nan, firstGood: nan, firstCame: nan, lastGood: nan, junkAt: nan, from: nan, slack: nan}
	for i := range f.spacings {
		f.spacings[i].forget()
	}
	return f
}

// junk notes bytes outside any frame at t.
func (f *flow) junk(t float64) {
	if math.IsNaN(f.junkAt) {
		f.junkAt = t
	}
}

// learned reports whether the link can be assessed.
func (f *flow) learned() bool { return f.epochs >= learnEpochs && f.interval > 0 }

// bucket returns the counter of the second that holds t.
func (f *flow) bucket(t float64) *bucket {
	sec := int64(math.Floor(t))
	b := &f.buckets[sec&7]
	if b.sec != sec {
		*b = bucket{sec: sec}
	}
	return b
}

// window returns what came in the last windowS seconds.
func (f *flow) window(t float64) (bytes, junk, bad int) {
	now := int64(math.Floor(t))
	for i := range f.buckets {
		if b := &f.buckets[i]; b.sec > now-windowS && b.sec <= now {
			bytes, junk, bad = bytes+b.bytes, junk+b.junk, bad+b.bad
		}
	}
	return bytes, junk, bad
}

// roll moves the per-second counters of st on to t.
func (l *Link) roll(t float64) {
	f, st := &l.flow, &l.st
	sec := int64(math.Floor(t))
	if f.second == 0 {
		f.second = sec
	}
	if k := sec - f.second; k != 0 {
		// A clock that stepped back starts a new minute.
		n := len(st.Types[0].Minute)
		if k < 0 || k > int64(n) {
			k = int64(n)
		}
		for i := range st.Types[:st.NTypes] {
			m := &st.Types[i].Minute
			copy(m[:], m[k:])
			clear(m[n-int(k):])
		}
		f.second = sec
	}
	if !st.Tapped {
		return
	}
	bytes, junk, _ := f.window(t)
	st.BytesPerS = float64(bytes) / windowS
	st.BadShare = math.NaN()
	if bytes > 0 {
		st.BadShare = min(1, float64(junk)/float64(bytes))
	}
}

// count keeps the statistics of m's type.
func (l *Link) count(t float64, m *rtcm.Message) {
	st := &l.st
	i := 0
	for i < st.NTypes && st.Types[i].Number != m.Number {
		i++
	}
	if i == MaxTypes {
		return
	}
	s, g := &st.Types[i], &l.flow.meters[i]
	if i == st.NTypes {
		st.NTypes++
		*s = TypeStat{Number: m.Number, Rate: math.NaN(), Last: math.NaN()}
	}
	if gap := t - s.Last; gap >= 0 {
		s.MaxGap = max(s.MaxGap, gap)
		if g.run == l.flow.runs && l.flow.cond == Flowing && !l.flow.running {
			g.sum += gap
			g.n++
			if g.sum > 0 {
				s.Rate = float64(g.n) / g.sum
			}
		}
	}
	g.run = l.flow.runs
	s.Last = t
	s.Count++
	s.Bytes += (float64(m.Bytes) - s.Bytes) / float64(s.Count)
	if k := &s.Minute[len(s.Minute)-1]; *k < math.MaxUint8 {
		*k++
	}
	l.stationMessage(t, i)
}

// observe adds an observation message to its epoch. An epoch is assessed as soon
// as it is as complete as usual and says that it ends, else when the next
// begins or is overdue.
func (l *Link) observe(t float64, m *rtcm.Message) {
	f := &l.flow
	near := t
	switch {
	case !math.IsNaN(l.off):
		near -= l.off
	case f.started:
		// The host clock may be days off; within a stream days go on.
		near += f.cur.utc - f.cur.last
	}
	utc := f.clock.Epoch(m, near)
	if math.IsNaN(utc) {
		return
	}
	c := &f.cur
	if !f.started || math.Abs(utc-c.utc) > 0.05 {
		l.assess()
		*c = obsEpoch{utc: utc, first: t}
		f.started = true
	}
	c.last = t
	c.msgs++
	c.size += m.Bytes
	c.sats[m.System] = uint8(min(255, int(c.sats[m.System])+m.Sats))
	l.st.Systems = c.sats
	if !m.More && f.learned() && f.whole(c) {
		l.assess()
	}
}

// whole reports whether c holds what an epoch usually holds.
func (f *flow) whole(c *obsEpoch) bool {
	sats, msgs := 0, float64(c.msgs)
	for i, n := range c.sats {
		if n == 0 && f.presence[i] > 0.75 {
			if f.held[i] >= fewSats {
				return false
			}
			msgs++ // its one or two satellites have set
		}
		sats += int(n)
	}
	return msgs > f.msgs-0.5 && float64(sats) >= 0.6*f.sats
}

// fill is the share of the usual satellites and messages that c holds.
func (f *flow) fill(c *obsEpoch) float64 {
	sats := 0
	for _, n := range c.sats {
		sats += int(n)
	}
	x := min(1, float64(c.msgs)/f.msgs)
	if f.sats > 0 {
		x = min(x, float64(sats)/f.sats)
	}
	return x
}

// settleEpoch judges an epoch after which nothing more came.
func (l *Link) settleEpoch(t float64) {
	f := &l.flow
	wait := 3.0
	if f.interval > 0 {
		wait = 1.5*f.interval + 0.5
	}
	if f.started && !f.cur.assessed && t-f.cur.first > wait {
		l.assess()
	}
}

// assess compares the current epoch with the usual ones.
func (l *Link) assess() {
	f := &l.flow
	c := &f.cur
	if !f.started || c.assessed {
		return
	}
	c.assessed = true
	prev := f.assessed
	f.assessed = *c
	if prev.utc == 0 {
		// The first one heard is usually cut by the start: it only marks time.
		f.due = c.last
		return
	}
	step := c.utc - prev.utc
	if step <= 0 {
		// A base whose clock was set, or another stream: begin anew.
		f.due = c.last
		if math.IsNaN(l.off) {
			l.least, f.lat, f.latency = math.NaN(), math.NaN(), math.NaN()
		}
		return
	}
	learning := !f.learned()
	if (learning || !f.running) && step < 60 {
		f.steps[f.nSteps%len(f.steps)] = step
		f.nSteps++
		f.interval = median(f.steps[:min(f.nSteps, len(f.steps))])
	}
	l.timing(c)
	whole := learning || f.whole(c)
	excess := f.latency - f.lat
	late := excess > max(jitterFloor, jitterSigmas*f.dev) || f.latency > l.cfg.LateAfter
	missing := 0
	if f.interval > 0 {
		missing = max(0, int(math.Round(step/f.interval))-1)
	}

	f.tot.epochs++
	clearly := excess > clearlyLate || f.latency > l.cfg.LateAfter
	if clearly {
		f.tot.late++
	}
	f.fillSlots(c, learning, whole, missing)
	if missing > 0 {
		f.bad(f.due-float64(missing)*f.interval, missing)
		f.lastBad = f.due - f.interval
		f.serious = true
		if f.junkAt < c.first-f.interval/2 {
			f.junkAt = math.NaN() // what is left of the missing one
		}
	}
	if whole && !late && math.IsNaN(f.junkAt) {
		if f.goodRun == 0 {
			f.firstGood, f.firstCame = f.due, c.last
		}
		f.goodRun++
		f.lastGood = f.due
		l.wholeEpoch(f.due, l.t)
		if !f.running || learning {
			f.learn(c)
		}
	} else {
		if learning {
			f.learn(c)
		}
		at := f.due
		if f.junkAt < at {
			at = f.junkAt
		}
		f.bad(at, 1)
		f.lastBad = f.due
		f.serious = f.serious || !whole || clearly || !math.IsNaN(f.junkAt)
		// A burst after a delay is a queue that empties: those epochs entered
		// the link when it was sound again.
		if clearly && c.last-prev.last > 0.8*step {
			f.lastEntry = f.due
		}
		l.out.partial(f, c, whole)
	}
	f.junkAt = math.NaN()
	l.out.late(f.latency)
	if f.running && f.goodRun >= f.goodToEnd() {
		l.endRun()
	}
}

// timing takes the latency of epoch c and when it was due.
func (l *Link) timing(c *obsEpoch) {
	f := &l.flow
	if d := c.last - c.utc; math.IsNaN(l.off) && !(d >= l.least && d < l.least+anotherTime) {
		if math.Abs(d-l.least) < anotherTime {
			f.shiftLatency(l.least - d)
		} else {
			f.lat = math.NaN()
		}
		l.least = d
	}
	f.latency = c.last - c.utc - l.hostMinusUTC()
	l.st.Latency, l.st.LatencyRelative = f.latency, math.IsNaN(l.off)
	if math.IsNaN(f.lat) {
		f.lat, f.dev = f.latency, jitterFloor/jitterSigmas
	}
	f.due = c.last
	if due := c.utc + l.hostMinusUTC() + f.lat; !math.IsNaN(due) {
		f.due = min(due, c.last)
	}
}

// fillSlots records how full epoch c was, after the missing ones before it.
func (f *flow) fillSlots(c *obsEpoch, learning, whole bool, missing int) {
	if !whole {
		f.tot.partial++
		f.absent++
	} else {
		f.absent = 0
	}
	for range min(missing, len(f.slots)) {
		f.slot(0)
	}
	if learning {
		f.slot(1)
	} else {
		f.slot(f.fill(c))
	}
}

// shiftLatency adds d to the latencies known: they count from another zero now.
func (f *flow) shiftLatency(d float64) {
	if !math.IsNaN(d) {
		f.lat += d
		f.latency += d
	}
}

// slot records how full the next expected epoch was.
func (f *flow) slot(fill float64) {
	copy(f.slots[:], f.slots[1:])
	f.slots[len(f.slots)-1] = fill
	f.nSlots = min(f.nSlots+1, len(f.slots))
}

// bad notes that n epochs from the one due at the time given were not as
// usual: a run begins, or goes on.
func (f *flow) bad(due float64, n int) {
	if !f.running {
		f.running, f.serious = true, false
		f.bads, f.goods, f.goodRun, f.spoiled = 0, 0, 0, false
		f.lastEntry = math.NaN()
		before := f.lastGood
		if math.IsNaN(before) || before > due {
			before = due
		}
		f.from, f.slack = (before+due)/2, (due-before)/2
	}
	f.spoiled = f.spoiled || !math.IsNaN(f.junkAt)
	f.bads += n
	f.goods += f.goodRun
	f.goodRun = 0
}

// badUntil is how many epochs of the present run were bad or, after the last
// assessed one, should have come by now.
func (f *flow) badUntil(t float64) int {
	return f.bads + max(0, int((t-f.due)/f.interval-0.5))
}

// goodToEnd is how many good epochs in a row end the present run: so many as
// the fault, if it went on, would seldom let through, going by the share it let
// through so far.
func (f *flow) goodToEnd() int {
	// The rule of succession: g is the chance of the next one.
	g := float64(f.goods+1) / float64(f.goods+f.bads+2)
	least := goodLeast
	if f.spoiled {
		least = goodSpoiled
	}
	return min(max(int(math.Ceil(math.Log(goodChance)/math.Log(g))), least), goodMost)
}

// learn takes an epoch into what is usual: means over the first sixty, then
// slowly forgetting ones.
func (f *flow) learn(c *obsEpoch) {
	f.epochs++
	w := 1 / float64(min(f.epochs, 60))
	sats := 0.0
	for i, n := range c.sats {
		here := 0.0
		if n > 0 {
			here = 1
			if f.held[i] == 0 {
				f.held[i] = float64(n)
			}
			f.held[i] += w * (float64(n) - f.held[i])
		}
		f.presence[i] += w * (here - f.presence[i])
		sats += float64(n)
	}
	if f.epochs == 1 {
		f.msgs, f.sats = float64(c.msgs), sats
	}
	f.msgs += w * (float64(c.msgs) - f.msgs)
	f.size += w * (float64(c.size) - f.size)
	f.sats += w * (sats - f.sats)
	if d := f.latency - f.lat; !math.IsNaN(d) {
		f.lat += w * d
		f.dev += w * (math.Abs(d) - f.dev)
	}
}

// relearn forgets which messages are usual: another base, or a message set
// that changed permanently.
func (f *flow) relearn() {
	f.epochs, f.absent, f.nSlots = 0, 0, 0
	f.presence, f.held = [rtcm.NSystems]float64{}, [rtcm.NSystems]float64{}
}

// median returns the middle of at most nine numbers.
func median(x []float64) float64 {
	var s [9]float64
	n := copy(s[:], x)
	for i := 1; i < n; i++ {
		for k := i; k > 0 && s[k] < s[k-1]; k-- {
			s[k], s[k-1] = s[k-1], s[k]
		}
	}
	return s[n/2]
}

// silentLimit is how long the link may send nothing: longer where epochs are
// rarer, and where they are late and so bunched.
func (l *Link) silentLimit() float64 {
	f := &l.flow
	limit := l.cfg.SilentAfter
	if f.interval > 0 {
		limit = max(limit, 2.5*f.interval)
	}
	if f.latency-f.lat > clearlyLate && f.running {
		limit *= 2
	}
	return limit
}

// condition sets the link's condition. It leaves Flowing when something holds
// against it, and returns once epochs are as usual again. While observations
// flow but station messages are missing, it reports Sparse.
func (l *Link) condition(t float64) {
	f, st := &l.flow, &l.st
	c := f.cond
	_, _, bad := f.window(t)
	thin := 0.0
	for _, x := range f.slots {
		thin += x / float64(len(f.slots))
	}
	switch {
	case !st.Tapped:
		c = Untapped
	case t-st.LastByte > l.silentLimit():
		c = Silent
	case f.latency > l.cfg.LateAfter:
		c = Late
	case f.running && f.goodRun >= goodToFlow:
		c = Flowing
	case st.BadShare > l.cfg.CorruptShare && bad >= 2:
		c = Corrupt
	case f.learned() && (f.absent >= 3 || f.nSlots == len(f.slots) && thin < l.cfg.SparseShare):
		c = Sparse
	case c == Silent && f.running:
		c = Sparse // bytes again, not yet as usual
	case !f.running:
		c = Flowing
	}
	told := c
	if c == Flowing && l.thin.open {
		told = Sparse
	}
	if told != st.Condition {
		st.Condition, st.Since = told, t
	}
	if c == f.cond {
		return
	}
	f.cond = c
	f.runs++
	switch {
	case c == Flowing || c == Untapped:
		f.badFrom = math.NaN()
	case math.IsNaN(f.badFrom):
		f.badFrom = t
	}
}

// watchLink runs the link's track.
func (l *Link) watchLink(t float64) {
	f := &l.flow
	if !f.learned() {
		return
	}
	// Nothing came to be assessed: silence, or nothing but broken frames.
	if next := f.due + f.interval; !f.running && t > f.due+max(2.5*f.interval, l.cfg.SilentAfter) {
		if f.junkAt < next {
			next = f.junkAt
		}
		f.bad(next, 0)
		f.serious = true
	}
	if f.running {
		l.tracks[trackLink].begin(f.from, f.slack, t)
	}
	l.st.UsualLat, l.st.UsualSats = f.lat, f.sats
}

// endRun ends the present run of trouble.
func (l *Link) endRun() {
	f := &l.flow
	f.running = false
	f.nSlots = 0
	to := f.firstGood - f.interval/2
	if f.lastBad > f.firstGood-f.interval {
		to = (f.lastBad + f.firstGood) / 2
	}
	l.tracks[trackLink].end(to, f.firstCame)
	if f.serious && !l.out.open && l.armed {
		p := l.at(f.from)
		l.recur.add(f.from, p.place)
		l.st.NearMisses++
		l.st.Recurs = l.recur.test()
	}
}
