package integrity

import "math"

// Protection returns the protection level and its parts:
//
//	PL = K·sigma + step + speed·timing
//
// sigma is the overbounded 1-sigma error, step the largest step the jump test
// would miss on this axis, rate·timing what an unmodelled time error moves it
// by (m/s·s, or rad/s·s for heading).
func Protection(k, sigma, step, rate, timing float64) (total, noise, time float64) {
	noise = k * sigma
	time = math.Abs(rate) * timing
	return noise + step + time, noise, time
}

// Handover returns the seconds needed to give the car to the fallback:
// reaction, then braking from speed to the speed reactive driving can take.
func Handover(speed, reaction, reactive, brake float64) float64 {
	return reaction + math.Max(0, speed-reactive)/brake
}

// Region is where a point of the integrity diagram lies (Stanford diagram;
// Tossaint et al. 2006, from memory).
type Region uint8

const (
	Nominal               Region = iota // error ≤ PL ≤ AL
	Misleading                          // PL < error ≤ AL
	Hazardous                           // PL ≤ AL < error
	Unavailable                         // PL > AL, error ≤ PL
	UnavailableMisleading               // PL > AL, error > PL
	NumRegions
)

// String returns the trade word.
func (r Region) String() string { return regionNames[r] }

var regionNames = [NumRegions]string{"nominal", "misleading", "hazardously misleading", "unavailable", "unavailable and misleading"}

// Classify puts an error, a protection level and an alert limit, all in the
// same unit, into the integrity diagram. An unknown PL or AL protects nothing;
// an unknown error counts as beyond every bound.
func Classify(err, pl, al float64) Region {
	switch {
	case !(pl <= al):
		if err <= pl || math.IsNaN(pl) {
			return Unavailable
		}
		return UnavailableMisleading
	case !(err <= al):
		return Hazardous
	case !(err <= pl):
		return Misleading
	}
	return Nominal
}

// CapInput is what the speed cap follows from.
type CapInput struct {
	Speed              float64 // m/s now
	Coast              float64 // s, coast budget at that speed
	LatFixed, LonFixed float64 // m, parts of the PLs that do not depend on speed
	LatPerV, LonPerV   float64 // m per m/s, parts that grow with it
	ALLat, ALLon       float64 // m
	Reaction, Reactive float64 // s, m/s
	Brake, Max         float64 // m/s^2, m/s
}

// SpeedCap returns the highest speed at which every condition would still
// hold, NaN when none would. Dead-reckoning error grows with distance, so the
// coast budget is taken as inversely proportional to speed above the present
// one and as unchanged below it.
func SpeedCap(in CapInput) float64 {
	holds := func(v float64) bool {
		coast := in.Coast
		if !(v <= in.Speed) { // an unknown speed leaves nothing that holds
			coast *= max(in.Speed, 1) / max(v, 1)
		}
		return in.LatFixed+in.LatPerV*v <= in.ALLat &&
			in.LonFixed+in.LonPerV*v <= in.ALLon &&
			coast >= Handover(v, in.Reaction, in.Reactive, in.Brake)
	}
	if !holds(0) {
		return math.NaN()
	}
	if holds(in.Max) {
		return in.Max
	}
	lo, hi := 0.0, in.Max
	for range 24 {
		if mid := (lo + hi) / 2; holds(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// LateralLimit returns the room across the track, m: what the track's half
// width leaves beside half the car and the controller's margin. It is never
// more than limit, and never negative.
func LateralLimit(limit, trackHalf, carHalf, margin float64) float64 {
	if math.IsNaN(trackHalf) {
		return limit
	}
	return math.Max(0, math.Min(limit, trackHalf-carHalf-margin))
}
