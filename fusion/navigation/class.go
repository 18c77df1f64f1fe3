package navigation

import (
	"math"

	"kerbline/gnss"
)

// Class is how far an epoch's position may be believed; more is better.
type Class uint8

const (
	ClassNone   Class = iota // no position
	ClassCoarse              // code solutions
	ClassFloat               // float ambiguities, or a fix that fails the fix gate
	ClassFixed               // passes the fix gate
)

// Classify is the fix gate.
func (g *GNSS) Classify(e *gnss.Epoch) Class {
	if !e.HasPos || !e.Pos.Valid() || e.Status == 'V' {
		return ClassNone
	}
	switch e.Quality {
	case gnss.QualityFixed:
		if e.Age > g.MaxAge || (e.Sats >= 0 && e.Sats < g.MinSats) || e.HDOP > g.MaxHDOP ||
			math.Hypot(e.SigmaN, e.SigmaE)/math.Sqrt2 > g.MaxSigma || Faulty(e) {
			return ClassFloat
		}
		return ClassFixed
	case gnss.QualityFloat:
		return ClassFloat
	case gnss.QualitySingle, gnss.QualityDiff, gnss.QualityPPS:
		return ClassCoarse
	}
	return ClassNone
}

// Faulty reports whether the receiver itself names a failed satellite with a
// bias that stands out.
func Faulty(e *gnss.Epoch) bool {
	return e.FaultSat >= 0 && math.Abs(e.FaultBias) > 5*e.FaultSigma && e.FaultSigma > 0
}

// heightHop is what the height of a fix may be off anew at each epoch beyond what
// is said of it, 1 sigma, m. A real receiver's hopped by 0.1 m under a reported
// 0.01 m; wrong fixes are wrong by more.
const heightHop = 0.02

// Noise returns the variances of a position, m², ENU: what is new in each
// epoch, and the standard deviations (m) of what stays for tens of seconds.
func (g *GNSS) Noise(e *gnss.Epoch, c Class) (white [3]float64, corrH, corrV float64) {
	floor, share := g.FixedSigma, g.Correlated
	switch c {
	case ClassFloat:
		floor, share = g.FloatSigma, math.Max(share, 0.9)
	case ClassCoarse:
		floor, share = g.SingleSigma, math.Max(share, 0.9)
		if e.Quality != gnss.QualitySingle {
			floor = g.DiffSigma
		}
	}
	se, sn, su := floor, floor, floor*g.Vertical
	if e.SigmaE > 0 {
		se = math.Max(se, e.SigmaE*g.Inflation)
	}
	if e.SigmaN > 0 {
		sn = math.Max(sn, e.SigmaN*g.Inflation)
	}
	if e.SigmaU > 0 {
		su = math.Max(su, e.SigmaU*g.Inflation)
	}
	w := 1 - share
	slow, hop := 0.0, 0.0
	if c == ClassFixed {
		slow, hop = g.Multipath, heightHop
	}
	white = [3]float64{w * se * se, w * sn * sn, w*su*su + hop*hop}
	k := math.Sqrt(share)
	return white, math.Hypot(slow, k*math.Max(se, sn)), math.Hypot(slow*g.Vertical, k*su)
}
