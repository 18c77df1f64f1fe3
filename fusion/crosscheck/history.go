// Package crosscheck keeps what receiver, inertial sensor and wheel said of the
// same motion side by side, and says which setting would make them agree where they
// do not: times of another clock, columns in each other's place, units, a sensor
// that is turned in the car, a latency.
//
// The receiver tells how the car turned and how it sped up; gravity, the turns and
// the accelerations then show on the sensor's axes, whatever these are, with a size
// that tells the unit and a lag that tells the clock. Only what is far beyond what a
// good sensor may be off by is said; the fine work is that of calibration.
//
// SI and radians; times in s of one clock; axes are those of the samples as the
// settings turn them, body forward-left-up where they are right. Start at
// [History.Explain]. Nothing is allocated before something is wrong.
package crosscheck

import "math"

const (
	binLength = 0.2  // s
	numBins   = 1024 // 205 s
)

// bin is what was heard in one stretch of time.
type bin struct {
	key    int64 // number of the stretch, -1 for none
	n      float32
	after  float32    // s, sum of the samples' times after the begin
	w, f   [3]float32 // sums, rad/s and m/s²
	fixes  float32
	since  float32 // s, sum of the fixes' times after the begin
	ve, vn float32 // sums of the receiver's velocity, m/s
	wheels float32
	v      float32 // sum of wheel speeds, m/s
	told   float32
	te, tn float32 // sums of the velocity that the receiver reports, m/s
}

// History holds the last minutes. The zero value is not ready: see [History.Reset].
type History struct {
	bins   [numBins]bin
	newest int64
	lastT  float64 // s, of the newest fix
	period float64 // s between fixes, usual
	back   [backs]fix
	fixes  int
	same   float64 // samples in a row that repeat the one before
	last   [6]float64
	apart  int64 // bins that the clocks were found to be apart: laps that repeat do not show it again, 0 for none

	// What is worked out at a look, kept here so that nothing is allocated.
	x      fit
	rows   [numBins]row
	nRows  int
	turned [numBins]sample
}

// Reset forgets everything.
func (h *History) Reset() {
	for i := range h.bins {
		h.bins[i].key = -1
	}
	h.newest, h.lastT, h.period, h.fixes, h.same, h.apart = -1, math.NaN(), 0, 0, 0, 0
}

// at returns the stretch of time t, nil where it is too old to be kept.
func (h *History) at(t float64) *bin {
	if !(math.Abs(t) < 1e15) {
		return nil
	}
	k := int64(math.Floor(t / binLength))
	b := &h.bins[uint64(k)%numBins]
	switch {
	case b.key == k:
	case h.newest >= 0 && k <= h.newest-numBins:
		return nil
	default:
		*b = bin{key: k}
	}
	h.newest = max(h.newest, k)
	return b
}

// IMU takes a sample.
func (h *History) IMU(t float64, w, f [3]float64) {
	v := [6]float64{w[0], w[1], w[2], f[0], f[1], f[2]}
	if h.same++; v != h.last {
		h.same, h.last = 0, v
	}
	b := h.at(t)
	if b == nil {
		return
	}
	b.n++
	b.after += float32(t - float64(b.key)*binLength)
	for i := range 3 {
		b.w[i] += float32(w[i])
		b.f[i] += float32(f[i])
	}
}

// Velocity takes what the receiver reports of its velocity, m/s, east and north, with
// an epoch that was valid at t.
func (h *History) Velocity(t, e, n float64) {
	if b := h.at(t); b != nil {
		b.told++
		b.te += float32(e)
		b.tn += float32(n)
	}
}

// Wheel takes a wheel speed.
func (h *History) Wheel(t, v float64) {
	if b := h.at(t); b != nil {
		b.wheels++
		b.v += float32(v)
	}
}

// Fix takes a position of the receiver, m, east and north of anywhere near, that
// was valid at t. The velocity is made of positions: the receiver's own may be late.
func (h *History) Fix(t, e, n float64) {
	if d := t - h.lastT; d > 0 && d <= 2 {
		if h.period == 0 || d < h.period {
			h.period = d
		}
		h.period += 0.1 * (d - h.period)
	}
	h.lastT = t
	h.back[h.fixes%backs] = fix{t, e, n}
	h.fixes++
	c := h.back[(h.fixes-1)%backs]
	for k := 2; k <= min(backs, h.fixes); k++ {
		a := h.back[(h.fixes-k)%backs]
		dt := c.t - a.t
		if dt <= 0 || dt > 2.5 {
			return
		}
		if dt < reach && h.period < reach/2 {
			continue
		}
		mid := (a.t + c.t) / 2
		if b := h.at(mid); b != nil {
			b.fixes++
			b.since += float32(mid - float64(b.key)*binLength)
			b.ve += float32((c.e - a.e) / dt)
			b.vn += float32((c.n - a.n) / dt)
		}
		return
	}
}

