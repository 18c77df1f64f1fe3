package eskf

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// blocks are all error states; every Jacobian is checked on each of them.
var blocks = []struct {
	name string
	at   int
	n    int
}{
	{"pos", IPos, 3}, {"vel", IVel, 3}, {"att", IAtt, 3}, {"gyr", IGyr, 3}, {"acc", IAcc, 3},
	{"scale", IScale, 1}, {"slip", ISlip, 1}, {"lat", ILat, 1},
	{"gain", IGain, 1}, {"mount", IMount, 2}, {"imu", IIMU, 2}, {"axle", IAxle, 1}, {"ant", IAnt, 1}, {"lag", ILag, 1}, {"point", IPoint, 1}, {"corr", ICorr, 3},
}

// attitudes: none, tiny and large.
var attitudes = []struct {
	name string
	v    r3.Vec
}{
	{"zero", r3.Vec{}},
	{"1e-8", vec(1e-8, -1e-8, 1e-8)},
	{"level, yaw 60", vec(0, 0, math.Pi/3)},
	{"large", vec(0.1, -0.2, 0.3)},
	{"larger", vec(0.7, 0.4, -1.9)},
	{"angle 3", vec(1, 2, -2)},
}

func jacobianState(att r3.Vec) *Filter {
	f := &Filter{State: State{Pos: vec(12, -7, 2), Vel: vec(9, 4, -0.6), Att: Exp(att), GyroBias: vec(0.003, -0.002, 0.004),
		AccBias: vec(0.05, -0.03, 0.02), WheelScale: 1.013, Slip: 0.004, Latency: 0.07, Corr: vec(0.02, -0.01, 0.03),
		Gain: 0.013, MountPitch: 0.06, MountYaw: -0.09, IMU: vec(0.6, 0.2, 0.3), Axle: 0.4, Ant: -0.02, VelLag: 0.12, VelPoint: 0.4}}
	for i := range NErr {
		f.P[i][i] = 1
	}
	f.Params = testParams()
	// Its share of F and H, below 7.3e-5 rad/s times the step or the lever
	// arm, is left out on purpose.
	f.Params.EarthRate = r3.Vec{}
	return f
}

// minus is the error that leads from b to a: a ⊟ b.
func minus(a, b *State) (d [NErr]float64) {
	put := func(i int, v r3.Vec) { d[i], d[i+1], d[i+2] = v.X, v.Y, v.Z }
	put(IPos, r3.Sub(a.Pos, b.Pos))
	put(IVel, r3.Sub(a.Vel, b.Vel))
	put(IAtt, Log(quat.Mul(quat.Conj(b.Att), a.Att)))
	put(IGyr, r3.Sub(a.GyroBias, b.GyroBias))
	put(IAcc, r3.Sub(a.AccBias, b.AccBias))
	d[IScale] = a.WheelScale - b.WheelScale
	d[ISlip] = a.Slip - b.Slip
	d[ILat] = a.Latency - b.Latency
	d[IGain] = a.Gain - b.Gain
	d[IMount], d[IMount+1] = a.MountPitch-b.MountPitch, a.MountYaw-b.MountYaw
	d[IIMU], d[IIMU+1] = a.IMU.X-b.IMU.X, a.IMU.Y-b.IMU.Y
	d[IAxle], d[IAnt] = a.Axle-b.Axle, a.Ant-b.Ant
	d[ILag] = a.VelLag - b.VelLag
	d[IPoint] = a.VelPoint - b.VelPoint
	put(ICorr, r3.Sub(a.Corr, b.Corr))
	return d
}

