package trust

import (
	"math"

	"kerbline/fusion/integrity"
)

// A fix is weighed by the likelihood of where the receiver stands under two
// hypotheses: it is right, or its integers are wrong.
//
//	LLR = ln p(y | right) - ln p(y | wrong)
//
// y is its offset from a place kept without it, with covariance S. If it is
// right y ~ N(0, S). If it is wrong y ~ N(b, S), where b is spread evenly over
// wrongNear to wrongFar horizontally and normally with wrongUp vertically. The
// bound P(LLR > T | wrong) <= exp(-T) holds whatever S is (the likelihood ratio
// has mean 1 under the hypothesis it is divided by). T is what makes the odds of
// a wrong fix, which a break has before any evidence, small enough: with 1 in 20
// before, 1.9 % of wrong fixes at most are believed, 1 in 1000 breaks.

const (
	// wrongNear and wrongFar bound the horizontal error of a wrong fix, m, and
	// wrongUp is the 1 sigma of its height. 124 epochs of real false fixes were
	// 0.26 to 3.7 m wrong horizontally, twice that in height at the median.
	wrongNear = 0.25
	wrongFar  = 3.0
	wrongUp   = 1.4
	// residual is the probability of a wrong fix that is believed all the same, and
	// that of a right one that is refuted. Stated, not measured.
	residual = 1e-3
	// wrongBroken is how often a fix is wrong after float, silence or no fix,
	// wrongAgain after one that was wrong (the sky is the same), wrongMoved after a
	// step or drift: one of two places is. Common practice, no source; of the 14
	// fixes of a real receiver in bad surroundings most were.
	wrongBroken = 0.05
	wrongAgain  = 0.3
	wrongMoved  = 0.5
	// sharpest is the least 1 sigma that is believed of a kept place, m: what no
	// covariance holds. Common practice, no source.
	sharpest = 0.04
	// heightMost bounds what height alone may say: wrong integers with a right
	// height exist. Of 124 real false fixes none had less than 0.3 m of height
	// error, so at most 2.4 % do at 95 %.
	heightMost = 3.7
)

// Refute is the log-likelihood ratio from which a fix is refuted.
var Refute = math.Log(residual)

// needed returns the log-likelihood ratio that leaves a probability of residual
// of a wrong fix where it was prior before the evidence:
//
//	LLR >= ln(prior/(1-prior)) - ln(residual)
func needed(prior float64) float64 { return math.Log(prior/(1-prior)) - math.Log(residual) }

// HorizontalLeast returns what [Horizontal] does not fall below, at a thousandth of
// its cost: as if every wrong place were the nearest one.
func HorizontalLeast(y *integrity.Vec3, s *integrity.Sym3) float64 {
	p := placed(s)
	most := (p.a+p.c)/2 + math.Hypot((p.a-p.c)/2, p.b) // the larger eigenvalue
	gap := math.Max(0, wrongNear-math.Hypot(y[0], y[1]))
	if !(p.det > 0) || math.IsNaN(gap) {
		return math.NaN()
	}
	return gap*gap/most/2 - p.surprise(y[0], y[1])
}

// place is the horizontal covariance [[a, b], [b, c]] of a kept place, m², that is
// believed.
type place struct{ a, b, c, det float64 }

func placed(s *integrity.Sym3) place {
	a, b, c := s[0][0]+sharpest*sharpest, s[0][1], s[1][1]+sharpest*sharpest
	return place{a, b, c, a*c - b*b}
}

// surprise returns half the normalised square of an offset, m: by it, as an exponent,
// the offset is the less likely.
func (p *place) surprise(e, n float64) float64 {
	return (p.c*e*e - 2*p.b*e*n + p.a*n*n) / p.det / 2
}

// Horizontal returns the log-likelihood ratio of an offset y (m, east and north)
// with covariance s.
func Horizontal(y *integrity.Vec3, s *integrity.Sym3) float64 {
	p := placed(s)
	if !(p.det > 0) || math.IsNaN(y[0]+y[1]) {
		return math.NaN()
	}
	right := p.surprise(y[0], y[1])
	// Midpoints of rings and sectors, in units of the likelihood if it is right:
	// no term overflows, the exponents are differences.
	const rings, sectors = 48, 48
	sum := 0.0
	for i := range rings {
		r := wrongNear + (wrongFar-wrongNear)*(float64(i)+0.5)/rings
		for k := range sectors {
			d := &directions[k]
			sum += math.Exp(math.Min(600, right-p.surprise(y[0]-r*d[0], y[1]-r*d[1])))
		}
	}
	return -math.Log(sum / (rings * sectors))
}

var directions = func() (d [48][2]float64) {
	for k := range d {
		d[k][1], d[k][0] = math.Sincos(2 * math.Pi * (float64(k) + 0.5) / float64(len(d)))
	}
	return d
}()

// Vertical returns the log-likelihood ratio of an offset y in height, m, with
// 1 sigma.
func Vertical(y, sigma float64) float64 {
	if math.IsNaN(y) || !(sigma > 0) {
		return 0
	}
	v := sigma*sigma + sharpest*sharpest
	w := v + wrongUp*wrongUp
	return math.Min(heightMost, (math.Log(w/v)-y*y/v+y*y/w)/2)
}
