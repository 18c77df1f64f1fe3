package fusion

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// Least squares gives back which point a velocity is of and how late it is, no
// worse than it claims (100 drives of 60 s through bends and brakes).
func TestVelocityFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	const noise, runs = 0.05, 100
	for _, tt := range []struct{ share, lag float64 }{{1, 0}, {0, 0}, {1, 0.14}, {0.4, 0.05}} {
		var worst [2]float64 // mean square of error over claim
		for range runs {
			var q velocityFit
			q.init()
			for k := range 600 {
				s := float64(k) / 10
				sin, cos := math.Sincos(s / 4)
				arm := r3.Vec{X: 0.4 * sin * math.Sin(s/7), Y: 0.4 * cos * math.Sin(s/7)}
				acc := r3.Vec{X: 4 * cos * math.Sin(s/3), Y: 4 * sin * math.Cos(s/5)}
				r := r3.Sub(r3.Scale(tt.share, arm), r3.Scale(tt.lag, acc))
				r.X += noise * rng.NormFloat64()
				r.Y += noise * rng.NormFloat64()
				q.add(r, arm, acc, noise)
			}
			share, lag, c := q.solve()
			for i, e := range [2]float64{(share - tt.share) / math.Sqrt(c.xx), (lag - tt.lag) / math.Sqrt(c.zz)} {
				worst[i] += e * e / runs
			}
		}
		if !(worst[0] < 1 && worst[1] < 1) {
			t.Errorf("share %.1f, lag %.2f s: errors are %.2f and %.2f of what is claimed", tt.share, tt.lag, math.Sqrt(worst[0]), math.Sqrt(worst[1]))
		}
	}
}

// A filter that follows a drift does not bend the path by velocity: position
// and velocity of the filter wander by 0.1 m/s, the receiver's position too, its
// velocity does not.
func TestDoppler_FreeOfTheFilter(t *testing.T) {
	m, move := circling()
	f := &m.nav.Filter
	f.Params.CorrTime = 10
	m.nav.Lever = r3.Vec{}
	m.rcv.class, m.rcv.precise, m.rcv.period = navigation.ClassFixed, true, 0.1
	white := [3]float64{1e-4, 1e-4, 1e-4}
	m.dop.fit.normal = normal{xx: 1e6, zz: 1e8} // of the body's origin, not late
	const drift = 0.1                           // m/s, east
	var path, start r3.Vec
	var a *dopplerMark
	for k := range 1201 { // 6 s in steps of 5 ms
		move()
		right := f.Vel
		path = r3.Add(path, r3.Scale(0.005, right))
		f.Vel.X += drift
		m.dop.add(m, 0.005)
		if k%20 != 0 {
			continue
		}
		e := &gnss.Epoch{Speed: math.Hypot(right.X, right.Y), Course: math.Atan2(right.X, right.Y)}
		m.dop.settle(m, e, f.T)
		z := r3.Add(path, r3.Vec{X: drift * float64(k) * 0.005})
		if k == 0 {
			now := m.sight(z, white)
			m.dop.note(&now)
			start = z
			a = m.dop.oldest(f.T, 6)
		}
		if k == 1200 {
			now := m.sight(z, white)
			y, c := m.dop.compare(m, a, &now)
			if !(math.Abs(y[0]-0.6) < 0.02 && math.Abs(y[1]) < 0.02) {
				t.Errorf("wandered by %.3f, %.3f m, want 0.6, 0 (from %v)", y[0], y[1], start)
			}
			if s := math.Sqrt(c[0][0]); !(s > 0.05 && s < 0.3) {
				t.Errorf("1 sigma %.3f m after 6 s", s)
			}
		}
	}
	// An epoch without a velocity, a velocity of another car, and a hole end it.
	for name, e := range map[string]gnss.Epoch{
		"standing":  {Speed: 0.2, Course: 1},
		"no course": {Speed: 9, Course: math.NaN()},
		"wild":      {Speed: 19, Course: 1},
	} {
		d := m.dop
		d.settle(m, &e, f.T+0.1)
		if d.n != 0 || d.run == a.run {
			t.Errorf("%s: the path goes on", name)
		}
	}
	d := m.dop
	d.settle(m, &gnss.Epoch{Speed: math.Hypot(f.Vel.X, f.Vel.Y), Course: math.Atan2(f.Vel.X, f.Vel.Y)}, f.T+0.8)
	if d.n != 0 || d.run == a.run {
		t.Error("a hole of 0.8 s: the path goes on")
	}
}

