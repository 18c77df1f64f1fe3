package navigation

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"kerbline/fusion/eskf"
	"kerbline/gnss/geodesy"
)

// circling returns a driver whose filter stands exactly on a car that drives a
// circle at 10 m/s since t = 0, with samples up to host time last.
func circling(set Settings, stands, last float64) *Driver {
	plan := func(float64) (speed, curvature float64) { return 10, 0.05 }
	c, d := car{v: 10}, new(Driver)
	d.Init(set, nil)
	d.SetPlace(geodesy.LLA{Lat: 0.8, H: 200})
	g := d.Filter.Params.Gravity
	for k := 1; float64(k)/100 <= last+1e-9; k++ {
		now := float64(k) / 100
		c.to(now, plan)
		if math.Abs(now-stands) < 1e-9 {
			sin, cos := math.Sincos(c.yaw)
			d.resetCalibration()
			d.Filter.InitMoving(now, c.pos, r3.Vec{X: c.v * cos, Y: c.v * sin}, 0, 0, c.yaw, eskf.Sigmas{PosH: 0.01, PosV: 0.02, Vel: 0.02, Tilt: 0.003, Yaw: 0.004,
				GyroBias: 3e-4, AccBias: 0.02, WheelScale: 0.001, Slip: 0.001, Latency: 0.001})
			d.Phase = Aligned
		}
		d.PushIMU(Sample{T: now, W: r3.Vec{Z: 0.5}, F: r3.Vec{Y: 5, Z: g}})
	}
	return d
}

// What is shown is the filter carried over the samples that wait, and from the last
// of them on by what it read: a circle of 20 m in closed form. The filter stays
// where it stands, and its covariance grows meanwhile.
func TestPredict(t *testing.T) {
	for _, now := range []float64{2, 2.1, 2.5, 2.55, 2.7} {
		d := circling(settings, 2, math.Min(now, 2.5))
		before := d.Filter.State
		d.Predict(now)
		yaw := 0.5 * now
		p := d.Pred.State
		if x, y := 20*math.Sin(yaw), 20*(1-math.Cos(yaw)); math.Hypot(p.Pos.X-x, p.Pos.Y-y) > 0.02 {
			t.Errorf("at %.2f s: %.3f, %.3f m, want %.3f, %.3f", now, p.Pos.X, p.Pos.Y, x, y)
		}
		if off := math.Remainder(p.Yaw()-yaw, 2*math.Pi); math.Abs(off) > 1e-3 || math.Abs(p.T-now) > 1e-9 {
			t.Errorf("at %.2f s: yaw %.4f off, time %.4f", now, off, p.T)
		}
		if r3.Norm(r3.Sub(d.Pred.W, r3.Vec{Z: 0.5})) > 1e-3 || r3.Norm(r3.Sub(d.Pred.F, r3.Vec{Y: 5, Z: d.Filter.Params.Gravity})) > 1e-2 {
			t.Errorf("at %.2f s: rate %v, force %v", now, d.Pred.W, d.Pred.F)
		}
		if d.Filter.State != before {
			t.Errorf("at %.2f s: the filter moved", now)
		}
		if grown := d.Pred.P[eskf.IPos][eskf.IPos] + d.Pred.P[eskf.IPos+1][eskf.IPos+1] - d.Filter.P[eskf.IPos][eskf.IPos] - d.Filter.P[eskf.IPos+1][eskf.IPos+1]; (grown > 1e-6) != (now > 2) {
			t.Errorf("at %.2f s: the variance grew by %g m²", now, grown)
		}
	}
	// From the last sample on for half a second at most: beyond, nothing is known.
	d := circling(settings, 2, 2.5)
	d.Predict(4)
	if p := d.Pred.State; math.Abs(math.Remainder(p.Yaw()-0.5*3, 2*math.Pi)) > 1e-3 {
		t.Errorf("yaw %.3f rad 1.5 s after the last sample, want that after 0.5 s", p.Yaw())
	}
}

