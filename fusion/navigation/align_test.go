package navigation

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

var settings = Settings{
	GNSS: GNSS{Latency: 0.08, LatencySigma: 0.04, MaxAge: 15, MinSats: 6, MaxHDOP: 3, MaxSigma: 0.1, FixedSigma: 0.01, FloatSigma: 0.25,
		Vertical: 1.5, Inflation: 1.2, Correlated: 0.7, CorrTime: 10, SpeedSigma: 0.05, VelocityLag: 0.05, MinCourse: 1.5, HeadingSigma: 0.5, Stall: 0.7, Silence: 0.35},
	IMU: IMU{Gyro: 1e-4, Acc: 1e-3, GyroWalk: 1e-5, AccWalk: 2e-4, GyroBias: 0.01, AccBias: 0.1,
		Latency: 0.002, Gap: 0.1, GyroRange: 35, AccRange: 157},
	Wheel: Wheel{Sigma: 0.02, SigmaRel: 0.003, ScaleSigma: 0.01, Latency: 0.004, SlipSigma: 0.006, SideSigma: 0.07, SideLat: 0.015},
	Lever: [3]float64{0.6, -0.2, 1.1},
}

// car drives on level ground: the closed forms are those of a point that moves
// along its heading, integrated in steps of a millisecond.
type car struct {
	t, v, yaw float64
	pos       r3.Vec
	acc, turn float64 // m/s², rad/m: curvature
}

func (c *car) to(t float64, plan func(t float64) (speed, curvature float64)) {
	const h = 1e-3
	for ; c.t < t-1e-9; c.t += h {
		v, k := plan(c.t)
		v2, _ := plan(c.t + h)
		c.acc, c.turn = (v2-v)/h, k
		c.yaw += (v + v2) / 2 * h * k
		sin, cos := math.Sincos(c.yaw - (v+v2)/4*h*k)
		c.pos = r3.Add(c.pos, r3.Vec{X: (v + v2) / 2 * h * cos, Y: (v + v2) / 2 * h * sin})
		c.v = v2
	}
}

// trial is one start.
type trial struct {
	plan      func(t float64) (speed, curvature float64)
	noise     float64 // m, of each position
	class     Class
	hz        float64 // of the receiver
	course    bool    // it reports speed and course
	wheel     bool
	direction float64 // rad, heading at the start
}

