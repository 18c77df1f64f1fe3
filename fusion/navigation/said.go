package navigation

import (
	"math"

	"kerbline/gnss"
)

// said is what the receiver has said of its position's noise.
type said struct {
	white [3]float64 // m², by which it stands: it moves when a new one is clearly another
	last  [3]float64 // m², of the last epoch
	moved [3]float64 // m², by how much the position may have moved at this epoch because of that

	until float64 // host s, up to which held counts
	held  posNoise
}

const (
	// sayBand is the ratio of variances within which a reported sigma says the same
	// as before: a fifth of a sigma is the noise of its own estimate. Common
	// practice, no source.
	sayBand = 1.44
	// blankHold is for how long a blank sigma counts, s: a receiver that reports it
	// now and then is not known to mean all its epochs.
	blankHold = 10.0
)

// hold returns the noise n of epoch e at host time t, or what a blank sigma shortly
// before makes of it: the larger.
func (q *said) hold(t float64, class Class, e *gnss.Epoch, n posNoise) posNoise {
	if class != ClassFixed {
		return n
	}
	if blank, _ := blanks(e); blank {
		q.until, q.held = t+blankHold, n
		return n
	}
	if t < q.until {
		for i := range n.white {
			n.white[i] = math.Max(n.white[i], q.held.white[i])
		}
		n.corrH, n.corrV = math.Max(n.corrH, q.held.corrH), math.Max(n.corrV, q.held.corrV)
	}
	return n
}

// begin takes the white variances of the first epoch of a class.
func (q *said) begin(white [3]float64) { q.white, q.moved = white, [3]float64{} }

// compare takes the white variances of the next, which are share of the whole: a
// receiver that says that its position has become less certain, or more, may have
// moved it by as much.
func (q *said) compare(white [3]float64, share float64) {
	q.moved = [3]float64{}
	for i, v := range white {
		if v > sayBand*q.white[i] || q.white[i] > sayBand*v {
			q.moved[i] = math.Abs(v-q.white[i]) / share
			q.white[i] = v
		}
	}
}
