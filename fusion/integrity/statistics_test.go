package integrity

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.12g, want %.12g ± %g", what, got, want, tol)
	}
}

// Upper critical values, computed with scipy and to 40 digits with mpmath;
// printed tables (NIST/SEMATECH e-Handbook, as reprinted) agree where they go.
func TestChi2Upper_Tables(t *testing.T) {
	tails := [8]float64{0.05, 0.01, 0.005, 0.001, 1e-4, 1e-5, 1e-6, 1e-7}
	for _, r := range []struct {
		dof  int
		want [8]float64
	}{
		{1, [8]float64{3.841459, 6.634897, 7.879439, 10.827566, 15.136705, 19.511421, 23.928127, 28.373987}},
		{2, [8]float64{5.991465, 9.210340, 10.596635, 13.815511, 18.420681, 23.025851, 27.631021, 32.236191}},
		{3, [8]float64{7.814728, 11.344867, 12.838156, 16.266236, 21.107513, 25.901750, 30.664850, 35.405752}},
		{4, [8]float64{9.487729, 13.276704, 14.860259, 18.466827, 23.512742, 28.473255, 33.376842, 38.239600}},
		{6, [8]float64{12.591587, 16.811894, 18.547584, 22.457744, 27.856341, 33.107057, 38.258336, 43.337757}},
		{9, [8]float64{16.918978, 21.665994, 23.589351, 27.877165, 33.719948, 39.340654, 44.810938, 50.171800}},
		{10, [8]float64{18.307038, 23.209251, 25.188180, 29.588298, 35.564014, 41.296158, 46.863047, 52.309538}},
		{15, [8]float64{24.995790, 30.577914, 32.801321, 37.697298, 44.263225, 50.493006, 56.493442, 62.325911}},
		{20, [8]float64{31.410433, 37.566235, 39.996846, 45.314747, 52.385973, 59.044550, 65.420681, 71.589309}},
		{30, [8]float64{43.772972, 50.892181, 53.671962, 59.703064, 67.632630, 75.023432, 82.044143, 88.791994}},
		{100, [8]float64{124.342113, 135.806723, 140.169489, 149.449253, 161.318657, 172.098942, 182.126777, 191.596479}},
	} {
		for i, p := range tails {
			near(t, "critical value", Chi2Upper(p, r.dof), r.want[i], 1e-6)
		}
	}
	for _, r := range []struct {
		dof  int
		want float64
	}{
		{1, 0.000982}, {2, 0.050636}, {3, 0.215795}, {6, 1.237344}, {10, 3.246973}, {50, 32.357364}, {100, 74.221927},
		{150, 117.984515}, {300, 253.912323},
	} {
		near(t, "lower 2.5 %", Chi2Upper(0.975, r.dof), r.want, 1e-6)
	}
	// Two degrees of freedom have a closed form.
	for _, p := range append(tails[:], 1e-9, 1e-12, 0.5, 0.975) {
		near(t, "-2 ln p", Chi2Upper(p, 2), -2*math.Log(p), 1e-9)
	}
}

// Normal quantiles, computed with scipy and mpmath.
func TestK_NormalQuantiles(t *testing.T) {
	for _, r := range []struct{ risk, want float64 }{
		{0.50, 0.674489750}, {0.10, 1.644853627}, {0.05, 1.959963985}, {0.01, 2.575829304}, {0.001, 3.290526731},
		{1e-4, 3.890591886}, {1e-5, 4.417173413}, {1e-6, 4.891638476}, {1e-7, 5.326723886}, {1e-8, 5.730728867}, {1e-9, 6.109410209},
		{2 * 0.05, 1.644853627}, {2 * 0.01, 2.326347874}, {2 * 0.001, 3.090232306}, // one side of twice the risk
	} {
		near(t, "K", K(r.risk), r.want, 1e-8)
	}
	near(t, "K of 68.27 %", K(1-0.6827), 1, 1e-4) // printed to four digits
	for _, r := range []struct{ k, tail float64 }{
		{1, 0.3173105}, {2, 0.04550026}, {3, 2.699796e-3}, {4, 6.334248e-5}, {5, 5.733031e-7},
		{5.33, 9.821277e-8}, {6, 1.973175e-9}, {6.18, 6.410160e-10},
	} {
		near(t, "tail over its value", 2*distuv.UnitNormal.Survival(r.k)/r.tail, 1, 2e-7)
		near(t, "K of the tail", K(r.tail), r.k, 2e-7)
	}
}

