package integrity

import "math"

// DriftTests watch for an error that grows too slowly for the jump test. Over
// each of three windows the receiver's displacement is compared with that by
// wheels and gyro and that by its own velocity, over the longest also twice as
// long; where there is neither the innovations are averaged (extrapolation
// monitoring in the form of Diesel and Luu 1995); a two-sided CUSUM runs over the
// innovations beside them.
type DriftTests struct {
	Suspected SuspectedDrift

	set    Settings
	gate   Gate         // of a displacement, east and north
	win    [3][2]Window // by window, across and along
	cusum  [2]Cusum
	thr    float64 // of s²
	sdb    float64 // smallest detectable bias, sigmas
	t0     float64 // host s of the first innovation since the reset
	before marks   // from before a suspicion, or before an alarm that none preceded

	unchecked float64 // m, how far a drift may have gone since a reference ran last
	last      float64 // host s of the epoch before, NaN before the first
	fix       int     // counts epochs without a fix: the same within one fix

	shown   float64 // statistic of the shorter windows from which what they show counts
	suspect float64 // the same from which a drift is suspected
	slow    float64 // the same over the long window
	denied  float64 // statistic from which an epoch is not quiet
}

const (
	// showFactor times the probability of a suspicion is that at which what a
	// short window sees already counts. Chosen on generated drives without fault.
	showFactor = 4
	// slowFactor times it is that at which the long window raises one: meanwhile the
	// levels hold what it sees. Common practice, no source.
	slowFactor = 0.02
	// returnRefused is the share of epochs without drift that do not count as quiet.
	returnRefused = 0.05
	// innovSettle is how long innovations are large for honest reasons after a
	// change of quality or alignment, s. Common practice, no source.
	innovSettle = 2.0
	// cusumSupport is the statistic of a reference from which it supports the
	// CUSUM: innovations are biased for a while when the filter learns. 3 sigma.
	cusumSupport = 9.0
	// driftRate is how fast a position may drift while nothing checks it, m/s:
	// reflections and wrong integers move it more slowly. Common practice, no source.
	driftRate = 0.1
)

// Init prepares the tests.
func (d *DriftTests) Init(s Settings) {
	// Two axes share the false-alarm probability.
	d.set = s
	d.thr = Chi2Upper(s.DriftPFA/2, 1)
	d.gate = NewGate(s.DriftPFA, s.PMD, 2)
	d.shown = Chi2Upper(math.Min(1, showFactor*s.SuspectPFA), 2)
	d.suspect = Chi2Upper(s.SuspectPFA, 2)
	d.slow = Chi2Upper(s.SuspectPFA*slowFactor, 2)
	d.denied = Chi2Upper(returnRefused, 2)
	d.sdb = math.Sqrt(noncentrality(s.DriftPFA/2, s.PMD, 1))
	for i, span := range s.Windows {
		for a := range 2 {
			d.win[i][a] = newWindow(span, s.DriftFloor)
		}
	}
	for a := range 2 {
		d.cusum[a] = Cusum{K: s.CusumK, H: s.CusumH}
	}
	d.Reset()
}

// Reset begins the windows anew: the position was set.
func (d *DriftTests) Reset() {
	for i := range d.win {
		for a := range 2 {
			d.win[i][a].Reset()
		}
	}
	for a := range 2 {
		d.cusum[a].Reset(0)
	}
	d.t0 = math.NaN()
	d.Suspected = SuspectedDrift{}
	d.before = marks{}
	d.unchecked, d.last = 0, math.NaN()
}

// Check notes a fixed epoch at t that is used: as long as a reference runs, or
// the car stands, a drift shows.
func (d *DriftTests) Check(t float64, ref *References, still bool) {
	dt := t - d.last
	switch d.last = t; {
	case still || ref.Runs(t):
		d.unchecked = 0
	case dt > 0 && dt < 1:
		d.unchecked += driftRate * dt
	}
}

// Unchecked returns how far the position may have drifted while neither wheels nor
// a velocity of the receiver were there to check it, m.
func (d *DriftTests) Unchecked() float64 { return d.unchecked }

// FixLost notes an epoch without a fix: ambiguities may be others from here on.
func (d *DriftTests) FixLost() { d.fix++ }

// Fix returns the number of the present fix.
func (d *DriftTests) Fix() int { return d.fix }

