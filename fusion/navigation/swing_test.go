package navigation

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// What a vibration a·sin(ωt) swings the velocity by is -a/ω·cos(ωt); a steady force and
// what a driver does leave next to nothing. The filter may stand within a sample, whose
// mean it has taken so far.
func TestSwing(t *testing.T) {
	const a = 9.81
	for _, hz := range []float64{200, 500} {
		for _, tone := range []float64{0, 25, 38.4, 63, 90} {
			for _, at := range []float64{1, 1.002, 1.08} {
				var d Driver
				d.Init(settings, nil)
				w := 2 * math.Pi * tone
				for k := 1; float64(k)/hz < at+0.08; k++ {
					end, begin := float64(k)/hz, float64(k-1)/hz
					f := r3.Vec{X: -4, Y: 6 * math.Sin(3*(begin+end)/2), Z: 9.81} // brakes and swerves
					if tone > 0 {
						f.X += a / w * (math.Cos(w*begin) - math.Cos(w*end)) * hz // means of samples
					}
					d.IMU.Push(Sample{T: end, F: f}, false, r3.Vec{}, 0.1)
					if end < at {
						d.IMU.head++
					}
				}
				d.Filter.T = at
				want := 0.0
				if tone > 0 {
					want = -a / w * math.Cos(w*at)
				}
				got := d.swing()
				if !(math.Abs(got.X-want) < 0.03*a/(2*math.Pi*25)+inside(at*hz)) || !(math.Abs(got.Y) < 0.003) || !(math.Abs(got.Z) < 1e-9) {
					t.Errorf("%.0f Hz, tone of %.1f Hz at %.4f s: swings by %.4f m/s, want %.4f forward alone", hz, tone, at, got, want)
				}
			}
		}
	}
}

// inside is what the mean of a sample may leave where the filter stands within it, m/s:
// as much as a tone turns in half a sample.
func inside(sample float64) float64 {
	if math.Abs(sample-math.Round(sample)) < 1e-6 {
		return 0.002
	}
	return 0.012
}

// Where samples are missing, or none has come since, nothing is taken off.
func TestSwing_Missing(t *testing.T) {
	for name, to := range map[string]float64{"a gap": 1.05, "too few since": 1.01} {
		var d Driver
		d.Init(settings, nil)
		for k := 1; float64(k)/200 <= to; k++ {
			now := float64(k) / 200
			if name == "a gap" && now > 0.85 && now < 0.98 {
				continue
			}
			d.IMU.Push(Sample{T: now, F: r3.Vec{X: 9 * math.Sin(200*now)}}, false, r3.Vec{}, 0.2)
			if now < 1 {
				d.IMU.head++
			}
		}
		if d.Filter.T = 1; d.swing() != (r3.Vec{}) {
			t.Errorf("%s: swings by %v m/s", name, d.swing())
		}
	}
}