type fix struct{ t, e, n float64 }

const (
	backs = 32   // fixes kept
	reach = 0.45 // s between the positions that tell a velocity, where they come that fast
)

// row is a stretch of the drive as the receiver tells it.
type row struct {
	key             int64
	rate, fwd, left float64 // rad/s counter-clockwise, m/s²
	speed           float64 // m/s
	since           float64 // s after the begin of its stretch, of what it was made of
}

// slowest is the speed from which a course tells how the car turns, m/s.
const slowest = 2.0

// half returns over how many bins each way the receiver's motion is taken.
func (h *History) half() int64 { return int64(max(1, math.Ceil(h.period/binLength))) }

// gather works out the stretches that tell something, newest first, once for every
// lag that is tried.
func (h *History) gather(half int64) {
	h.nRows = 0
	for i := range int64(numBins) {
		if r, ok := h.row(h.newest-i, half); ok {
			h.rows[h.nRows] = r
			h.nRows++
		}
	}
}

// gatherSamples works out the means of the samples about every bin.
func (h *History) gatherSamples(half int64) {
	for i := range h.turned {
		s := &h.turned[i]
		k := h.bins[i].key
		s.w, s.f, s.ok = h.samples(k, half)
		s.key = k
	}
}

// sample holds the means of the samples about bin key.
type sample struct {
	key  int64
	w, f [3]float64 // rad/s, m/s²
	ok   bool
}

// near returns what [History.gatherSamples] found about bin k.
func (h *History) near(k int64) (s *sample, ok bool) {
	s = &h.turned[uint64(k)%numBins]
	return s, s.ok && s.key == k
}

// row returns the stretch about bin k.
func (h *History) row(k, half int64) (r row, ok bool) {
	var v [3][2]float64
	since := 0.0
	for i, d := range [3]int64{-half, 0, half} {
		b := &h.bins[uint64(k+d)%numBins]
		if b.key != k+d || b.fixes == 0 {
			return r, false
		}
		v[i] = [2]float64{float64(b.ve / b.fixes), float64(b.vn / b.fixes)}
		since += float64(b.since/b.fixes) / 3
	}
	before, here, after := math.Hypot(v[0][0], v[0][1]), math.Hypot(v[1][0], v[1][1]), math.Hypot(v[2][0], v[2][1])
	if !(min(before, here, after) > slowest) {
		return r, false
	}
	dt := 2 * float64(half) * binLength
	turn := math.Atan2(v[2][1]*v[0][0]-v[2][0]*v[0][1], v[2][0]*v[0][0]+v[2][1]*v[0][1])
	if math.Abs(turn) > 2.5 {
		return r, false
	}
	rate := turn / dt
	return row{k, rate, (after - before) / dt, here * rate, here, since}, true
}

// samples returns the means of the samples about bin k, weighted like the
// receiver's differences over the same stretch.
func (h *History) samples(k, half int64) (w, f [3]float64, ok bool) {
	n := 0.0
	for d := -half; d <= half; d++ {
		b := &h.bins[uint64(k+d)%numBins]
		if b.key != k+d || b.n == 0 {
			return w, f, false
		}
		share := 1.0
		if d == -half || d == half {
			share = 0.5
		}
		n += share
		for i := range 3 {
			w[i] += share * float64(b.w[i]/b.n)
			f[i] += share * float64(b.f[i]/b.n)
		}
	}
	for i := range 3 {
		w[i] /= n
		f[i] /= n
	}
	return w, f, true
}

// wheel returns the mean wheel speed about bin k.
func (h *History) wheel(k, half int64) (v float64, ok bool) {
	n := 0.0
	for d := -half; d <= half; d++ {
		if b := &h.bins[uint64(k+d)%numBins]; b.key == k+d && b.wheels > 0 {
			v += float64(b.v / b.wheels)
			n++
		}
	}
	return v / n, n > 0
}
