package navigation

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// sensor feeds an inertial buffer at a rate.
type sensor struct {
	q    Inertial
	hz   float64
	t    float64
	rng  *rand.Rand
	rest bool
	bias r3.Vec
}

func newSensor(hz float64) *sensor {
	s := &sensor{hz: hz, rng: rand.New(rand.NewPCG(1, 2)), rest: true}
	s.q.Reset()
	return s
}

func (s *sensor) noise(sigma float64) r3.Vec {
	return r3.Vec{X: sigma * s.rng.NormFloat64(), Y: sigma * s.rng.NormFloat64(), Z: sigma * s.rng.NormFloat64()}
}

// run feeds seconds of rate w and force f with white noise a sample.
func (s *sensor) run(seconds float64, w, f r3.Vec, gyro, acc float64) {
	for range int(math.Round(seconds * s.hz)) {
		s.t += 1 / s.hz
		s.q.Push(Sample{s.t, r3.Add(w, s.noise(gyro)), r3.Add(f, s.noise(acc))}, s.rest, s.bias, 0.1)
	}
}

var level = r3.Vec{Z: 9.81}

func TestInertial_Rest(t *testing.T) {
	for _, hz := range []float64{50, 200, 1000} {
		s := newSensor(hz)
		offset := r3.Vec{X: 0.006, Y: -0.004, Z: 0.003}
		s.run(5, offset, level, 0.001, 0.012)
		if d := s.q.RestFor(); !(d > 4.9) {
			t.Errorf("%.0f Hz: at rest for %.2f s of 5", hz, d)
		}
		w, f := s.q.RestMeans()
		if e := r3.Norm(r3.Sub(w, offset)); !(e < 5*0.001*math.Sqrt(3/(5*hz))) {
			t.Errorf("%.0f Hz: mean rate off by %.2g rad/s", hz, e)
		}
		if e := r3.Norm(r3.Sub(f, level)); !(e < 5*0.012*math.Sqrt(3/(5*hz))) {
			t.Errorf("%.0f Hz: mean force off by %.2g m/s^2", hz, e)
		}
		// Turning, shaking, or a wheel that rolls: no rest.
		for name, move := range map[string]func(){
			"turning": func() { s.run(0.3, r3.Vec{Z: 0.12}, level, 0.001, 0.012) },
			"shaking": func() { s.run(0.3, offset, level, 0.001, 0.5) },
			"rolling": func() { s.rest = false; s.run(0.1, offset, level, 0.001, 0.012); s.rest = true },
		} {
			s.run(3, offset, level, 0.001, 0.012)
			if !(s.q.RestFor() > 1) {
				t.Fatalf("%.0f Hz: no rest before %s", hz, name)
			}
			move()
			if d := s.q.RestFor(); d > 0.02 {
				t.Errorf("%.0f Hz: at rest for %.2f s while %s", hz, d, name)
			}
		}
	}
}

// A gyro bias as large as the limit of rest is known after the first rest.
func TestInertial_RestWithKnownBias(t *testing.T) {
	s := newSensor(200)
	s.bias = r3.Vec{Z: 0.2}
	s.run(2, s.bias, level, 0.001, 0.012)
	if d := s.q.RestFor(); !(d > 1.9) {
		t.Errorf("at rest for %.2f s of 2 with a bias that is known", d)
	}
}

// density is the mean of the estimated density over 30 s, after 5 s to settle.
func (s *sensor) density(next func() r3.Vec) float64 {
	sum, n := 0.0, 0.0
	for k := range int(35 * s.hz) {
		s.t += 1 / s.hz
		s.q.Push(Sample{s.t, r3.Vec{}, r3.Add(level, next())}, true, r3.Vec{}, 0.1)
		if float64(k) > 5*s.hz {
			d := s.q.acc.Density(0).X
			sum += d * d
			n++
		}
	}
	return math.Sqrt(sum / n)
}

// White noise of density n has n·√rate a sample.
func TestInertial_WhiteNoiseDensity(t *testing.T) {
	for _, hz := range []float64{50, 100, 200, 500, 1000} {
		for _, n := range []float64{1e-3, 0.025} {
			s := newSensor(hz)
			got := s.density(func() r3.Vec { return s.noise(n * math.Sqrt(hz)) })
			if !(math.Abs(got/n-1) < 0.08) {
				t.Errorf("%.0f Hz: density %.4g, want %.4g within 8 %%", hz, got, n)
			}
		}
	}
}

