package corrections

import (
	"math"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// rover is what the receiver itself reports.
type rover struct {
	heard    bool
	last     float64 // host Unix s of its last epoch
	interval float64 // s, usual
	quality  gnss.Quality
	age      float64 // s, last reported with a corrected solution
	sats     int
	cn0      float64

	// Corrections taken up. The epoch of the corrections in use is UTC - age;
	// it moves on when the receiver takes up newer ones.
	inUse     float64 // Unix s, newest so far
	lastUse   float64 // host Unix s
	fresh     float64 // s, age usual right after
	freshDev  float64
	freshAt   float64 // host Unix s of the last one with such an age
	every     float64 // s, usual time between two
	peak      float64 // s, usual age right before
	stale     int     // taken up since the last fresh one, but old
	uses      int     // times it took up corrections, or was corrected without telling an age
	wasRight  float64 // host Unix s of the last corrected solution
	rightFrom float64 // since when corrected, NaN while not
	ever      bool    // a corrected solution was seen

	usualSats, usualCN0 float64
	satsSeen            int
	lowFrom, lowSlack   float64 // estimated begin of a fall of satellites, NaN while there is none
	lowAt               float64 // when it was seen
	lowLate             bool    // corrections were missing before: the fall follows from that
	lowTill             float64 // arrival of the last epoch of it
	backAt              float64 // since when the satellites are back, NaN while they are not

	fall fall // of all signals together, by the rover's observations

	pos        geodesy.LLA // of the last epoch that may be compared with the next
	vE, vN     float64
	posAt, utc float64
	steps      [512]step
	nSteps     int
}

// fall is the last time at which all of the rover's C/N0 fell by a like amount.
type fall struct {
	now         bool
	from, to    float64 // host Unix s
	most        float64 // dB
	base, heard bool    // the base's fell too; its observations were heard
}

// fallBefore is how long before an outage a fall of all signals may end that
// brought it about, s.
const fallBefore = 2.0

// Signals takes, from the rover's observations, by how many dB all its C/N0 are
// down together at t, 0 for not at all; whether the base's are too, and whether
// the base's observations were heard.
func (l *Link) Signals(t, dB float64, base, heard bool) {
	f := &l.rover.fall
	if f.now = dB > 0; !f.now {
		return
	}
	if !(t-f.to < 5) {
		*f = fall{now: true, from: t}
	}
	f.to, f.most = t, max(f.most, dB)
	f.base, f.heard = f.base || base, f.heard || heard
}

// step is how far a position moved beyond what the velocity explains.
type step struct {
	t    float64 // host Unix s, midway between the two epochs
	d    geodesy.ENU
	from float64 // half of their distance in s
}

func newRover() rover {
	nan := math.NaN()
	return rover{last: nan, interval: nan, quality: gnss.QualityUnknown, age: nan, sats: -1, cn0: nan,
		inUse: nan, lastUse: nan, fresh: nan, freshDev: 0.05, freshAt: nan, every: nan, peak: nan, wasRight: nan, rightFrom: nan,
		usualSats: nan, usualCN0: nan, lowFrom: nan, lowSlack: nan, lowAt: nan, lowTill: nan, backAt: nan, posAt: nan, fall: fall{from: nan, to: nan}}
}

// follow takes one epoch of the rover.
func (l *Link) follow(e *gnss.Epoch, t float64) {
	r, st := &l.rover, &l.st
	if e.Arrival <= t && t-e.Arrival < 2 {
		t = e.Arrival
	}
	if gap := t - r.last; r.heard && gap > 0 {
		l.out.roverGap(gap)
		if !(gap >= 3*r.interval) {
			ease(&r.interval, gap, 0.05)
		}
		l.tracks[trackRover].end(t-r.interval/2, t)
	}
	prev := r.last
	r.heard, r.last = true, t
	st.Baseline = math.NaN()
	if e.HasPos && e.HasH && l.base.heard {
		st.Baseline = st.BaseECEF.Dist(e.Pos.ECEF())
	}
	if e.Quality == gnss.QualityUnknown {
		return // no sentence gave the quality: age and satellites are unknown too
	}
	r.quality, r.sats, r.cn0 = e.Quality, e.Sats, e.CN0
	if e.Quality == gnss.QualityNone && r.sats < 0 {
		r.sats = 0 // no solution, and it counts none that it would use
	}
	st.RoverAge, st.RoverStn = math.NaN(), e.Station
	if corrected(e) {
		st.RoverAge = e.Age
		l.uses(e, t)
		l.roverStation(e.Station, t)
	} else {
		r.inUse, r.rightFrom, r.age = math.NaN(), math.NaN(), math.NaN()
	}
	l.sky(e, t, prev)
	l.moves(e, t)
	if l.out.open {
		l.out.ep.addQuality(e.Quality)
		l.out.ep.AgeMax = fmaxNaN(l.out.ep.AgeMax, st.RoverAge)
		l.out.rover(r)
	}
}

// fmaxNaN returns the larger of a and b, the other one where one is NaN.
func fmaxNaN(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// ageLimit is the correction age beyond which corrections are missing.
func (l *Link) ageLimit() float64 {
	if p := 2 * l.rover.peak; p > l.cfg.AgeEpisode {
		return p
	}
	return l.cfg.AgeEpisode
}

// uses follows which corrections the receiver uses.
func (l *Link) uses(e *gnss.Epoch, t float64) {
	r := &l.rover
	if math.IsNaN(r.rightFrom) {
		r.rightFrom = t
	}
	r.ever, r.wasRight = true, t
	if math.IsNaN(e.Age) {
		r.freshAt = t // it says no age: being corrected is all there is to know
		r.uses++
		l.tracks[trackUse].end(t-r.interval/2, t)
		return
	}
	before := r.age
	r.age = e.Age
	in := e.UTC - e.Age
	if in < r.inUse-5 {
		r.inUse = math.NaN() // another station, or the receiver's clock was set
	}
	if in <= r.inUse+0.15 {
		return
	}
	calm := !l.armed || !l.out.open && !l.tracks[trackUse].active
	r.inUse = in
	r.uses++
	if math.IsNaN(r.fresh) {
		r.fresh = e.Age
	}
	d := e.Age - r.fresh
	if math.Abs(d) > max(0.25, 4*r.freshDev) && d > 0 {
		if d > clearlyLate {
			r.stale++
			l.out.stale++
		}
		r.lastUse = t
		if calm && e.Age <= l.ageLimit() {
			r.fresh += 0.02 * d // slowly, in case it is the usual from now on
			r.freshDev += 0.02 * (math.Abs(d) - r.freshDev)
		}
		return
	}
	r.stale = 0
	if calm {
		r.fresh += 0.1 * d
		r.freshDev += 0.1 * (math.Abs(d) - r.freshDev)
		if gap := t - r.lastUse; gap < 60 {
			ease(&r.every, gap, 0.1)
		}
		if before >= e.Age {
			ease(&r.peak, before, 0.1)
		}
	}
	l.tracks[trackUse].end(t-finite(r.every, 1)/2, t)
	r.lastUse, r.freshAt = t, t
}

// ease moves a mean towards v by the weight w; the first value is the mean.
func ease(mean *float64, v, w float64) {
	*mean = finite(*mean, v)
	*mean += w * (v - *mean)
}

// finite returns x, or other where x is NaN.
func finite(x, other float64) float64 {
	if math.IsNaN(x) {
		return other
	}
	return x
}

// lowSats reports whether n satellites at cn0 dB-Hz are far fewer or weaker
// than usual; part scales what is far, 1 to see it begin.
func (r *rover) lowSats(n int, cn0, part float64) bool {
	if r.satsSeen < 20 {
		return false
	}
	if r.fall.now {
		return true
	}
	return n >= 0 && float64(n) < r.usualSats-part*max(satsMargin, satsShare*r.usualSats) || cn0 < r.usualCN0-part*cn0Fall
}

// sky follows the satellites; prev is when the epoch before arrived.
func (l *Link) sky(e *gnss.Epoch, t, prev float64) {
	r := &l.rover
	if r.sats < 0 && math.IsNaN(e.CN0) {
		return
	}
	switch {
	case r.lowSats(r.sats, e.CN0, 1):
		if math.IsNaN(r.lowFrom) {
			before := finite(prev, t)
			r.lowFrom, r.lowSlack, r.lowAt = (before+t)/2, (t-before)/2, t
			r.lowLate = r.age > l.ageLimit()
		}
		r.lowTill, r.backAt = t, math.NaN()
	case !math.IsNaN(r.lowFrom):
		if r.lowSats(r.sats, e.CN0, 0.6) {
			r.lowTill, r.backAt = t, math.NaN()
			break
		}
		if math.IsNaN(r.backAt) {
			r.backAt = t
		}
		if t-r.backAt >= skyHold {
			l.tracks[trackSky].end((r.lowTill+r.backAt)/2, r.backAt)
			r.lowFrom = math.NaN()
		}
	case corrected(e) && !l.out.open:
		if e.Sats >= 0 {
			ease(&r.usualSats, float64(e.Sats), 0.02)
			r.satsSeen++
		}
		if !math.IsNaN(e.CN0) {
			ease(&r.usualCN0, e.CN0, 0.02)
		}
	}
}

// roverGapLimit is how long the receiver may say nothing.
func (r *rover) roverGapLimit() float64 {
	return max(roverGapMin, roverGapTimes*finite(r.interval, 0))
}

// watchRover runs the tracks of the rover.
func (l *Link) watchRover(t float64) {
	r := &l.rover
	if !r.heard {
		return
	}
	if t-r.last > r.roverGapLimit() {
		l.tracks[trackRover].begin(r.last+r.interval/2, r.interval/2, t)
	}
	if l.tracks[trackRover].active {
		l.out.roverGap(t - r.last)
		return // nothing is known of the rest
	}
	half := finite(r.every, 1) / 2
	from := r.freshAt + half
	if r.age > l.ageLimit() {
		l.tracks[trackUse].begin(min(from, t), half, t)
	}
	if r.ever && math.IsNaN(r.rightFrom) && t-r.wasRight > uncorrectedS {
		l.tracks[trackUse].begin(min(from, r.wasRight+r.interval/2), half, t)
		l.out.uncorrected = l.out.open
	}
	if !math.IsNaN(r.lowFrom) && !r.lowLate && math.IsNaN(r.backAt) && r.last-r.lowAt >= skyHold && rank(r.quality) < rank(l.at(r.lowFrom).quality) {
		l.tracks[trackSky].begin(r.lowFrom, r.lowSlack, t)
	}
}

// moves keeps how far each fixed position moved beyond its velocity: a base
// that moves takes the rover with it, often before it says so.
func (l *Link) moves(e *gnss.Epoch, t float64) {
	r := &l.rover
	if !e.HasPos || !e.HasH || e.Quality != gnss.QualityFixed || math.IsNaN(e.Speed) {
		r.posAt = math.NaN()
		return
	}
	vE, vN := 0.0, 0.0
	if e.Speed > 0.3 {
		if math.IsNaN(e.Course) {
			r.posAt = math.NaN()
			return
		}
		sin, cos := math.Sincos(e.Course)
		vE, vN = e.Speed*sin, e.Speed*cos
	}
	if dt := e.UTC - r.utc; dt > 0 && dt < 0.6 && t-r.posAt < 2 {
		m, n := geodesy.Radii(e.Pos.Lat)
		d := geodesy.ENU{
			E: (e.Pos.Lon-r.pos.Lon)*(n+e.Pos.H)*math.Cos(e.Pos.Lat) - dt*(vE+r.vE)/2,
			N: (e.Pos.Lat-r.pos.Lat)*(m+e.Pos.H) - dt*(vN+r.vN)/2,
			U: e.Pos.H - r.pos.H,
		}
		if math.Hypot(d.E, d.N) > 0.02 || math.Abs(d.U) > 0.04 {
			r.steps[r.nSteps%len(r.steps)] = step{t: (t + r.posAt) / 2, from: (t - r.posAt) / 2, d: d}
			r.nSteps++
		}
	}
	r.pos, r.vE, r.vN, r.posAt, r.utc = e.Pos, vE, vN, t, e.UTC
}

// stepLike returns the one step since from that resembles d, if there is one
// alone that does.
func (r *rover) stepLike(d geodesy.ENU, from float64) (s step, ok bool) {
	size := math.Sqrt(d.E*d.E + d.N*d.N + d.U*d.U)
	found := 0
	for i := range min(r.nSteps, len(r.steps)) {
		c := &r.steps[i]
		if c.t < from {
			continue
		}
		off := math.Hypot(math.Hypot(c.d.E-d.E, c.d.N-d.N), (c.d.U-d.U)/2)
		if off < min(0.05+0.1*size, 0.5*size) {
			s = *c
			found++
		}
	}
	return s, found == 1
}
