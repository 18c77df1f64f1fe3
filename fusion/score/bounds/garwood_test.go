package bounds

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

// Exact Poisson bounds ½χ²(1-c; 2n+2) (Garwood 1936), values computed with
// scipy and mpmath.
func TestPoisson_Garwood(t *testing.T) {
	for _, r := range []struct {
		n                         int
		u90, u95, u99, lo95, hi95 float64
	}{
		{0, 2.302585, 2.995732, 4.605170, 0, 3.688879},
		{1, 3.889720, 4.743865, 6.638352, 0.025318, 5.571643},
		{2, 5.322320, 6.295794, 8.405947, 0.242209, 7.224688},
		{3, 6.680783, 7.753657, 10.045118, 0.618672, 8.767273},
		{5, 9.274674, 10.513035, 13.108484, 1.623486, 11.668332},
		{10, 15.406641, 16.962219, 20.144680, 4.795389, 18.390356},
	} {
		near(t, "90 % upper", PoissonUpper(r.n, 0.90), r.u90, 1e-6)
		near(t, "95 % upper", PoissonUpper(r.n, 0.95), r.u95, 1e-6)
		near(t, "99 % upper", PoissonUpper(r.n, 0.99), r.u99, 1e-6)
		lo, hi := PoissonInterval(r.n, 0.95)
		near(t, "95 % two-sided low", lo, r.lo95, 1e-6)
		near(t, "95 % two-sided high", hi, r.hi95, 1e-6)
	}
}

// "0 events, 95 %: rate < 1e-3/h needs 2995.73 h, < 1e-5/h 299 573 h", from
// the closed form -ln(0.05).
func TestMoreExposure_ClosedForm(t *testing.T) {
	near(t, "from nothing", MoreExposure(0, 0, 1e-3, 0.95), 2995.73, 0.005)
	near(t, "from nothing", MoreExposure(0, 0, 1e-5, 0.95), 299573, 0.5)
	near(t, "after 1000 h", MoreExposure(0, 1000, 1e-3, 0.95), 1995.73, 0.005)
	near(t, "one event", MoreExposure(1, 1000, 1e-3, 0.95), 4743.865-1000, 0.001)
	near(t, "claim already holds", MoreExposure(0, 3000, 1e-3, 0.95), 0, 0)
	if got := MoreExposure(0, 0, 0, 0.95); !math.IsNaN(got) {
		t.Errorf("claim of rate 0: %g, want NaN", got)
	}
}

// Rule of three, exact: n = ln 0.05 / ln(1-p).
func TestTrialsForZero_RuleOfThree(t *testing.T) {
	near(t, "1e-3", TrialsForZero(1e-3, 0.95), 2994.23, 0.005)
	near(t, "1e-2", TrialsForZero(1e-2, 0.95), 298.07, 0.005)
}

// Clopper and Pearson (1934) limits, values computed with scipy and mpmath.
func TestBinomial_ClopperPearson(t *testing.T) {
	for _, r := range []struct {
		k, n          int
		lo, hi, upper float64
	}{
		{0, 10, 0, 0.30849711, 0.25886555},
		{1, 10, 0.00252858, 0.44501612, math.NaN()},
		{5, 10, 0.18708603, 0.81291397, math.NaN()},
		{0, 30, 0, 0.11570331, 0.09503385},
		{0, 100, 0, 0.03621669, 0.02951305},
		{1, 100, 0.00025315, 0.05445939, math.NaN()},
		{3, 100, 0.00622997, 0.08517605, math.NaN()},
		{10, 100, 0.04900469, 0.17622260, math.NaN()},
		{7, 20, 0.15390920, 0.59218853, math.NaN()},
		{15, 148, 0.05784401, 0.16165049, math.NaN()},
		{20, 1000, 0.01225827, 0.03072003, math.NaN()},
		{0, 3000, 0, 0.00122887, 0.00099808},
	} {
		lo, hi := BinomialInterval(r.k, r.n, 0.95)
		near(t, "low", lo, r.lo, 1e-7)
		near(t, "high", hi, r.hi, 1e-7)
		if !math.IsNaN(r.upper) {
			near(t, "one-sided upper", BinomialUpper(r.k, r.n, 0.95), r.upper, 1e-7)
		}
	}
	// All of n, by symmetry with none of n.
	lo, hi := BinomialInterval(10, 10, 0.95)
	near(t, "10/10 low", lo, 1-0.30849711, 1e-7)
	near(t, "10/10 high", hi, 1, 0)
	near(t, "10/10 upper", BinomialUpper(10, 10, 0.95), 1, 0)
}

func TestRefusedArguments(t *testing.T) {
	lo, hi := BinomialInterval(3, 2, 0.95)
	plo, phi := PoissonInterval(-1, 0.95)
	for i, v := range []float64{PoissonUpper(-1, 0.95), PoissonUpper(0, 1), PoissonUpper(0, math.NaN()),
		BinomialUpper(0, 0, 0.95), lo, hi, plo, phi, SameRate(1, 0, 1, 1), TrialsForZero(0, 0.95),
		SameMean([]float64{1, 2, math.NaN()}, []float64{1, 2, 3})} {
		if !math.IsNaN(v) {
			t.Errorf("case %d: %g, want NaN", i, v)
		}
	}
}

// The comparison of two Poisson counts is a binomial tail; small cases by hand.
func TestSameRate_ByHand(t *testing.T) {
	near(t, "nothing seen", SameRate(0, 1, 0, 5), 1, 0)
	near(t, "equal", SameRate(4, 1, 4, 1), 1, 1e-12)
	// 5 against 0 in equal time: 2·0.5^5.
	near(t, "5 against 0", SameRate(5, 1, 0, 1), 0.0625, 1e-12)
	near(t, "0 against 5", SameRate(0, 1, 5, 1), 0.0625, 1e-12)
	// 3 against 0, exposures 1:9: 2·0.1^3.
	near(t, "3 against 0 in a ninth", SameRate(3, 1, 0, 9), 0.002, 1e-12)
}

// Randomisation test: all of a above all of b leaves the two extreme
// arrangements of C(6,3) = 20 and C(8,4) = 70.
func TestSameMean_ByHand(t *testing.T) {
	near(t, "3+3 apart", SameMean([]float64{1, 2, 3}, []float64{4, 5, 6}), 2.0/20, 1e-12)
	near(t, "4+4 apart", SameMean([]float64{10, 11, 12, 13}, []float64{1, 2, 3, 4}), 2.0/70, 1e-12)
	near(t, "same", SameMean([]float64{1, 1, 1}, []float64{1, 1, 1}), 1, 0)
	near(t, "too few", SameMean([]float64{1}, []float64{4, 5, 6, 7, 8, 9}), 1, 0)
	// Beyond the exact range: Welch on 40 + 40 values a sigma apart.
	a, b := make([]float64, 40), make([]float64, 40)
	for i := range a {
		a[i] = float64(i % 8)
		b[i] = float64(i%8) + 3
	}
	if p := SameMean(a, b); !(p > 0 && p < 1e-4) {
		t.Errorf("Welch on shifted samples: p = %g, want below 1e-4", p)
	}
	if p := SameMean(a, a); p < 0.99 {
		t.Errorf("Welch on one sample twice: p = %g, want 1", p)
	}
}
