// Package integrity holds the tests that decide whether a position may be
// believed, and the bounds that say how wrong it could be: jump, drift and
// consistency tests, protection levels, handover time and speed cap.
//
// Each test is a statistic against a threshold that follows from a stated
// false-alarm probability, and each names the smallest error it finds at a
// stated missed-detection probability. SI and radians; axes are east-north-up
// unless said otherwise. Sources: chi-square tests of innovations after
// Bar-Shalom, Li and Kirubarajan 2001; averaged innovations after Diesel and
// Luu 1995; CUSUM after Page 1954 in the form of Lucas and Crosier 1982.
// Start at [JumpTest] and [Protection].
package integrity

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Chi2Upper returns the value a chi-square variable with dof degrees of
// freedom exceeds with probability p.
func Chi2Upper(p float64, dof int) float64 {
	k := float64(dof)
	// Quantile(1-p) loses digits for small p; bisect the survival function.
	c := distuv.ChiSquared{K: k}
	lo, hi := 0.0, k+10
	for c.Survival(hi) > p {
		hi *= 2
	}
	for range 200 {
		mid := (lo + hi) / 2
		if mid == lo || mid == hi {
			break
		}
		if c.Survival(mid) > p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// K returns the factor on a 1-D Gaussian sigma that is exceeded, on either
// side, with probability risk: 1e-5 gives 4.417.
func K(risk float64) float64 {
	return -distuv.UnitNormal.Quantile(risk / 2)
}

// noncentrality returns the non-centrality of a chi-square test with dof
// degrees of freedom at false-alarm probability pfa that is missed with
// probability pmd. Its square root is the smallest detectable bias in sigmas.
func noncentrality(pfa, pmd float64, dof int) float64 {
	t := Chi2Upper(pfa, dof)
	lo, hi := 0.0, 10.0
	for noncentralCDF(t, dof, hi) > pmd {
		hi *= 2
	}
	for range 48 {
		mid := (lo + hi) / 2
		if noncentralCDF(t, dof, mid) > pmd {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// noncentralCDF is the Poisson mixture of central chi-square distributions
// (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions, from
// memory).
func noncentralCDF(x float64, dof int, lambda float64) float64 {
	half := lambda / 2
	// Sum outwards from the heaviest term until the rest cannot matter.
	mode := math.Floor(half)
	sum := 0.0
	for _, dir := range [2]float64{1, -1} {
		j := mode
		if dir < 0 {
			j--
		}
		for j >= 0 {
			lg, _ := math.Lgamma(j + 1)
			w := math.Exp(-half + j*math.Log(math.Max(half, 1e-300)) - lg)
			sum += w * distuv.ChiSquared{K: float64(dof) + 2*j}.CDF(x)
			if w < 1e-18 {
				break
			}
			j += dir
		}
	}
	return sum
}

// Vec3 and Sym3 are an east-north-up vector and its covariance, kept as plain
// arrays because they live in the hot path.
type (
	Vec3 [3]float64
	Sym3 [3][3]float64
)

// NIS returns yᵀ·S⁻¹·y for the leading n rows of y and S, +Inf when S is not
// positive definite: an innovation that cannot be weighed is never consistent.
func NIS(y *Vec3, s *Sym3, n int) float64 {
	var l Sym3
	var z Vec3
	sum := 0.0
	for i := range n {
		for j := 0; j <= i; j++ {
			v := s[i][j]
			for k := range j {
				v -= l[i][k] * l[j][k]
			}
			if i == j {
				if !(v > 0) {
					return math.Inf(1)
				}
				l[i][i] = math.Sqrt(v)
			} else {
				l[i][j] = v / l[j][j]
			}
		}
		v := y[i]
		for k := range i {
			v -= l[i][k] * z[k]
		}
		z[i] = v / l[i][i]
		sum += z[i] * z[i]
	}
	if math.IsNaN(sum) {
		return math.Inf(1)
	}
	return sum
}

// Along returns the variance of s along the horizontal unit vector (e, n).
func (s *Sym3) Along(e, n float64) float64 {
	return e*e*s[0][0] + 2*e*n*s[0][1] + n*n*s[1][1]
}

// Scale multiplies s by k.
func (s *Sym3) Scale(k float64) {
	for i := range s {
		for j := range s {
			s[i][j] *= k
		}
	}
}

// Gate is a chi-square test with everything that follows from its
// probabilities worked out beforehand.
type Gate struct {
	Threshold float64 // of the statistic
	sdb       float64 // sigmas, smallest detectable bias
}

// NewGate returns the gate for dof degrees of freedom.
func NewGate(pfa, pmd float64, dof int) Gate {
	return Gate{Threshold: Chi2Upper(pfa, dof), sdb: math.Sqrt(noncentrality(pfa, pmd, dof))}
}

// Detectable returns the smallest bias, in the unit of sigma, that the gate
// finds at its missed-detection probability.
func (g Gate) Detectable(sigma float64) float64 { return g.sdb * sigma }