func TestObservationJacobians(t *testing.T) {
	w, a := vec(0.05, -0.02, 0.7), vec(0.5, 4.2, 9.9)
	lever := vec(0.30, -0.05, 0.92)
	r := [3]float64{1, 1, 1}
	for _, att := range attitudes {
		f := jacobianState(att.v)
		m := f.R()
		aw := r3.Sub(apply(&m, r3.Sub(a, f.AccBias)), vec(0, 0, f.Params.Gravity))
		for _, ob := range []struct {
			name  string
			build func(g *Filter) Obs
		}{
			{"position", func(g *Filter) Obs { return g.Position(r3.Vec{}, r, lever, w) }},
			{"horizontal", func(g *Filter) Obs { return g.HorizontalPosition(0, 0, [2]float64{1, 1}, lever, w) }},
			{"velocity", func(g *Filter) Obs { return g.Velocity(0, 0, [2]float64{1, 1}, lever, w, aw) }},
			{"velocity 3-D", func(g *Filter) Obs { return g.Velocity3D(r3.Vec{}, r, lever, w, aw) }},
			{"heading", func(g *Filter) Obs { return g.Heading(f.Yaw(), 1) }},
			{"wheel", func(g *Filter) Obs { return g.Wheel(0, 1, w) }},
			{"side", func(g *Filter) Obs { return g.Side(1, 1, 4.2, 4.2, w) }},
			{"zero velocity", func(g *Filter) Obs { return g.ZeroVelocity(1) }},
			{"zero rate", func(g *Filter) Obs {
				g.Params.EarthRate = vec(0.1, 0.2, 0.3) // so large that its column shows
				o := g.ZeroRate(w, 1)
				g.Params.EarthRate = r3.Vec{}
				return o
			}},
		} {
			for _, b := range blocks {
				for k := b.at; k < b.at+b.n; k++ {
					const eps = 1e-5
					// z - h moves by -H·δ.
					f := f
					if k == ILat {
						g := *f
						g.VelLag = 0
						f = &g
					}
					o := ob.build(f)
					var y [2]Obs
					for s, e := range []float64{eps, -eps} {
						g := *f
						if k == ILat && ob.name != "side" && ob.name != "wheel" {
							// A larger latency: the epoch was valid earlier. The change of
							// the acceleration, which a lag would see, is left out.
							var rm [9]float64
							g.step(w, a, -e, &g.Params, &rm)
							g.VelLag = 0
						} else {
							var d [NErr]float64
							d[k] = e
							g.plus(&d)
						}
						y[s] = ob.build(&g)
					}
					for row := range o.N {
						want := -(y[0].Y[row] - y[1].Y[row]) / (2 * eps)
						if (ob.name == "heading" || ob.name[:4] == "zero") && k == ILat {
							want = 0 // not delayed by the receiver
						}
						if got := o.Row(row)[k]; math.Abs(got-want) > 1e-7*max(1, math.Abs(want)) {
							t.Errorf("%s at %s: H[%d][%s+%d] = %.9g, differences %.9g", ob.name, att.name, row, b.name, k-b.at, got, want)
						}
					}
				}
			}
		}
	}
}

// The body origin's place, velocity and yaw by every error, as their variances
// use them.
func TestOriginJacobian(t *testing.T) {
	w := vec(0.05, -0.02, 0.7)
	for _, att := range attitudes {
		f := jacobianState(att.v)
		u := f.bodyVel(w)
		var s [3]sparse
		for k := range 3 {
			u.row(&s[k], 1, k, 0, 0)
		}
		q := f.pose()
		for _, b := range blocks {
			for k := b.at; k < b.at+b.n; k++ {
				const eps = 1e-5
				var e [2]Filter
				for i, h := range []float64{eps, -eps} {
					e[i] = *f
					var d [NErr]float64
					d[k] = h
					e[i].plus(&d)
				}
				by := r3.Scale(1/(2*eps), r3.Sub(e[0].bodyVel(w).u, e[1].bodyVel(w).u))
				for i, want := range []float64{by.X, by.Y, by.Z} {
					got := (&Obs{rows: s}).Row(i)[k]
					if math.Abs(got-want) > 1e-7 {
						t.Errorf("%s: velocity %d by %s+%d is %.9g, differences %.9g", att.name, i, b.name, k-b.at, got, want)
					}
				}
				// With one error alone the covariance is the square of the derivative.
				var p [NErr][NErr]float64
				p[k][k] = 1
				by = r3.Scale(1/(2*eps), r3.Sub(e[0].Origin(), e[1].Origin()))
				c := f.OriginCov(&p)
				for i, x := range []float64{by.X, by.Y, by.Z} {
					for j, y := range []float64{by.X, by.Y, by.Z} {
						if math.Abs(c[i][j]-x*y) > 1e-7 {
							t.Errorf("%s: covariance of the origin [%d][%d] by %s+%d is %.9g, differences %.9g", att.name, i, j, b.name, k-b.at, c[i][j], x*y)
						}
					}
				}
				if math.Abs(q.b[2][0]) < 0.1 { // all but level: the vertical is the axis of yaw
					y := wrapPi(e[0].Yaw()-e[1].Yaw()) / (2 * eps)
					if got := f.YawVariance(&p); math.Abs(got-y*y) > 0.02 {
						t.Errorf("%s: yaw variance by %s+%d is %.9g, differences %.9g", att.name, b.name, k-b.at, got, y*y)
					}
				}
			}
		}
		// u is the velocity of a point behind the origin.
		bt := transpose(&q.b)
		at := r3.Sub(apply(&bt, f.OriginVel(w)), r3.Cross(f.InBody(f.rate(w)), vec(f.Axle, 0, 0)))
		if d := math.Hypot(at.X-u.u.X, at.Y-u.u.Y); d > 1e-12 {
			t.Errorf("%s: velocities of the origin differ by %g", att.name, d)
		}
		// Seen from the antenna: it moves as the origin and the lever arm turn.
		if d := vdiff(r3.Add(f.Origin(), apply(&q.b, vec(0.30, -0.07, 0.92))), r3.Add(f.Pos, apply(&q.b, f.arm(vec(0.30, -0.05, 0.92), 0)))); d > 1e-12 {
			t.Errorf("%s: antenna off by %g", att.name, d)
		}
	}
}