// A velocity of the antenna that is late, where the fit knows it: the lever arm
// that turned and the speed that changed are taken off.
func TestDoppler_Compare(t *testing.T) {
	m := NewMonitor(DefaultConfig(), nil)
	f := &m.nav.Filter
	f.Params.CorrTime = 10
	m.nav.Lever = r3.Vec{X: 0.5}
	m.rcv.period = 0.1
	o := &m.dop
	const share, lag = 1.0, 0.1
	o.fit.normal = normal{xx: 1e6, zz: 1e8, xy: share * 1e6, zy: lag * 1e8}
	// From east to north at 10 m/s; the velocity's path is the antenna's, late.
	a := dopplerMark{sighting: sighting{arm: r3.Vec{X: 0.5}, v: r3.Vec{X: 10}, lat: f.Latency}}
	f.Att = eskf.FromEuler(0, 0, math.Pi/2)
	f.Vel = r3.Vec{Y: 10}
	body := r3.Vec{X: 20, Y: 20}
	arm := r3.Vec{X: -0.5, Y: 0.5}
	dv := r3.Vec{X: -10, Y: 10}
	o.t = 4
	o.p = r3.Sub(r3.Add(body, r3.Scale(share, arm)), r3.Scale(lag, dv))
	now := m.sight(r3.Add(body, f.ToWorld(m.nav.Lever)), [3]float64{})
	y, c := o.compare(m, &a, &now)
	if !(math.Hypot(y[0], y[1]) < 1e-6) {
		t.Errorf("off by %.4f, %.4f m", y[0], y[1])
	}
	// Share and lag to 0.05 and 10 ms at least, noise and steady error.
	s := m.cfg.GNSS.SpeedSigma
	want := 0.05*0.05*0.25 + 0.01*0.01*100 + s*s*0.1*4 + 0.01*0.01*16
	if !(math.Abs(c[0][0]/want-1) < 0.02 && math.Abs(c[1][1]/want-1) < 0.02 && c[0][1] < 0 && c[0][1] == c[1][0]) {
		t.Errorf("covariance %v, want %.5f on the diagonal and less than 0 beside it", c, want)
	}
}

// A receiver that reports the velocity of the body's origin, smoothed over four
// epochs and so late by 0.15 s, is as good as another: it costs neither the
// verdict nor accuracy.
func TestSmoothedVelocity(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 4))
	for _, kind := range []string{"nominal", "no_wheel"} {
		sc := fixtures.Standard(kind, 12)
		sc.Still, sc.Duration = 25, 125
		d := drives(t, sc)
		for i := range d.in {
			in := &d.in[i]
			if in.Kind != KindEpoch || math.IsNaN(in.Epoch.Course) {
				continue
			}
			e := *in.Epoch
			var east, north float64
			for k := range 4 {
				v := d.truth.AtUTC(e.UTC - sc.Start - 0.1*float64(k)).Vel
				east += v.E/4 + 0.015*rng.NormFloat64()
				north += v.N/4 + 0.015*rng.NormFloat64()
			}
			e.Speed, e.Course = math.Hypot(east, north), math.Mod(math.Atan2(east, north)+2*math.Pi, 2*math.Pi)
			in.Epoch = &e
		}
		m := d.monitor(t, d.cfg)
		from := sc.Host(0) + sc.Still
		lines, usable, sum := 0, 0, 0.0
		for i := range d.in {
			snap, _ := m.Step(&d.in[i])
			if snap == nil || snap.T < from+25 {
				continue
			}
			lines++
			if snap.Verdict == Usable {
				usable++
				at, _ := d.where(&snap.Frame, snap.T)
				sum += (snap.ENU.E-at.E)*(snap.ENU.E-at.E) + (snap.ENU.N-at.N)*(snap.ENU.N-at.N)
			}
		}
		rms := math.Sqrt(sum / float64(usable))
		_, lag, _ := m.dop.fit.solve()
		t.Logf("%s: usable on %d of %d lines, rms %.4f m, lag found %.3f s", kind, usable, lines, rms, lag)
		if float64(usable) < 0.99*float64(lines) || !(rms < 0.03) {
			t.Errorf("%s: usable on %d of %d lines, rms %.3f m; want 99 %% and 0.03 m", kind, usable, lines, rms)
		}
		if !(math.Abs(lag-0.15) < 0.04) {
			t.Errorf("%s: lag found %.3f s, want about 0.15", kind, lag)
		}
	}
}
