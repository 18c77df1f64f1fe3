package atmosphere

import (
	"math"
	"testing"

	"kerbline/gnss/geodesy"
)

// The coefficients and the place of a widely printed example, its delay from
// memory: 23.784 m on L1.
func TestKlobuchar_Example(t *testing.T) {
	k := Klobuchar{Alpha: [4]float64{3.82e-8, 1.49e-8, -1.79e-7, 0}, Beta: [4]float64{1.43e5, 0, -3.28e5, 1.13e5}}
	const d = geodesy.Degree
	got := k.Delay(geodesy.LLA{Lat: 40 * d, Lon: -100 * d}, 20*d, 210*d, 593100)
	if math.Abs(got-23.784) > 5e-4 {
		t.Errorf("%.4f m, want 23.784", got)
	}
}

// At night only the constant 5 ns are left, slanted.
func TestKlobuchar_Night(t *testing.T) {
	k := Klobuchar{Alpha: [4]float64{1e-8}, Beta: [4]float64{72000}}
	got := k.Delay(geodesy.LLA{Lat: 0.8}, math.Pi/2, 0, 0)
	if want := 5e-9 * 299792458 * (1 + 16*math.Pow(0.03, 3)); math.Abs(got-want) > 1e-9 {
		t.Errorf("%.6f m, want %.6f", got, want)
	}
	if (&Klobuchar{}).Known() || !k.Known() {
		t.Error("known")
	}
}

// The hydrostatic zenith delay at 45 degrees and sea level is 2.3070 m
// (Saastamoinen's constant 0.0022768 m/hPa times 1013.25 hPa; from memory); the
// wet one is between 0 and 0.4 m, and both shrink with height.
func TestTroposphere(t *testing.T) {
	dry, wet := zenith(math.Pi/4, 0)
	if math.Abs(dry-2.30697) > 1e-4 || wet < 0.05 || wet > 0.3 {
		t.Errorf("dry %.5f m, wet %.3f m", dry, wet)
	}
	up := Troposphere(0.7, 0, math.Pi/2)
	if low := Troposphere(0.7, 0, math.Pi/6); math.Abs(low-2*up) > 1e-9 {
		t.Errorf("at 30 degrees %.4f m, twice the zenith is %.4f", low, 2*up)
	}
	if high := Troposphere(0.7, 2000, math.Pi/2); high > 0.85*up {
		t.Errorf("at 2000 m %.3f of %.3f m", high, up)
	}
	for _, x := range []float64{-1e9, 0, 1e9} {
		if v := Troposphere(0.7, x, -1); !(v > 0 && v < 60) {
			t.Errorf("at %g m: %g m", x, v)
		}
	}
}
