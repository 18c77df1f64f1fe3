package hostclock

import (
	"math"
	"slices"
)

const (
	stretch  = 5.0  // s, of which the lowest arrival counts
	reach    = 0.05 // s, further off the line a clock stepped or an epoch was held up
	farDate  = 2.0  // s, further off the middle the date is wrong, or a clock was set
	leastFit = 4    // points for a slope
)

// line is a least-squares line.
type line struct{ n, su, sd, suu, sud float64 }

func (l *line) add(u, d float64) {
	l.n++
	l.su += u
	l.sd += d
	l.suu += u * u
	l.sud += u * d
}

// solve returns d = a + b·u, ok from least points on.
func (l *line) solve(least float64) (a, b float64, ok bool) {
	den := l.n*l.suu - l.su*l.su
	if l.n < least || !(den > 0) {
		return 0, 0, false
	}
	b = (l.n*l.sud - l.su*l.sd) / den
	return (l.sd - b*l.su) / l.n, b, true
}

// Place puts epochs on host time as if their latency were zero: UTC plus the
// lower envelope of (arrival - UTC), a straight line through the lowest arrival
// of each stretch. It returns one time for each epoch, NaN for those that only
// another setting of a clock explains and those that do not advance.
func Place(arrival, utc []float64) []float64 {
	n := len(utc)
	out := make([]float64, n)
	if n == 0 {
		return out
	}
	u0 := utc[0]
	d := make([]float64, n) // arrival - UTC
	for i := range d {
		d[i] = arrival[i] - (utc[i] - u0)
	}
	middle := median(d)
	var lows []bin
	of := make([]int, n) // the stretch of each epoch, -1 for none
	for i := range d {
		of[i] = -1
		if math.Abs(d[i]-middle) > farDate {
			continue
		}
		if b := int64(math.Floor(arrival[i] / stretch)); len(lows) == 0 || b != lows[len(lows)-1].num {
			lows = append(lows, bin{num: b, d: math.Inf(1)})
		}
		of[i] = len(lows) - 1
		if l := &lows[of[i]]; d[i] < l.d {
			l.u, l.d = utc[i]-u0, d[i]
		}
	}
	a, b := envelope(lows)
	before := math.Inf(-1)
	for i := range out {
		u := utc[i] - u0
		out[i] = math.NaN()
		// Lateness of one epoch is the link's; lateness of every epoch of a
		// stretch may as well be a clock that was set.
		if of[i] < 0 || d[i]-(a+b*u) < -reach {
			continue
		}
		if l := lows[of[i]]; math.Abs(l.d-(a+b*l.u)) > reach {
			continue
		}
		if t := u + a + b*u; t > before {
			out[i], before = t, t
		}
	}
	return out
}

// envelope returns the straight line d = a + b·u under the lows: through those
// within reach of it, and down onto the lowest of these.
func envelope(lows []bin) (a, b float64) {
	d := make([]float64, len(lows))
	for i := range lows {
		d[i] = lows[i].d
	}
	a = median(d)
	for range 6 { // iterations; the line settles in two or three
		var l line
		for i := range lows {
			if q := &lows[i]; !(math.Abs(q.d-(a+b*q.u)) > reach) {
				l.add(q.u, q.d)
			}
		}
		if x, y, ok := l.solve(leastFit); ok {
			a, b = x, y
		}
	}
	under := 0.0
	for i := range lows {
		if r := lows[i].d - (a + b*lows[i].u); r < under && r > -reach {
			under = r
		}
	}
	return a + under, b
}

// median returns the middle of v, the upper one of two, NaN of nothing.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
