package eskf

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

const g0 = 9.80665

// Circle of radius 20 m at 10 m/s, turning left: f = (0, 5, g), ω = (0, 0, 0.5).
// Closed form; the closing error of one lap is second order in the step, π·v·dt
// would be that of the attitude at the start of the step.
func TestCircle(t *testing.T) {
	p := &Params{Gravity: g0}
	at := func(s *State) (x, y float64) {
		return 20 * math.Sin(0.5*s.T), 20 * (1 - math.Cos(0.5*s.T))
	}
	for _, w := range []struct{ t, x, y float64 }{
		{0.1, 0.999583385, 0.024994792}, {1, 9.588510772, 2.448348762}, {math.Pi, 20, 20}, {2 * math.Pi, 0, 40},
	} {
		s := State{Vel: vec(10, 0, 0), Att: qn(1, 0, 0, 0)}
		n := int(math.Round(w.t * 10000))
		for range n {
			s.Integrate(vec(0, 0, 0.5), vec(0, 5, g0), w.t/float64(n), p)
		}
		if d := math.Hypot(s.Pos.X-w.x, s.Pos.Y-w.y); d > 2e-8+1e-9*float64(n) {
			t.Errorf("t = %g: off by %g m", w.t, d)
		}
		x, y := at(&s)
		if math.Abs(x-w.x)+math.Abs(y-w.y) > 1e-8 || math.Abs(wrapPi(s.Yaw()-0.5*w.t)) > 1e-12 || s.Pos.Z != 0 {
			t.Errorf("t = %g: closed form %g %g, yaw %g, up %g", w.t, x, y, s.Yaw(), s.Pos.Z)
		}
	}
	for _, w := range []struct{ hz, closing float64 }{{100, 1.308e-4}, {200, 3.273e-5}} {
		s := State{Vel: vec(10, 0, 0), Att: qn(1, 0, 0, 0)}
		n := int(math.Round(4 * math.Pi * w.hz))
		dt := 4 * math.Pi / float64(n)
		for range n {
			s.Integrate(vec(0, 0, 0.5), vec(0, 5, g0), dt, p)
		}
		if d := r3.Norm(s.Pos); math.Abs(d-w.closing) > 0.01*w.closing {
			t.Errorf("%g Hz: lap closes to %g m, want %g", w.hz, d, w.closing)
		}
	}
	// Straight: x = v·t + ½a·t².
	s := State{Vel: vec(10, 0, 0), Att: qn(1, 0, 0, 0)}
	for range 200 {
		s.Integrate(r3.Vec{}, vec(2, 0, g0), 0.01, p)
	}
	if d := vdiff(s.Pos, vec(24, 0, 0)); d > 1e-12 || math.Abs(s.Vel.X-14) > 1e-12 {
		t.Errorf("straight: off by %g m, speed %g", d, s.Vel.X)
	}
}

// Coning of half angle 1 degree at 10 Hz. The attitude has no net rotation;
// summing the angle increments of one sample each drifts by
// ½β²Ω(1 - sin ΩT/ΩT). Values simulated independently.
func TestConing(t *testing.T) {
	const beta, om = 1 * deg, 2 * math.Pi * 10
	q := func(t float64) quat.Number {
		s, c := math.Sincos(om * t)
		return qn(math.Cos(beta/2), math.Sin(beta/2)*c, math.Sin(beta/2)*s, 0)
	}
	// ∫ of the body rate [-Ω sin β sin Ωt, Ω sin β cos Ωt, -2Ω sin²(β/2)].
	angle := func(t float64) r3.Vec {
		s, c := math.Sincos(om * t)
		return vec(math.Sin(beta)*c, math.Sin(beta)*s, -2*om*math.Sin(beta/2)*math.Sin(beta/2)*t)
	}
	if got := -r3.Sub(angle(1), angle(0)).Z; math.Abs(got-0.009569595556) > 1e-12 {
		t.Errorf("mean z rate %.12f rad/s", got)
	}
	for _, w := range []struct{ step, drift float64 }{{0.005, 8.972687e-3}, {0.010, 3.536312e-2}, {0.020, 0.1333026}} {
		s := State{Att: q(0)}
		n := int(math.Round(10 / w.step))
		for k := range n {
			a, b := float64(k)*w.step, float64(k+1)*w.step
			s.Integrate(r3.Scale(1/w.step, r3.Sub(angle(b), angle(a))), r3.Vec{}, w.step, &Params{})
		}
		e := Log(quat.Mul(quat.Conj(q(10)), s.Att))
		if got := r3.Norm(e) / 10 / deg; math.Abs(got-w.drift) > 1e-3*w.drift {
			t.Errorf("T = %g s: drift %.7g deg/s, want %g", w.step, got, w.drift)
		}
	}
}

// Sculling: θ_x = 0.5° sin Ωt in phase with f_y = 2 sin Ωt gives a mean
// vertical acceleration of A·J₁(θ) = 0.008726563189 m/s².
func TestSculling(t *testing.T) {
	const th, amp, om, dt = 0.5 * deg, 2, 2 * math.Pi * 10, 2e-5
	s := State{Att: qn(1, 0, 0, 0)}
	const n = 500000 // 10 s, 100 periods
	for k := range n {
		a, b := om*dt*float64(k), om*dt*float64(k+1)
		w := th * (math.Sin(b) - math.Sin(a)) / dt
		f := amp * (math.Cos(a) - math.Cos(b)) / (om * dt)
		s.Integrate(vec(w, 0, 0), vec(0, f, 0), dt, &Params{})
	}
	if got := s.Vel.Z / (n * dt); math.Abs(got-0.008726563189) > 3e-9 { // (Ω·dt)²/6 of it
		t.Errorf("mean vertical acceleration %.12f m/s²", got)
	}
}

