package calibrate

import (
	"math"
	"slices"
)

const (
	tieSpan  = 5.0  // s, a stretch of which the lowest arrival counts
	tieReach = 0.05 // s, further off the line a clock stepped or an epoch was held up
	tieFar   = 2.0  // s, further off the middle the date is wrong, or a clock was set
)

// tie puts every epoch on host time as if its latency were zero: UTC plus the
// lower envelope of (arrival - UTC), a straight line through the lowest arrival
// of each stretch. An epoch can be late but never early, so the line is the
// least latency plus the clocks' difference. Epochs off the line in a way that
// only another setting of a clock explains are taken out.
func tie(epochs []epoch) []epoch {
	if len(epochs) == 0 {
		return nil
	}
	u0 := epochs[0].UTC
	d := make([]float64, len(epochs)) // arrival - UTC
	for i := range epochs {
		d[i] = epochs[i].Arrival - (epochs[i].UTC - u0)
	}
	middle := median(d)
	type low struct{ u, d float64 }
	var lows []low
	of := make([]int, len(epochs)) // the stretch of each epoch, -1 for none
	last := math.NaN()
	for i := range epochs {
		of[i] = -1
		if math.Abs(d[i]-middle) > tieFar {
			continue
		}
		if b := math.Floor(epochs[i].Arrival / tieSpan); b != last {
			last = b
			lows = append(lows, low{d: math.Inf(1)})
		}
		of[i] = len(lows) - 1
		if l := &lows[of[i]]; d[i] < l.d {
			*l = low{epochs[i].UTC - u0, d[i]}
		}
	}
	lowest := make([]float64, len(lows))
	for i, l := range lows {
		lowest[i] = l.d
	}
	a, b := median(lowest), 0.0
	for range 6 {
		var n, su, sd, suu, sud float64
		for _, l := range lows {
			if math.Abs(l.d-(a+b*l.u)) > tieReach {
				continue
			}
			n++
			su += l.u
			sd += l.d
			suu += l.u * l.u
			sud += l.u * l.d
		}
		if den := n*suu - su*su; n >= 4 && den > 0 {
			b = (n*sud - su*sd) / den
			a = (sd - b*su) / n
		}
	}
	under := 0.0 // down onto the lowest that belongs to the line
	for _, l := range lows {
		if r := l.d - (a + b*l.u); r < under && r > -tieReach {
			under = r
		}
	}
	a += under
	kept := epochs[:0]
	for i, e := range epochs {
		u := e.UTC - u0
		// Lateness of one epoch is the link's; lateness of every epoch of a
		// stretch may as well be a clock that was set.
		if of[i] < 0 || d[i]-(a+b*u) < -tieReach {
			continue
		}
		if l := lows[of[i]]; math.Abs(l.d-(a+b*l.u)) > tieReach {
			continue
		}
		e.t = u + a + b*u
		if n := len(kept); n > 0 && e.t <= kept[n-1].t {
			continue
		}
		kept = append(kept, e)
	}
	return kept
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
