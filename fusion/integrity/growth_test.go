package integrity_test

import (
	"math"
	"testing"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"

	"gonum.org/v1/gonum/spatial/r3"
)

// The coast budget rests on how dead reckoning grows. Here the filter's own
// propagation is held against closed forms (Groves; Titterton and Weston, from
// memory) with values computed at g = 9.80665 m/s².

const (
	g0  = 9.80665
	deg = math.Pi / 180
	mg  = g0 / 1000
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s is %.10g, want %.10g within %g of it", what, got, want, rel)
	}
}

// still is a filter that knows everything, at rest or moving east.
func still(vel r3.Vec, yaw float64) *eskf.Filter {
	f := &eskf.Filter{Params: eskf.Params{Gravity: g0, CovEvery: 1}}
	f.InitMoving(0, r3.Vec{}, vel, 0, 0, yaw, eskf.Sigmas{})
	return f
}

// run lets t seconds pass in steps of about dt.
func run(f *eskf.Filter, w, a r3.Vec, t, dt float64) *eskf.Filter {
	n := int(math.Ceil(t / dt))
	for range n {
		f.Predict(w, a, t/float64(n))
	}
	f.Flush()
	return f
}

func sigma(f *eskf.Filter, i int) float64 { return math.Sqrt(f.P[i][i]) }

// v = b·t, p = ½·b·t².
func TestGrowth_AccBias(t *testing.T) {
	for _, r := range []struct{ bias, t, want float64 }{
		{10, 1, 0.049033}, {10, 2, 0.196133}, {10, 5, 1.225831}, {10, 10, 4.903325}, {10, 30, 44.129925}, {10, 60, 176.519700},
		{1, 10, 0.490333}, {10, 2.473519, 0.3},
	} {
		tol := math.Max(1e-6, 5.1e-7/r.want) // printed to six decimals
		f := run(still(r3.Vec{}, 0), r3.Vec{}, r3.Vec{X: r.bias * mg, Z: g0}, r.t, 0.01)
		near(t, "position, m", f.Pos.X, r.want, tol)
		near(t, "velocity, m/s", f.Vel.X, r.bias*mg*r.t, 1e-9)
		f = still(r3.Vec{}, 0)
		f.SetVariance(eskf.IAcc, r.bias*mg*r.bias*mg)
		run(f, r3.Vec{}, r3.Vec{Z: g0}, r.t, 0.01)
		near(t, "sigma of position, m", sigma(f, eskf.IPos), r.want, tol)
		near(t, "sigma of velocity, m/s", sigma(f, eskf.IVel), r.bias*mg*r.t, 1e-9)
	}
}

// Tilt b·t, v = ½·g·b·t², p = g·b·t³/6.
func TestGrowth_GyroBias(t *testing.T) {
	for _, r := range []struct{ degPerHour, t, want float64 }{
		{10, 10, 0.07923997}, {10, 30, 2.139479}, {10, 60, 17.11583}, {36, 10, 0.2852639}, {100, 10, 0.7923997},
	} {
		b := r.degPerHour * deg / 3600
		f := run(still(r3.Vec{}, 0), r3.Vec{Y: b}, r3.Vec{Z: g0}, r.t, 0.005)
		small := b * r.t * b * r.t // the closed form takes the angle for its sine
		near(t, "position, m", f.Pos.X, r.want, 1e-6+small/20)
		near(t, "velocity, m/s", f.Vel.X, g0*b*r.t*r.t/2, 1e-6+small/12)
		f = still(r3.Vec{}, 0)
		f.SetVariance(eskf.IGyr+1, b*b)
		run(f, r3.Vec{}, r3.Vec{Z: g0}, r.t, 0.005)
		near(t, "sigma of tilt, rad", sigma(f, eskf.IAtt+1), b*r.t, 1e-6)
		near(t, "sigma of position, m", sigma(f, eskf.IPos), r.want, 1e-6)
	}
}

// p = ½·g·sin τ·t²; and the accelerometer bias that looks like the tilt.
func TestGrowth_Tilt(t *testing.T) {
	for _, r := range []struct{ tilt, t, want float64 }{{0.1, 10, 0.855791}, {1, 10, 8.557482}} {
		f := &eskf.Filter{Params: eskf.Params{Gravity: g0, CovEvery: 1}}
		f.InitMoving(0, r3.Vec{}, r3.Vec{}, 0, r.tilt*deg, 0, eskf.Sigmas{})
		run(f, r3.Vec{}, r3.Vec{Z: g0}, r.t, 0.01)
		near(t, "position, m", f.Pos.X, r.want, 1e-6)
	}
	_, pitch := eskf.Level(r3.Vec{X: 10 * mg, Z: g0})
	near(t, "tilt of 10 mg, deg", -pitch/deg, 0.572958, 4e-5) // tan against the small angle
	// 0.1 degree of yaw is not a tilt: at rest it moves nothing.
	if f := run(still(r3.Vec{}, 0.1*deg), r3.Vec{}, r3.Vec{Z: g0}, 10, 0.01); r3.Norm(f.Pos) > 1e-9 {
		t.Errorf("a level body at rest moved by %g m", r3.Norm(f.Pos))
	}
}