// Push takes the innovation of a fixed position that is about to be used at t
// (y across and along, m, v its variances, m²), judges all drift tests and
// returns the one that alarms, NumTests for none.
func (d *DriftTests) Push(t float64, y, v [2]float64, ref *References, now *EpochFix, e *PathError, ts *TestStates) (alarm TestID) {
	alarm = NumTests
	if math.IsNaN(d.t0) {
		d.t0 = t
	}
	if t-d.t0 < innovSettle {
		return alarm
	}
	covered, supported, suspect := false, false, false
	d.Suspected.pass(t, d.set.Windows[2])
	for i := range d.win {
		d.average(i, t, y, v, ts)
		id := TestDrift1 + TestID(i)
		seen := false
		for times := range d.lengths(i) {
			span := float64(1+times) * d.set.Windows[i]
			for of, w := range ref.Over(t, span, now, e) {
				if !w.OK || w.Fix == refused {
					continue
				}
				// The sharper of two says what can be found, the one that sees more
				// whether something was.
				least := d.gate.Detectable(math.Sqrt(math.Max(w.C[0][0], w.C[1][1])))
				if st := &ts[id]; !seen {
					st.Set(w.NIS, d.gate.Threshold, least, "m")
				} else {
					st.Set(math.Max(w.NIS, st.Stat), d.gate.Threshold, math.Min(least, st.Detectable), "m")
				}
				seen = true
				if w.Fix == d.fix { // a new fix may stand elsewhere: no drift
					suspect = d.compare(i, of, t, span, &w, ref, suspect)
				}
			}
		}
		covered = covered || seen
		supported = supported || covered && ts[id].Stat > cusumSupport
		if ts[id].Stat > ts[id].Threshold {
			alarm = id
		}
	}
	ref.record(now, e)
	for a := range 2 {
		// Where a reference covers a window the CUSUM needs its support.
		if d.cusum[a].Push(y[a]/math.Sqrt(v[a])) && (!covered || supported) {
			alarm = TestCusum
		}
	}
	k, h := d.set.CusumK, d.set.CusumH
	ts[TestCusum].Set(math.Max(d.cusum[0].Stat(), d.cusum[1].Stat()), h, (k+h/20)*math.Sqrt(math.Max(v[0], v[1])), "m")
	return alarm
}

// lengths is over how many multiples of its own length window i compares: the longest
// also over twice that, for what is slow.
func (d *DriftTests) lengths(i int) int {
	if i < len(d.set.Windows)-1 {
		return 1
	}
	return 2
}

// compare takes what window i shows over span seconds by a reference, and reports
// whether a short one shows a drift at this epoch: then all say how far it went. The
// short windows see one first; the long one, by the receiver's velocity, which is worth
// what the drive has shown, sees slow ones. A suspicion that is open is confirmed by any.
func (d *DriftTests) compare(i, of int, t, span float64, w *Comparison, ref *References, suspect bool) bool {
	short := i < len(d.win)-1
	sees := short || of == byVelocity
	if sees {
		d.Suspected.show(t, &w.Y, w.NIS > d.shown)
	}
	more := (sees || d.Suspected.Open()) && w.NIS > d.suspect && (short || d.Suspected.Open() || w.NIS > d.slow)
	if suspect || more {
		d.remember(t, math.Max(span, d.set.Windows[1]), ref)
		d.Suspected.raise(&w.Y, &w.C)
	}
	return suspect || more && short
}

// average runs the averaged innovations of window i.
func (d *DriftTests) average(i int, t float64, y, v [2]float64, ts *TestStates) {
	worst, sigma := 0.0, math.NaN()
	for a := range 2 {
		w := &d.win[i][a]
		w.Push(t, y[a], v[a])
		mean, vv, ok := w.mean()
		if !ok {
			continue
		}
		if x := mean * mean / vv; x >= worst {
			worst, sigma = x, math.Sqrt(vv)
		}
	}
	ts[TestDrift1+TestID(i)].Set(worst, d.thr, d.sdb*sigma, "m")
}

// remember keeps the marks of span seconds ago, when the drift had not begun,
// unless a suspicion has kept them already.
func (d *DriftTests) remember(t, span float64, ref *References) {
	if d.Suspected.size == 0 {
		d.before = ref.oldest(t, span)
	}
}

