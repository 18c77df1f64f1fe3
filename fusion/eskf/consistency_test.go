package eskf

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"
)

// The scenario of the Monte Carlo runs, in closed form: a figure of eight, 80
// by 40 m in 30 s, over hills of 1.5 m, at 6 to 12 m/s. The body leans, and in
// the turns the tyres slip.
const (
	lapRate   = 2 * math.Pi / 30
	trueSlip  = 0.005
	trueScale = 1.008
	imuRate   = 200.0
)

var (
	trueLever = r3.Vec{X: 0.3, Y: -0.05, Z: 0.9}
	trueEarth = r3.Vec{Y: 4.879e-5, Z: 5.419e-5}
)

const trueGravity = 9.8084

func truePos(t float64) r3.Vec {
	return vec(40*math.Sin(lapRate*t), 20*math.Sin(2*lapRate*t), 1.5*math.Sin(3*lapRate*t))
}

func trueVel(t float64) r3.Vec {
	return vec(40*lapRate*math.Cos(lapRate*t), 40*lapRate*math.Cos(2*lapRate*t), 4.5*lapRate*math.Cos(3*lapRate*t))
}

func trueAcc(t float64) r3.Vec {
	l := lapRate * lapRate
	return vec(-40*l*math.Sin(lapRate*t), -80*l*math.Sin(2*lapRate*t), -13.5*l*math.Sin(3*lapRate*t))
}

// trueLateral is the leftward acceleration that the slip follows.
func trueLateral(t float64) float64 {
	return r3.Dot(trueAcc(t), r3.Unit(r3.Cross(vec(0, 0, 1), trueVel(t))))
}

// trueAtt points forward along the velocity, leans about it, and then turns
// the nose into the curve by the slip angle.
func trueAtt(t float64) quat.Number {
	v := trueVel(t)
	yaw := math.Atan2(v.Y, v.X)
	pitch := -math.Atan2(v.Z, math.Hypot(v.X, v.Y))
	slip := math.Atan(trueSlip * trueLateral(t))
	return quat.Mul(FromEuler(0.04*math.Sin(1.3*t), pitch, yaw), Exp(vec(0, 0, slip)))
}

func trueAntenna(t float64) r3.Vec {
	s := State{Att: trueAtt(t)}
	return r3.Add(truePos(t), s.ToWorld(trueLever))
}

func trueAntennaVel(t float64) r3.Vec {
	const h = 1e-3
	return r3.Scale(1/(2*h), r3.Sub(trueAntenna(t+h), trueAntenna(t-h)))
}

type imuSample struct{ w, a r3.Vec }

// trueIMU is what a perfect sensor would report over each interval: mean rate
// and mean specific force (Simpson).
func trueIMU(n int) []imuSample {
	out := make([]imuSample, n)
	force := func(t float64) r3.Vec {
		s := State{Att: trueAtt(t)}
		return s.ToBody(r3.Add(trueAcc(t), vec(0, 0, trueGravity)))
	}
	const dt = 1 / imuRate
	for i := range out {
		t := float64(i) * dt
		turn := Log(quat.Mul(quat.Conj(trueAtt(t)), trueAtt(t+dt)))
		s := State{Att: trueAtt(t + dt/2)}
		out[i].w = r3.Add(r3.Scale(1/dt, turn), s.ToBody(trueEarth))
		f := r3.Add(r3.Add(force(t), force(t+dt)), r3.Scale(4, force(t+dt/2)))
		out[i].a = r3.Scale(1./6, f)
	}
	return out
}

// fixKind is how good the GNSS is: white and correlated sigma, time constant.
type fixKind struct {
	name                         string
	whiteH, whiteV, corrH, corrV float64 // m
	tau                          float64 // s
	velocity                     float64 // m/s
}

// tally adds up a normalised error squared with its degrees of freedom.
type tally struct {
	sum float64
	dof int
}

func (a *tally) add(v float64, n int) { a.sum += v; a.dof += n }

func region95(dof int) (lo, hi float64) {
	c := distuv.ChiSquared{K: float64(dof)}
	return c.Quantile(0.025), c.Quantile(0.975)
}

// Averages of NEES over N runs of n dimensions (Bar-Shalom, Li, Kirubarajan
// 2001, from memory, print [1.5, 2.6] for the first).
func TestRegion95_BarShalom(t *testing.T) {
	for _, w := range []struct {
		runs, n int
		lo, hi  float64
	}{{50, 2, 1.484439, 2.591224}, {50, 6, 5.078246, 6.997489}, {100, 2, 1.627280, 2.410579}, {100, 3, 2.539123, 3.498745}} {
		lo, hi := region95(w.runs * w.n)
		if N := float64(w.runs); math.Abs(lo/N-w.lo) > 1e-6 || math.Abs(hi/N-w.hi) > 1e-6 {
			t.Errorf("N = %d, n = %d: [%.6f, %.6f], want [%.6f, %.6f]", w.runs, w.n, lo/N, hi/N, w.lo, w.hi)
		}
	}
}

