package integrity

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

const deg = math.Pi / 180

// bearing returns the unit vector (e, n) of an azimuth, clockwise from north.
func bearing(azimuth float64) (e, n float64) {
	e, n = math.Sincos(azimuth)
	return e, n
}

// Horizontal error ellipse and protection level in the form of RTCA DO-229
// Appendix J, as documented by open integrity libraries that cite it; K of 6.18
// from memory, values computed.
func TestProtection_DO229(t *testing.T) {
	for _, r := range []struct{ e, n, rho, en, major, minor, azimuth, hpl, hpl618 float64 }{
		{1, 1, 0, 0, 1, 1, math.NaN(), 6, 6.18},
		{3, 4, 0, 0, 4, 3, 0, 24, 24.72},
		{0.02, 0.03, 0.5, 0.0003, 0.032256976, 0.016108616, 25.097214, 0.193541854, 0.199348110},
		{0.5, 0.2, -0.8, -0.08, 0.526311493, 0.114000931, 108.651974, 3.157868959, 3.252605028},
	} {
		s := Sym3{{r.e * r.e, r.rho * r.e * r.n}, {r.rho * r.e * r.n, r.n * r.n}}
		near(t, "covariance", s[0][1], r.en, 1e-15)
		mean, half := (s[0][0]+s[1][1])/2, (s[0][0]-s[1][1])/2
		major := math.Sqrt(mean + math.Hypot(half, s[0][1]))
		near(t, "major axis", major, r.major, 1e-9)
		var eig mat.EigenSym
		if !eig.Factorize(mat.NewSymDense(2, []float64{s[0][0], s[0][1], s[1][0], s[1][1]}), false) {
			t.Fatal("no eigenvalues")
		}
		v := eig.Values(nil)
		near(t, "minor axis", math.Sqrt(v[0]), r.minor, 1e-9)
		near(t, "major axis, eigenvalue", math.Sqrt(v[1]), r.major, 1e-9)
		if !math.IsNaN(r.azimuth) {
			e, n := bearing(r.azimuth * deg)
			near(t, "sigma along the major axis", math.Sqrt(s.Along(e, n)), r.major, 1e-9)
			near(t, "sigma across it", math.Sqrt(s.Along(-n, e)), r.minor, 1e-9)
		}
		hpl, noise, _ := Protection(6.0, major, 0, 0, 0)
		near(t, "HPL at 6.0", hpl, r.hpl, 2e-9)
		near(t, "its noise part", noise, hpl, 0)
		hpl, _, _ = Protection(6.18, major, 0, 0, 0)
		near(t, "HPL at 6.18", hpl, r.hpl618, 2e-9)
		// No direction is worse than the major axis.
		for a := range 36 {
			e, n := bearing(float64(a) * 5 * deg)
			if d := math.Sqrt(s.Along(e, n)); d > r.major+1e-9 || d < r.minor-1e-9 {
				t.Errorf("sigma at %d deg is %g, outside %g to %g", 5*a, d, r.minor, r.major)
			}
		}
	}
}

// An ellipse as a GST sentence gives it: axes 0.030 and 0.012 m, major axis 35
// degrees clockwise from north. Values computed.
func TestAlong_Ellipse(t *testing.T) {
	const major, minor = 0.030, 0.012
	e, n := bearing(35 * deg)
	a, b := major*major, minor*minor
	s := Sym3{{a*e*e + b*n*n, (a - b) * e * n}, {(a - b) * e * n, a*n*n + b*e*e}}
	near(t, "north", math.Sqrt(s[1][1]), 0.025520259, 1e-9)
	near(t, "east", math.Sqrt(s[0][0]), 0.019817073, 1e-9)
	near(t, "covariance", s[0][1], 3.552038107e-4, 1e-9)
	near(t, "correlation", s[0][1]/math.Sqrt(s[0][0]*s[1][1]), 0.702349, 1e-6)
	for _, r := range []struct{ azimuth, want float64 }{
		{0, 0.025520259}, {30, 0.029904136}, {35, 0.030}, {90, 0.019817073}, {125, 0.012},
	} {
		e, n := bearing(r.azimuth * deg)
		near(t, "sigma along", math.Sqrt(s.Along(e, n)), r.want, 1e-9)
	}
	mean, half := (s[0][0]+s[1][1])/2, (s[0][0]-s[1][1])/2
	near(t, "major axis back", math.Sqrt(mean+math.Hypot(half, s[0][1])), major, 1e-9)
	near(t, "minor axis back", math.Sqrt(mean-math.Hypot(half, s[0][1])), minor, 1e-9)
	near(t, "orientation back", math.Atan2(2*s[0][1], s[1][1]-s[0][0])/2/deg, 35, 1e-9)
}