func TestLevel(t *testing.T) {
	for _, w := range []struct {
		roll, pitch float64
		f           r3.Vec
	}{
		{5, -3, vec(0.51324040529, 0.853534519934, 9.755944205056)},
		// Roll 30, pitch 20 in forward-right-down axes: y, z and the pitch
		// change sign.
		{30, -20, vec(3.354071838545, 4.607618319815, 7.980629031805)},
	} {
		roll, pitch := Level(w.f)
		if math.Abs(roll-w.roll*deg) > 1e-12 || math.Abs(pitch-w.pitch*deg) > 1e-12 {
			t.Errorf("Level(%v) = %g, %g degrees, want %g, %g", w.f, roll/deg, pitch/deg, w.roll, w.pitch)
		}
		// And what such a body would read.
		s := State{Att: FromEuler(roll, pitch, 1)}
		if d := vdiff(s.ToBody(vec(0, 0, g0)), w.f); d > 1e-10 {
			t.Errorf("a body at %g, %g reads %v off %v", w.roll, w.pitch, s.ToBody(vec(0, 0, g0)), w.f)
		}
	}
}

// At rest on the turning Earth the gyro reads the Earth rate and nothing moves.
func TestEarthRateAtRest(t *testing.T) {
	p := testParams()
	s := State{Att: FromEuler(0.02, -0.03, 1), Vel: r3.Vec{}}
	start := s
	w, a := s.ToBody(p.EarthRate), s.ToBody(vec(0, 0, p.Gravity))
	for range 200 * 600 {
		s.Integrate(w, a, 0.005, &p)
	}
	if d := r3.Norm(Log(quat.Mul(quat.Conj(start.Att), s.Att))); d > 1e-9 {
		t.Errorf("turned by %g rad in ten minutes", d)
	}
	// The attitude in mid-step lacks half a step of the Earth's turn, 0.2 µg.
	if d := r3.Norm(s.Pos); d > 0.5*p.Gravity*r3.Norm(p.EarthRate)*0.0025*600*600 {
		t.Errorf("moved by %g m in ten minutes", d)
	}
	// Without the Earth rate it would turn by 15 deg/h.
	s, p.EarthRate = start, r3.Vec{}
	for range 200 * 600 {
		s.Integrate(w, a, 0.005, &p)
	}
	want := r3.Norm(testParams().EarthRate) * 600
	if d := r3.Norm(Log(quat.Mul(quat.Conj(start.Att), s.Att))); math.Abs(d-want) > 1e-6 {
		t.Errorf("turned by %g rad, want %g", d, want)
	}
}

// A gyro that reads nothing, on an Earth that turns fast: the body keeps its
// attitude to the stars, so to the Earth it turns back, q(t) = Exp(-ω_e·t)⊗q(0).
func TestEarthTurnsUnderTheBody(t *testing.T) {
	for _, earth := range []r3.Vec{vec(0.3, 0, 0), vec(0, 0.3, 0), vec(0, 0, 0.3), vec(0.1, -0.2, 0.15)} {
		for _, q0 := range []r3.Vec{{}, vec(0.4, -0.9, 1.7)} {
			p := testParams()
			p.EarthRate = earth
			s := State{Att: Exp(q0), WheelScale: 1}
			const n, dt = 4000, 5e-4
			for range n {
				s.Integrate(r3.Vec{}, r3.Vec{}, dt, &p)
			}
			want := quat.Mul(Exp(r3.Scale(-n*dt, earth)), Exp(q0))
			if d := r3.Norm(Log(quat.Mul(quat.Conj(want), s.Att))); d > 1e-6 {
				t.Errorf("Earth rate %v, from %v: %g rad off after %g s", earth, q0, d, n*dt)
			}
		}
	}
}

// The body's attitude is the sensor's turned by the mounting, each of its angles
// for itself; for no mounting it is the sensor's to the bit.
func TestBody_Mounting(t *testing.T) {
	for _, m := range [][2]float64{{0, 0}, {0.1, 0}, {0, -0.2}, {0.1, -0.2}} {
		s := State{Att: Exp(vec(0.4, -0.9, 1.7)), MountPitch: m[0], MountYaw: m[1]}
		want := quat.Mul(s.Att, FromEuler(0, m[0], m[1]))
		if m == [2]float64{} && s.Body() != s.Att {
			t.Error("no mounting turns the body")
		}
		if d := r3.Norm(Log(quat.Mul(quat.Conj(want), s.Body()))); d > 1e-12 {
			t.Errorf("mounting %v: %g rad off", m, d)
		}
		f := Filter{State: s, Mid: [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}
		got, r := f.BodyMid(), Matrix(FromEuler(0, m[0], m[1]))
		for i := range 3 {
			for j := range 3 {
				if math.Abs(got[3*i+j]-r[i][j]) > 1e-12 {
					t.Fatalf("mounting %v: %v, want %v", m, got, r)
				}
			}
		}
	}
}
