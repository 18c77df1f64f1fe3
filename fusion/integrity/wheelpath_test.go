package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// circling carries references round a circle of 20 m at 10 m/s, with a wheel that
// reads 1 % too much and a slip of 0.004 rad/(m/s²).
type circling struct {
	ref  References
	s    WheelStep
	vel  r3.Vec  // m/s, ENU
	body float64 // rad, where the body points
	yaw  float64 // rad, direction of travel
	k    int
}

const (
	circleSpeed, circleRadius = 10.0, 20.0
	circleScale, circleSlip   = 1.01, 0.004
	circleStep                = 0.005
)

func newCircling() *circling {
	c := &circling{s: WheelStep{T: 100, Dt: circleStep, Rate: r3.Vec{Z: circleSpeed / circleRadius}, Slip: circleSlip, Scale: circleScale,
		WheelT: 100, Period: 0.02}}
	c.ref.Init()
	c.place()
	c.s.Wheel = circleScale * c.s.Speed
	return c
}

// place points the body into the bend by the slip angle: sideways over forward
// velocity is -slip times the leftward acceleration.
func (c *circling) place() {
	slip := math.Atan(circleSlip * circleSpeed * circleSpeed / circleRadius)
	c.body = c.yaw + slip
	sin, cos := math.Sincos(c.body)
	c.s.Rot = &[9]float64{cos, -sin, 0, sin, cos, 0, 0, 0, 1}
	sin, cos = math.Sincos(c.yaw)
	c.vel = r3.Vec{X: circleSpeed * cos, Y: circleSpeed * sin}
	c.s.Speed = circleSpeed * math.Cos(slip)
}

// step moves on by 5 ms.
func (c *circling) step() {
	// Half a step of turning: the path is that of the middle.
	c.yaw += circleSpeed / circleRadius * circleStep / 2
	c.place()
	c.s.T += circleStep
	if c.k++; c.k%4 == 0 {
		c.s.WheelT, c.s.Wheel = c.s.T, circleScale*c.s.Speed
	}
	c.s.Mid = c.s.Wheel
	c.ref.Wheel.Add(&c.s)
	c.yaw += circleSpeed / circleRadius * circleStep / 2
}

// advance carries the wheel path to where the circle stands.
func (c *circling) advance() { c.ref.Wheel.Advance(c.s.T, c.body) }

// at returns the epoch fix of a receiver that has the car at p.
func (c *circling) at(p r3.Vec) *EpochFix {
	return &EpochFix{Pos: p, Vel: c.vel, White: [3]float64{1e-4, 1e-4, 1e-4}}
}

// Once round a circle the path is back where it began; a quarter of it is
// where the circle says (x = r·sin a, y = r·(1 - cos a)).
func TestWheelPath_Circle(t *testing.T) {
	c := newCircling()
	o := &c.ref.Wheel
	lap := 2 * math.Pi * 20 / 10 / 0.005 // steps
	for k := range int(math.Round(lap)) {
		if k == int(math.Round(lap/4)) {
			c.advance()
			if p := turned(o.p, o.frame); !(math.Hypot(p.X-20, p.Y-20) < 0.02) {
				t.Errorf("after a quarter at %.3f, %.3f m; want 20, 20", p.X, p.Y)
			}
		}
		c.step()
	}
	c.advance()
	if p := o.p; !(r3.Norm(p) < 0.03) {
		t.Errorf("after a lap %.3f m off, want where it began", r3.Norm(p))
	}
	if w := o.travelled; !(math.Abs(w-40*math.Pi) < 0.05) {
		t.Errorf("travelled %.3f m, want %.3f", w, 40*math.Pi)
	}
	// The sideways acceleration along the path points to the middle: once round it
	// adds up to nothing.
	if s := o.slid[0]; !(r3.Norm(s) < 1) {
		t.Errorf("leftward acceleration adds up to %.1f m·m/s² on a lap, want 0", r3.Norm(s))
	}
}

