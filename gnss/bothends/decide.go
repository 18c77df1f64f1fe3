package bothends

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Finding is what both ends together say of an outage for which one end could only
// say that nothing, or nothing whole, came.
type Finding uint8

const (
	Open            Finding = iota // it stays as it was
	ReceiverStopped                // the base receiver stopped sending while its computer lived
	ComputerStopped                // the base computer stopped
	PathLost                       // sent, and lost between the antennas
	RadioFailed                    // sent, and lost in the car's radio or its cable
)

// Evidence holds the figures behind a finding.
type Evidence struct {
	Span           // of the outage
	Edges  Count   // in the seconds before and after
	Passes Count   // at the same place on other passes
	Rest   Count   // everywhere else, outages left out
	NPass  int     // other passes
	Margin float64 // dB, of the link budget at that distance; NaN without one
	Sight  bool    // that budget has the first Fresnel zone clear of the ground by 0.6
}

// Limits of the decision.
const (
	// stopped is the share of an outage for which the base was silent, from which on
	// the silence is what caused it.
	stopped = 0.7
	// lifeMarks is how many marks of life, one a second, must be missing in a row.
	lifeMarks = 3.0
	// chance is the probability by which losses at the place, or at the edges, may be as
	// many as they are although they are no more frequent than elsewhere.
	chance = 1e-3
	// fewPass is the number of other passes, and fewFrames that of frames sent during
	// them, that say something.
	fewPass, fewFrames = 2, 8
	// blocked is the share of frames lost on other passes from which on the place does it.
	blocked = 0.3
	// leastLoss is the share of frames that any radio loses, at least, so that a few
	// losses are no proof (common practice, no source).
	leastLoss = 0.01
	// clear is the margin from which on distance alone loses nothing, dB: fading by
	// reflections seldom takes more (common practice, no source).
	clear = 20.0
)

// Decide says where the link broke, in order: what was not sent cannot be lost; of
// what was sent, other passes of the same place say most, then whether losses grew
// before it and faded after it, then the link budget. Without any of these it stays
// open: path and car's radio look alike.
func Decide(e *Evidence) Finding {
	switch {
	case !e.Covered || !(e.Length > 0):
		return Open
	case e.Lifeless >= lifeMarks && e.Lifeless >= stopped*e.Length && e.Silent >= stopped*e.Length:
		return ComputerStopped
	case e.Silent >= stopped*e.Length && !math.IsNaN(e.Lifeless):
		return ReceiverStopped
	case e.Sent == 0 || e.Share() < 0.5:
		return Open
	}
	usual := leastLoss
	if x := e.Rest.Share(); x > usual {
		usual = x
	}
	if e.NPass >= fewPass && e.Passes.Sent >= fewFrames {
		if e.Passes.Share() >= blocked || unlikely(e.Passes, usual) {
			return PathLost
		}
		return RadioFailed // the same way through the air worked before or after
	}
	switch {
	case unlikely(e.Edges, usual):
		return PathLost
	case e.Margin < 0:
		return PathLost
	case e.Margin >= clear && e.Sight:
		return RadioFailed
	}
	return Open
}

// unlikely reports whether so many losses in c come by chance with probability below
// the limit where each frame is lost with probability p.
func unlikely(c Count, p float64) bool {
	lost := c.Damaged + c.Lost
	if c.Sent < fewFrames || lost == 0 {
		return false
	}
	b := distuv.Binomial{N: float64(c.Sent), P: min(p, 0.99)}
	return 1-b.CDF(float64(lost)-1) < chance
}