// Isotropic two-dimensional errors: the radius is a Rayleigh variable, so it is
// the root of a chi-square with two degrees of freedom. Values computed with
// scipy and mpmath.
func TestChi2Upper_Rayleigh(t *testing.T) {
	radius := func(outside float64) float64 { return math.Sqrt(Chi2Upper(outside, 2)) }
	for _, r := range []struct{ outside, want float64 }{
		{0.50, 1.177410023}, {0.10, 2.145966026}, {0.05, 2.447746831}, {0.02, 2.797149623}, {0.01, 3.034854259},
		{1e-3, 3.716922189}, {1e-4, 4.291932053}, {1e-5, 4.798525912}, {1e-6, 5.256521770}, {1e-7, 5.677692428},
		{5e-9, 6.182851758}, {1e-9, 6.437898083},
	} {
		near(t, "radius", radius(r.outside), r.want, 1e-8)
	}
	near(t, "DRMS", radius(math.Exp(-1)), math.Sqrt2, 1e-8)
	near(t, "R95/CEP", radius(0.05)/radius(0.5), 2.078924745, 1e-8)
	near(t, "coverage of 2DRMS, isotropic", distuv.ChiSquared{K: 2}.CDF(8), 0.981684361, 1e-9)
	near(t, "coverage of 2DRMS, degenerate", distuv.ChiSquared{K: 1}.CDF(4), 0.954499736, 1e-9)
	near(t, "three dimensions, 50 %", math.Sqrt(Chi2Upper(0.5, 3)), 1.538172254, 1e-8)
	near(t, "three dimensions, 95 %", math.Sqrt(Chi2Upper(0.05, 3)), 2.795483483, 1e-8)
	// 5.33 and 6.0 belong to one dimension, 6.18 to two: no mixing.
	near(t, "K of 1e-7", K(1e-7), 5.33, 0.005)
	near(t, "K of 2e-9", K(2e-9), 6.0, 0.003)
	near(t, "radius of 5e-9", radius(5e-9), 6.18, 0.003)
}

// Radius that holds 95 % of an error with axes 1 and ratio: exact values by
// quadrature (mpmath), and what 2.4477 times the larger axis covers, which is
// never less than 0.95.
func TestRadius_Anisotropic(t *testing.T) {
	inside := func(radius, ratio float64) float64 {
		return quad.Fixed(func(a float64) float64 {
			x, y := radius*math.Sin(a), radius*math.Cos(a)
			return distuv.UnitNormal.Prob(x) * math.Erf(y/(ratio*math.Sqrt2)) * y
		}, -math.Pi/2, math.Pi/2, 120, nil, 0)
	}
	r95 := math.Sqrt(Chi2Upper(0.05, 2))
	for _, r := range []struct{ ratio, radius, cover float64 }{
		{1, 2.44774683, 0.95}, {0.8, 2.23028729, 0.97222}, {0.5, 2.03585872, 0.98298}, {0.2, 1.97040750, 0.98529},
	} {
		near(t, "inside the exact radius", inside(r.radius, r.ratio), 0.95, 1e-8)
		near(t, "inside 2.4477 of the larger axis", inside(r95, r.ratio), r.cover, 6e-6)
	}
}

// Regions that hold the average of N normalised squared errors of dimension n
// with 95 %; N = 50, n = 2 is printed as [1.5, 2.6] by Bar-Shalom, Li and
// Kirubarajan 2001 (from memory).
func TestNIS_AverageRegions(t *testing.T) {
	for _, r := range []struct {
		runs, dim int
		lo, hi    float64
	}{
		{1, 2, 0.050636, 7.377759}, {1, 3, 0.215795, 9.348404}, {1, 15, 6.262138, 27.488393},
		{25, 1, 0.524789, 1.625859}, {50, 2, 1.484439, 2.591224}, {50, 4, 3.254560, 4.821158}, {50, 6, 5.078246, 6.997489},
		{100, 1, 0.742219, 1.295612}, {100, 2, 1.627280, 2.410579}, {100, 3, 2.539123, 3.498745},
	} {
		n := float64(r.runs)
		near(t, "low", Chi2Upper(0.975, r.runs*r.dim)/n, r.lo, 1e-6)
		near(t, "high", Chi2Upper(0.025, r.runs*r.dim)/n, r.hi, 1e-6)
	}
	near(t, "whiteness of 100", K(0.05)/math.Sqrt(100), 0.195996, 1e-6)
	near(t, "whiteness of 1000", K(0.05)/math.Sqrt(1000), 0.061980, 1e-6)
}

// Smallest detectable bias at false alarm and missed detection 1e-3 each.
// Values computed with scipy and mpmath.
func TestNoncentrality_Computed(t *testing.T) {
	for i, want := range []float64{40.714086, 44.993802, 48.098680} {
		near(t, "non-centrality", noncentrality(1e-3, 1e-3, i+1), want, 1e-6)
	}
	g := NewGate(1e-3, 1e-3, 1)
	near(t, "threshold", g.Threshold, 10.827566, 1e-6)
	near(t, "one sample", g.Detectable(1), 6.380759038, 1e-6)
	near(t, "ten averaged", g.Detectable(1/math.Sqrt(10)), 2.017773176, 1e-6)
	near(t, "in centimetres", g.Detectable(2), 2*6.380759038, 2e-6)
	// Two-sided, one dimension: the far side hardly matters, so the bias is the
	// sum of the two quantiles.
	for _, p := range []float64{1e-2, 1e-3, 1e-5} {
		near(t, "sum of quantiles", math.Sqrt(noncentrality(p, p, 1)), K(p)+K(2*p), 2e-5)
	}
}
