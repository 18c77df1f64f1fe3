// Package hostclock relates the receiver's time to the host computer's clock,
// which may be wrong by minutes and drifts: by the lower envelope of (arrival -
// UTC), since an epoch can arrive late but never early. [Model] does so while
// epochs come in, [Place] over a whole recording. Times are in seconds; host time
// and UTC are Unix times. Nothing here reads a clock.
package hostclock

import "math"

// Model relates UTC to host time. The lowest values of (arrival - UTC) of a
// stretch of time are the minimum latency plus the clocks' difference; the slope
// of the envelope is the host clock's drift. How large the minimum latency itself
// is the envelope cannot say: that is a state of the filter. The zero value is
// ready.
type Model struct {
	kept   [bins]bin // ring by bin number
	last   int64     // bin number of the newest
	n      int       // bins in use
	origin float64   // s, UTC that the numbers below count from
	drift  float64   // s/s, host gains on UTC
	low    float64   // s, envelope at origin, minus base
	base   float64   // s, first arrival - UTC, to keep digits
	ok     bool

	// Reference offset: base + ref at utc refUTC, carried on with drift. The
	// filter's latency counts from it, so it never steps when the envelope is
	// learned better.
	ref, refUTC float64

	since  float64 // s, UTC of the first arrival
	near   int     // epochs close to the envelope since it was last begun
	before int     // epochs in a row that came well before the envelope
	steps  int     // epochs in a row that neither link nor stall explain
	stepD  float64 // s, arrival - UTC of the last of them
}

type bin struct {
	num int64
	u   float64 // s, UTC of the lowest value
	d   float64 // s, lowest arrival - UTC, minus base
}

const (
	bins     = 48  // kept
	span     = 2.0 // s a bin
	maxDrift = 300e-6
	early    = 0.02 // s before the envelope that no jitter explains
	many     = 5    // epochs that are no chance
	settling = 1.0  // s of epochs before the lowest arrival says anything
)

// Fit is how an epoch's arrival fits the envelope.
type Fit uint8

const (
	InTime  Fit = iota
	Late        // arrived later than the stall allows
	Stepped     // UTC or the host clock stepped
)

// Push takes one arrival and says how it fits. stall is the lateness still
// explained by a stall of the computer or the port.
func (c *Model) Push(arrival, utc, stall float64) Fit {
	if !c.ok {
		*c = Model{base: arrival - utc, origin: utc, refUTC: utc, since: utc, ok: true}
		c.add(utc, 0)
		return InTime
	}
	d := arrival - utc - c.base
	late := d - c.envelope(utc)
	if late < -0.25 || late > 10 || math.Abs(utc-c.refUTC) > 3600 {
		// Neither early nor very late can be the link: a clock stepped.
		if math.Abs(d-c.stepD) < 0.5 {
			c.steps++
		} else {
			c.steps = 1
		}
		c.stepD = d
		return Stepped
	}
	c.steps = 0
	switch {
	case late < -early && (c.n >= 3 || c.near >= many):
		// Before the lowest of many: a stamp that is wrong, unless it stays so.
		if c.before++; c.before < many {
			return InTime
		}
		c.kept, c.n, c.near = [bins]bin{}, 0, 0
	case late < -early:
		c.near = 0
	case late < early:
		c.near++
	}
	c.before = 0
	if c.add(utc, d) {
		c.learn()
	}
	if late > stall {
		return Late
	}
	return InTime
}

// add reports whether a bin changed.
func (c *Model) add(utc, d float64) bool {
	num := int64(math.Floor(utc / span))
	if c.n > 0 && num < c.last {
		return false // older than the newest bin: it cannot lower it
	}
	b := &c.kept[(num%bins+bins)%bins]
	if b.num == num && c.n > 0 {
		if d >= b.d {
			return false
		}
		b.u, b.d = utc, d
		return true
	}
	*b = bin{num, utc, d}
	c.last = num
	c.n = min(c.n+1, bins)
	return true
}

// learn fits drift and envelope to the bins: least squares through those close
// to the envelope so far (a stall lasts longer than a bin), then lowered onto
// the lowest of all. With too few close ones the drift stays as it was.
func (c *Model) learn() {
	const near = 0.003 // s
	var l line
	for i := range c.kept {
		if q := &c.kept[i]; c.holds(q) && q.d-c.envelope(q.u) <= near {
			l.add(q.u-c.origin, q.d)
		}
	}
	if _, b, ok := l.solve(8); ok {
		c.drift = math.Max(-maxDrift, math.Min(maxDrift, b))
	}
	c.low = math.Inf(1)
	for i := range c.kept {
		if q := &c.kept[i]; c.holds(q) {
			c.low = math.Min(c.low, q.d-c.drift*(q.u-c.origin))
		}
	}
}

func (c *Model) holds(b *bin) bool { return b.u != 0 && b.num > c.last-bins }

// envelope returns the lowest arrival - UTC, minus base, at utc.
func (c *Model) envelope(utc float64) float64 { return c.low + c.drift*(utc-c.origin) }

// Reference carries the reference offset on to utc and returns the host time
// that the filter's latency is subtracted from.
func (c *Model) Reference(utc float64) float64 {
	c.ref += c.drift * (utc - c.refUTC)
	c.origin, c.low = utc, c.envelope(utc)
	c.refUTC = utc
	return utc + c.base + c.ref
}

// MinLatency returns the minimum latency that belongs to the filter's latency x:
// the envelope against the reference.
func (c *Model) MinLatency(x float64) float64 { return x + c.low - c.ref }

// HostMinusUTC returns the clocks' difference that belongs to the filter's
// latency x.
func (c *Model) HostMinusUTC(x float64) float64 { return c.base + c.ref - x }

// Young reports whether too few arrivals were seen by utc to place an epoch.
func (c *Model) Young(utc float64) bool { return utc-c.since < settling }

// Anchor makes the envelope the reference, so that the filter's latency is the
// minimum latency from here on.
func (c *Model) Anchor() { c.ref = c.low + c.drift*(c.refUTC-c.origin) }

// Shift notes that UTC and the host clock came apart by s (arrival - UTC grew by
// it) without the filter's latency having changed: epochs are placed by the new
// relation, and the envelope is begun anew.
func (c *Model) Shift(by float64) {
	c.ref += by
	c.low += by
	c.kept, c.n, c.near, c.before = [bins]bin{}, 0, 0, 0
}

// Lateness returns how much later than the envelope an arrival is, s.
func (c *Model) Lateness(arrival, utc float64) float64 {
	return arrival - utc - c.base - c.envelope(utc)
}

// SteppedFor returns how many epochs in a row only a clock that was set
// explains, and how far the last of them is from the envelope, s.
func (c *Model) SteppedFor() (epochs int, by float64) { return c.steps, c.stepD - c.low }

// Ready reports whether an epoch has come.
func (c *Model) Ready() bool { return c.ok }

// Drift returns what the host clock gains on UTC, s/s.
func (c *Model) Drift() float64 { return c.drift }
