package crosscheck

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"kerbline/fusion/symptoms"

	"gonum.org/v1/gonum/num/quat"
)

// drive is a car on a winding road: heading and speed in closed form.
type drive struct {
	seconds, hz float64 // of fixes
	phase       float64 // s, of the first fix
	lag         float64 // s, of the samples
	wheelLag    float64
	turn        func(x [3]float64) [3]float64 // of the sensor's axes
	force, rate float64                       // units
	noise       float64                       // m, of positions
	banked      float64                       // rad per m/s²: the road leans into its bends
	slower      float64                       // share of the speed
}

func (d drive) history() *History {
	h := &History{}
	h.Reset()
	rng := rand.New(rand.NewPCG(3, 4))
	speed := func(t float64) float64 { return (1 - d.slower) * (9 + 3*math.Sin(0.4*t)) }
	rate := func(t float64) float64 {
		return 0.35*math.Sin(0.5*t) + 0.25*math.Sin(1.3*t+1) + 0.2*math.Sin(0.83*t+2) + 0.1
	}
	psi := func(t float64) float64 {
		return -0.7*math.Cos(0.5*t) - 0.25/1.3*math.Cos(1.3*t+1) - 0.2/0.83*math.Cos(0.83*t+2) + 0.1*t
	}
	const dt = 0.005
	roll := func(t float64) float64 { return -0.45 * math.Tanh(d.banked*speed(t)*rate(t)/0.45) } // 26 deg at most
	e, n := 0.0, 0.0
	next := d.phase
	for k := 0; float64(k)*dt < d.seconds; k++ {
		t := float64(k) * dt
		v := speed(t)
		s, c := math.Sincos(psi(t))
		e, n = e+v*c*dt, n+v*s*dt
		w := d.turn([3]float64{(roll(t+dt) - roll(t)) / dt, 0, rate(t)})
		f := d.turn([3]float64{(1 - d.slower) * 3 * 0.4 * math.Cos(0.4*t), v*rate(t) + gravity*math.Sin(roll(t)), gravity * math.Cos(roll(t))})
		for i := range 3 {
			w[i] = d.rate * (w[i] + 0.01*rng.NormFloat64())
			f[i] = d.force * (f[i] + 0.3*rng.NormFloat64())
		}
		h.IMU(t+d.lag, w, f)
		if k%4 == 0 {
			h.Wheel(t+d.wheelLag, v)
		}
		if t >= next {
			next += 1 / d.hz
			h.Fix(t+dt, e+d.noise*rng.NormFloat64(), n+d.noise*rng.NormFloat64())
		}
	}
	return h
}

func same(x [3]float64) [3]float64 { return x }

// The lag is found to a hundredth of a second or two at every rate and phase of the
// receiver.
func TestLag(t *testing.T) {
	for _, hz := range []float64{1, 4, 5, 10, 20} {
		for _, phase := range []float64{0.003, 0.05, 0.11, 0.19} {
			for _, lag := range []float64{-0.4, -0.05, 0, 0.08, 0.3} {
				h := drive{seconds: 120, hz: hz, phase: phase, lag: lag, turn: same, force: 1, rate: 1, noise: 0.01}.history()
				h.Explain(&Told{Mount: quat.Number{Real: 1}}, false, 10)
				tol := 0.02
				if hz < 4 {
					tol = 0.04
				}
				if got := h.x.lag; !(math.Abs(got-lag) < tol) {
					t.Errorf("%g Hz, phase %g: lag %.3f s, want %.3f", hz, phase, got, lag)
				}
			}
		}
	}
}