// Vibration with a resonance near 31 Hz is far from white: what matters to
// dead reckoning is its density at low frequencies, the driving noise times
// the resonator's gain at zero.
func TestInertial_ColouredNoiseDensity(t *testing.T) {
	const hz, pole = 200.0, 0.97
	p1, p2 := 2*pole*math.Cos(2*math.Pi*31/hz), -pole*pole
	unit := math.Sqrt((1 + p2) * ((1-p2)*(1-p2) - p1*p1) / (1 - p2)) // unit variance
	const white, ring = 0.9 * 0.35, 0.43 * 0.35                      // m/s^2 a sample
	s := newSensor(hz)
	var a, b r3.Vec
	next := func() r3.Vec {
		x := r3.Add(r3.Add(r3.Scale(p1, a), r3.Scale(p2, b)), s.noise(unit))
		b, a = a, x
		return r3.Add(s.noise(white), r3.Scale(ring, x))
	}
	want := math.Hypot(white, ring*unit/(1-p1-p2)) / math.Sqrt(hz)
	got := s.density(next)
	if !(math.Abs(got/want-1) < 0.15) {
		t.Errorf("density %.4f, want %.4f within 15 %%", got, want)
	}
	// A strong tone alone, as of an engine, moves nothing for long: it must not
	// be taken for white noise of its power.
	k := 0
	tone := func() r3.Vec {
		k++
		return r3.Vec{X: 2 * math.Sin(2*math.Pi*43.7*float64(k)/hz)}
	}
	s = newSensor(hz)
	if got, power := s.density(tone), 2/math.Sqrt2/math.Sqrt(hz); !(got < 0.35*power) {
		t.Errorf("density of a tone %.4f, its power as white noise is %.4f", got, power)
	}
}

// Driving itself is smooth: hard cornering shows as a fifth of what a kart's
// vibration does (0.025).
func TestInertial_MotionIsNoNoise(t *testing.T) {
	for _, hz := range []float64{50, 100, 200, 1000} {
		s := newSensor(hz)
		k := 0
		got := s.density(func() r3.Vec {
			k++
			at := float64(k) / hz
			return r3.Vec{X: 6 * math.Sin(2*math.Pi*0.5*at)}
		})
		if !(got < 0.005) {
			t.Errorf("%.0f Hz: density %.2g of a car that corners at 6 m/s^2, want under 0.005", hz, got)
		}
	}
}

// A vibration of 3 g that the samples resolve is in one band and leaves the others
// alone: over a second it moves nothing. Beside it white noise still counts.
func TestInertial_ResolvedVibration(t *testing.T) {
	const n = 0.01
	for _, hz := range []float64{200, 400, 1000} {
		for _, tone := range []float64{15, 31, 47, 70, 90} {
			s := newSensor(hz)
			k := 0
			got := s.density(func() r3.Vec {
				k++
				return r3.Add(s.noise(n*math.Sqrt(hz)), r3.Vec{X: 29.4 * math.Sin(2*math.Pi*tone*float64(k)/hz)})
			})
			if !(got > 0.9*n && got < 1.8*n) {
				t.Errorf("%.0f Hz: density %.3g beside a tone of %.0f Hz, want %.3g", hz, got, tone, n)
			}
		}
	}
}

func TestInertial_Gap(t *testing.T) {
	s := newSensor(200)
	s.run(10, r3.Vec{}, level, 0.001, 0.02)
	before := s.q.acc.Density(0).X
	rested := s.q.RestFor()
	s.t += 0.5
	dt, ok := s.q.Push(Sample{s.t, r3.Vec{Z: 1}, r3.Vec{X: 3, Z: 9.81}}, true, r3.Vec{}, 0.1)
	if !ok || !(math.Abs(dt-0.5) < 1e-9) {
		t.Errorf("gap %.3f s, taken %v; want 0.5 s, taken", dt, ok)
	}
	if !(rested > 9) || s.q.RestFor() != 0 {
		t.Errorf("at rest for %.2f s before the gap and %.2f s after it, want about 10 and 0", rested, s.q.RestFor())
	}
	// The jump across the gap is no noise.
	s.run(0.5, r3.Vec{Z: 1}, r3.Vec{X: 3, Z: 9.81}, 0.001, 0.02)
	if after := s.q.acc.Density(0).X; after > 1.7*before {
		t.Errorf("density %.3g before the gap, %.3g after it", before, after)
	}
	if p := s.q.Period; !(math.Abs(p-0.005) < 1e-4) {
		t.Errorf("period %.5f s after the gap, want 0.005", p)
	}
}

