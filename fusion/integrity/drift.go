package integrity

import "math"

// maxWindow bounds the epochs a Window holds: 20 s at 25 Hz.
const maxWindow = 512

// Window averages innovations over a span of time. With r the innovations and
// V their variances,
//
//	r̄ = (Σ V⁻¹)⁻¹ Σ V⁻¹·r,  V̄ = (Σ V⁻¹)⁻¹ + floor²,  s² = r̄²/V̄
//
// (averaged-innovation form of Diesel and Luu 1995, one axis). The floor is
// what does not average out: errors shared by all innovations of the window.
type Window struct {
	span  float64 // s
	floor float64 // m
	t     [maxWindow]float64
	r, w  [maxWindow]float64 // innovation, 1/V
	head  int                // next to write
	n     int
	sw    float64 // Σ w
	swr   float64 // Σ w·r
}

// newWindow returns an empty window of span seconds with the given floor.
func newWindow(span, floor float64) Window { return Window{span: span, floor: floor} }

// Reset empties w.
func (w *Window) Reset() { w.head, w.n, w.sw, w.swr = 0, 0, 0, 0 }

// Push adds innovation r with variance v at time t and drops what is older
// than the span. What is not finite cannot be weighed and is left out; it would
// stay in the sums for good.
func (w *Window) Push(t, r, v float64) {
	if !(v > 0) || math.IsInf(v, 1) || math.IsNaN(t) || math.IsNaN(r) || math.IsInf(r, 0) {
		return
	}
	if w.n == maxWindow {
		w.drop()
	}
	i := w.head
	w.t[i], w.r[i], w.w[i] = t, r, 1/v
	w.head = (i + 1) % maxWindow
	w.n++
	w.sw += 1 / v
	w.swr += r / v
	for w.n > 0 && w.t[w.oldest()] < t-w.span {
		w.drop()
	}
}

func (w *Window) oldest() int { return (w.head - w.n + maxWindow) % maxWindow }

func (w *Window) drop() {
	o := w.oldest()
	w.sw -= w.w[o]
	w.swr -= w.w[o] * w.r[o]
	w.n--
	if w.n == 0 { // no residue of rounding
		w.sw, w.swr = 0, 0
	}
}

// mean returns r̄ and V̄, and whether the window is at least half full in time.
func (w *Window) mean() (mean, variance float64, ok bool) {
	if w.n < 2 {
		return math.NaN(), math.NaN(), false
	}
	last := (w.head - 1 + maxWindow) % maxWindow
	ok = w.t[last]-w.t[w.oldest()] >= w.span/2
	return w.swr / w.sw, 1/w.sw + w.floor*w.floor, ok
}

// Cusum is the two-sided cumulative sum of a standardised statistic,
//
//	S⁺ = max(0, S⁺ + x − k), S⁻ = max(0, S⁻ − x − k), alarm when either > h
//
// (Lucas and Crosier 1982). With k = 0.5 and h = 4 the average run length in
// control is 336 one-sided and 168 two-sided.
type Cusum struct {
	K, H   float64 // sigmas
	Hi, Lo float64
}

// Push adds x, in sigmas, and reports whether a sum passed H. A NaN adds
// nothing; sums that are not numbers are an alarm.
func (c *Cusum) Push(x float64) bool {
	if !math.IsNaN(x) {
		c.Hi = math.Max(0, c.Hi+x-c.K)
		c.Lo = math.Max(0, c.Lo-x-c.K)
	}
	return !(c.Stat() <= c.H)
}

// Stat returns the larger of the two sums.
func (c *Cusum) Stat() float64 { return math.Max(c.Hi, c.Lo) }

// Reset sets both sums to start, 0 for a plain start or H/2 for a head start.
func (c *Cusum) Reset(start float64) { c.Hi, c.Lo = start, start }
