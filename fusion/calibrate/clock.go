package calibrate

import (
	"math"
	"slices"

	"kerbline/fusion/smooth"
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
	var lows []smooth.Low
	of := make([]int, len(epochs)) // the stretch of each epoch, -1 for none
	last := math.NaN()
	for i := range epochs {
		of[i] = -1
		if math.Abs(d[i]-middle) > tieFar {
			continue
		}
		if b := math.Floor(epochs[i].Arrival / tieSpan); b != last {
			last = b
			lows = append(lows, smooth.Low{D: math.Inf(1)})
		}
		of[i] = len(lows) - 1
		if l := &lows[of[i]]; d[i] < l.D {
			*l = smooth.Low{U: epochs[i].UTC - u0, D: d[i]}
		}
	}
	a, b := smooth.Envelope(lows, tieReach)
	kept := epochs[:0]
	for i, e := range epochs {
		u := e.UTC - u0
		// Lateness of one epoch is the link's; lateness of every epoch of a
		// stretch may as well be a clock that was set.
		if of[i] < 0 || d[i]-(a+b*u) < -tieReach {
			continue
		}
		if l := lows[of[i]]; math.Abs(l.D-(a+b*l.U)) > tieReach {
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