// Alarmed returns by how much the receiver is off at t, after a drift that was
// suspected or alarmed, by the sharpest reference since before the suspicion, and
// the covariance of that; turn is how far the filter's heading was turned
// meanwhile, rad. Where neither reference reaches back so far, the one that shows
// most says by how much, and how far it may have gone before is added. Without a
// reference ok is false.
func (d *DriftTests) Alarmed(t float64, ref *References, now *EpochFix, e *PathError) (y Vec3, c Sym3, turn float64, ok bool) {
	d.remember(t, d.set.Windows[1], ref)
	best := -1.0
	for _, span := range d.set.Windows {
		if a := ref.Wheel.before(t, span); a != nil {
			turn = math.Remainder(ref.Wheel.frame-a.frame, 2*math.Pi)
		}
		size := math.Inf(1)
		for _, w := range ref.Over(t, span, now, e) {
			if w.Fix == refused {
				continue
			}
			if w.OK && w.NIS > best {
				best, y = w.NIS, w.Y
			}
			if w.OK && w.C[0][0]+w.C[1][1] < size {
				size, c = w.C[0][0]+w.C[1][1], w.C
			}
		}
	}
	if w := ref.Sharpest(&Mark{d.before}, now, e); w.OK && w.Fix != refused {
		return w.Y, w.C, turn, true
	}
	for i := range 2 {
		c[i][i] += d.Suspected.size * d.Suspected.size
	}
	return y, c, turn, best >= 0
}

// Before returns the references as they stood before the drift that was suspected
// or alarmed last.
func (d *DriftTests) Before() Mark { return Mark{d.before} }

// Quiet reports whether a receiver that had drifted, and was refused since, moves
// as the references do: over the two shorter windows, which must lie behind from.
// Its fixed epoch is remembered for the next.
func (d *DriftTests) Quiet(t, from float64, ref *References, now *EpochFix, e *PathError) bool {
	quiet := t-from >= d.set.Windows[1]
	for _, span := range d.set.Windows[:2] {
		seen := false
		for _, w := range ref.Over(t, span, now, e) {
			seen = seen || w.OK
			quiet = quiet && !(w.OK && w.NIS > d.denied)
		}
		quiet = quiet && seen
	}
	where := *now
	where.Fix = refused
	ref.record(&where, e)
	return quiet
}

// refused is the number of a fix that was refused: [DriftTests.Quiet] compares with it,
// and a fix that is believed since does not.
const refused = -1

// SuspectedDrift is how far the position may have wandered while a drift is
// suspected but not proven: it widens the protection levels.
type SuspectedDrift struct {
	y    Vec3    // m, receiver less reference over the window that says most
	c    Sym3    // m², its covariance
	size float64 // m, 0 without a suspicion
	seen Vec3    // m, of the last epoch that was compared, where a short window shows more than it mostly does
	saw  float64 // host s of that epoch
	at   float64 // host s of the epoch before
	calm float64 // s of epochs used since the suspicion was last confirmed
}

// suspectK is how many sigmas of the reference count on top of what it saw: the
// suspicion itself is rare. Chosen on generated drives with slow drifts.
const suspectK = 2.0

// Along returns what the suspicion adds in the horizontal direction e, n, m: all
// that may be under a suspicion, before it what is seen.
func (d *SuspectedDrift) Along(e, n float64) float64 {
	if d.size == 0 {
		return math.Abs(d.seen[0]*e + d.seen[1]*n)
	}
	return math.Abs(d.y[0]*e+d.y[1]*n) + suspectK*math.Sqrt(math.Max(0, d.c.Along(e, n)))
}

// Size returns how far the receiver was seen to have drifted, m, 0 without a
// suspicion.
func (d *SuspectedDrift) Size() float64 {
	if d.size == 0 {
		return 0
	}
	return math.Hypot(d.y[0], d.y[1])
}

// Open reports whether a drift is suspected.
func (d *SuspectedDrift) Open() bool { return d.size > 0 }

// show takes a comparison at an epoch at t; more says that it shows more than it
// mostly does. That counts until the next epoch that is compared: a velocity may
// come once a second.
func (d *SuspectedDrift) show(t float64, y *Vec3, more bool) {
	if t != d.saw {
		d.saw, d.seen = t, Vec3{}
	}
	if more && math.Hypot(y[0], y[1]) > math.Hypot(d.seen[0], d.seen[1]) {
		d.seen = *y
	}
}

// raise takes a comparison of an epoch that raised suspicion.
func (d *SuspectedDrift) raise(y *Vec3, c *Sym3) {
	d.calm = 0
	if size := math.Hypot(y[0], y[1]) + suspectK*math.Sqrt(math.Max(c[0][0], c[1][1])); size > d.size {
		d.y, d.c, d.size = *y, *c, size
	}
}

// pass lets the time of an epoch pass; a suspicion ends after hold seconds of
// epochs that do not confirm it.
func (d *SuspectedDrift) pass(t, hold float64) {
	if dt := t - d.at; dt > 0 && dt < 1 {
		d.calm += dt
	}
	if d.at = t; !(t-d.saw < reach) {
		d.seen = Vec3{}
	}
	if d.calm > hold {
		d.y, d.c, d.size = Vec3{}, Sym3{}, 0
	}
}