// Velocity random walk N: σ_v = N·√t, σ_p = N·√(t³/3).
func TestGrowth_VRW(t *testing.T) {
	for _, r := range []struct{ t, vel, pos float64 }{{10, 0.005270463, 0.030429031}, {60, 0.012909944, 0.447213595}} {
		f := still(r3.Vec{}, 0)
		f.AccNoise = 0.1 / 60 // 0.1 m/s/√h
		run(f, r3.Vec{}, r3.Vec{Z: g0}, r.t, 0.005)
		near(t, "sigma of velocity, m/s", sigma(f, eskf.IVel), r.vel, 1e-6)
		near(t, "sigma of position, m", sigma(f, eskf.IPos), r.pos, 1e-6)
	}
}

// Angle random walk N: σ_θ = N·√t, σ_v = g·N·√(t³/3), σ_p = g·N·√(t⁵/20).
func TestGrowth_ARW(t *testing.T) {
	const n = 0.3 * deg / 60 // 0.3 deg/√h
	f := still(r3.Vec{}, 0)
	f.GyroNoise = n
	run(f, r3.Vec{}, r3.Vec{Z: g0}, 10, 0.005)
	near(t, "sigma of tilt, rad", sigma(f, eskf.IAtt), 2.75961e-4, 2e-6)
	near(t, "sigma of velocity, m/s", sigma(f, eskf.IVel), 0.015624546, 1e-6)
	near(t, "sigma of position, m", sigma(f, eskf.IPos), 0.060513608, 1e-6)
	run(f, r3.Vec{}, r3.Vec{Z: g0}, 50, 0.005)
	near(t, "sigma of position after a minute, m", sigma(f, eskf.IPos), 5.336188661, 1e-6)
}

// reckon drives t seconds east by wheel and heading alone: the accelerometer
// is taken as too noisy to tell the heading.
func reckon(f *eskf.Filter, wheel float64, w r3.Vec, t, dt float64) *eskf.Filter {
	f.AccNoise = 0.1
	n := int(math.Ceil(t / dt))
	for range n {
		f.Predict(w, r3.Vec{Z: g0}, t/float64(n))
		o := f.Wheel(wheel, 1e-12, r3.Vec{})
		f.Apply(&o)
		o = f.Side(1e-12, 1e-12, 0, 0, r3.Vec{})
		f.Apply(&o)
	}
	return f
}

// Yaw gyro bias b at speed v: ½·v·b·t² while the angle is small.
func TestGrowth_YawBias(t *testing.T) {
	const v, b = 10, 0.1 * deg
	for _, r := range []struct{ t, want float64 }{{1, 0.008727}, {5, 0.218166}, {10, 0.872665}, {30, 7.853982}, {5.863230, 0.3}} {
		f := reckon(still(r3.Vec{X: v}, 0), v, r3.Vec{Z: b}, r.t, 0.002)
		small := b * r.t * b * r.t / 12 // what the closed form leaves out
		near(t, "position across, m", f.Pos.Y, r.want, math.Max(5e-7/r.want, 2e-6)+small)
	}
}

// Yaw error of angle random walk N at speed v: v·N·√(t³/3) across.
func TestGrowth_YawWalk(t *testing.T) {
	f := still(r3.Vec{X: 10}, 0)
	f.GyroNoise = 0.3 * deg / 60
	reckon(f, 10, r3.Vec{}, 10, 0.001)
	near(t, "sigma across, m", sigma(f, eskf.IPos+1), 0.015932603, 3e-4) // finite accelerometer noise
}

// A wrong heading ψ costs d·sin ψ, a wrong scale its share of the distance.
func TestGrowth_Distance(t *testing.T) {
	for _, r := range []struct{ heading, t, want float64 }{{1, 1, 0.174524}, {0.5, 10, 0.872654}} {
		f := reckon(still(r3.Vec{X: 10}, r.heading*deg), 10, r3.Vec{}, r.t, 0.01)
		f0 := run(still(r3.Vec{X: 10 * math.Cos(r.heading*deg), Y: 10 * math.Sin(r.heading*deg)}, r.heading*deg), r3.Vec{}, r3.Vec{Z: g0}, r.t, 0.01)
		near(t, "inertial alone, m", f0.Pos.Y, r.want, 1e-6)
		near(t, "with the wheel, m", f.Pos.Y, r.want, 0.005/r.t+1e-6) // half of the first step goes straight
	}
	f := reckon(still(r3.Vec{X: 10.1}, 0), 10.1, r3.Vec{}, 10, 0.01)
	near(t, "1 % of 100 m", f.Pos.X-100, 1, 1e-6)
}