// The body origin is known along its heading by what two tapes leave of the
// sensor's place, 1/(1/a² + 1/b²), and across by what the filter has; yaw by the
// filter and the side slip that no state holds. Variances of a direction are those
// of the turned covariance.
func TestOriginCov(t *testing.T) {
	set := settings
	set.LeverSigma, set.IMU.PositionSigma = 0.03, 0.04
	plain := circling(settings, 2, 2.5)
	d := circling(set, 2, 2.5)
	plain.Predict(2.5)
	d.Predict(2.5)
	s, p := &d.Pred.State, &d.Pred.P
	n, e := math.Sincos(s.Yaw())
	along := func(c [3][3]float64, e, n float64) float64 {
		return e*e*c[0][0] + n*n*c[1][1] + e*n*(c[0][1]+c[1][0])
	}
	tapes := 1 / (1/(0.03*0.03) + 1/(0.04*0.04))
	if v := along(d.OriginCov(s, p), e, n) - along(s.OriginCov(p), e, n); math.Abs(v-tapes) > 1e-12 {
		t.Errorf("along: %g m² more, want %g", v, tapes)
	}
	if v := along(d.OriginCov(s, p), -n, e) - along(s.OriginCov(p), -n, e); math.Abs(v) > 1e-12 {
		t.Errorf("across: %g m² more, want none", v)
	}
	if got, want := plain.OriginCov(&plain.Pred.State, &plain.Pred.P), plain.Pred.State.OriginCov(&plain.Pred.P); got != want {
		t.Errorf("places that are exact: %v, want nothing added: %v", got, want)
	}
	if v := d.YawVariance(s, p) - s.YawVariance(p); math.Abs(v-slipWander*slipWander) > 1e-12 {
		t.Errorf("yaw: %g rad² more", v)
	}
}

