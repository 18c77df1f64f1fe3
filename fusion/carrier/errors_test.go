package carrier

import (
	"math"
	"testing"

	"kerbline/gnss/satellite"
)

// The deviation of a satellite's clock after an age: the rows of errors.go at
// their ages (5, 30, 60, 120 and 300 s), between them on the line, below the first
// as the root of the age, as white frequency noise grows, beyond the last in
// proportion. It never falls with age, and Galileo's clocks are the quietest.
func TestClockDrift(t *testing.T) {
	at := func(s satellite.System, age, want float64) {
		t.Helper()
		if got := ClockDrift(s, age); math.Abs(got-want) > 1e-12 {
			t.Errorf("%v after %g s: %g m, want %g", s, age, got, want)
		}
	}
	for s, rows := range map[satellite.System][5]float64{
		satellite.GPS:     {0.003, 0.010, 0.017, 0.025, 0.045},
		satellite.Galileo: {0.0015, 0.003, 0.004, 0.006, 0.010},
		satellite.GLONASS: {0.009, 0.027, 0.041, 0.075, 0.190},
	} {
		for i, age := range [5]float64{5, 30, 60, 120, 300} {
			at(s, age, rows[i])
		}
		at(s, 0, 0)
		at(s, -1, 0)
		at(s, 1.25, rows[0]/2)
		at(s, 17.5, (rows[0]+rows[1])/2)
		at(s, 75, rows[2]+(rows[3]-rows[2])/4)
		at(s, 600, 2*rows[4])
		last := 0.0
		for age := 0.0; age < 900; age += 0.5 {
			x := ClockDrift(s, age)
			if x < last-1e-15 {
				t.Fatalf("%v: %g m after %g s, %g before", s, x, age, last)
			}
			if x < ClockDrift(satellite.Galileo, age)-1e-15 {
				t.Fatalf("%v quieter than Galileo after %g s", s, age)
			}
			last = x
		}
	}
}

// A thin shell at 350 km: vertical for the zenith, and for the horizon the secant of
// the zenith angle at the shell, R/(R+h) = 0.9479: 3.139. The troposphere's path
// (Black and Eisner 1984, from memory) is the plain cosecant but for the lowest
// elevations.
func TestObliquity(t *testing.T) {
	for _, tt := range []struct{ elevation, want float64 }{{90, 1}, {0, 3.139}, {30, 1 / math.Sqrt(1-math.Pow(6371.0/6721*math.Cos(math.Pi/6), 2))}} {
		if got := slant(math.Sin(tt.elevation * math.Pi / 180)); math.Abs(got-tt.want) > 2e-3 {
			t.Errorf("%g deg: %g, want %g", tt.elevation, got, tt.want)
		}
	}
	for _, e := range []float64{15, 30, 60, 90} {
		sin := math.Sin(e * math.Pi / 180)
		if got := mapping(sin) * sin; math.Abs(got-1) > 0.015 {
			t.Errorf("%g deg: %g times the cosecant", e, got)
		}
	}
	if m := mapping(0); m < 15 || m > 30 {
		t.Errorf("%g at the horizon", m)
	}
}
