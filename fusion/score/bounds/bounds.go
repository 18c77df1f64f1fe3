// Package bounds gives exact confidence bounds for counts of rare events, and
// says how much longer one must drive before a smaller claim is justified.
//
// Counts are numbers of independent events (episodes, not the correlated lines
// an episode is made of); exposures are in whatever unit the caller counts
// rates by (hours of driving). Confidence is a probability in (0, 1); "upper"
// is one-sided, "interval" two-sided with equal tails. Arguments outside their
// range give NaN, never a small number.
//
// Sources: Garwood (1936) for Poisson by way of the chi-square distribution,
// Clopper and Pearson (1934) for shares, Przyborowski and Wilenski (1940) for
// the comparison of two Poisson counts. Start at [PoissonUpper] and
// [MoreExposure].
package bounds

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

func open01(p float64) bool { return p > 0 && p < 1 }

// PoissonUpper returns the exact one-sided upper bound of the expected number
// of events when n were seen: chi-square(conf; 2n+2)/2.
func PoissonUpper(n int, conf float64) float64 {
	if n < 0 || !open01(conf) {
		return math.NaN()
	}
	return distuv.ChiSquared{K: 2*float64(n) + 2}.Quantile(conf) / 2
}

// PoissonInterval returns the exact two-sided interval of the expected number
// of events when n were seen.
func PoissonInterval(n int, conf float64) (lo, hi float64) {
	if n < 0 || !open01(conf) {
		return math.NaN(), math.NaN()
	}
	a := (1 - conf) / 2
	if n > 0 {
		lo = distuv.ChiSquared{K: 2 * float64(n)}.Quantile(a) / 2
	}
	return lo, distuv.ChiSquared{K: 2*float64(n) + 2}.Quantile(1-a) / 2
}

// MoreExposure returns how much further exposure is needed, should no further
// event come, before n events justify the claim "fewer than rate per unit" at
// confidence conf; 0 when they already do.
func MoreExposure(n int, exposure, rate, conf float64) float64 {
	if !(rate > 0) || !(exposure >= 0) {
		return math.NaN()
	}
	if need := PoissonUpper(n, conf)/rate - exposure; need > 0 || math.IsNaN(need) {
		return need
	}
	return 0
}

// BinomialUpper returns the exact one-sided upper bound of a share when k of n
// trials had the property.
func BinomialUpper(k, n int, conf float64) float64 {
	if !trials(k, n) || !open01(conf) {
		return math.NaN()
	}
	if k == n {
		return 1
	}
	return mathext.InvRegIncBeta(float64(k)+1, float64(n-k), conf)
}

// BinomialInterval returns the Clopper-Pearson interval of a share when k of n
// trials had the property.
func BinomialInterval(k, n int, conf float64) (lo, hi float64) {
	if !trials(k, n) || !open01(conf) {
		return math.NaN(), math.NaN()
	}
	a := (1 - conf) / 2
	if k > 0 {
		lo = mathext.InvRegIncBeta(float64(k), float64(n-k)+1, a)
		if k == n { // beta(n, 1) in closed form
			lo = math.Pow(a, 1/float64(n))
		}
	}
	hi = 1
	if k < n {
		hi = mathext.InvRegIncBeta(float64(k)+1, float64(n-k), 1-a)
	}
	return lo, hi
}

// TrialsForZero returns how many trials without a single event justify the
// claim "fewer than share p" at confidence conf: ln(1-conf)/ln(1-p).
func TrialsForZero(p, conf float64) float64 {
	if !open01(p) || !open01(conf) {
		return math.NaN()
	}
	return math.Log1p(-conf) / math.Log1p(-p)
}

func trials(k, n int) bool { return k >= 0 && n > 0 && k <= n }

// SameRate returns the two-sided p value of "both counts come from one rate":
// given n1+n2 events, n1 is binomial with share t1/(t1+t2). Small means the
// rates differ beyond chance; with no event at all it is 1.
func SameRate(n1 int, t1 float64, n2 int, t2 float64) float64 {
	if n1 < 0 || n2 < 0 || !(t1 > 0) || !(t2 > 0) {
		return math.NaN()
	}
	n := n1 + n2
	if n == 0 {
		return 1
	}
	d := distuv.Binomial{N: float64(n), P: t1 / (t1 + t2)}
	return math.Min(1, 2*math.Min(d.CDF(float64(n1)), 1-d.CDF(float64(n1)-1)))
}

// maxArrangements bounds the work of SameMean.
const maxArrangements = 200_000

// SameMean returns the two-sided p value of "a and b are samples of one
// population" by exchanging members (Fisher's randomisation test on the
// difference of means): exact while the number of arrangements is at most
// 200 000, by Welch's t otherwise. With fewer than two values on either side,
// or fewer than six together, nothing can be beyond chance and it is 1.
func SameMean(a, b []float64) float64 {
	na, nb := len(a), len(b)
	if na < 2 || nb < 2 || na+nb < 6 {
		return 1
	}
	for _, s := range [][]float64{a, b} {
		for _, v := range s {
			if math.IsNaN(v) {
				return math.NaN()
			}
		}
	}
	if combin.LogGeneralizedBinomial(float64(na+nb), float64(na)) > math.Log(maxArrangements) {
		return welch(a, b)
	}
	all := append(append([]float64(nil), a...), b...)
	var total float64
	for _, v := range all {
		total += v
	}
	diff := func(sumA float64) float64 {
		return math.Abs(sumA/float64(na) - (total-sumA)/float64(nb))
	}
	var sumA float64
	for _, v := range a {
		sumA += v
	}
	seen := diff(sumA)
	slack := 1e-12 * (1 + math.Abs(total)) // equal arrangements differ in rounding only
	var extreme, count int
	var visit func(from, left int, sum float64)
	visit = func(from, left int, sum float64) {
		if left == 0 {
			count++
			if diff(sum) >= seen-slack {
				extreme++
			}
			return
		}
		for i := from; i <= len(all)-left; i++ {
			visit(i+1, left-1, sum+all[i])
		}
	}
	visit(0, na, 0)
	return float64(extreme) / float64(count)
}

func welch(a, b []float64) float64 {
	ma, va := meanVar(a)
	mb, vb := meanVar(b)
	qa, qb := va/float64(len(a)), vb/float64(len(b))
	if qa+qb == 0 {
		if ma == mb {
			return 1
		}
		return 0
	}
	nu := (qa + qb) * (qa + qb) / (qa*qa/float64(len(a)-1) + qb*qb/float64(len(b)-1))
	t := math.Abs(ma-mb) / math.Sqrt(qa+qb)
	return 2 * distuv.StudentsT{Sigma: 1, Nu: nu}.Survival(t)
}

func meanVar(x []float64) (mean, variance float64) {
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for _, v := range x {
		variance += (v - mean) * (v - mean)
	}
	return mean, variance / float64(len(x)-1)
}