// align returns how far the car had moved when the filter was aligned (m), the
// error of its yaw then with its 1 sigma, and the error 5 s later.
func (a *trial) align(t *testing.T, seed uint64, until float64) (way, off, sigma, later float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 3))
	c := car{yaw: a.direction}
	var d Driver
	d.Init(settings, nil)
	d.SetPlace(geodesy.LLA{Lat: 0.8, H: 200})
	g := d.Filter.Params.Gravity
	bias := r3.Vec{X: 0.004 * rng.NormFloat64(), Y: 0.004 * rng.NormFloat64(), Z: 0.004 * rng.NormFloat64()}
	tilt := r3.Vec{X: 0.05 * rng.NormFloat64(), Y: 0.05 * rng.NormFloat64()} // m/s², accelerometer bias
	type fix struct {
		e gnss.Epoch
		z r3.Vec
		t float64
	}
	var waiting []fix
	const hz = 100.0
	aligned, end := false, until
	off, sigma = math.NaN(), math.NaN()
	nan := math.NaN()
	for k := 1; float64(k)/hz < end; k++ {
		now := float64(k) / hz
		before := c.yaw
		c.to(now, a.plan)
		way += math.Abs(c.v) / hz
		w := (c.yaw - before) * hz
		noise := func(x float64) float64 { return x * math.Sqrt(hz) * rng.NormFloat64() }
		d.PushIMU(Sample{T: now,
			W: r3.Add(bias, r3.Vec{X: noise(1e-4), Y: noise(1e-4), Z: w + noise(1e-4)}),
			F: r3.Add(tilt, r3.Vec{X: c.acc + noise(1e-3), Y: c.v*w + noise(1e-3), Z: g + noise(1e-3)})})
		if a.wheel && k%2 == 0 {
			d.Wheels.Push(WheelSample{T: now, V: c.v * (1.004 + 0.01*rng.NormFloat64())})
		}
		if d.MayLevel() {
			d.Level()
		}
		if every := int(hz / a.hz); k%every == 0 {
			x := fix{t: now, e: gnss.Epoch{HasPos: true, HasH: true, Quality: gnss.QualityFixed, Sats: 12, HDOP: 1, Age: 1, Speed: nan, Course: nan,
				SigmaE: nan, SigmaN: nan, SigmaU: nan, Heading: nan}}
			sin, cos := math.Sincos(c.yaw)
			l := settings.Lever
			x.z = r3.Add(c.pos, r3.Vec{X: cos*l[0] - sin*l[1] + a.noise*rng.NormFloat64(), Y: sin*l[0] + cos*l[1] + a.noise*rng.NormFloat64(), Z: l[2]})
			if a.course {
				x.e.Speed, x.e.Course = math.Abs(c.v), math.Pi/2-c.yaw
				if c.v < 0 {
					x.e.Course += math.Pi
				}
			}
			waiting = append(waiting, x)
		}
		if len(waiting) == 0 || now < waiting[0].t+0.08 {
			continue
		}
		x := waiting[0]
		waiting = waiting[1:]
		at := x.t + 0.08 - d.Latency()
		if a.course {
			d.Heard(now, x.e.Speed, true)
		} else {
			d.Seen(a.class, x.z, at, now)
		}
		if !aligned {
			if aligned = d.Align(&x.e, a.class, x.z, at, now); aligned {
				moved := way
				off = math.Remainder(d.Filter.Yaw()-yawAt(a, d.Filter.T), 2*math.Pi)
				sigma = math.Sqrt(d.Filter.YawVariance(&d.Filter.P))
				end = now + 5
				defer func() { way = moved }()
			}
			continue
		}
		if !d.AdvanceTo(at) {
			t.Fatalf("%.2f s: the filter cannot be brought to an epoch", now)
		}
		white, _ := d.Noise(&x.e, a.class)
		o := d.Position(x.z, true, white)
		d.Filter.Apply(&o)
		later = math.Remainder(d.Filter.Yaw()-yawAt(a, d.Filter.T), 2*math.Pi)
	}
	return way, off, sigma, later
}

func yawAt(a *trial, t float64) float64 {
	c := car{yaw: a.direction}
	c.to(t, a.plan)
	return c.yaw
}

// moves returns a plan that stands for 4 s, then speeds up at rate acc (m/s²) to
// speed, which is negative in reverse, with a curvature.
func moves(acc, speed, curvature float64) func(t float64) (float64, float64) {
	return func(t float64) (float64, float64) {
		return math.Copysign(math.Min(math.Abs(speed), math.Max(0, t-4)*acc), speed), curvature
	}
}

// reverses stands for 4 s, reverses out of a box in a bend for 6 s, stops, and drives
// off forward.
func reverses(t float64) (speed, curvature float64) {
	switch {
	case t < 4:
		return 0, 0
	case t < 10:
		return -1.2 * math.Sin(math.Pi*(t-4)/6), 0.15
	case t < 12:
		return 0, 0
	}
	return math.Min(6, 1.5*(t-12)), 0.05
}

