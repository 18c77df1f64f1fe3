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

// What a field that a receiver leaves blank adds to the slow part of a fixed
// position, 1 sigma, m.
//
//	dilution, satellites  0.005  as between good and middling geometry: common practice, no source
//	age of corrections    0.015  of 15 s, at 1 mm a second: the orbits' and clocks' own drift, common practice, no source
//	height                0.005  as the dilution: the geometry behind it is not known
const (
	blankGeometry = 0.005
	blankAge      = 0.015
)

// blanks returns what e does not say: whether a standard deviation is missing, and
// the 1 sigma, m, that its other blank fields add.
func blanks(e *gnss.Epoch) (sigma bool, more float64) {
	v := 0.0
	for _, b := range [...]bool{math.IsNaN(e.HDOP), e.Sats < 0, !e.HasH} {
		if b {
			v += blankGeometry * blankGeometry
		}
	}
	if math.IsNaN(e.Age) {
		v += blankAge * blankAge
	}
	return !(e.SigmaE > 0 && e.SigmaN > 0 && e.SigmaU > 0), math.Sqrt(v)
}

// posNoise is the noise of a position, ENU.
type posNoise struct {
	white        [3]float64 // m², new in each epoch
	corrH, corrV float64    // m, 1 sigma of what stays for tens of seconds
}

// Noise returns the variances of a position, m², ENU: what is new in each
// epoch, and the standard deviations (m) of what stays for tens of seconds.
func (g *GNSS) Noise(e *gnss.Epoch, c Class) (white [3]float64, corrH, corrV float64) {
	n := g.noise(e, c)
	return n.white, n.corrH, n.corrV
}

func (g *GNSS) noise(e *gnss.Epoch, c Class) posNoise {
	floor, blank, share, slow, hop := g.FixedSigma, g.BlankSigma, g.Correlated, 0.0, 0.0
	switch c {
	case ClassFixed:
		_, more := blanks(e)
		slow, hop = math.Hypot(g.Multipath, more), heightHop
	case ClassFloat:
		floor, share = g.FloatSigma, math.Max(share, 0.9)
	case ClassCoarse:
		floor, share = g.SingleSigma, math.Max(share, 0.9)
		if e.Quality != gnss.QualitySingle {
			floor = g.DiffSigma
		}
	}
	of := func(reported, ratio float64) float64 {
		if !(reported > 0) {
			return math.Max(floor, blank) * ratio
		}
		return math.Max(floor*ratio, reported*g.Inflation)
	}
	se, sn, su := of(e.SigmaE, 1), of(e.SigmaN, 1), of(e.SigmaU, g.Vertical)
	w, k := 1-share, math.Sqrt(share)
	return posNoise{
		white: [3]float64{w * se * se, w * sn * sn, w*su*su + hop*hop},
		corrH: math.Hypot(slow, k*math.Max(se, sn)), corrV: math.Hypot(slow*g.Vertical, k*su),
	}
}