// Each fault is named with the setting that mends it.
func TestExplain(t *testing.T) {
	const deg = math.Pi / 180
	yawed := func(a float64) func([3]float64) [3]float64 {
		s, c := math.Sincos(a)
		return func(x [3]float64) [3]float64 { return [3]float64{c*x[0] + s*x[1], -s*x[0] + c*x[1], x[2]} }
	}
	for _, tt := range []struct {
		name string
		d    drive
		id   symptoms.ID
		set  string
	}{
		{"nothing", drive{}, symptoms.None, ""},
		{"g", drive{force: 1 / gravity}, symptoms.IMUUnits, `columns.imu = "t,wx,wy,wz,fx[g],fy,fz"`},
		{"mg and deg/s", drive{force: 1e3 / gravity, rate: 1 / deg}, symptoms.IMUUnits, `columns.imu = "t,wx[deg/s],wy,wz,fx[mg],fy,fz"`},
		{"gyros of 0.7", drive{rate: 0.7}, symptoms.IMUUnits, ""},
		{"gyros of 1.4", drive{rate: 1.4}, symptoms.IMUUnits, ""},
		{"a course that noise makes wander", drive{noise: 0.1}, symptoms.None, ""},
		{"the same, more", drive{noise: 0.19}, symptoms.None, ""},
		{"7 deg, which the filter copes with", drive{turn: yawed(7 * deg)}, symptoms.None, ""},
		{"20 deg", drive{turn: yawed(20 * deg)}, symptoms.IMUMounting, "imu.mount_yaw_deg = 20.0, imu.mount_pitch_deg = 0.0, imu.mount_roll_deg = 0.0"},
		{"backwards", drive{turn: yawed(math.Pi)}, symptoms.IMUMounting, "imu.mount_yaw_deg = 180.0"},
		{"upside down", drive{turn: func(x [3]float64) [3]float64 { return [3]float64{x[0], -x[1], -x[2]} }}, symptoms.IMUMounting, "imu.mount_roll_deg = 180.0"},
		{"left-handed", drive{turn: func(x [3]float64) [3]float64 { return [3]float64{x[0], -x[1], x[2]} }}, symptoms.IMUColumns, `columns.imu = "t,wx,-wy,wz,fx,-fy,fz"`},
		{"late by 0.3 s", drive{lag: 0.3}, symptoms.IMUClock, "columns.imu_offset_s = -0.3"},
		{"early by 0.12 s", drive{lag: -0.12}, symptoms.None, ""},
		{"early by 0.2 s", drive{lag: -0.2}, symptoms.GNSSLatency, "gnss.latency_s = 0.28"},
		{"late by 18 s", drive{lag: 18}, symptoms.IMUClock, "columns.imu_offset_s = -18.0"},
	} {
		d := tt.d
		d.seconds, d.hz, d.phase = 180, 10, 0.02
		if d.noise == 0 {
			d.noise = 0.01
		}
		if d.turn == nil {
			d.turn = same
		}
		if d.force == 0 {
			d.force = 1
		}
		if d.rate == 0 {
			d.rate = 1
		}
		f := d.history().Explain(&Told{Mount: quat.Number{Real: 1}, Latency: 0.08}, true, ClockSlack)
		if f.ID != tt.id || !strings.HasPrefix(strings.ReplaceAll(f.Set, "-0.0,", "0.0,"), tt.set) && !strings.Contains(f.Set, tt.set) {
			t.Errorf("%s: %+v, want %s %q", tt.name, f, symptoms.Of(tt.id).Code, tt.set)
		}
	}
	h := drive{seconds: 180, hz: 10, phase: 0.02, turn: same, force: 1, rate: 1, wheelLag: 2}.history()
	if f := h.ExplainWheel(&Told{}); f.Set != "columns.wheel_offset_s = -2.0" {
		t.Errorf("a wheel that comes 2 s late: %+v", f)
	}
}

// On bends that are banked for more speed than the car has, its weight pulls it
// inwards: the side reads the other way round, and neither axes nor mounting are to
// blame.
func TestExplain_BankedBends(t *testing.T) {
	for _, banked := range []float64{0.02, 0.05, 0.1, 0.16, 0.2, 0.25} {
		for _, hz := range []float64{5, 10} {
			h := drive{seconds: 200, hz: hz, turn: same, force: 1, rate: 1, noise: 0.01, banked: banked, slower: 0.6}.history()
			if f := h.Explain(&Told{IMU: "t,wx,wy,wz,fx,fy,fz", Mount: quat.Number{Real: 1}}, false, 0); f.ID != symptoms.None {
				t.Errorf("banked by %g rad per m/s², %g Hz: %q", banked, hz, f.Seen)
			}
		}
	}
}