// Whether wheel or receiver allow rest: the wheel where it is fresh, then a
// receiver that was heard lately, by how precise it is; with neither, a rest that
// was found goes on and none begins; after moving off the receiver must have spoken
// of a time since.
func TestMayRest(t *testing.T) {
	for _, tt := range []struct {
		name           string
		wheel          float64 // m/s, NaN for none
		speed          float64 // m/s by the receiver, NaN unknown
		ago            float64 // s
		precise, rests bool
		want           bool
		movedOff       float64 // s ago, 0 for never
	}{
		{"wheel stands", 0.049, 9, 0, true, false, true, 0},
		{"wheel turns", 0.051, 0, 0, true, true, false, 0},
		{"wheel turns back", -0.051, 0, 0, true, true, false, 0},
		{"precise, stands", math.NaN(), 0.14, 0, true, false, true, 0},
		{"precise, moves", math.NaN(), 0.16, 0, true, true, false, 0},
		{"coarse, stands", math.NaN(), 0.45, 0, false, false, true, 0},
		{"coarse, moves", math.NaN(), 0.55, 0, false, true, false, 0},
		{"heard long ago, rests", math.NaN(), 9, 1.6, true, true, true, 0},
		{"heard long ago, moves", math.NaN(), 0, 1.6, true, false, false, 0},
		{"no speed, rests", math.NaN(), math.NaN(), 0, true, true, true, 0},
		{"no speed, moves", math.NaN(), math.NaN(), 0, true, false, false, 0},
		{"heard before it moved off", math.NaN(), 0.08, 0.4, true, false, false, 0.3},
		{"heard of the time before it moved off", math.NaN(), 0.08, 0.28, true, false, false, 0.3},
		{"heard since it moved off", math.NaN(), 0.08, 0.1, true, false, true, 0.3},
		{"wheel stands since it moved off", 0, 9, 0.4, true, false, true, 0.3},
	} {
		var d Driver
		d.Init(settings, nil)
		const now = 100.0
		if !math.IsNaN(tt.wheel) {
			for i := range 20 {
				d.Wheels.Push(WheelSample{T: now - 0.02*float64(20-i), V: tt.wheel})
			}
		}
		d.Heard(now-tt.ago, tt.speed, tt.precise)
		if d.IMU.RestSince = math.NaN(); tt.rests {
			d.IMU.RestSince = now - 3
		}
		if tt.movedOff > 0 {
			d.IMU.RestEnd = now - tt.movedOff
		}
		if got := d.mayRest(now); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

// The gates are chi-square quantiles (gonum, stat/distuv) of the probability that
// is stated.
func TestGates(t *testing.T) {
	for k := 1; k <= 3; k++ {
		if p := 1 - (distuv.ChiSquared{K: float64(k)}).CDF(Gates[k]); math.Abs(p/gatePFA-1) > 1e-3 {
			t.Errorf("%d degrees of freedom: probability %g, want %g", k, p, gatePFA)
		}
	}
}

// A velocity is offered from half a metre a second on and where it has a course; it
// counts a third without carrier phases. A smoothed one is worth less while the
// acceleration changes.
func TestVelocity(t *testing.T) {
	d := circling(settings, 2, 2.5)
	d.Advance(2.5)
	e := fixed()
	for _, tt := range []struct {
		speed, course float64
		ok            bool
	}{{velFrom, 1, false}, {velFrom + 1e-6, 1, true}, {10, math.NaN(), false}, {math.NaN(), 1, false}} {
		e.Speed, e.Course = tt.speed, tt.course
		if _, ok := d.Velocity(&e, ClassFixed); ok != tt.ok {
			t.Errorf("speed %v, course %v: %v", tt.speed, tt.course, ok)
		}
	}
	// The closed-form circle: at 2.5 s the car has turned by 1.25 rad, and the
	// antenna moves as the body and its arm do.
	yaw := 1.25
	sin, cos := math.Sincos(yaw)
	arm := settings.Lever
	ve := 10*cos - 0.5*(sin*arm[0]+cos*arm[1])
	vn := 10*sin + 0.5*(cos*arm[0]-sin*arm[1])
	e.Speed, e.Course = math.Hypot(ve, vn), math.Atan2(ve, vn)
	o, _ := d.Velocity(&e, ClassFixed)
	in := d.Filter.Innovation(&o)
	if math.Hypot(in.Y[0], in.Y[1]) > 0.02 {
		t.Errorf("innovation %v m/s of the true velocity", in.Y)
	}
	s := settings.GNSS.SpeedSigma
	c, _ := d.Velocity(&e, ClassCoarse)
	inC := d.Filter.Innovation(&c)
	if more := inC.S[0][0] - in.S[0][0]; math.Abs(more-(velCoarse*velCoarse-1)*s*s) > 1e-9 {
		t.Errorf("without phases %g (m/s)² more, want %g", more, (velCoarse*velCoarse-1)*s*s)
	}
}

// How fast the acceleration changes: the largest of what was seen, forgotten with
// the memory of a receiver that smooths, and nothing across a gap.
func TestShake(t *testing.T) {
	var d Driver
	d.Init(settings, nil)
	at := func(t, a float64) float64 {
		d.Filter.T = t
		return d.shake(r3.Vec{X: a})
	}
	at(10, 0)
	if j := at(10.1, 2); math.Abs(j-20) > 1e-6 {
		t.Errorf("%g m/s³, want 20", j)
	}
	if j := at(10.4, 2); math.Abs(j-20*math.Exp(-1)) > 1e-6 {
		t.Errorf("%g m/s³ after the memory, want 20/e", j)
	}
	if j := at(11.5, 50); j != 0 {
		t.Errorf("%g m/s³ across a gap", j)
	}
	if j := at(11.6, 50); j != 0 {
		t.Errorf("%g m/s³ after it", j)
	}
}

// The share of side slip that the settings allow is learned from innovations: a car
// on rails comes to the least, one that slides to the most, and one far out counts
// as three times what is usual.
func TestSlide(t *testing.T) {
	for _, tt := range []struct{ seen, want float64 }{{0, leastSlide}, {1, slideLasts}, {100, mostSlide}} {
		q := slide{1, 1}
		for range 3000 {
			in := eskf.Innovation{Y: [3]float64{math.Sqrt(tt.seen * 0.04), math.Sqrt(tt.seen * 0.09)}}
			q.learn(&in, 0.04, 0.09)
		}
		if s, u := clampSlide(q.side), clampSlide(q.up); math.Abs(s-tt.want) > 1e-3 || math.Abs(u-tt.want) > 1e-3 {
			t.Errorf("innovations of %g times the variance: shares %g and %g, want %g", tt.seen, s, u, tt.want)
		}
	}
	q := slide{1, 1}
	in := eskf.Innovation{Y: [3]float64{1e6, 1e6}}
	q.learn(&in, 1, 1)
	if want := 1 + 8/slideMemory; math.Abs(q.side-want) > 1e-9 || math.Abs(q.up-want) > 1e-9 {
		t.Errorf("shares %g and %g after one far out, want %g", q.side, q.up, want)
	}
}

// The heading of two antennas turns by the angle of their baseline.
func TestTakeHeading(t *testing.T) {
	set := settings
	set.GNSS.HeadingYaw = 90 // the second antenna to the right of the first
	d := circling(set, 2, 2.5)
	d.Advance(2.5)
	before := d.YawVariance(&d.Filter.State, &d.Filter.P)
	e := fixed()
	// Yaw 1.25 rad from east counter-clockwise is a course of π/2 - 1.25 from north
	// clockwise, and the baseline points 90° further.
	e.Heading = math.Pi - 1.25
	d.TakeHeading(&e)
	if after := d.YawVariance(&d.Filter.State, &d.Filter.P); !(after < 0.9*before) || math.Abs(math.Remainder(d.Filter.Yaw()-1.25, 2*math.Pi)) > 1e-3 {
		t.Errorf("yaw %.4f, variance %g of %g: the heading was not taken", d.Filter.Yaw(), after, before)
	}
	before = d.YawVariance(&d.Filter.State, &d.Filter.P)
	e.Heading = math.Pi - 1.25 + 0.3
	d.TakeHeading(&e)
	if after := d.YawVariance(&d.Filter.State, &d.Filter.P); after != before {
		t.Error("a heading 17° off was taken")
	}
}

// A receiver whose word of itself changes may have moved its position by as much.
func TestMoved(t *testing.T) {
	var d Driver
	d.Init(settings, nil)
	e := fixed()
	e.SigmaE, e.SigmaN = 0.02, 0.02
	d.Noise(&e, ClassFixed)
	was := 0.024 * 0.024
	e.SigmaE, e.SigmaN = 0.05, 0.02
	d.Noise(&e, ClassFixed)
	v := d.Moved()
	if want := 0.06*0.06 - was; math.Abs(v[0]-want) > 1e-9 || math.Abs(v[1]) > 1e-12 || math.Abs(v[2]) > 1e-12 {
		t.Errorf("moved %v m², want %g east", v, want)
	}
	if _, fresh := d.Noise(&e, ClassFloat); !fresh {
		t.Error("another class of solution is no new draw")
	}
	if _, fresh := d.Noise(&e, ClassFloat); fresh {
		t.Error("the same class is drawn anew")
	}
}

// A start by what the receiver reports: a dual-antenna heading at once, a course
// from the speed that the settings name; the speed itself from where it is one.
func TestByReport(t *testing.T) {
	g, nan := settings.GNSS, math.NaN()
	for _, tt := range []struct {
		name                   string
		levelled               bool
		speed, course, heading float64
		ok                     bool
		yaw, sigma             float64
		vel                    r3.Vec
	}{
		{"nothing", true, nan, nan, nan, false, 0, 0, r3.Vec{}},
		{"too slow for a course", true, g.MinCourse, 1, nan, false, 0, 0, r3.Vec{}},
		{"course", true, 5, math.Pi / 2, nan, true, 0, math.Hypot(math.Atan(g.SpeedSigma/5), slideYaw), r3.Vec{X: 5}},
		{"course north", false, 5, 0, nan, true, math.Pi / 2, math.Hypot(math.Atan(g.SpeedSigma/5), slideYaw), r3.Vec{Y: 5}},
		{"speed without a course", true, 5, nan, nan, false, 0, 0, r3.Vec{}},
		{"heading at rest", true, 0, nan, math.Pi / 2, true, 0, 2 * g.HeadingSigma * math.Pi / 180, r3.Vec{}},
		{"heading, not level, slow", false, g.MinCourse, nan, math.Pi / 2, false, 0, 0, r3.Vec{}},
		{"heading, not level, moving", false, 5, math.Pi / 2, math.Pi / 2, true, 0, 2 * g.HeadingSigma * math.Pi / 180, r3.Vec{X: 5}},
	} {
		var d Driver
		d.Init(settings, nil)
		if tt.levelled {
			d.Phase = Levelled
		}
		e := fixed()
		e.Speed, e.Course, e.Heading = tt.speed, tt.course, tt.heading
		s, ok := d.byReport(&e)
		if ok != tt.ok {
			t.Errorf("%s: %v", tt.name, ok)
			continue
		}
		if !ok {
			continue
		}
		if math.Abs(math.Remainder(s.yaw-tt.yaw, 2*math.Pi)) > 1e-9 || math.Abs(s.sigma-tt.sigma) > 1e-9 || r3.Norm(r3.Sub(s.vel, tt.vel)) > 1e-9 || math.Abs(s.velSigma-3*g.SpeedSigma) > 1e-12 {
			t.Errorf("%s: %+v, want yaw %g ± %g, velocity %v ± %g", tt.name, s, tt.yaw, tt.sigma, tt.vel, 3*g.SpeedSigma)
		}
	}
}