// What slip and axle add to the covariance of a comparison, against the ends of
// paths that differ in them: half round a circle, at one speed, where one makes up
// for the other.
func TestWheelPath_SideError(t *testing.T) {
	end := func(slip, axle float64) (o *WheelPath, p r3.Vec) {
		c := newCircling()
		o = &c.ref.Wheel
		c.s.Slip += slip
		c.s.Axle += axle
		c.step()
		c.advance()
		o.record(c.at(o.p), &PathError{})
		from := o.p
		for range int(math.Round(math.Pi * circleRadius / circleSpeed / circleStep)) {
			c.step()
		}
		c.advance()
		return o, turned(r3.Sub(o.p, from), o.mark[o.index(0)].frame)
	}
	const slip, axle = 2e-4, 0.02
	o, right := end(0, 0)
	near := func(what string, a, b, size float64) {
		if !(math.Abs(a-b) < 0.03*size) {
			t.Errorf("%s is %.6f m², the ends of two paths say %.6f", what, a, b)
		}
	}
	for name, k := range map[string][2]float64{"slip": {slip, 0}, "axle": {0, axle}, "both": {slip, axle}} {
		_, p := end(k[0], k[1])
		d := r3.Sub(p, right)
		e, n, en := o.sideError(&o.mark[o.index(0)], &Side{Slip: k[0] * k[0], Axle: k[1] * k[1], SlipAxle: k[0] * k[1]})
		size := r3.Norm2(d) + 1e-6
		near(name+" east", e, d.X*d.X, size)
		near(name+" north", n, d.Y*d.Y, size)
		near(name+" mixed", en, d.X*d.Y, size)
	}
	// v² of slip is worth 1 m of axle.
	e, n, _ := o.sideError(&o.mark[o.index(0)], &Side{Slip: slip * slip, Axle: slip * slip * 1e4, SlipAxle: slip * slip * 1e2})
	if !(e+n < 1e-6) {
		t.Errorf("slip and an axle that makes up for it leave %.6f m²", e+n)
	}
}

// A wheel that spins, locks or falls silent is not driven by.
func TestWheelPath_LetsGo(t *testing.T) {
	for name, spoil := range map[string]func(s *WheelStep){
		"spinning": func(s *WheelStep) { s.Wheel *= 1.4 },
		"locked":   func(s *WheelStep) { s.Wheel = 0 },
		"silent":   func(s *WheelStep) { s.WheelT-- },
		"refused":  func(s *WheelStep) { s.Refused = 1 },
	} {
		c := newCircling()
		o := &c.ref.Wheel
		for range 400 {
			c.step()
			if !o.ok {
				t.Fatal("the path stopped by itself")
			}
			c.advance()
			o.record(c.at(o.p), &PathError{})
		}
		spoil(&c.s)
		o.Add(&c.s)
		if o.ok || o.n != 0 || o.before(c.s.T, 0.5) != nil {
			t.Errorf("%s: the path goes on", name)
		}
	}
}

func TestWheelPath_Before(t *testing.T) {
	var o WheelPath
	o.ok = true
	if o.before(0, 1) != nil {
		t.Error("a mark from an empty ring")
	}
	for k := range historyLen + 200 { // wraps
		o.Advance(float64(k)/10, 0)
		o.record(&EpochFix{}, &PathError{})
	}
	last := float64(historyLen+199) / 10
	for _, span := range []float64{0.1, 1, 5, 20, 51} {
		a := o.before(last, span)
		if a == nil || !(math.Abs(a.t-(last-span)) < 0.101) { // epochs are 0.1 s apart
			t.Errorf("mark %.1f s back: %+v", span, a)
		}
	}
	if o.before(last, 60) != nil {
		t.Error("a mark from before the ring")
	}
}

