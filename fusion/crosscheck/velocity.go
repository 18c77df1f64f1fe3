package crosscheck

import (
	"fmt"
	"math"

	"kerbline/fusion/symptoms"
)

const (
	velocityReach = 5    // bins, 1 s: by how much a reported velocity may be late
	velocityRows  = 150  // bins of driving that tell, 30 s
	velocityLate  = 0.18 // s, from which it is said: the filter copes with less by itself
	velocityClear = 0.6  // share of the differences that a lag must take away
	velocityLeast = 0.25 // m/s, root mean square of differences that are worth a word
)

// ExplainVelocity says whether the velocity that the receiver reports comes later than
// its positions move; None where it does not or nothing shows.
func (h *History) ExplainVelocity() symptoms.Finding {
	var off [velocityReach + 1]float64
	at := 0
	for l := range off {
		v, n := h.velocityOff(int64(l))
		if n < velocityRows {
			return symptoms.Finding{}
		}
		if off[l] = v; v < off[at] {
			at = l
		}
	}
	if at == 0 || at == velocityReach || off[0] < velocityLeast*velocityLeast || off[at] > (1-velocityClear)*off[0] {
		return symptoms.Finding{}
	}
	lag := float64(at)
	if d := off[at-1] - 2*off[at] + off[at+1]; d > 0 {
		lag += (off[at-1] - off[at+1]) / (2 * d)
	}
	if lag *= binLength; lag < velocityLate {
		return symptoms.Finding{}
	}
	return symptoms.Finding{ID: symptoms.GNSSVelocity, Set: fmt.Sprintf("gnss.speed_lag_s = %.2f", lag),
		Seen: fmt.Sprintf("the velocity that the receiver reports comes %.2f s later than its positions move, and is off by %.1f m/s", lag, math.Sqrt(off[0]))}
}

// velocityOff returns the mean square difference, m²/s², of the reported velocity l
// bins after the motion of the positions, and how many bins it is of.
func (h *History) velocityOff(l int64) (mean float64, n int) {
	for i := range int64(numBins) {
		k := h.newest - i
		a, b := &h.bins[uint64(k)%numBins], &h.bins[uint64(k+l)%numBins]
		if a.key != k || b.key != k+l || a.fixes == 0 || b.told == 0 {
			continue
		}
		e, s := float64(a.ve/a.fixes-b.te/b.told), float64(a.vn/a.fixes-b.tn/b.told)
		mean += e*e + s*s
		n++
	}
	return mean / float64(max(n, 1)), n
}
