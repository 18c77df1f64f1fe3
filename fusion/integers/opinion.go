package integers

import (
	"math"

	"kerbline/gnss/geodesy"
)

// Opinion is what our own integers say of a receiver's fix.
type Opinion uint8

// Opinions.
const (
	None Opinion = iota
	Confirmed
	Refuted
)

var opinionWords = [...]string{"none", "confirmed", "refuted"}

// String returns the opinion in a word.
func (o Opinion) String() string { return opinionWords[min(int(o), len(opinionWords)-1)] }

// What a fix may be off: horizontally and up, m, besides the deviations of both. A
// wrong fix is mostly off by more than 0.3 m; between the two there is no opinion.
const (
	near, nearUp = 0.10, 0.20
	far, farUp   = 0.15, 0.30
	// However large the deviations that the receiver reports.
	nearMost, farMost = 0.16, 0.25
)

// Judge compares a receiver's position, brought to the time of the result, with ours:
// sigma are its deviations horizontally (one axis) and up in m. off is the vector from
// our place to the receiver's.
func (r *Result) Judge(fix geodesy.ECEF, sigma [2]float64) (o Opinion, off geodesy.ENU) {
	if r.Why != Decided {
		return None, off
	}
	frame := geodesy.NewFrame(r.Position.LLA())
	off = frame.FromECEF(fix)
	h := math.Hypot(off.E, off.N)
	sh := math.Sqrt(r.Cov[0][0] + r.Cov[1][1] + 2*sigma[0]*sigma[0])
	su := math.Sqrt(r.Cov[2][2] + sigma[1]*sigma[1])
	switch {
	case h <= math.Min(near+3*sh, nearMost) && math.Abs(off.U) <= nearUp+3*su:
		return Confirmed, off
	case h > math.Min(far+5*sh, farMost) || math.Abs(off.U) > farUp+5*su:
		return Refuted, off
	}
	return None, off
}
