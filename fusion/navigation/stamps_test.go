package navigation

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Stamps of a sensor that samples evenly come out even, whatever delays them: the
// true times of the generator are the reference, but for a constant.
func TestEvener(t *testing.T) {
	const hz = 100.0
	for name, c := range map[string]struct {
		delay func(rng *rand.Rand, at float64) float64
		most  float64 // s, rms
	}{
		"even":             {func(*rand.Rand, float64) float64 { return 0 }, 1e-6},
		"half-normal 5 ms": {func(r *rand.Rand, _ float64) float64 { return 0.005 * math.Abs(r.NormFloat64()) }, 0.0006},
		"bursts of 50 ms":  {func(_ *rand.Rand, at float64) float64 { return math.Ceil(at/0.05)*0.05 - at }, 0.0015},
		"both": {func(r *rand.Rand, at float64) float64 {
			return math.Ceil(at/0.03)*0.03 - at + 0.002*math.Abs(r.NormFloat64())
		}, 0.0015},
		"200 ppm": {func(_ *rand.Rand, at float64) float64 { return 200e-6 * at }, 0.0005},
	} {
		rng := rand.New(rand.NewPCG(1, 9))
		var q Evener
		var off []float64
		last := 0.0
		for k := 1; k < 6000; k++ {
			if k%1500 == 700 {
				continue // one is lost
			}
			at := float64(k) / hz
			stamp := math.Max(at+c.delay(rng, at), last+2e-4)
			last = stamp
			got := q.At(stamp)
			if got > stamp+1e-9 {
				t.Fatalf("%s: %.4f s is later than its stamp %.4f s", name, got, stamp)
			}
			if at > 10 && k%1500 > 850 || at > 10 && k%1500 < 700 {
				d := got - at
				if name == "200 ppm" {
					d -= 200e-6 * at
				}
				off = append(off, d)
			}
		}
		mean, rms := 0.0, 0.0
		for _, x := range off {
			mean += x / float64(len(off))
		}
		for _, x := range off {
			rms += (x - mean) * (x - mean) / float64(len(off))
		}
		if rms = math.Sqrt(rms); rms > c.most {
			t.Errorf("%s: rms of %.5f s, want %.5f", name, rms, c.most)
		}
	}
}

// A gap in the samples stays one.
func TestEvener_Gap(t *testing.T) {
	var q Evener
	for k := range 1000 {
		q.At(float64(k) / 100)
	}
	q.At(9.99 + 0.15)
	if got := q.At(9.99 + 0.16); math.Abs(got-10.15) > 1e-9 {
		t.Errorf("after 0.15 s without a sample %.4f s, want 10.15", got)
	}
}

// Samples that a busy computer reads all at once are as even as they were taken.
func TestEvener_Flood(t *testing.T) {
	var q Evener
	last := 0.0
	for k := range 1500 {
		at := float64(k) / 100
		stamp := math.Max(at, last+2e-4)
		if k > 1000 && k <= 1080 {
			stamp = 10.80 + 2e-4*float64(k-1000)
		}
		last = stamp
		if got := q.At(stamp); math.Abs(got-at) > 1e-3 {
			t.Fatalf("sample of %.2f s: %.4f s", at, got)
		}
	}
}

// What a clock may have gained unseen grows with the time it ran, until it is followed.
func TestHeadingLag(t *testing.T) {
	var d Driver
	d.Init(Settings{IMU: IMU{Gap: 0.1}}, nil)
	for i := range 300 * 50 {
		if d.PushIMU(Sample{T: float64(i) * 0.02}); i == 30*50 || i == 299*50 {
			want := 200e-6 * math.Min(float64(i)*0.02, 100)
			if got := d.HeadingLag(); math.Abs(got-want) > 1e-9 {
				t.Errorf("after %.0f s: %g s, want %g", float64(i)*0.02, got, want)
			}
		}
	}
}