// The covariance of a comparison, term by term, on a straight of 100 m: scale
// along it, heading across it, slip, white noise of the wheel and of both
// epochs and the receiver's slow error on both axes.
func TestWheelPath_Compare(t *testing.T) {
	at := func(now, then PathError) (c [3]float64) {
		var o WheelPath
		o.Reset()
		o.ok = true
		white := [3]float64{1e-4, 1e-4, 1e-4}
		const steps = 1000
		o.Advance(0, 0)
		o.record(&EpochFix{Pos: r3.Vec{X: 7}, Vel: r3.Vec{X: 10}, Latency: 0.08, White: white}, &then)
		for k := range steps {
			o.step = r3.Vec{X: 100.0 / steps}
			o.Advance(10*float64(k+1)/steps, 0)
		}
		o.travelled, o.slid[0] = 100, r3.Vec{X: 30, Y: 40}
		y, cov := o.compare(&o.mark[o.index(0)], &EpochFix{Pos: r3.Vec{X: 107.3, Y: -0.2}, Vel: r3.Vec{X: 10}, Latency: 0.08, White: white}, &now)
		if !(math.Abs(y[0]-0.3) < 1e-9 && math.Abs(y[1]+0.2) < 1e-9) {
			t.Errorf("difference %.3f, %.3f m; want 0.3, -0.2", y[0], y[1])
		}
		return [3]float64{cov[0][0] - 2e-4, cov[1][1] - 2e-4, cov[0][1]}
	}
	for _, tt := range []struct {
		name      string
		now, then PathError
		x, y      float64 // variances, m²
	}{
		{"nothing", PathError{CorrTime: 10}, PathError{}, 0, 0},
		{"scale", PathError{Scale: 0.002, CorrTime: 10}, PathError{}, 0.04, 0},
		{"scale, worse then", PathError{CorrTime: 10}, PathError{Scale: 0.002}, 0.04, 0},
		{"heading", PathError{Yaw: 0.003, CorrTime: 10}, PathError{Yaw: 0.001}, 0, 0.09},
		{"slip", PathError{Side: Side{Slip: 1e-6}, CorrTime: 10}, PathError{}, 9e-4, 16e-4},
		{"wheel", PathError{Wheel: 0.01, CorrTime: 10}, PathError{}, 0.01, 0.01},
		{"receiver", PathError{Corr: 0.1, CorrTime: 10}, PathError{}, 2 * 0.01 * (1 - math.Exp(-1)), 2 * 0.01 * (1 - math.Exp(-1))},
		// A steady rate error bends the path by half its angle, a random walk by
		// a third of its variance.
		{"bias, as it was then", PathError{GyroBias: 1, CorrTime: 10}, PathError{GyroBias: 1e-4}, 0, 0.0025},
		{"walk", PathError{GyroWalk: 1e-3, CorrTime: 10}, PathError{}, 0, 1e-5 / 3 * 1e4},
		{"latency, same velocity", PathError{Latency: 0.01, CorrTime: 10}, PathError{}, 0, 0},
	} {
		c := at(tt.now, tt.then)
		near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9+0.003*b }
		if !(near(c[0], tt.x) && near(c[1], tt.y) && (tt.name == "slip" || math.Abs(c[2]) < 1e-9)) {
			t.Errorf("%s: variances %.5f, %.5f, covariance %.5f; want %.5f, %.5f, 0", tt.name, c[0], c[1], c[2], tt.x, tt.y)
		}
	}

	// Epochs placed by different latencies: what that moves is known and taken
	// out. A turn between them leaves the error of the latency itself.
	var o WheelPath
	o.Reset()
	o.ok = true
	o.Advance(0, 0)
	o.record(&EpochFix{Vel: r3.Vec{X: 10}, Latency: 0.08}, &PathError{})
	o.step = r3.Vec{X: 10}
	o.Advance(1, 0)
	y, c := o.compare(&o.mark[o.index(0)], &EpochFix{Pos: r3.Vec{X: 10.1}, Vel: r3.Vec{Y: 10}, Latency: 0.09}, &PathError{Latency: 0.01, CorrTime: 10})
	if !(math.Abs(y[0]) < 1e-9 && math.Abs(y[1]) < 1e-9) {
		t.Errorf("difference %.3f, %.3f m after the latency was learned, want 0", y[0], y[1])
	}
	if !(math.Abs(c[0][0]-0.01) < 1e-9 && math.Abs(c[1][1]-0.01) < 1e-9 && math.Abs(c[0][1]+0.01) < 1e-9 && c[1][0] == c[0][1]) {
		t.Errorf("covariance %v of a latency known to 10 ms over a turn from 10 m/s east to north", c)
	}
}

