package navigation

import (
	"math"

	"kerbline/fusion/eskf"
)

const (
	evenStart = 2.0   // s of stamps before the interval of the sensor is known
	evenBlock = 0.5   // s, of which the least late reading counts
	evenGain  = 0.2   // share of a block's correction that goes to the interval
	evenFloor = 0.004 // s, lateness that is always taken for usual
	evenDecay = 0.9   // of the usual lateness by block
)

// Evener takes jitter and bursts out of the stamps of a sensor that samples
// evenly: its readings arrive late by more or less, never early, so the least late
// of a block say when the others were taken. The zero value is ready.
type Evener struct {
	raw, last float64 // s, stamp and even time of the newest
	first     float64 // s, first stamp of the row
	n         int     // stamps in the row
	period    float64 // s, 0 until it is known
	low, high float64 // s, least and most lateness in the open block
	begun     float64 // s, start of the open block
	held      bool    // the newest is later than usual
	moved     float64 // s, what the even clock was put back in it
	count     float64 // stamps in it
	Usual     float64 // s, lateness that is usual
}

// Newest returns the newest stamp as it came, NaN before the first, s.
func (q *Evener) Newest() float64 {
	if q.n == 0 {
		return math.NaN()
	}
	return q.raw
}

// Settled reports whether the interval of the sensor is known: before, bursts look
// like gaps.
func (q *Evener) Settled() bool { return q.period > 0 }

// At returns the even time of the next stamp, s.
func (q *Evener) At(stamp float64) float64 {
	if q.n == 0 || !(stamp > q.raw) {
		q.begin(stamp)
		return stamp
	}
	apart := stamp - q.raw
	q.raw = stamp
	q.n++
	if q.period == 0 {
		q.high = math.Max(q.high, apart) // bursts come further apart
		if span := stamp - q.first; span >= evenStart {
			q.period = span / float64(q.n-1)
			q.Usual = math.Max(0, q.high-q.period)
			q.open(stamp)
		}
		q.last = stamp
		return stamp
	}
	late := stamp - (q.last + q.period)
	if late > q.Usual+evenFloor+2*q.period {
		// Samples are missing, or the computer was late and reads them all at
		// once: the next interval decides.
		if q.held && apart > q.period/2 {
			q.begin(stamp)
			return stamp
		}
		q.held = true
		q.last += q.period
		return q.last
	}
	q.held = false
	if late < 0 {
		q.moved += late
		late = 0
		q.last = stamp
	} else {
		q.last += q.period
	}
	q.low, q.high = math.Min(q.low, late), math.Max(q.high, late)
	q.count++
	if stamp-q.begun >= evenBlock {
		q.close(stamp)
	}
	return q.last
}

// begin starts a row, with the interval and the lateness known before.
func (q *Evener) begin(stamp float64) {
	q.raw, q.last, q.first, q.n, q.held = stamp, stamp, stamp, 1, false
	q.open(stamp)
}

func (q *Evener) open(stamp float64) {
	q.begun, q.low, q.high, q.moved, q.count = stamp, math.Inf(1), 0, 0, 0
}

// close learns from a block: all of its readings later than the even clock mean
// that a sample was lost or the interval is longer.
func (q *Evener) close(stamp float64) {
	q.Usual = math.Max(q.high-q.low, evenDecay*q.Usual)
	q.last += q.low
	if by := q.moved + q.low; math.Abs(by) < q.period/2 {
		q.period += evenGain * by / q.count
	}
	q.open(stamp)
}

const (
	clockKnown = 10.0   // s after alignment from which the latency is the receiver's
	clockSigma = 0.004  // s, 1 sigma of a latency that is known
	clockBand  = 2.0    // sigmas by which a known latency may change by itself
	clockTime  = 15.0   // s over which what is beyond is taken off the stamps
	clockPrior = 200e-6 // s/s, what a quartz may gain: common practice, no source
	clockSeen  = 100.0  // s for which that goes unseen, of generated drives
	clockLeast = 50e-6  // s/s, below it a clock is as good as the host's
	clockMost  = 500e-6 // s/s, fastest that stamps are moved: twice a poor quartz, common practice
)

// sensorClock follows the clock that stamps inertial samples. The receiver's least
// latency is a constant; when it seems to change for long it is that clock which
// gains or loses on the host's.
type sensorClock struct {
	ran   float64 // s of samples
	blind float64 // s of samples before the latency was known
	age   float64 // s since alignment
	usual float64 // s, the receiver's latency, once known
	least float64 // s, as it seems now
	known bool
	shift float64 // s, taken off every stamp
	rate  float64 // s/s, of the latency
}

// follow moves the stamps, dt seconds after the sample before.
func (d *Driver) follow(dt float64) {
	c, f := &d.clock, &d.Filter
	if dt > 0 {
		c.ran += dt
	}
	if !c.known && dt > 0 {
		c.blind += dt
	}
	if d.Phase != Aligned || !(dt > 0 && dt < d.set.IMU.Gap) {
		if d.Phase != Aligned {
			c.age, c.known = 0, false
		}
		return
	}
	c.age += dt
	sigma := math.Sqrt(f.P[eskf.ILat][eskf.ILat])
	if !c.known {
		if c.known = c.age > clockKnown && sigma < clockSigma; c.known {
			c.usual = c.least
		}
		return
	}
	off := c.least - c.usual
	beyond := math.Copysign(math.Max(0, math.Abs(off)-clockBand*sigma), off)
	limit := func(x float64) float64 { return math.Max(-clockMost, math.Min(clockMost, x)) }
	c.rate = limit(c.rate + beyond/(clockTime*clockTime)*dt)
	by := limit(c.rate+2*beyond/clockTime) * dt
	c.shift -= by
	f.Latency -= by
	c.least -= by
}

// Even returns the time of a sample by its stamp: made even, and by the host's clock.
func (d *Driver) Even(stamp float64) float64 { return d.Stamps.At(stamp) - d.clock.shift }

// Least takes the receiver's least latency as the filter and the clocks' model have
// it now, s.
func (d *Driver) Least(latency float64) { d.clock.least = latency }

// StampShift returns what is taken off the stamps of inertial samples for their
// clock, s.
func (d *Driver) StampShift() float64 { return d.clock.shift }

// StampError returns what the stamps of inertial samples may be off for their clock,
// s: what it gained before that could be seen, and what is not followed.
func (d *Driver) StampError() float64 {
	c := &d.clock
	if rate := math.Abs(c.rate); rate > clockLeast {
		return rate*c.blind + clockBand*clockSigma/2
	}
	return 0
}

// HeadingLag returns by how much the gyro's stamps may lag behind the receiver's time
// unseen, s: what a clock gains until it is followed. The position follows the receiver
// meanwhile; a turn that comes late is taken for slip of the tyres and stands in the
// heading whole.
func (d *Driver) HeadingLag() float64 {
	return clockPrior * math.Min(d.clock.ran, clockSeen)
}
