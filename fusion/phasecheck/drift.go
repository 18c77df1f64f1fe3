package phasecheck

import (
	"math"

	"kerbline/gnss/gnsstime"
)

// The drift test compares the offset of fix and phases now with the offset some time
// ago, over some spans: the longer find slower drifts, the shorter are there
// sooner. Spans and least alarm: our own choice, no source.
//
// A shift is normal with the variance that the path gathers between the two times, and
// twice that of the fixes' own wander: the two offsets lie far enough apart to
// be of different errors. Horizontally it is beyond chance deviations with probability
// exp(-chance²/2) = 6e-6. Three spans that tell something new every 10 s make that one
// false alarm in 150 h, if the wander is known: reflections of 5 cm are so slow that it is
// learned from few of them, one in 2 h (TestDrifts_Reflections).
const (
	history = 96   // s kept
	latest  = 2.0  // s that are now
	enough  = 6    // seconds with offsets that a reference needs
	least   = 0.07 // m, no alarm below
	chance  = 4.9  // deviations that a shift may have
	wide    = 1.5  // by which variances of the path are widened for levels, which the test does not need
	inRow   = 2    // pairs in a row that alarm; the newest second alone alarms at once
)

// The wander of the fixes is learned from offsets that a drift has not reached when it
// alarms, each window of them about its mean; before, what the receiver says counts.
// Our own choice, no source; checked on generated drives, with reflections too.
const (
	learnBefore = 30.0  // s ago
	learnFrom   = 20    // seconds with offsets
	learnPrior  = 10.0  // s that what the receiver says is worth
	learnMemory = 120.0 // s
	// learnClip bounds a window's variance by the usual one: a drift that goes on is no
	// wander.
	learnClip = 4.0
)

var spans = [...]struct{ from, to float64 }{{8, 25}, {15, 45}, {30, 80}} // s ago

// Drift is what the test says.
type Drift struct {
	Known      bool
	Shift      [3]float64 // m, east-north-up: by how much the fixes moved against the phases
	Threshold  float64    // m, horizontally
	Detectable float64    // m/s, slowest drift that is found within the history
	Scatter    float64    // m, wander of the fixes against the phases, one axis
	Alarm      bool
}

// size is the horizontal shift, m.
func (d *Drift) size() float64 { return math.Hypot(d.Shift[0], d.Shift[1]) }

// second is the mean offset of one second.
type second struct {
	at    float64 // s since the start
	off   [3]float64
	v     float64 // m^2, of the path
	count float64
}

// average is that of several.
type average struct {
	n, v, at float64
	off      [3]float64
	spread   float64 // m^2, of one axis about the mean
}

// drifts is the offsets of the last minutes, one a second.
type drifts struct {
	ring  [history]second
	start gnsstime.Time
	moved [3]float64 // m, of the path by its anchors
	base  float64    // m^2, of the path up to its anchor
	row   int
	alarm bool
	ref   average // from before the drift that alarmed

	wander float64 // m^2, of the fixes against the path, one axis
	learnt float64 // s over which that was learned
}

// forget starts anew: the path is another one. The fixes wander as before.
func (d *drifts) forget() { *d = drifts{wander: d.wander, learnt: d.learnt} }

// shift says that an anchor moved the path by v, which had gathered a variance.
func (d *drifts) shift(v, grown [3]float64) {
	for i := range 3 {
		d.moved[i] += v[i]
	}
	d.base += math.Max(grown[0], grown[1]) / (wide * wide)
}

// push takes one offset of fix and path, the path's variance since its anchor, the
// variance that the receiver's word leaves one axis of the fix, and what the path may be off
// over the spans.
func (d *drifts) push(t gnsstime.Time, off, grown [3]float64, said float64, spread *[len(spans)]float64) (r Drift) {
	if d.start.IsZero() {
		d.start = t
	}
	s := t.Sub(d.start)
	k := &d.ring[int(math.Max(0, s))%history]
	if s-k.at >= 1 || k.count == 0 {
		*k = second{at: math.Floor(s)}
		d.learn(s)
	}
	k.count++
	for i := range 3 {
		k.off[i] += (off[i] + d.moved[i] - k.off[i]) / k.count
	}
	k.v = d.base + math.Max(grown[0], grown[1])/(wide*wide)

	now, own := d.mean(s-latest, s+1), d.scatter(said)
	if d.alarm {
		r = compare(&now, &d.ref, own, 0)
		if r.size() < r.Threshold/2 {
			// What was kept meanwhile is no reference.
			d.alarm, d.row, d.ring = false, 0, [history]second{}
		}
		r.Alarm = d.alarm
		return r
	}
	var from average
	newest, sudden := average{n: 1, v: k.v, off: k.off}, false
	for i, span := range spans {
		then := d.mean(s-span.to, s-span.from)
		if then.n < enough {
			continue
		}
		c := compare(&now, &then, own, spread[i])
		last := compare(&newest, &then, own, spread[i])
		sudden = sudden || last.size() > last.Threshold
		c.Detectable = c.Threshold / span.to
		if r.Known {
			c.Detectable = math.Min(c.Detectable, r.Detectable)
		}
		if !r.Known || c.size()/c.Threshold > r.size()/r.Threshold {
			r, from = c, then
		}
		r.Detectable = c.Detectable
	}
	if d.row++; !r.Known || r.size() <= r.Threshold {
		d.row = 0
	}
	if d.row >= inRow || sudden {
		d.alarm, d.ref, r.Alarm = true, from, true
	}
	return r
}

// learn takes what the offsets of some time ago wander by, once a second.
func (d *drifts) learn(s float64) {
	a := d.mean(s-history, s-learnBefore)
	if d.alarm || a.n < learnFrom {
		return
	}
	if d.learnt > learnMemory/2 {
		a.spread = math.Min(a.spread, learnClip*d.wander)
	}
	d.learnt = math.Min(d.learnt+1, learnMemory)
	d.wander += (a.spread - d.wander) / d.learnt
}

// scatter is the variance in m^2 of the fixes' wander, one axis, where the receiver's
// word is said before anything is learned.
func (d *drifts) scatter(said float64) float64 {
	return (learnPrior*said + d.learnt*d.wander) / (learnPrior + d.learnt)
}

// compare is the shift between two means of fixes that wander by a variance, m^2;
// between their times the path may be off by at least another.
func compare(now, then *average, own, least2 float64) (r Drift) {
	r.Known = !math.IsNaN(least2)
	r.Scatter = math.Sqrt(own)
	v := math.Max(least2, now.v-then.v) + 2*own
	r.Threshold = math.Max(least, chance*math.Sqrt(v))
	for i := range 3 {
		r.Shift[i] = now.off[i] - then.off[i]
	}
	return r
}

// mean averages the offsets of the seconds that began between two times since the start.
func (d *drifts) mean(from, to float64) (a average) {
	var sum2 float64
	for i := range d.ring {
		k := &d.ring[i]
		if k.count == 0 || k.at < from || k.at >= to {
			continue
		}
		a.n++
		a.at += (k.at - a.at) / a.n
		a.v += (k.v - a.v) / a.n
		for j := range 3 {
			d := k.off[j] - a.off[j]
			a.off[j] += d / a.n
			if j < 2 {
				sum2 += d * (k.off[j] - a.off[j])
			}
		}
	}
	if a.n > 1 {
		a.spread = sum2 / (2 * (a.n - 1))
	}
	return a
}