// Heading that the filter learns on the way does not bend the path it is
// compared by; what it knew at the start does turn all of it.
func TestWheelPath_FreeOfCorrections(t *testing.T) {
	for _, learn := range []float64{0, 0.01} {
		var o WheelPath
		o.Reset()
		o.ok = true
		const before = 0.3 // rad, the filter's yaw at the mark
		o.Advance(0, before)
		o.record(&EpochFix{}, &PathError{})
		for k := range 100 {
			// The filter turns by learn a second while the gyro feels nothing.
			yaw := before + learn*float64(k+1)/10
			sin, cos := math.Sincos(yaw)
			o.step = r3.Vec{X: cos, Y: sin}
			o.Advance(float64(k+1)/10, yaw)
		}
		y, _ := o.compare(&o.mark[o.index(0)], &EpochFix{Pos: r3.Vec{X: 100 * math.Cos(before), Y: 100 * math.Sin(before)}}, &PathError{CorrTime: 10})
		if !(math.Hypot(y[0], y[1]) < 1e-9) {
			t.Errorf("learning %.3f rad/s: %.3f, %.3f m off the straight", learn, y[0], y[1])
		}
	}
}

// What the gyro adds to the covariance of a comparison, against 4000 drives
// round half a circle that differ in its bias, its scale and its random walk; the frame is
// turned, so that the rotation counts.
func TestWheelPath_GyroError(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	const (
		bias, walk = 3e-4, 5e-4 // rad/s, rad/√s
		scale      = 2e-3
		v, radius  = 10.0, 40.0
		dt, steps  = 0.1, 126 // half round
		lead       = 0.7
		runs       = 4000
	)
	drive := func(b, g, w float64) (o WheelPath, end r3.Vec) {
		o.Reset()
		o.ok = true
		o.Advance(0, lead)
		o.record(&EpochFix{}, &PathError{GyroBias: bias})
		yaw, wrong := 0.0, 0.0
		for k := range steps {
			yaw += v / radius * dt
			wrong += b*dt + g*v/radius*dt + w*math.Sqrt(dt)*rng.NormFloat64()
			sin, cos := math.Sincos(yaw + wrong + lead)
			leg := r3.Vec{X: v * dt * cos, Y: v * dt * sin}
			end = r3.Add(end, leg)
			o.step = leg
			o.turn = yaw
			o.Advance(float64(k+1)*dt, lead+yaw)
		}
		return o, end
	}
	o, right := drive(0, 0, 0)
	e, n, en := o.gyroError(&o.mark[o.index(0)], bias, scale, walk)
	var c [3]float64
	for range runs {
		_, end := drive(bias*rng.NormFloat64(), scale*rng.NormFloat64(), walk)
		d := r3.Sub(end, right)
		c[0] += d.X * d.X / runs
		c[1] += d.Y * d.Y / runs
		c[2] += d.X * d.Y / runs
	}
	size := math.Sqrt(c[0] * c[1])
	// A variance out of 4000 is good to 2.2 %.
	if !(math.Abs(e/c[0]-1) < 0.09 && math.Abs(n/c[1]-1) < 0.09 && math.Abs(en-c[2]) < 0.09*size) {
		t.Errorf("covariance %.5f, %.5f, %.5f m², drives scatter by %.5f, %.5f, %.5f", e, n, en, c[0], c[1], c[2])
	}
}

// TestYawRate turns a body on slopes and banked roads and compares with the heading
// of its rotation a moment later, by a library's rotations.
func TestYawRate(t *testing.T) {
	const dt = 1e-6
	r := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		roll, pitch, yaw := r.Float64()-0.5, r.Float64()-0.5, 6*r.Float64()-3
		w := r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
		turn := r3.NewRotation(r3.Norm(w)*dt, w)
		world := func(v r3.Vec) r3.Vec {
			v = r3.NewRotation(roll, r3.Vec{X: 1}).Rotate(v)
			v = r3.NewRotation(pitch, r3.Vec{Y: 1}).Rotate(v)
			return r3.NewRotation(yaw, r3.Vec{Z: 1}).Rotate(v)
		}
		x, y, z := world(r3.Vec{X: 1}), world(r3.Vec{Y: 1}), world(r3.Vec{Z: 1})
		rot := [9]float64{x.X, y.X, z.X, x.Y, y.Y, z.Y, x.Z, y.Z, z.Z}
		after := world(turn.Rotate(r3.Vec{X: 1}))
		want := math.Remainder(math.Atan2(after.Y, after.X)-math.Atan2(x.Y, x.X), 2*math.Pi) / dt
		if got := yawRate(&rot, w); math.Abs(got-want) > 1e-4 {
			t.Fatalf("body rate %v: heading turns at %.6f rad/s, want %.6f", w, got, want)
		}
	}
}