// check holds the mean against its two-sided 95 % region.
func (a *tally) check(t *testing.T, name string) {
	t.Helper()
	if a.dof == 0 {
		t.Fatalf("%s: nothing counted", name)
	}
	lo, hi := region95(a.dof)
	t.Logf("%-28s %8.4f of %d, 95 %% [%.4f, %.4f]", name, a.sum/float64(a.dof), a.dof, lo/float64(a.dof), hi/float64(a.dof))
	if a.sum < lo || a.sum > hi {
		t.Errorf("%s: mean %.4f per degree of freedom, outside the 95 %% region [%.4f, %.4f]", name,
			a.sum/float64(a.dof), lo/float64(a.dof), hi/float64(a.dof))
	}
}

func TestConsistency(t *testing.T) {
	const runs, seconds = 100, 40
	imu := trueIMU(seconds * imuRate)
	for _, kind := range []fixKind{
		{"fixed", 0.006, 0.010, 0.008, 0.015, 10, 0.03},
		{"float", 0.05, 0.08, 0.25, 0.40, 20, 0.05},
	} {
		t.Run(kind.name, func(t *testing.T) {
			var res results
			for seed := range uint64(runs) {
				res.run(t, kind, seed, imu)
			}
			res.nisPos.check(t, "NIS position")
			res.nisVel.check(t, "NIS velocity")
			res.nisWheel.check(t, "NIS wheel")
			res.nisSide.check(t, "NIS side")
			res.horizontal.check(t, "NEES horizontal position")
			res.position.check(t, "NEES position")
			res.attitude.check(t, "NEES attitude")
			res.velocity.check(t, "NEES velocity")
			res.biases.check(t, "NEES sensor biases")
			res.rest.check(t, "NEES scale, slip, latency")
			res.all.check(t, "NEES all 21")
		})
	}
}

type results struct {
	nisPos, nisVel, nisWheel, nisSide tally
	// At the end of each run.
	horizontal, position, velocity, attitude, biases, rest, all tally
}

