package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

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
			for i, e := range [2]float64{(share - tt.share) / math.Sqrt(c.XX), (lag - tt.lag) / math.Sqrt(c.ZZ)} {
				worst[i] += e * e / runs
			}
		}
		if !(worst[0] < 1 && worst[1] < 1) {
			t.Errorf("share %.1f, lag %.2f s: errors are %.2f and %.2f of what is claimed", tt.share, tt.lag, math.Sqrt(worst[0]), math.Sqrt(worst[1]))
		}
	}
}

// velocityNoise is that of the default settings at 10 Hz.
var velocityNoise = VelocityNoise{Sigma: 0.05, Corr: 0.01, CorrTime: 10}

// A filter that follows a drift does not bend the path by velocity: position
// and velocity of the filter wander by 0.1 m/s, the receiver's position too, its
// velocity does not.
func TestVelocityPath_FreeOfTheFilter(t *testing.T) {
	c := newCircling()
	o := &c.ref.Velocity
	o.fit.Normal = Normal{XX: 1e6, ZZ: 1e8} // of the body's origin, not late
	const drift = 0.1                       // m/s, east
	var path r3.Vec
	var a *velocityMark
	epoch := func(v r3.Vec, dt float64) *VelocityEpoch {
		return &VelocityEpoch{T: c.s.T + dt, UTC: c.s.T + dt, Filter: true, Precise: true, Fixed: true, Speed: math.Hypot(v.X, v.Y), Course: math.Atan2(v.X, v.Y), Vel: c.vel, VelocityNoise: velocityNoise}
	}
	for k := range 1201 { // 6 s in steps of 5 ms
		c.step()
		right := c.vel
		path = r3.Add(path, r3.Scale(circleStep, right))
		c.vel.X += drift
		o.Add(c.vel, circleStep)
		if k%20 != 0 {
			continue
		}
		o.Advance(epoch(right, 0))
		now := c.at(r3.Add(path, r3.Vec{X: drift * float64(k) * circleStep}))
		if k == 0 {
			o.record(now)
			a = o.oldest(c.s.T, 6)
		}
		if k == 1200 {
			y, cov := o.compare(a, now, false)
			if !(math.Abs(y[0]-0.6) < 0.02 && math.Abs(y[1]) < 0.02) {
				t.Errorf("wandered by %.3f, %.3f m, want 0.6, 0", y[0], y[1])
			}
			if s := math.Sqrt(cov[0][0]); !(s > 0.05 && s < 0.3) {
				t.Errorf("1 sigma %.3f m after 6 s", s)
			}
		}
	}
	// An epoch without a velocity, a velocity of another car, a gap end it.
	slow, lost, float := epoch(r3.Vec{X: 0.2}, 0.1), epoch(c.vel, 0.1), epoch(c.vel, 0.1)
	lost.Course, float.Precise = math.NaN(), false
	for name, e := range map[string]*VelocityEpoch{
		"standing": slow, "no course": lost, "code": float, "outlier": epoch(r3.Scale(2, c.vel), 0.1), "a gap of 3.5 s": epoch(c.vel, 3.5),
	} {
		d := *o
		d.Advance(e)
		if d.n != 0 || d.run == a.run {
			t.Errorf("%s: the path goes on", name)
		}
	}
}

// A velocity of the antenna that is late, where the fit knows it: the lever arm
// that turned and the speed that changed are taken off.
func TestVelocityPath_Compare(t *testing.T) {
	var o VelocityPath
	const share, lag = 1.0, 0.1
	o.fit.Normal = Normal{XX: 1e6, ZZ: 1e8, XY: share * 1e6, ZY: lag * 1e8}
	o.noise = VelocityNoise{Sigma: 0.05, CorrTime: 10}
	o.white, o.stood = 0.05*0.05*0.1*4, 4 // forty velocities in four seconds
	// From east to north at 10 m/s; the velocity's path is the antenna's, late.
	a := velocityMark{EpochFix: EpochFix{Arm: r3.Vec{X: 0.5}, Vel: r3.Vec{X: 10}}}
	body, arm, dv := r3.Vec{X: 20, Y: 20}, r3.Vec{X: -0.5, Y: 0.5}, r3.Vec{X: -10, Y: 10}
	o.t, o.here = 4, true
	o.p = r3.Sub(r3.Add(body, r3.Scale(share, arm)), r3.Scale(lag, dv))
	y, c := o.compare(&a, &EpochFix{Pos: body, Arm: r3.Vec{Y: 0.5}, Vel: r3.Vec{Y: 10}}, false)
	if !(math.Hypot(y[0], y[1]) < 1e-6) {
		t.Errorf("off by %.4f, %.4f m", y[0], y[1])
	}
	// Share and lag to 0.05 and 10 ms at least, noise and steady error.
	want := 0.05*0.05*0.25 + 0.01*0.01*100 + 0.05*0.05*0.1*4 + 0.01*0.01*16
	if !(math.Abs(c[0][0]/want-1) < 0.02 && math.Abs(c[1][1]/want-1) < 0.02 && c[0][1] < 0 && c[0][1] == c[1][0]) {
		t.Errorf("covariance %v, want %.5f on the diagonal and less than 0 beside it", c, want)
	}
}