// dense writes F in full, from the equations at [transition].
func (x *transition) dense() (f [NErr][NErr]float64) {
	for i := range NErr {
		f[i][i] = 1
		if i >= ICorr {
			f[i][i] = x.phi
		}
	}
	for i := range 3 {
		f[IVel+i][IVel+i] = 1
		for j := range 3 {
			f[IVel+i][IAtt+j] = x.vt[3*i+j]
			f[IVel+i][IGyr+j] = x.vg[3*i+j]
			f[IVel+i][IAcc+j] = x.va[3*i+j]
			f[IAtt+i][IAtt+j] = x.tt[3*i+j]
			f[IAtt+i][IGyr+j] = x.tg[3*i+j]
		}
		f[IVel+i][IGain], f[IAtt+i][IGain] = x.vs[i], x.ts[i]
		f[IPos+i][IVel+i] += x.p0
		for j := range NErr {
			f[IPos+i][j] += x.p1 * f[IVel+i][j]
		}
	}
	return f
}

func TestTransitionJacobian(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, tt := range []struct {
		name string
		n    int
		dt   float64
		// What the blocks of the gyro bias and, with several samples, of the
		// position leave out: orders of |ω|·T and of the change of the
		// specific force within the window.
		tol map[string]float64
	}{
		{"one sample at 200 Hz", 1, 0.005, map[string]float64{"vel/gyr": 2e-7, "pos/gyr": 1e-9, "att/gyr": 1e-8, "vel/gain": 2e-7, "pos/gain": 1e-9, "att/gain": 1e-8}},
		{"four samples at 200 Hz", 4, 0.005, map[string]float64{"vel/gyr": 2e-4, "pos/gyr": 1e-5, "att/gyr": 3e-8, "pos/att": 2e-4, "pos/acc": 1e-6,
			"vel/gain": 2e-4, "pos/gain": 1e-5, "att/gain": 3e-8}},
		{"one coarse step", 1, 0.25, map[string]float64{"vel/gyr": 2e-2, "pos/gyr": 3e-3, "att/gyr": 1e-3, "vel/gain": 2e-2, "pos/gain": 3e-3, "att/gain": 1e-3}},
	} {
		for _, att := range attitudes {
			f := jacobianState(att.v)
			f.Params.CovEvery = tt.n + 1
			ws, as := make([]r3.Vec, tt.n), make([]r3.Vec, tt.n)
			for i := range ws {
				ws[i] = vec(0.5+0.1*rng.NormFloat64(), -0.2+0.1*rng.NormFloat64(), 0.7+0.1*rng.NormFloat64())
				as[i] = vec(0.5+rng.NormFloat64(), 4.2+rng.NormFloat64(), 9.9+rng.NormFloat64())
			}
			run := func(g Filter) (State, transition) {
				for i := range ws {
					g.Predict(ws[i], as[i], tt.dt)
				}
				var x transition
				g.transition(&g.acc, g.Att, &x)
				g.Flush()
				return g.State, x
			}
			_, x := run(*f)
			got := x.dense()
			for _, cb := range blocks {
				for k := cb.at; k < cb.at+cb.n; k++ {
					const eps = 1e-4
					var e [2]State
					for s, h := range []float64{eps, -eps} {
						g := *f
						var d [NErr]float64
						d[k] = h
						g.plus(&d)
						e[s], _ = run(g)
					}
					mid, _ := run(*f)
					up, down := minus(&e[0], &mid), minus(&e[1], &mid)
					for _, rb := range blocks {
						tol := 1e-8
						if v, ok := tt.tol[rb.name+"/"+cb.name]; ok {
							tol += v
						}
						for i := rb.at; i < rb.at+rb.n; i++ {
							want := (up[i] - down[i]) / (2 * eps)
							if d := math.Abs(got[i][k] - want); !(d <= tol) {
								t.Errorf("%s at %s: F[%s+%d][%s+%d] = %.9g, differences %.9g (%.2g)", tt.name, att.name,
									rb.name, i-rb.at, cb.name, k-cb.at, got[i][k], want, d)
							}
						}
					}
				}
			}
		}
	}
}