// A car is aligned within a few metres of moving off whatever the receiver reports,
// the error of the heading within four of its sigmas, and the filter holds it.
func TestAlign_FromRest(t *testing.T) {
	for name, c := range map[string]struct {
		trial
		most float64 // m
	}{
		"walking pace, position alone": {trial{plan: moves(0.3, 1, 0.1), noise: 0.01, class: ClassFixed, hz: 5}, 3},
		"the same, course reported":    {trial{plan: moves(0.3, 1, 0.1), noise: 0.01, class: ClassFixed, hz: 5, course: true}, 3},
		"the same, wheels":             {trial{plan: moves(0.3, 1, 0.1), noise: 0.01, class: ClassFixed, hz: 5, wheel: true}, 3},
		"kart, position alone":         {trial{plan: moves(3, 12, 0.03), noise: 0.01, class: ClassFixed, hz: 10}, 4},
		"1 Hz, position alone":         {trial{plan: moves(3, 12, 0.03), noise: 0.01, class: ClassFixed, hz: 1}, 15},
		"reverse, position alone":      {trial{plan: reverses, noise: 0.01, class: ClassFixed, hz: 5}, 3},
		"reverse, course reported":     {trial{plan: reverses, noise: 0.01, class: ClassFixed, hz: 5, course: true}, 3},
		"reverse, wheels":              {trial{plan: reverses, noise: 0.01, class: ClassFixed, hz: 5, wheel: true}, 3},
		"float":                        {trial{plan: moves(2, 8, 0.05), noise: 0.08, class: ClassFloat, hz: 5}, 25},
	} {
		for seed := range uint64(6) {
			c.direction = float64(seed)
			way, off, sigma, later := c.align(t, seed, 60)
			if math.IsNaN(off) {
				t.Errorf("%s, seed %d: not aligned", name, seed)
				continue
			}
			if way > c.most || !(math.Abs(off) < 4*sigma) || !(math.Abs(later) < math.Max(4*sigma, 0.1)) {
				t.Errorf("%s, seed %d: aligned after %.2f m, yaw off by %.3f rad with 1 sigma %.3f, after 5 s by %.3f; want within %.0f m and 4 sigma",
					name, seed, way, off, sigma, later, c.most)
			}
		}
	}
}

// A recording that begins on the move, without speed and course.
func TestAlign_OnTheMove(t *testing.T) {
	c := trial{plan: func(float64) (float64, float64) { return 5, 0.05 }, noise: 0.01, class: ClassFixed, hz: 5, direction: 2}
	for seed := range uint64(6) {
		way, off, sigma, later := c.align(t, seed, 20)
		if !(way < 12) || !(math.Abs(off) < 4*sigma) || !(math.Abs(later) < 0.1) {
			t.Errorf("seed %d: aligned after %.1f m, yaw off by %.3f rad with 1 sigma %.3f, after 5 s by %.3f", seed, way, off, sigma, later)
		}
	}
}

// The same in reverse, with wheels that say so.
func TestAlign_ReversingOnTheMove(t *testing.T) {
	c := trial{plan: func(float64) (float64, float64) { return -1.5, 0.05 }, noise: 0.01, class: ClassFixed, hz: 5, direction: 2, wheel: true}
	if way, off, sigma, _ := c.align(t, 1, 20); !(way < 6) || !(math.Abs(off) < 4*sigma) {
		t.Errorf("aligned after %.1f m, yaw off by %.3f rad with 1 sigma %.3f", way, off, sigma)
	}
}

// A receiver that steps while the car moves off gives no heading by it: the
// lengths of the two displacements differ.
func TestAlign_Step(t *testing.T) {
	c := trial{plan: moves(0.3, 1, 0), noise: 0.01, class: ClassFixed, hz: 5}
	var d Driver
	d.Init(settings, nil)
	d.SetPlace(geodesy.LLA{Lat: 0.8, H: 200})
	g := d.Filter.Params.Gravity
	nan := math.NaN()
	e := gnss.Epoch{HasPos: true, HasH: true, Quality: gnss.QualityFixed, Sats: 12, HDOP: 1, Age: 1, Speed: nan, Course: nan, SigmaE: nan, SigmaN: nan, SigmaU: nan, Heading: nan}
	for k := 1; k < 1200; k++ {
		now := float64(k) / 100
		v, _ := c.plan(now)
		v2, _ := c.plan(now + 0.01)
		d.PushIMU(Sample{T: now, F: r3.Vec{X: (v2 - v) * 100, Z: g}})
		if d.MayLevel() {
			d.Level()
		}
		z := r3.Vec{X: 0.6 + 0.15*math.Max(0, now-4)*math.Max(0, now-4), Y: -0.2}
		if now > 4.5 {
			z.Y += 1.2
		}
		if k%20 == 0 {
			d.Seen(ClassFixed, z, now, now)
			if d.Align(&e, ClassFixed, z, now, now) {
				if off := d.Filter.Yaw(); math.Abs(off) > 0.25 {
					t.Errorf("%.2f s: aligned at %.2f rad on a step, want 0", now, off)
				}
				return
			}
		}
	}
	t.Error("never aligned")
}
