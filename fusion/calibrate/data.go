package calibrate

import (
	"math"
	"slices"

	"kerbline/fusion/navigation"
)

// calibrator looks at a recording.
type calibrator struct {
	*navigation.Recording
	run []cum // of the inertial samples, once inspected
}

// period returns the usual interval between inertial samples, s: the mean of
// all that are no gaps, for jitter averages out.
func (c *calibrator) period() float64 {
	n := len(c.IMU) - 1
	if n < 1 {
		return math.NaN()
	}
	some := make([]float64, min(n, 401))
	for i := range some {
		k := i * n / len(some)
		some[i] = c.IMU[k+1].T - c.IMU[k].T
	}
	slices.Sort(some)
	gap := 3 * some[len(some)/2]
	sum, count := 0.0, 0.0
	for i := range n {
		if d := c.IMU[i+1].T - c.IMU[i].T; d < gap {
			sum += d
			count++
		}
	}
	return sum / count
}

const evenBlock = 256 // samples of which the least late counts

// even takes the jitter out of the samples' times. A sensor samples evenly; its
// readings arrive late by more or less, never early, so the least late of each
// block say when the others were taken too.
func (c *calibrator) even() {
	period := c.period()
	off := 0
	for i := 1; i < len(c.IMU); i++ {
		if math.Abs(c.IMU[i].T-c.IMU[i-1].T-period) > period/2 {
			off++
		}
	}
	// A steady stream shows each missing sample. One that comes in bursts does
	// not, and only long gaps part it.
	gap := 1.5 * period
	if off > len(c.IMU)/10 {
		gap = c.Settings.IMU.Gap
	}
	for from := 0; from < len(c.IMU); {
		to := from + 1
		for to < len(c.IMU) && c.IMU[to].T-c.IMU[to-1].T < gap {
			to++
		}
		before := math.Inf(-1)
		if from > 0 {
			before = c.IMU[from-1].T
		}
		evenStretch(c.IMU[from:to], before)
		from = to
	}
}

// evenStretch evens one unbroken stretch, which begins after time before.
func evenStretch(s []navigation.Sample, before float64) {
	n := len(s)
	if n < 2*evenBlock {
		return
	}
	t0, period := s[0].T, (s[n-1].T-s[0].T)/float64(n-1)
	late := func(i int) float64 { return s[i].T - t0 - float64(i)*period }
	var at, least []float64
	for b := 0; b+evenBlock <= n; b += evenBlock {
		best := b
		for i := b; i < b+evenBlock; i++ {
			if late(i) < late(best) {
				best = i
			}
		}
		at, least = append(at, float64(best)), append(least, late(best))
	}
	k := 0
	for i := range s {
		x := float64(i)
		for k < len(at)-2 && x > at[k+1] {
			k++
		}
		t := t0 + x*period + least[k] + (least[k+1]-least[k])*(x-at[k])/(at[k+1]-at[k])
		before = math.Max(t, before+1e-6)
		s[i].T = before
	}
}
