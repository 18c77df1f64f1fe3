package calibrate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion"
	"kerbline/fusion/hostclock"
	"kerbline/fusion/navigation"
	"kerbline/gnss"
)

// sample is one reading of the inertial sensor, first as it came, later turned
// into body axes.
type sample struct {
	t    float64 // host s of validity, from the first record
	w, f r3.Vec  // rad/s, m/s^2
}

type wheelSample struct{ t, v float64 } // host s, m/s

type epoch struct {
	gnss.Epoch
	t     float64 // host s of validity for zero latency: UTC on the envelope of arrivals
	class navigation.Class
}

// Calibrator collects a recording; see [New].
type Calibrator struct {
	cfg    fusion.Config
	zero   float64 // host Unix s of the first record; NaN before it
	imu    []sample
	wheel  []wheelSample
	epochs []epoch
	run    []cum // of imu, once inspected
}

// New returns an empty calibrator. The settings are where the search begins and
// what the results are compared with.
func New(cfg fusion.Config) *Calibrator { return &Calibrator{cfg: cfg, zero: math.NaN()} }

// Add takes the next measurement of the recording; kinds that say nothing
// about the motion are passed over, and so is what runs back in time.
func (c *Calibrator) Add(m *fusion.Measurement) {
	if math.IsNaN(m.T) || math.IsInf(m.T, 0) {
		return
	}
	if math.IsNaN(c.zero) {
		c.zero = m.T // small numbers keep their digits
	}
	switch m.Kind {
	case fusion.KindIMU:
		t := m.T - c.zero - c.cfg.IMU.Latency
		if n := len(c.imu); n > 0 && !(t > c.imu[n-1].t) || !finite(m.W[:]...) || !finite(m.F[:]...) {
			return
		}
		c.imu = append(c.imu, sample{t, r3.Vec{X: m.W[0], Y: m.W[1], Z: m.W[2]}, r3.Vec{X: m.F[0], Y: m.F[1], Z: m.F[2]}})
	case fusion.KindWheel:
		t := m.T - c.zero - c.cfg.Wheel.Latency
		if n := len(c.wheel); n > 0 && !(t > c.wheel[n-1].t) || !finite(m.V) {
			return
		}
		c.wheel = append(c.wheel, wheelSample{t, m.V})
	case fusion.KindEpoch:
		e := m.Epoch
		if e == nil || !finite(e.UTC, e.Arrival) {
			return
		}
		q := epoch{Epoch: *e, class: c.cfg.GNSS.Classify(e)}
		q.Arrival -= c.zero
		c.epochs = append(c.epochs, q)
	}
}

func finite(v ...float64) bool {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s-s == 0
}

// period returns the usual interval between inertial samples, s: the mean of
// all that are no gaps, for jitter averages out.
func (c *Calibrator) period() float64 {
	n := len(c.imu) - 1
	if n < 1 {
		return math.NaN()
	}
	some := make([]float64, min(n, 401))
	for i := range some {
		k := i * n / len(some)
		some[i] = c.imu[k+1].t - c.imu[k].t
	}
	slices.Sort(some)
	gap := 3 * some[len(some)/2]
	sum, count := 0.0, 0.0
	for i := range n {
		if d := c.imu[i+1].t - c.imu[i].t; d < gap {
			sum += d
			count++
		}
	}
	return sum / count
}

// place puts every epoch on host time; those that only another setting of a
// clock explains are taken out.
func (c *Calibrator) place() {
	arrival, utc := make([]float64, len(c.epochs)), make([]float64, len(c.epochs))
	for i := range c.epochs {
		arrival[i], utc[i] = c.epochs[i].Arrival, c.epochs[i].UTC
	}
	kept := c.epochs[:0]
	for i, t := range hostclock.Place(arrival, utc) {
		if e := c.epochs[i]; !math.IsNaN(t) {
			e.t = t
			kept = append(kept, e)
		}
	}
	c.epochs = kept
}

const evenBlock = 256 // samples of which the least late tells

// even takes the jitter out of the samples' times. A sensor samples evenly; its
// readings arrive late by more or less, never early, so the least late of each
// block tell when the others were taken too.
func (c *Calibrator) even() {
	period := c.period()
	off := 0
	for i := 1; i < len(c.imu); i++ {
		if math.Abs(c.imu[i].t-c.imu[i-1].t-period) > period/2 {
			off++
		}
	}
	// A steady stream shows each missing sample. One that comes in bursts does
	// not, and only long gaps part it.
	gap := 1.5 * period
	if off > len(c.imu)/10 {
		gap = c.cfg.IMU.Gap
	}
	for from := 0; from < len(c.imu); {
		to := from + 1
		for to < len(c.imu) && c.imu[to].t-c.imu[to-1].t < gap {
			to++
		}
		before := math.Inf(-1)
		if from > 0 {
			before = c.imu[from-1].t
		}
		evenStretch(c.imu[from:to], before)
		from = to
	}
}

// evenStretch evens one unbroken stretch, which begins after time before.
func evenStretch(s []sample, before float64) {
	n := len(s)
	if n < 2*evenBlock {
		return
	}
	t0, period := s[0].t, (s[n-1].t-s[0].t)/float64(n-1)
	late := func(i int) float64 { return s[i].t - t0 - float64(i)*period }
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
		s[i].t = before
	}
}
