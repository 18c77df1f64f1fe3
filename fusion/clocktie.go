package fusion

import "math"

// clockTie ties UTC from the receiver to the host clock by the lower envelope
// of (arrival - UTC): an epoch can arrive late but never early, so the lowest
// values of a stretch of time are the minimum latency plus the clocks'
// difference. The slope of the envelope is the host clock's drift.
//
// What the envelope cannot say is how large the minimum latency itself is:
// that is a state of the filter.
type clockTie struct {
	bins   [tieBins]tieBin // ring by bin number
	last   int64           // bin number of the newest
	n      int             // bins in use
	origin float64         // s, UTC that the numbers below count from
	drift  float64         // s/s, host gains on UTC
	low    float64         // s, envelope at origin, minus base
	base   float64         // s, first arrival - UTC, to keep digits
	ok     bool

	// Reference offset: base + ref at utc refUTC, carried on with drift. The
	// filter's latency counts from it, so it never steps when the envelope is
	// learned better.
	ref, refUTC float64

	since float64 // s, UTC of the first arrival
	near  int     // epochs close to the envelope since it was last begun
	early int     // epochs in a row that came well before the envelope
	odd   int     // epochs in a row that fit neither envelope nor stall
	oddD  float64 // s, arrival - UTC of the last of them
}

type tieBin struct {
	num int64
	u   float64 // s, UTC of the lowest value
	d   float64 // s, lowest arrival - UTC, minus base
}

const (
	tieBins  = 48  // kept
	tieSpan  = 2.0 // s a bin
	tieDrift = 300e-6
	tieEarly = 0.02 // s before the envelope that no jitter explains
	tieMany  = 5    // epochs that are no chance
	tieYoung = 1.0  // s of epochs before the lowest arrival says anything
)

// fit is how an epoch's arrival fits the envelope.
type fit uint8

const (
	fitOK   fit = iota
	fitLate     // arrived later than the stall allows
	fitOdd      // UTC or the host clock stepped
)

// push takes one arrival and says how it fits. stall is the lateness still
// explained by a stall of the computer or the port.
func (c *clockTie) push(arrival, utc, stall float64) fit {
	if !c.ok {
		*c = clockTie{base: arrival - utc, origin: utc, refUTC: utc, since: utc, ok: true}
		c.add(utc, 0)
		return fitOK
	}
	d := arrival - utc - c.base
	late := d - c.envelope(utc)
	if late < -0.25 || late > 10 || math.Abs(utc-c.refUTC) > 3600 {
		// Neither early nor very late can be the link: a clock stepped.
		if math.Abs(d-c.oddD) < 0.5 {
			c.odd++
		} else {
			c.odd = 1
		}
		c.oddD = d
		return fitOdd
	}
	c.odd = 0
	switch {
	case late < -tieEarly && (c.n >= 3 || c.near >= tieMany):
		// Before the lowest of many: a stamp that is wrong, unless it stays so.
		if c.early++; c.early < tieMany {
			return fitOK
		}
		c.bins, c.n, c.near = [tieBins]tieBin{}, 0, 0
	case late < -tieEarly:
		c.near = 0
	case late < tieEarly:
		c.near++
	}
	c.early = 0
	if c.add(utc, d) {
		c.learn()
	}
	if late > stall {
		return fitLate
	}
	return fitOK
}

// add reports whether a bin changed.
func (c *clockTie) add(utc, d float64) bool {
	num := int64(math.Floor(utc / tieSpan))
	if c.n > 0 && num < c.last {
		return false // older than the newest bin: it cannot lower it
	}
	b := &c.bins[(num%tieBins+tieBins)%tieBins]
	if b.num == num && c.n > 0 {
		if d >= b.d {
			return false
		}
		b.u, b.d = utc, d
		return true
	}
	*b = tieBin{num, utc, d}
	c.last = num
	c.n = min(c.n+1, tieBins)
	return true
}

// learn fits drift and envelope to the bins: least squares through those close
// to the envelope so far (a stall lasts longer than a bin), then lowered onto
// the lowest of all. With too few close ones the drift stays as it was.
func (c *clockTie) learn() {
	const near = 0.003 // s
	var n, su, sd, suu, sud float64
	for i := range c.bins {
		q := &c.bins[i]
		if !c.holds(q) || q.d-c.envelope(q.u) > near {
			continue
		}
		u := q.u - c.origin
		n++
		su += u
		sd += q.d
		suu += u * u
		sud += u * q.d
	}
	if den := n*suu - su*su; n >= 8 && den > 0 {
		c.drift = math.Max(-tieDrift, math.Min(tieDrift, (n*sud-su*sd)/den))
	}
	c.low = math.Inf(1)
	for i := range c.bins {
		if q := &c.bins[i]; c.holds(q) {
			c.low = math.Min(c.low, q.d-c.drift*(q.u-c.origin))
		}
	}
}

func (c *clockTie) holds(b *tieBin) bool { return b.u != 0 && b.num > c.last-tieBins }

// envelope returns the lowest arrival - UTC, minus base, at utc.
func (c *clockTie) envelope(utc float64) float64 { return c.low + c.drift*(utc-c.origin) }

// reference carries the reference offset on to utc and returns the host time
// that the filter's latency is subtracted from.
func (c *clockTie) reference(utc float64) float64 {
	c.ref += c.drift * (utc - c.refUTC)
	c.origin, c.low = utc, c.envelope(utc)
	c.refUTC = utc
	return utc + c.base + c.ref
}

// spread returns the minimum latency that belongs to the filter's latency x:
// the envelope against the reference.
func (c *clockTie) spread(x float64) float64 { return x + c.low - c.ref }

// hostMinusUTC returns the clocks' difference that belongs to the filter's
// latency x.
func (c *clockTie) hostMinusUTC(x float64) float64 { return c.base + c.ref - x }

// young reports whether too few arrivals were seen by utc to place an epoch.
func (c *clockTie) young(utc float64) bool { return utc-c.since < tieYoung }

// anchor makes the envelope the reference, so that the filter's latency is the
// minimum latency from here on.
func (c *clockTie) anchor() { c.ref = c.low + c.drift*(c.refUTC-c.origin) }

// lateness returns how much later than the envelope an arrival is, s.
func (c *clockTie) lateness(arrival, utc float64) float64 {
	return arrival - utc - c.base - c.envelope(utc)
}

// oddness returns how far the last odd arrivals are from the envelope, s.
func (c *clockTie) oddness() float64 { return c.oddD - c.low }
