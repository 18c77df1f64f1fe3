package trust

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fusion/integrity"
)

// The bounds that the ratio promises: of wrong fixes as the hypothesis has them
// at most exp(-T) are believed, of right ones at most residual refuted,
// whatever the kept place is worth; and with 0.10 m each axis a right fix is
// believed in most cases, with 0.05 m in nearly all.
func TestOdds(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 16))
	const draws = 4000
	sure := needed(wrongBroken)
	for _, tt := range []struct {
		sigma, up float64
		right     float64 // share of right fixes believed at once, at least
	}{{0.03, 0.05, 0.99}, {0.05, 0.07, 0.97}, {0.10, 0.10, 0.9}, {0.3, 0.2, 0}, {1, 0.5, 0}, {3, 3, 0}} {
		weigh := func(e, n, u float64) float64 {
			// The covariance that is told holds the noise, and no more than it.
			y := integrity.Vec3{e + tt.sigma*rng.NormFloat64(), n + tt.sigma*rng.NormFloat64()}
			s := integrity.Sym3{{tt.sigma * tt.sigma}, {0, tt.sigma * tt.sigma}}
			return Horizontal(&y, &s) + Vertical(u+tt.up*rng.NormFloat64(), tt.up)
		}
		var believed, refuted, missed float64
		for range draws {
			if l := weigh(0, 0, 0); l >= sure {
				believed++
			} else if l <= Refute {
				refuted++
			}
			r, a := wrongNear+(wrongFar-wrongNear)*rng.Float64(), 2*math.Pi*rng.Float64()
			if weigh(r*math.Cos(a), r*math.Sin(a), wrongUp*rng.NormFloat64()) >= sure {
				missed++
			}
		}
		// Three sigma of a count about its bound.
		bound := func(p float64) float64 { return p*draws + 3*math.Sqrt(p*draws) }
		most := bound(math.Exp(-sure))
		if missed > most || refuted > bound(residual) {
			t.Errorf("sigma %.2f m: %.0f wrong fixes believed, %.0f right ones refuted of %d, want at most %.0f", tt.sigma, missed, refuted, draws, most)
		}
		if believed < tt.right*draws {
			t.Errorf("sigma %.2f m: %.1f %% of right fixes believed, want %.0f %%", tt.sigma, 100*believed/draws, 100*tt.right)
		}
		t.Logf("sigma %.2f m, %.2f up: %.1f %% of right fixes believed at once, %.0f wrong ones of %d", tt.sigma, tt.up, 100*believed/draws, missed, draws)
	}
}

// Height alone says no more than its bound, and nothing where it is not known.
func TestVertical(t *testing.T) {
	if v := Vertical(0, 0.01); v != Vertical(0.001, 0.01) && v > heightMost {
		t.Errorf("height alone says %.1f, want at most %.1f", v, heightMost)
	}
	if v := Vertical(math.NaN(), 0.1) + Vertical(0.1, math.NaN()); v != 0 {
		t.Errorf("an unknown height says %.1f", v)
	}
	if v := Vertical(1, 0.1); !(v < Refute) {
		t.Errorf("1 m at 0.1 m says %.1f", v)
	}
}

// After a step from a believed place the fix is right, off by the step, or both
// places were wrong: of the draws in which it is not right at most one in a
// thousand of all is believed.
func TestHorizontal_Rival(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 16))
	r := DefaultRequalification()
	const draws = 4000
	for _, sigma := range []float64{0.05, 0.1, 0.2, 0.4} {
		var right, believed, wrong float64
		for range draws {
			size, a := wrongNear+(wrongFar-wrongNear)*rng.Float64(), 2*math.Pi*rng.Float64()
			sin, cos := math.Sincos(a)
			s, off := Start(), integrity.Vec3{size * cos, size * sin}
			s.EverProven = true
			s, _ = Next(s, &Evidence{Kind: Displaced, Now: 20, Y: off, S: cov, Detectable: 0.3}, &r)
			if rng.Float64() < 0.5 {
				off = integrity.Vec3{} // it was wrong before
				if rng.Float64() < wrongAgain {
					size, a = wrongNear+(wrongFar-wrongNear)*rng.Float64(), 2*math.Pi*rng.Float64()
					off = integrity.Vec3{size * math.Cos(a), size * math.Sin(a)}
				}
			}
			y := integrity.Vec3{off[0] + sigma*rng.NormFloat64(), off[1] + sigma*rng.NormFloat64()}
			c := integrity.Sym3{{sigma * sigma}, {0, sigma * sigma}}
			is := off == integrity.Vec3{}
			if is {
				right++
			}
			if s.Horizontal(&y, &c) >= s.Needed {
				if is {
					believed++
				} else {
					wrong++
				}
			}
		}
		if most := residual*draws + 3*math.Sqrt(residual*draws); wrong > most {
			t.Errorf("sigma %.2f m: %.0f wrong fixes believed of %d, want %.0f at most", sigma, wrong, draws, most)
		}
		if sigma <= 0.05 && believed < 0.95*right {
			t.Errorf("sigma %.2f m: %.0f right fixes believed of %.0f", sigma, believed, right)
		}
		t.Logf("sigma %.2f m: %.0f right fixes believed of %.0f, %.0f wrong ones", sigma, believed, right, wrong)
	}
}

// The quick bound is one, for any offset and covariance.
func TestHorizontalLeast(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 2000 {
		a, c := math.Exp(r.Float64()*8-10), math.Exp(r.Float64()*8-10)
		b := (2*r.Float64() - 1) * math.Sqrt(a*c)
		s := integrity.Sym3{{a, b}, {b, c}}
		y := integrity.Vec3{0.3 * r.NormFloat64(), 0.3 * r.NormFloat64()}
		if least, l := HorizontalLeast(&y, &s), Horizontal(&y, &s); !(least <= l+1e-9) {
			t.Fatalf("offset %v, covariance %v: at least %g, is %g", y, s, least, l)
		}
	}
	quiet := integrity.Sym3{{1e-4, 0}, {0, 1e-4}}
	if l := HorizontalLeast(&integrity.Vec3{0.01, 0.01}, &quiet); !(l > -Refute) {
		t.Errorf("a fix that stays where it is: at least %g, want enough to settle it", l)
	}
}
