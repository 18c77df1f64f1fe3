package fusion

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
)

// circling returns a monitor whose filter stands on a circle of 20 m at 10 m/s,
// with a wheel that reads 1 % too much and a slip of 0.004 rad/(m/s²), and a
// function that moves both on by 5 ms.
func circling() (m *Monitor, step func()) {
	const v, radius, dt, scale, slip = 10.0, 20.0, 0.005, 1.01, 0.004
	m = NewMonitor(DefaultConfig(), nil)
	f := &m.nav.Filter
	yaw := 0.0
	f.WheelScale, f.Slip, f.T = scale, slip, 100
	m.nav.Rate = r3.Vec{Z: v / radius}
	place := func() {
		// The body points into the bend by the slip angle: sideways over forward
		// velocity is -slip times the leftward acceleration.
		f.Att = eskf.FromEuler(0, 0, yaw+math.Atan(slip*v*v/radius))
		sin, cos := math.Sincos(yaw)
		f.Vel = r3.Vec{X: v * cos, Y: v * sin}
	}
	place()
	forward := func() float64 { return scale * f.ToBody(f.Vel).X }
	m.nav.Wheels.Push(navigation.WheelSample{T: f.T, V: forward()})
	m.nav.Wheels.Until(f.T)
	m.nav.Wheels.Period = 0.02
	k := 0
	return m, func() {
		// Half a step of turning: the path is that of the middle.
		yaw += v / radius * dt / 2
		place()
		f.T += dt
		if k++; k%4 == 0 {
			m.nav.Wheels.Push(navigation.WheelSample{T: f.T, V: forward()})
			m.nav.Wheels.Until(f.T)
		}
		m.odo.add(m, m.nav.Filter.Forward(), m.nav.Rate, middle(&m.nav.Filter), dt)
		yaw += v / radius * dt / 2
	}
}

// middle returns the filter's attitude by rows, where the test set it to that of
// the middle of a step.
func middle(f *eskf.Filter) *[9]float64 {
	r := f.R()
	return &[9]float64{r[0][0], r[0][1], r[0][2], r[1][0], r[1][1], r[1][2], r[2][0], r[2][1], r[2][2]}
}

// Once round a circle the odometer is back where it began; a quarter of it is
// where the circle says (x = r·sin a, y = r·(1 - cos a)).
func TestOdometer_Circle(t *testing.T) {
	m, step := circling()
	lap := 2 * math.Pi * 20 / 10 / 0.005 // steps
	for k := range int(math.Round(lap)) {
		if k == int(math.Round(lap/4)) {
			m.odo.settle(m.nav.Filter.T, m.nav.Filter.Yaw())
			if p := turned(m.odo.p, m.odo.lead); !(math.Hypot(p.X-20, p.Y-20) < 0.02) {
				t.Errorf("after a quarter at %.3f, %.3f m; want 20, 20", p.X, p.Y)
			}
		}
		step()
	}
	m.odo.settle(m.nav.Filter.T, m.nav.Filter.Yaw())
	if p := m.odo.p; !(r3.Norm(p) < 0.03) {
		t.Errorf("after a lap %.3f m off, want where it began", r3.Norm(p))
	}
	if w := m.odo.way; !(math.Abs(w-40*math.Pi) < 0.05) {
		t.Errorf("way %.3f m, want %.3f", w, 40*math.Pi)
	}
	// Leftward acceleration v²/r along the way.
	if s := m.odo.slide; !(math.Abs(s/(5*40*math.Pi)-1) < 0.003) {
		t.Errorf("slide %.1f m·m/s², want %.1f", s, 5*40*math.Pi)
	}
}

// A wheel that spins, locks or falls silent is not driven by.
func TestOdometer_LetsGo(t *testing.T) {
	for name, spoil := range map[string]func(m *Monitor){
		"spinning": func(m *Monitor) { m.nav.Wheels.Now.V *= 1.4 },
		"locked":   func(m *Monitor) { m.nav.Wheels.Now.V = 0 },
		"silent":   func(m *Monitor) { m.nav.Wheels.Now.T -= 1 },
		"refused":  func(m *Monitor) { m.nav.Wheels.Refused = 1 },
	} {
		m, step := circling()
		for range 400 {
			step()
			if !m.odo.ok {
				t.Fatal("the odometer stopped by itself")
			}
			m.odo.settle(m.nav.Filter.T, m.nav.Filter.Yaw())
			m.odo.note(&sighting{z: m.odo.p, v: m.nav.Filter.Vel}, &spread{})
		}
		spoil(m)
		m.odo.add(m, m.nav.Filter.Forward(), m.nav.Rate, middle(&m.nav.Filter), 0.005)
		if m.odo.ok || m.odo.n != 0 || m.odo.before(m.nav.Filter.T, 0.5) != nil {
			t.Errorf("%s: the odometer goes on", name)
		}
	}
}