// After injecting θ the error that is left is Log(Exp(-θ)·Exp(δθ)).
func TestResetJacobian(t *testing.T) {
	for _, n := range []float64{0, 1e-8, 1e-3, 0.1, 0.5} {
		th := r3.Scale(n/3, vec(1, 2, -2))
		for k := range 3 {
			const eps = 1e-5
			d := [3]float64{}
			d[k] = eps
			e := vec(d[0], d[1], d[2])
			left := func(s float64) r3.Vec {
				return Log(quat.Mul(Exp(r3.Scale(-1, th)), Exp(r3.Add(th, r3.Scale(s, e)))))
			}
			want := r3.Scale(1/(2*eps), r3.Sub(left(1), left(-1)))
			f := &Filter{}
			f.P[IAtt+k][IPos], f.P[IPos][IAtt+k] = 1, 1
			f.resetAttitude(th)
			got := vec(f.P[IAtt][IPos], f.P[IAtt+1][IPos], f.P[IAtt+2][IPos])
			// G is the first order: |θ|²/6 is what it leaves out.
			if dd := vdiff(got, want); dd > n*n/6+1e-9 {
				t.Errorf("|θ| = %g, column %d: G %v, differences %v", n, k, got, want)
			}
			if f.P[IPos][IAtt] != f.P[IAtt][IPos] {
				t.Error("reset leaves P unsymmetric")
			}
		}
	}
}

// Shift by s is the observation built from the state s seconds earlier, but for
// the curvature of the path.
func TestShift(t *testing.T) {
	w, a, lever := vec(0.05, -0.02, 0.7), vec(0.5, 4.2, 9.9), vec(0.30, -0.05, 0.92)
	f := jacobianState(vec(0.1, -0.2, 0.3))
	m := f.R()
	aw := r3.Sub(apply(&m, r3.Sub(a, f.AccBias)), vec(0, 0, f.Params.Gravity))
	r := [3]float64{1, 1, 1}
	for _, s := range []float64{0.02, -0.02} {
		g := *f
		var rm [9]float64
		g.step(w, a, -s, &g.Params, &rm)
		for name, o := range map[string][2]Obs{
			"position": {f.Position(r3.Vec{}, r, lever, w), g.Position(r3.Vec{}, r, lever, w)},
			"velocity": {f.Velocity3D(r3.Vec{}, r, lever, w, aw), g.Velocity3D(r3.Vec{}, r, lever, w, aw)},
		} {
			still := o[0]
			o[0].Shift(s)
			for k := range 3 {
				if d := math.Abs(o[0].Y[k] - o[1].Y[k]); d > 5*s*s {
					t.Errorf("%s by %g s: %g, want %g", name, s, o[0].Y[k], o[1].Y[k])
				}
				if o[0].Y[k] == still.Y[k] {
					t.Errorf("%s by %g s: nothing moved", name, s)
				}
			}
		}
	}
}

func Example() {
	f := Filter{Params: Params{GyroNoise: 1e-4, AccNoise: 1e-3, Gravity: 9.8084, CorrTime: 10, CorrSigmaH: 0.01, CorrSigmaV: 0.02}}
	f.InitAtRest(0, r3.Vec{}, r3.Vec{Z: 9.8084}, r3.Vec{}, 0, Sigmas{PosH: 1, PosV: 1, Vel: 0.01, Tilt: 1e-3, Yaw: 0.02,
		GyroBias: 1e-4, AccBias: 0.05, WheelScale: 0.01, Slip: 0.006, Latency: 0.04})
	// Two seconds of 1 m/s² forward, then the antenna, 1 m above the body.
	for range 400 {
		f.Predict(r3.Vec{}, r3.Vec{X: 1, Z: 9.8084}, 0.005)
	}
	fmt.Printf("%.2f m at %.2f m/s\n", f.Pos.X, f.Vel.X)
	o := f.Position(r3.Vec{X: 2.3, Z: 1}, [3]float64{1e-4, 1e-4, 4e-4}, r3.Vec{Z: 1}, r3.Vec{})
	fmt.Printf("%.2f m too far, NIS %.2f\n", o.Y[0], f.Innovation(&o).NIS)
	f.Apply(&o)
	fmt.Printf("%.2f m ± %.2f m\n", f.Pos.X, math.Sqrt(f.P[IPos][IPos]))
	// Output:
	// 2.00 m at 2.00 m/s
	// 0.30 m too far, NIS 0.09
	// 2.30 m ± 0.08 m
}