// Time that does not advance is refused.
func TestInertial_TimeStandsStill(t *testing.T) {
	s := newSensor(200)
	s.run(0.1, r3.Vec{}, level, 0, 0)
	n := s.q.N
	for _, at := range []float64{s.t, s.t - 0.01, math.NaN()} {
		if _, ok := s.q.Push(Sample{at, r3.Vec{}, level}, true, r3.Vec{}, 0.1); ok || s.q.N != n {
			t.Errorf("sample at %v taken after one at %v", at, s.t)
		}
	}
}

// The oldest samples give way when nobody takes them.
func TestInertial_Ring(t *testing.T) {
	s := newSensor(200)
	s.run(float64(imuRing+100)/200, r3.Vec{}, level, 0, 0)
	first := s.q.next()
	if first == nil || !(math.Abs(first.T-101.0/200) < 1e-6) {
		t.Fatalf("oldest sample %+v, want the one at %.3f s", first, 101.0/200)
	}
	if n := s.q.tail - s.q.head; n != imuRing {
		t.Errorf("%d samples kept, want %d", n, imuRing)
	}
	s.q.head = s.q.tail
	if s.q.next() != nil {
		t.Error("a sample from an empty buffer")
	}
}

func TestWheels(t *testing.T) {
	var q Wheels
	q.Reset()
	if q.Fresh(0) || !math.IsNaN(q.due()) {
		t.Error("an empty buffer is fresh or has something due")
	}
	for k := range 50 { // 50 Hz, 0.1 m/s a sample
		if !q.Push(WheelSample{10 + 0.02*float64(k), 0.1 * float64(k)}) {
			t.Fatal("refused")
		}
	}
	if q.Push(WheelSample{10.5, 1}) || q.Push(WheelSample{q.Last.T, 1}) {
		t.Error("a sample from the past was taken")
	}
	if !(math.Abs(q.Period-0.02) < 1e-9) {
		t.Errorf("period %v s, want 0.02", q.Period)
	}
	q.Until(10.105)
	if q.Now.T != 10+0.02*5 || q.old.T != 10+0.02*4 {
		t.Errorf("now %v, before it %v; want 10.10 and 10.08", q.Now.T, q.old.T)
	}
	// On from the two newest: a steady pull is followed.
	if v := q.At(10.11); !(math.Abs(v-0.55) < 1e-6) {
		t.Errorf("speed at 10.11 s is %.4f, want 0.55", v)
	}
	if d := q.due(); !(math.Abs(d-10.12) < 1e-9) {
		t.Errorf("next due at %.3f, want 10.120 before anything was fused", d)
	}
	q.fused = 10.1
	if d := q.due(); !(math.Abs(d-10.18) < 1e-9) {
		t.Errorf("next due at %.3f, want %.2f s after the last", d, WheelEvery)
	}
	if !q.Fresh(q.Last.T+0.29) || q.Fresh(q.Last.T+0.31) {
		t.Error("fresh for other than 0.3 s")
	}
}

// The noise of wheel speed is what the samples show: none from hard braking,
// little from a wheel that spins up, and none where samples lie too far apart.
func TestWheels_Noise(t *testing.T) {
	for _, tt := range []struct {
		name   string
		period float64
		speed  func(t float64) float64
		noise  float64
		lo, hi float64 // m/s, beside 0.02 configured
	}{
		{"steady, noisy", 0.02, func(float64) float64 { return 12 }, 0.12, 0.10, 0.14},
		{"steady, quiet", 0.02, func(float64) float64 { return 12 }, 0.01, 0.02, 0.02},
		{"braking and pulling off at 1 g, once a second", 0.02, func(t float64) float64 { return 12 - math.Abs(math.Mod(t, 2)-1)*9.8 }, 0.01, 0.02, 0.025},
		{"a wheel spins up by a third within a sample, each 5 s", 0.02, func(t float64) float64 {
			if math.Mod(t, 5) > 4 {
				return 16
			}
			return 12
		}, 0.01, 0.02, 0.06},
		{"ten samples a second tell nothing", 0.1, func(float64) float64 { return 12 }, 0.12, 0.02, 0.02},
	} {
		rng := rand.New(rand.NewPCG(5, 6))
		var q Wheels
		q.Reset()
		worst := 0.0
		for k := range int(30 / tt.period) {
			at := float64(k) * tt.period
			q.Push(WheelSample{1e9 + at, tt.speed(at) + tt.noise*rng.NormFloat64()})
			if at > 10 {
				worst = math.Max(worst, q.Sigma(0.02))
			}
		}
		if end := q.Sigma(0.02); !(end >= tt.lo && worst <= tt.hi*1.15) {
			t.Errorf("%s: %.4f m/s at the end, %.4f at most, want %.3f to %.3f", tt.name, end, worst, tt.lo, tt.hi)
		}
	}
}