// A receiver that is silent for seconds while the car swerves: the same velocity
// before and after, and a place metres aside. The filter beside it knows the swerve.
func TestVelocityPath_Swerve(t *testing.T) {
	const speed, dt, n = 9.0, 2.4, 480
	for _, accel := range []float64{2, 5, 8} { // m/s², sideways and back
		o := &VelocityPath{}
		o.init()
		o.fit.Normal = Normal{XX: 1e6, ZZ: 1e8} // of the body's origin, not late
		at := func(s float64, vel r3.Vec) *VelocityEpoch {
			return &VelocityEpoch{T: s, UTC: s, Filter: true, Precise: true, Fixed: true, Speed: math.Hypot(vel.X, vel.Y), Course: math.Atan2(vel.X, vel.Y), Vel: vel, VelocityNoise: velocityNoise}
		}
		north := r3.Vec{Y: speed}
		o.Advance(at(100, north))
		var fix EpochFix
		a := o.markAt(&fix)
		var moved r3.Vec
		for k := range n {
			s := (float64(k) + 0.5) * dt / n
			v := r3.Vec{X: accel * math.Min(s, dt-s), Y: speed}
			moved = r3.Add(moved, r3.Scale(dt/n, v))
			o.Add(v, dt/n)
		}
		o.Advance(at(100+dt, north))
		now := EpochFix{Pos: moved}
		y, c := o.compare(&a, &now, false)
		if off := math.Hypot(y[0], y[1]); off > 0.01 || math.Sqrt(c[0][0]) > 0.3 {
			t.Errorf("%g m/s²: the path is off by %.2f m at a sigma of %.2f m", accel, off, math.Sqrt(c[0][0]))
		}
	}
}

// What the drive shows of the errors of velocities: with none seen the variance
// taken is that which may be; where they are a third of it, in 1 sigma, a drive of a
// hundred seconds shows it to a factor, less than it is in one of ten at most;
// where they are larger than taken that counts too.
func TestVelocityWorth(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 20))
	if s := new(velocityWorth).scale(); !(math.Abs(s-1) < 0.01) {
		t.Errorf("%.3f before any was seen, want 1", s)
	}
	for _, sigma := range []float64{0.35, 1, 2} {
		const drives = 2000
		low, sum := 0, 0.0
		for range drives {
			var q velocityWorth
			for k := range 20 + len(q.wait) { // the last ones wait still
				e := sigma * rng.NormFloat64()
				q.add(10*float64(k), e*e)
			}
			s := q.scale()
			if s < sigma*sigma {
				low++
			}
			sum += s / (sigma * sigma)
		}
		// Three sigma of a count.
		most := 0.1 + 3*math.Sqrt(0.1*0.9/drives)
		if share := float64(low) / drives; share > most || sum/drives > 3 {
			t.Errorf("sigma %.2f: the share is too small in %.3f of drives, want %.3f at most, and %.1f times too large in the mean", sigma, share, most, sum/drives)
		}
		t.Logf("sigma %.2f: too small in %.1f %%, in the mean %.2f times what it is", sigma, 100*float64(low)/drives, sum/drives)
	}
}

// What was seen lately counts only once it has stayed without suspicion for half a minute:
// a drift that has not shown yet is not the velocity's error.
func TestVelocityWorth_Waits(t *testing.T) {
	var q velocityWorth
	for k := range 10 {
		q.add(10*float64(k), 0.1)
	}
	before := q.scale()
	q.add(100, 20)
	q.add(110, 20)
	q.add(120, 20)
	if s := q.scale(); s > before {
		t.Errorf("the share is %.2f with what was just seen, %.2f before", s, before)
	}
	q.waits = 0 // suspected
	q.add(140, 0.1)
	q.add(180, 0.1)
	if s := q.scale(); s > before {
		t.Errorf("the share is %.2f with what was suspected, %.2f before", s, before)
	}
	for k := range 4 {
		q.add(200+30*float64(k), 20)
	}
	if s := q.scale(); !(s > 3*before) {
		t.Errorf("the share is %.2f with what stood, %.2f before", s, before)
	}
}

// A long comparison is worth what long ones were, each length on its own.
func TestVelocityPath_Long(t *testing.T) {
	var o VelocityPath
	o.init()
	o.here, o.t, o.stood, o.noise = true, 20, 20, VelocityNoise{CorrTime: 10}
	a := velocityMark{run: o.run}
	_, wide := o.compare(&a, &EpochFix{}, false)
	for k := range 20 {
		o.long[0].add(15*float64(k), 0.1)
		o.long[1].add(15*float64(k), 4)
	}
	_, sharp := o.compare(&a, &EpochFix{}, false)
	o.t = 30
	_, blunt := o.compare(&a, &EpochFix{}, true)
	if !(sharp[0][0] < 0.3*wide[0][0] && blunt[0][0] > 2*wide[0][0]) {
		t.Errorf("variances %.4f before, %.4f over 20 s that were good, %.4f over 30 s that were bad", wide[0][0], sharp[0][0], blunt[0][0])
	}
}

