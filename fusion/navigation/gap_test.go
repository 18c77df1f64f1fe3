package navigation

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/gnss/geodesy"
)

// Across a gap in the inertial samples while the car turns in and brakes the error
// stays within what the filter says, and wheels make it smaller. Truth is the
// integrated plan.
func TestDriver_Gap(t *testing.T) {
	plan := func(t float64) (speed, curvature float64) {
		return 10 - 1.5*math.Max(0, t-6), 0.06 * math.Min(1, math.Max(0, t-5.9)/0.4)
	}
	for _, gap := range []float64{0.25, 0.5, 0.9} {
		var sum [2]float64 // m, mean 1 sigma without and with wheels
		for i, wheel := range []bool{false, true} {
			nis := 0.0
			const runs = 30
			for seed := range uint64(runs) {
				rng := rand.New(rand.NewPCG(seed, 7))
				c := car{yaw: 1, v: 10}
				var d Driver
				d.Init(settings, nil)
				d.SetPlace(geodesy.LLA{Lat: 0.8, H: 200})
				g := d.Filter.Params.Gravity
				begin := 5.9 + 0.3*rng.Float64()
				for k := 1; k <= 800; k++ {
					now := float64(k) / 100
					before := c.yaw
					c.to(now, plan)
					if k == 200 {
						sin, cos := math.Sincos(c.yaw)
						d.resetCalibration()
						d.Filter.InitMoving(now, c.pos, r3.Vec{X: c.v * cos, Y: c.v * sin}, 0, 0, c.yaw, eskf.Sigmas{PosH: 0.01, PosV: 0.02, Vel: 0.02, Tilt: 0.003, Yaw: 0.004,
							GyroBias: 3e-4, AccBias: 0.02, WheelScale: 0.001, Slip: 0.001, Latency: 0.001})
						d.Phase = Aligned
					}
					if wheel {
						d.Wheels.Push(WheelSample{T: now, V: c.v})
					}
					w := (c.yaw - before) * 100
					if now < begin || now > begin+gap {
						d.PushIMU(Sample{T: now, W: r3.Vec{Z: w}, F: r3.Vec{X: c.acc, Y: c.v * w, Z: g}})
					}
					if k > 200 {
						d.Advance(now)
					}
					if now > begin+gap+0.05 {
						break
					}
				}
				dx, dy := d.Filter.Pos.X-c.pos.X, d.Filter.Pos.Y-c.pos.Y
				v := (d.Filter.P[0][0] + d.Filter.P[1][1]) / 2
				nis += (dx*dx + dy*dy) / v / (2 * runs)
				sum[i] += math.Sqrt(v) / runs
			}
			if !(nis < 2) {
				t.Errorf("gap of %.2f s, wheels %v: squared error is %.2f times the filter's", gap, wheel, nis)
			}
		}
		if !(sum[1] < sum[0]) {
			t.Errorf("gap of %.2f s: 1 sigma %.3f m with wheels, %.3f m without", gap, sum[1], sum[0])
		}
		t.Logf("gap of %.2f s: 1 sigma %.3f m without wheels, %.3f m with", gap, sum[0], sum[1])
	}
}