func TestOdometer_Before(t *testing.T) {
	var o odometer
	o.ok = true
	if o.before(0, 1) != nil {
		t.Error("a mark from an empty ring")
	}
	for k := range historyLen + 200 { // wraps
		o.settle(float64(k)/10, 0)
		o.note(&sighting{}, &spread{})
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
func TestOdometer_Compare(t *testing.T) {
	at := func(now, then spread) (c [3]float64) {
		var o odometer
		o.reset()
		o.ok = true
		white := [3]float64{1e-4, 1e-4, 1e-4}
		const steps = 1000
		o.settle(0, 0)
		o.note(&sighting{z: r3.Vec{X: 7}, v: r3.Vec{X: 10}, lat: 0.08, white: white}, &then)
		for k := range steps {
			o.leg = r3.Vec{X: 100.0 / steps}
			o.settle(10*float64(k+1)/steps, 0)
		}
		o.way, o.slide = 100, 50
		y, cov := o.compare(&o.mark[o.index(0)], &sighting{z: r3.Vec{X: 107.3, Y: -0.2}, v: r3.Vec{X: 10}, lat: 0.08, white: white}, &now)
		if !(math.Abs(y[0]-0.3) < 1e-9 && math.Abs(y[1]+0.2) < 1e-9) {
			t.Errorf("difference %.3f, %.3f m; want 0.3, -0.2", y[0], y[1])
		}
		return [3]float64{cov[0][0] - 2e-4, cov[1][1] - 2e-4, cov[0][1]}
	}
	for _, tt := range []struct {
		name      string
		now, then spread
		x, y      float64 // variances, m²
	}{
		{"nothing", spread{tau: 10}, spread{}, 0, 0},
		{"scale", spread{scale: 0.002, tau: 10}, spread{}, 0.04, 0},
		{"scale, worse then", spread{tau: 10}, spread{scale: 0.002}, 0.04, 0},
		{"heading", spread{yaw: 0.003, tau: 10}, spread{yaw: 0.001}, 0, 0.09},
		{"slip", spread{slip: 0.001, tau: 10}, spread{}, 0.0025, 0.0025},
		{"wheel", spread{wheel: 0.01, tau: 10}, spread{}, 0.01, 0.01},
		{"receiver", spread{ch: 0.1, tau: 10}, spread{}, 2 * 0.01 * (1 - math.Exp(-1)), 2 * 0.01 * (1 - math.Exp(-1))},
		// A steady rate error bends the path by half its angle, a random walk by
		// a third of its variance.
		{"bias, as it was then", spread{bias: 1, tau: 10}, spread{bias: 1e-4}, 0, 0.0025},
		{"walk", spread{walk: 1e-3, tau: 10}, spread{}, 0, 1e-5 / 3 * 1e4},
		{"latency, same velocity", spread{lat: 0.01, tau: 10}, spread{}, 0, 0},
	} {
		c := at(tt.now, tt.then)
		near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9+0.003*b }
		if !(near(c[0], tt.x) && near(c[1], tt.y) && math.Abs(c[2]) < 1e-9) {
			t.Errorf("%s: variances %.5f, %.5f, covariance %.5f; want %.5f, %.5f, 0", tt.name, c[0], c[1], c[2], tt.x, tt.y)
		}
	}

	// Epochs placed by different latencies: what that moves is known and taken
	// out. A turn between them leaves the error of the latency itself.
	var o odometer
	o.reset()
	o.ok = true
	o.settle(0, 0)
	o.note(&sighting{v: r3.Vec{X: 10}, lat: 0.08}, &spread{})
	o.leg = r3.Vec{X: 10}
	o.settle(1, 0)
	y, c := o.compare(&o.mark[o.index(0)], &sighting{z: r3.Vec{X: 10.1}, v: r3.Vec{Y: 10}, lat: 0.09}, &spread{lat: 0.01, tau: 10})
	if !(math.Abs(y[0]) < 1e-9 && math.Abs(y[1]) < 1e-9) {
		t.Errorf("difference %.3f, %.3f m after the latency was learned, want 0", y[0], y[1])
	}
	if !(math.Abs(c[0][0]-0.01) < 1e-9 && math.Abs(c[1][1]-0.01) < 1e-9 && math.Abs(c[0][1]+0.01) < 1e-9 && c[1][0] == c[0][1]) {
		t.Errorf("covariance %v of a latency known to 10 ms over a turn from 10 m/s east to north", c)
	}
}

// Heading that the filter learns on the way does not bend the path it is
// compared by; what it knew at the start does turn all of it.
func TestOdometer_FreeOfCorrections(t *testing.T) {
	for _, learn := range []float64{0, 0.01} {
		var o odometer
		o.reset()
		o.ok = true
		const before = 0.3 // rad, the filter's yaw at the mark
		o.settle(0, before)
		o.note(&sighting{}, &spread{})
		for k := range 100 {
			// The filter turns by learn a second while the gyro feels nothing.
			yaw := before + learn*float64(k+1)/10
			sin, cos := math.Sincos(yaw)
			o.leg = r3.Vec{X: cos, Y: sin}
			o.settle(float64(k+1)/10, yaw)
		}
		y, _ := o.compare(&o.mark[o.index(0)], &sighting{z: r3.Vec{X: 100 * math.Cos(before), Y: 100 * math.Sin(before)}}, &spread{tau: 10})
		if !(math.Hypot(y[0], y[1]) < 1e-9) {
			t.Errorf("learning %.3f rad/s: %.3f, %.3f m off the straight", learn, y[0], y[1])
		}
	}
}

// What the gyro adds to the covariance of a comparison, against 4000 drives
// round half a circle that differ in its bias and its random walk; the frame is
// turned, so that the rotation counts.
func TestOdometer_Astray(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	const (
		bias, walk = 3e-4, 5e-4 // rad/s, rad/√s
		v, radius  = 10.0, 40.0
		dt, steps  = 0.1, 126 // half round
		lead       = 0.7
		runs       = 4000
	)
	drive := func(b, w float64) (o odometer, end r3.Vec) {
		o.reset()
		o.ok = true
		o.settle(0, lead)
		o.note(&sighting{}, &spread{bias: bias})
		yaw, wrong := 0.0, 0.0
		for k := range steps {
			yaw += v / radius * dt
			wrong += b*dt + w*math.Sqrt(dt)*rng.NormFloat64()
			sin, cos := math.Sincos(yaw + wrong + lead)
			leg := r3.Vec{X: v * dt * cos, Y: v * dt * sin}
			end = r3.Add(end, leg)
			o.leg = leg
			o.settle(float64(k+1)*dt, lead)
		}
		return o, end
	}
	o, right := drive(0, 0)
	e, n, en := o.astray(&o.mark[o.index(0)], bias, walk)
	var c [3]float64
	for range runs {
		_, end := drive(bias*rng.NormFloat64(), walk)
		d := r3.Sub(end, right)
		c[0] += d.X * d.X / runs
		c[1] += d.Y * d.Y / runs
		c[2] += d.X * d.Y / runs
	}
	scale := math.Sqrt(c[0] * c[1])
	// A variance out of 4000 is good to 2.2 %.
	if !(math.Abs(e/c[0]-1) < 0.09 && math.Abs(n/c[1]-1) < 0.09 && math.Abs(en-c[2]) < 0.09*scale) {
		t.Errorf("covariance %.5f, %.5f, %.5f m², drives scatter by %.5f, %.5f, %.5f", e, n, en, c[0], c[1], c[2])
	}
}

// A suspicion widens both levels by what was seen and twice its sigma, keeps
// its worst, and ends after the hold without another.
func TestDoubt(t *testing.T) {
	var d doubt
	if d.along(1, 0) != 0 {
		t.Error("a doubt before any suspicion")
	}
	// Before a suspicion what is seen counts, for its own epoch.
	d.hint = integrity.Vec3{0.1, 0.05}
	if e := d.along(1, 0); !(math.Abs(e-0.1) < 1e-12) {
		t.Errorf("a hint of 0.1 m adds %.3f m", e)
	}
	d.pass(10, 6)
	if d.along(1, 0) != 0 {
		t.Error("a hint outlives its epoch")
	}
	d.raise(&integrity.Vec3{0.3, -0.1}, &integrity.Sym3{{0.01}, {0, 0.0025}})
	d.raise(&integrity.Vec3{0.1, 0}, &integrity.Sym3{{0.0001}, {0, 0.0001}}) // smaller
	if e, n := d.along(1, 0), d.along(0, -1); !(math.Abs(e-0.5) < 1e-12 && math.Abs(n-0.2) < 1e-12) {
		t.Errorf("doubt %.3f east, %.3f north; want 0.5, 0.2", e, n)
	}
	// Time without epochs does not count.
	for _, at := range []float64{10.1, 13, 40, 40.9, 41.8, 42.7, 43.6, 44.5, 45.4} {
		d.pass(at, 6)
		if !(d.size > 0) {
			t.Fatalf("the doubt ended at %.1f s", at)
		}
	}
	d.pass(46.3, 6)
	d.pass(47.0, 6)
	if d.size != 0 || d.along(1, 0) != 0 {
		t.Errorf("the doubt goes on after %.1f s of calm", d.calm)
	}
}

// A receiver that drifted is back when the odometer, carried on from before the
// drift, has it where it stands now and did not have it there before the step.
func TestReturned(t *testing.T) {
	for _, tt := range []struct {
		name       string
		step       float64 // m, east, the last step
		off        float64 // m, east, where the receiver stands against the car after it
		count      int
		silent, no bool
		want       bool
	}{
		{name: "back", step: -1.5, off: 0.01, count: 2, want: true},
		{name: "no step since the alarm", step: -1.5, off: 0.01, count: 1},
		{name: "a step to somewhere else", step: -1.5, off: 1.5, count: 2},
		{name: "a step too small to tell", step: -0.1, off: 0.01, count: 2},
		{name: "the wheel was silent", step: -1.5, off: 0.01, count: 2, silent: true},
		{name: "nothing from before the drift", step: -1.5, off: 0.01, count: 2, no: true},
	} {
		m, move := circling()
		m.nav.Filter.Params.CorrTime, m.nav.Filter.Params.CorrSigmaH = 10, 0.01
		white := [3]float64{1e-4, 1e-4, 1e-4}
		for k := range 4000 { // 20 s, an epoch each 0.1 s
			move()
			if k%20 == 0 {
				m.odo.settle(m.nav.Filter.T, m.nav.Filter.Yaw())
			}
			if k == 0 {
				sp := m.odoSpread()
				m.odo.note(&sighting{v: m.nav.Filter.Vel, lat: m.nav.Filter.Latency, white: white}, &sp)
				if !tt.no {
					m.drift.remember(m, m.nav.Filter.T)
				}
			}
		}
		if tt.silent {
			m.odo.reset()
		}
		m.odo.settle(m.nav.Filter.T, m.nav.Filter.Yaw())
		body := turned(r3.Sub(m.odo.p, m.drift.clean.odo.p), m.drift.clean.odo.lead)
		body.X += tt.off
		m.trust.steps.Count, m.trust.step = tt.count, integrity.Vec3{tt.step}
		if got := m.returned(r3.Add(body, m.nav.Filter.ToWorld(m.nav.Lever)), white); got != tt.want {
			t.Errorf("%s: returned is %v", tt.name, got)
		}
	}
}

// The lever fit gives back an antenna that is elsewhere, with the error it
// claims (200 runs of 100 displacements over a bend).
func TestLeverFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	const dx, dy, noise = -0.4, 0.15, 0.01
	for name, solve := range map[string]func(*leverFit) (x, y, sx, sy float64){"solve": (*leverFit).solve, "steady": (*leverFit).steady} {
		var sum, square [2]float64
		var sx, sy float64
		const runs = 200
		for range runs {
			var l leverFit
			yaw := rng.Float64() * 6
			var before r3.Vec
			for k := range 100 {
				yaw += 0.05
				s := eskf.State{Att: eskf.FromEuler(0, 0, yaw)}
				arm := s.ToWorld(r3.Vec{X: dx, Y: dy})
				d := r3.Sub(arm, before)
				d.X += noise * rng.NormFloat64()
				d.Y += noise * rng.NormFloat64()
				if before = arm; k == 0 {
					d = r3.Vec{}
				}
				l.add(d, s.R(), noise)
			}
			var x, y float64
			x, y, sx, sy = solve(&l)
			for i, e := range [2]float64{x - dx, y - dy} {
				sum[i] += e
				square[i] += e * e
			}
		}
		for i, s := range [2]float64{sx, sy} {
			rms := math.Sqrt(square[i] / runs)
			if !(math.Abs(rms/s-1) < 0.2) || !(math.Abs(sum[i]/runs) < 4*s/math.Sqrt(runs)) {
				t.Errorf("%s, axis %d: error rms %.4f, mean %.4f m; the fit claims %.4f", name, i, rms, sum[i]/runs, s)
			}
		}
	}
	// A position that drifts at 0.15 m/s for half of the time is no lever arm.
	var d leverFit
	yaw := 0.0
	for k := range 300 {
		yaw += 0.05 * math.Sin(float64(k)/40)
		step := r3.Vec{X: noise * rng.NormFloat64(), Y: noise * rng.NormFloat64()}
		if k >= 150 {
			step.X += 0.015
		}
		d.add(step, (&eskf.State{Att: eskf.FromEuler(0, 0, yaw)}).R(), noise)
	}
	if x, y, sx, sy := d.steady(); !(math.Abs(x) < 4*sx && math.Abs(y) < 4*sy) {
		t.Errorf("a drift looks like a lever arm that is off by %.2f ± %.2f, %.2f ± %.2f m", x, sx, y, sy)
	}
	// Driving straight shows nothing.
	var l leverFit
	for range 100 {
		l.add(r3.Vec{}, (&eskf.State{Att: eskf.FromEuler(0, 0, 1)}).R(), noise)
	}
	var u unitTests
	u.reset()
	u.arm = l
	if u.armed(false) {
		t.Error("a straight has proven the lever arm")
	}
}