// A velocity that comes once a second sums up, with the filter's between, to the
// path that was driven, whatever the filter follows meanwhile.
func TestVelocityPath_OnceASecond(t *testing.T) {
	var o VelocityPath
	o.init()
	o.fit.Normal = Normal{XX: 1e6, ZZ: 1e8} // of the body and not late
	at := func(s float64) (p, v r3.Vec) {   // a circle of 20 m at 10 m/s
		sin, cos := math.Sincos(s / 2)
		return r3.Vec{X: 20 * sin, Y: -20 * cos}, r3.Vec{X: 10 * cos, Y: 10 * sin}
	}
	drift := r3.Vec{X: 0.1} // m/s, of the filter
	start, _ := at(0)
	var a velocityMark
	for k := 0; k <= 200; k++ {
		s := float64(k) / 10
		_, v := at(s)
		if k > 0 {
			_, mid := at(s - 0.05)
			o.Add(r3.Add(mid, drift), 0.1)
		}
		e := VelocityEpoch{T: s, UTC: s, Filter: true, Precise: true, Fixed: true, Speed: math.NaN(), Course: math.NaN(), Vel: r3.Add(v, drift), VelocityNoise: velocityNoise}
		if k%10 == 0 {
			e.Speed, e.Course = math.Hypot(v.X, v.Y), math.Atan2(v.X, v.Y)
		}
		o.Advance(&e)
		if k == 0 {
			a = o.markAt(&EpochFix{Pos: start, Vel: v})
		}
	}
	p, v := at(20)
	y, c := o.compare(&a, &EpochFix{Pos: p, Vel: v}, false)
	if d := math.Hypot(y[0], y[1]); !(d < 0.02) {
		t.Errorf("%.3f m off after 20 s", d)
	}
	// Twenty velocities of 5 cm/s a second apart, and what stands: nothing for a
	// difference that never changed.
	want := 20*velocityNoise.Sigma*velocityNoise.Sigma + 0.01*0.01*400
	if !(c[0][0] < 1.5*want) {
		t.Errorf("1 sigma %.3f m, want %.3f at most", math.Sqrt(c[0][0]), math.Sqrt(1.5*want))
	}
}

// A car that moves off is followed from the first decimetre a second on.
func TestVelocityPath_MovesOff(t *testing.T) {
	var o VelocityPath
	o.init()
	var a velocityMark
	for k := 0; k <= 20; k++ {
		s := float64(k) / 4
		o.Advance(&VelocityEpoch{T: s, UTC: s, Precise: true, Fixed: true, Speed: 0.1 * s, Course: math.Pi / 2, VelocityNoise: velocityNoise})
		if k == 0 {
			a = o.markAt(&EpochFix{})
		}
	}
	y, c := o.compare(&a, &EpochFix{Pos: r3.Vec{X: 0.1 * 25 / 2}, Vel: r3.Vec{X: 0.5}}, false)
	if !(math.Abs(y[0]) < 2*math.Sqrt(c[0][0])) || !(math.Abs(y[0]) < 0.12) {
		t.Errorf("%.2f m off at 1 sigma %.2f m", y[0], math.Sqrt(c[0][0]))
	}
}

// The same with no filter between, where the samples are torn too: the level of
// three sigma holds the swerve of a car that was seen to corner so before, and a
// tenth of a second says as much as ever.
func TestVelocityPath_TornSwerve(t *testing.T) {
	const speed = 9.0
	for _, accel := range []float64{2, 5, 8} { // m/s², sideways and back
		for _, dt := range []float64{0.1, 0.5, 1, 2.4} {
			o := &VelocityPath{}
			o.init()
			o.fit.Normal = Normal{XX: 1e6, ZZ: 1e8} // of the body's origin, not late
			at := func(s float64) *VelocityEpoch {
				return &VelocityEpoch{T: s, UTC: s, Filter: s < 100.01, Precise: true, Fixed: true, Speed: speed, Acc: r3.Vec{X: accel}, Vel: r3.Vec{Y: speed}, VelocityNoise: velocityNoise}
			}
			o.Advance(at(100))
			a := o.markAt(&EpochFix{Vel: r3.Vec{Y: speed}})
			o.torn = true
			o.Advance(at(100 + dt))
			y, c := o.compare(&a, &EpochFix{Pos: r3.Vec{X: accel * dt * dt / 4, Y: speed * dt}, Vel: r3.Vec{Y: speed}}, false)
			if off, sigma := math.Hypot(y[0], y[1]), math.Sqrt(c[0][0]); off > 3*sigma || dt < 0.2 && sigma > 0.05 {
				t.Errorf("%g m/s² for %g s: off by %.2f m at a sigma of %.2f m", accel, dt, off, sigma)
			}
		}
	}
}