func (res *results) run(t *testing.T, kind fixKind, seed uint64, imu []imuSample) {
	rng := rand.New(rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8), 1}))
	gauss3 := func(s float64) r3.Vec { return vec(s*rng.NormFloat64(), s*rng.NormFloat64(), s*rng.NormFloat64()) }
	f := &Filter{Params: testParams()}
	f.Params.EarthRate, f.Params.Gravity, f.Params.CovEvery = trueEarth, trueGravity, 4
	f.Params.CorrTime, f.Params.CorrSigmaH, f.Params.CorrSigmaV = kind.tau, kind.corrH, kind.corrV
	f.Params.SlipWalk = 0 // the slip of the closed form stands still
	p := &f.Params
	const dt = 1 / imuRate

	// The truth of this run, and a start that is wrong by a draw from P.
	truth := State{Pos: truePos(0), Vel: trueVel(0), Att: trueAtt(0), GyroBias: gauss3(0.005), AccBias: gauss3(0.05),
		WheelScale: trueScale, Slip: trueSlip, Latency: 0.08,
		Corr: vec(kind.corrH*rng.NormFloat64(), kind.corrH*rng.NormFloat64(), kind.corrV*rng.NormFloat64())}
	f.InitMoving(0, truth.Pos, truth.Vel, truth.Roll(), truth.Pitch(), truth.Yaw(), Sigmas{PosH: 0.5, PosV: 0.5, Vel: 0.2, Tilt: 0.02, Yaw: 0.05,
		GyroBias: 0.005, AccBias: 0.05, WheelScale: 0.01, Slip: 0.004, Latency: 0.03})
	var d [NErr]float64
	for i := range d {
		if i < IAtt || i >= IGyr {
			d[i] = -math.Sqrt(f.P[i][i]) * rng.NormFloat64()
		}
	}
	u := truth.ToBody(vec(0, 0, 1))
	th := r3.Add(gauss3(0.02), r3.Scale(math.Sqrt(0.05*0.05-0.02*0.02)*rng.NormFloat64(), u))
	d[IAtt], d[IAtt+1], d[IAtt+2] = -th.X, -th.Y, -th.Z
	f.State = truth
	f.plus(&d)
	f.Corr = r3.Vec{}

	gyro, acc := p.GyroNoise*math.Sqrt(imuRate), p.AccNoise*math.Sqrt(imuRate)
	phi := math.Exp(-0.1 / kind.tau)
	fresh := math.Sqrt(1 - phi*phi)
	rp := [3]float64{kind.whiteH * kind.whiteH, kind.whiteH * kind.whiteH, kind.whiteV * kind.whiteV}
	rv := kind.velocity * kind.velocity
	now := 0.0
	take := func(o *Obs, n *tally) {
		// The first two seconds are the alignment: a yaw error of 3 degrees
		// enters the wheel speed to second order.
		if now > 2 {
			n.add(f.Innovation(o).NIS, o.N)
		}
		if !f.Apply(o) {
			t.Fatal("observation refused")
		}
	}
	for i, s := range imu {
		w := r3.Add(s.w, r3.Add(truth.GyroBias, gauss3(gyro)))
		a := r3.Add(s.a, r3.Add(truth.AccBias, gauss3(acc)))
		f.Predict(w, a, dt)
		truth.GyroBias = r3.Add(truth.GyroBias, gauss3(p.GyroWalk*math.Sqrt(dt)))
		truth.AccBias = r3.Add(truth.AccBias, gauss3(p.AccWalk*math.Sqrt(dt)))
		truth.WheelScale += p.ScaleWalk * math.Sqrt(dt) * rng.NormFloat64()
		truth.Latency += p.LatencyWalk * math.Sqrt(dt) * rng.NormFloat64()
		now = float64(i+1) * dt
		if i%20 == 19 {
			truth.Corr = r3.Add(r3.Scale(phi, truth.Corr), r3.Scale(fresh, vec(kind.corrH*rng.NormFloat64(), kind.corrH*rng.NormFloat64(), kind.corrV*rng.NormFloat64())))
			// The caller put the filter where it thinks the epoch belongs.
			placed := f.Latency
			valid := now - (truth.Latency - placed)
			z := r3.Add(trueAntenna(valid), truth.Corr)
			z = r3.Add(z, vec(kind.whiteH*rng.NormFloat64(), kind.whiteH*rng.NormFloat64(), kind.whiteV*rng.NormFloat64()))
			o := f.Position(z, rp, trueLever, w)
			take(&o, &res.nisPos)
			v := r3.Add(trueAntennaVel(valid), gauss3(kind.velocity))
			m := f.R()
			aw := r3.Sub(apply(&m, r3.Sub(a, f.AccBias)), vec(0, 0, p.Gravity))
			o = f.Velocity(v.X, v.Y, [2]float64{rv, rv}, trueLever, w, aw)
			o.Shift(f.Latency - placed)
			take(&o, &res.nisVel)
		}
		if i%4 == 1 {
			b := State{Att: trueAtt(now)}
			o := f.Wheel(truth.WheelScale*b.ToBody(trueVel(now)).X+0.02*rng.NormFloat64(), 0.02*0.02)
			take(&o, &res.nisWheel)
			o = f.Side(0.03*0.03, 0.03*0.03, trueLateral(now))
			o.Y[0] += 0.03 * rng.NormFloat64()
			o.Y[1] += 0.03 * rng.NormFloat64()
			take(&o, &res.nisSide)
		}
		if !f.Healthy() {
			t.Fatalf("run %d: not healthy at %.3f s", seed, now)
		}
	}
	f.Flush()
	truth.Pos, truth.Vel, truth.Att = truePos(now), trueVel(now), trueAtt(now)
	e := minus(&truth, &f.State)
	nees := func(at, n int, into *tally) { into.add(f.nees(t, e[at:at+n], at, n), n) }
	nees(IPos, 2, &res.horizontal)
	nees(IPos, 3, &res.position)
	nees(IVel, 3, &res.velocity)
	nees(IAtt, 3, &res.attitude)
	nees(IGyr, 6, &res.biases)
	nees(IScale, 3, &res.rest)
	nees(0, NErr, &res.all)
}

// nees is eᵀ·P⁻¹·e on the n errors from at.
func (f *Filter) nees(t *testing.T, e []float64, at, n int) (q float64) {
	t.Helper()
	p := f.P
	y := append([]float64(nil), e...)
	for k := range n {
		a := p[at+k][at+k]
		if !(a > 0) {
			t.Fatal("covariance is not positive definite")
		}
		q += y[k] * y[k] / a
		for i := k + 1; i < n; i++ {
			g := p[at+i][at+k] / a
			y[i] -= g * y[k]
			for j := k; j < n; j++ {
				p[at+i][at+j] -= g * p[at+k][at+j]
			}
		}
	}
	return q
}