// half drives half a turn at speed v and yaw rate w with the centripetal force
// of accel, the velocity at the angle slip to the left of forward, and returns
// the distance from where it began: twice the radius.
func half(v, w, accel, slip float64) float64 {
	sn, cs := math.Sincos(slip)
	s := eskf.State{Vel: r3.Vec{X: v * cs, Y: v * sn}}
	s.Att.Real = 1
	const n = 20000
	for range n {
		s.Integrate(r3.Vec{Z: w}, r3.Vec{X: -accel * sn, Y: accel * cs, Z: g0}, math.Pi/w/n, &eskf.Params{Gravity: g0})
	}
	return r3.Norm(s.Pos)
}

// Kinematic bicycle, wheel base 0.33 m, at 5 m/s: curvature tan δ/L, yaw rate
// v·κ, lateral acceleration v²·κ; the filter's motion draws the circle. Values
// computed.
func TestVehicle_Bicycle(t *testing.T) {
	const base, v = 0.33, 5
	for _, r := range []struct{ steer, curvature, radius, rate, accel float64 }{
		{5, 0.265117162, 3.771917260, 1.325585811, 6.627929},
		{10, 0.534324184, 1.871523000, 2.671620920, 13.358105},
		{20, 1.102940104, 0.906667548, 5.514700519, 27.573503},
	} {
		near(t, "curvature, 1/m", math.Tan(r.steer*deg)/base, r.curvature, 2e-9)
		near(t, "diameter, m", half(v, r.rate, r.accel, 0), 2*r.radius, 2e-7)
		near(t, "speed over yaw rate, m", v/r.rate, r.radius, 2e-9)
	}
	// About the centre of gravity, half way between the axles, at 20 degrees.
	const slip, rate = 0.180015088, 5.425588426
	near(t, "slip, rad", math.Atan(math.Tan(20*deg)/2), slip, 3e-9)
	near(t, "yaw rate, rad/s", v/base*math.Cos(slip)*math.Tan(20*deg), rate, 2e-9)
	near(t, "yaw rate by the other form, rad/s", v*math.Sin(slip)/(base/2), rate, 3e-9)
	near(t, "diameter, m", half(v, rate, v*rate, slip), 2*v/rate, 1e-7)
}

// ψ̇ = v/R, a_y = v²/R and the speed at which grip ends, v = √(µ·g·R). Values
// computed.
func TestVehicle_Cornering(t *testing.T) {
	near(t, "diameter at 10 m/s, m", half(10, 0.5, 5, 0), 40, 1e-7)
	for _, r := range []struct{ grip, radius, v float64 }{{1, 5, 7.002374597}, {0.8, 2, 3.961141250}, {0.6, 10, 7.670717046}} {
		near(t, "speed, m/s", math.Sqrt(r.grip*g0*r.radius), r.v, 1e-9)
		near(t, "diameter at the limit, m", half(r.v, r.v/r.radius, r.grip*g0, 0), 2*r.radius, 1e-7)
	}
}

// What happens in the latency of an epoch: v·dt along, ½·a·dt² across. The
// protection level takes the first, which is more. Values computed.
func TestVehicle_Latency(t *testing.T) {
	for _, r := range []struct{ v, dt, along, across float64 }{
		{5, 0.02, 0.1, 0.001}, {10, 0.05, 0.5, 0.00625}, {10, 0.1, 1, 0.025}, {15, 0.15, 2.25, 0.05625},
	} {
		f := run(still(r3.Vec{X: r.v}, 0), r3.Vec{}, r3.Vec{Y: 5, Z: g0}, r.dt, 0.001)
		_, _, moved := integrity.Protection(0, 0, 0, r.v, r.dt)
		near(t, "along, m", f.Pos.X, moved, 1e-9)
		near(t, "along, m", moved, r.along, 1e-12)
		near(t, "across, m", f.Pos.Y, r.across, 1e-9)
	}
	// 0.05 s on a circle of 20 m at 10 m/s.
	f := run(still(r3.Vec{X: 10}, 0), r3.Vec{Z: 0.5}, r3.Vec{Y: 5, Z: g0}, 0.05, 1e-5)
	near(t, "chord, m", r3.Norm(f.Pos), 0.499986979, 2e-9)
	near(t, "towards the centre, m", f.Pos.Y, 0.006249674, 1e-7)
}

// The same point driven over in both directions: the antenna at (0.2, 0.05) m
// stands (0.4, 0.1) m apart. Computed.
func TestVehicle_LeverArm(t *testing.T) {
	l := r3.Vec{X: 0.2, Y: 0.05}
	d := r3.Sub(still(r3.Vec{}, 0).ToWorld(l), still(r3.Vec{}, math.Pi).ToWorld(l))
	near(t, "east, m", d.X, 0.4, 1e-12)
	near(t, "north, m", d.Y, 0.1, 1e-12)
}
