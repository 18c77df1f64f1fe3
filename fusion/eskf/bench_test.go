package eskf

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// benchFilter is a kart on the move at 48 degrees north.
func benchFilter(every int) *Filter {
	f := &Filter{Params: testParams()}
	f.Params.CovEvery = every
	f.InitMoving(0, r3.Vec{}, r3.Vec{X: 10}, 0, 0, 0, Sigmas{PosH: 0.3, PosV: 0.5, Vel: 0.3, Tilt: 0.03, Yaw: 0.1,
		GyroBias: 0.01, AccBias: 0.1, WheelScale: 0.01, Slip: 0.006, Latency: 0.04,
		Gain: 0.01, Mount: 0.035, IMU: [2]float64{0.05, 0.05}, Axle: 0.3, Ant: 0.02, VelLag: 0.1, VelPoint: 0.5})
	return f
}

func testParams() Params {
	return Params{GyroNoise: 1e-4, AccNoise: 1e-3, GyroWalk: 1e-5, AccWalk: 2e-4, ScaleWalk: 1e-5, SlipWalk: 1e-5,
		LatencyWalk: 1e-5, GainWalk: 1e-5, MountWalk: 1e-6, LagWalk: 1e-5, TiltNoise: 2e-4, CorrTime: 10, CorrSigmaH: 0.01, CorrSigmaV: 0.02, Gravity: 9.8084,
		EarthRate: r3.Vec{Y: 4.879e-5, Z: 5.419e-5}, CovEvery: 1}
}

func BenchmarkPredict(b *testing.B) {
	for _, every := range []int{1, 4} {
		b.Run(map[int]string{1: "every1", 4: "every4"}[every], func(b *testing.B) {
			f := benchFilter(every)
			p0 := f.P
			i := 0
			for b.Loop() {
				f.Predict(r3.Vec{X: 0.01, Y: 0.02, Z: 0.3}, r3.Vec{X: 0.1, Y: 0.2, Z: 9.81}, 0.005)
				if i++; i%2000 == 0 {
					f.P = p0
				}
			}
		})
	}
}

func BenchmarkUpdate(b *testing.B) {
	lever, w := r3.Vec{X: 0.3, Z: 0.8}, r3.Vec{Z: 0.3}
	b.Run("position", func(b *testing.B) {
		f := benchFilter(1)
		p0 := f.P
		for b.Loop() {
			o := f.Position(r3.Add(f.Pos, r3.Vec{X: 0.01, Y: -0.01, Z: 0.82}), [3]float64{1e-4, 1e-4, 4e-4}, lever, w)
			f.Apply(&o)
			f.P = p0
		}
	})
	b.Run("velocity", func(b *testing.B) {
		f := benchFilter(1)
		p0 := f.P
		for b.Loop() {
			o := f.Velocity3D(f.Vel, [3]float64{4e-3, 4e-3, 4e-3}, lever, w, r3.Vec{X: 1})
			f.Apply(&o)
			f.P = p0
		}
	})
	b.Run("innovation", func(b *testing.B) {
		f := benchFilter(1)
		o := f.Position(r3.Add(f.Pos, r3.Vec{X: 0.01, Y: -0.01, Z: 0.82}), [3]float64{1e-4, 1e-4, 4e-4}, lever, w)
		for b.Loop() {
			f.Innovation(&o)
		}
	})
}

// BenchmarkHour is an hour of driving per iteration: 200 Hz inertial samples,
// position and velocity (three axes each, through the lever arm) at 10 Hz. The
// monitor gathers four samples into a step of the covariance; every1 does not.
func BenchmarkHour(b *testing.B) {
	for _, every := range []int{4, 1} {
		b.Run(map[int]string{1: "every1", 4: "every4"}[every], func(b *testing.B) {
			lever := r3.Vec{X: 0.3, Z: 0.8}
			f := benchFilter(every)
			start := *f
			for b.Loop() {
				*f = start
				for i := range 720000 {
					w := r3.Vec{X: 0.01, Y: 0.02, Z: 0.3 + 1e-3*float64(i%7)}
					f.Predict(w, r3.Vec{X: 0.1, Y: 0.2, Z: 9.81}, 0.005)
					if i%20 == 19 {
						z := r3.Add(r3.Add(f.Pos, f.Corr), f.ToWorld(lever))
						o := f.Position(r3.Add(z, r3.Vec{X: 0.01, Y: -0.01, Z: 0.02}), [3]float64{1e-4, 1e-4, 1e-4}, lever, w)
						f.Apply(&o)
						o = f.Velocity3D(r3.Add(f.Vel, r3.Vec{X: 0.02, Y: -0.01, Z: 0.01}), [3]float64{4e-3, 4e-3, 4e-3}, lever, w, r3.Vec{})
						f.Apply(&o)
					}
				}
				if !f.Healthy() {
					b.Fatal("filter broke")
				}
			}
		})
	}
}
