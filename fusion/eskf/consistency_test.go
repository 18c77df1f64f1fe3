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

// trueTurn is the rate of the body's turn, rad/s, ENU.
func trueTurn(t float64) r3.Vec {
	const h = 1e-3
	v := Log(quat.Mul(quat.Conj(trueAtt(t-h)), trueAtt(t+h)))
	s := State{Att: trueAtt(t)}
	return r3.Scale(1/(2*h), s.ToWorld(v))
}

// antennaAt is where the antenna at lever is, m, ENU.
func antennaAt(t float64, lever r3.Vec) r3.Vec {
	s := State{Att: trueAtt(t)}
	return r3.Add(truePos(t), s.ToWorld(lever))
}

func antennaVelAt(t float64, lever r3.Vec) r3.Vec {
	const h = 1e-3
	return r3.Scale(1/(2*h), r3.Sub(antennaAt(t+h, lever), antennaAt(t-h, lever)))
}

// imuSample is what a perfect sensor at the body origin would report over an
// interval, and what a place l of the body adds to the force: arm·l.
type imuSample struct {
	w, a r3.Vec
	arm  [3][3]float64 // 1/s²: mean of [α]× + [ω]×²
}

// trueIMU is what a perfect sensor would report over each interval: mean rate
// and mean specific force (Simpson).
func trueIMU(n int) []imuSample {
	out := make([]imuSample, n)
	force := func(t float64) r3.Vec {
		s := State{Att: trueAtt(t)}
		return s.ToBody(r3.Add(trueAcc(t), vec(0, 0, trueGravity)))
	}
	arm := func(t float64) [3][3]float64 { // Rᵀ·d²R/dt²
		const h = 1e-3
		lo, r, hi := Matrix(trueAtt(t-h)), Matrix(trueAtt(t)), Matrix(trueAtt(t+h))
		var dd [3][3]float64
		for i := range 3 {
			for j := range 3 {
				dd[i][j] = (lo[i][j] - 2*r[i][j] + hi[i][j]) / (h * h)
			}
		}
		rt := transpose(&r)
		return mul(&rt, &dd)
	}
	const dt = 1 / imuRate
	for i := range out {
		t := float64(i) * dt
		turn := Log(quat.Mul(quat.Conj(trueAtt(t)), trueAtt(t+dt)))
		s := State{Att: trueAtt(t + dt/2)}
		out[i].w = r3.Add(r3.Scale(1/dt, turn), s.ToBody(trueEarth))
		f := r3.Add(r3.Add(force(t), force(t+dt)), r3.Scale(4, force(t+dt/2)))
		out[i].a = r3.Scale(1./6, f)
		out[i].arm = arm(t + dt/2)
	}
	return out
}

// fixKind is how good the GNSS is: white and correlated sigma, time constant.
type fixKind struct {
	name                         string
	whiteH, whiteV, corrH, corrV float64 // m
	tau                          float64 // s
	velocity                     float64 // m/s
	sensor                       Sigmas  // of what a run draws of sensor, places and receiver
	// What no state holds and process noise covers, 1 sigma of a run's draw.
	roll      float64 // rad, mounting about forward
	accScale  float64 // share, and as much from each axis into another
	gyroCross float64 // share of the turn about up that shows about forward and left
	gyroPerG  float64 // rad/s per m/s²
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
		{name: "fixed", whiteH: 0.006, whiteV: 0.010, corrH: 0.008, corrV: 0.015, tau: 10, velocity: 0.03},
		{name: "float", whiteH: 0.05, whiteV: 0.08, corrH: 0.25, corrV: 0.40, tau: 20, velocity: 0.05},
		{name: "fixed, sensor as it is", whiteH: 0.006, whiteV: 0.010, corrH: 0.008, corrV: 0.015, tau: 10, velocity: 0.03, sensor: trueSensor},
		{name: "multipath, sensor as it is", whiteH: 0.01, whiteV: 0.015, corrH: 0.05, corrV: 0.08, tau: 30, velocity: 0.05, sensor: trueSensor},
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
			if kind.sensor != (Sigmas{}) {
				res.gain.check(t, "NEES gyro scale")
				res.mount.check(t, "NEES mounting")
				res.places.check(t, "NEES places of sensor, antenna")
				res.receiver.check(t, "NEES velocity's lag and point")
				res.origin.check(t, "NEES body origin")
			}
			res.all.check(t, "NEES all")
		})
	}
}

// trueSensor is what a run draws: gyro scale 1 %, mounting 2 degrees, places
// decimetres off.
var trueSensor = Sigmas{Gain: 0.01, Mount: 2 * deg, IMU: [2]float64{0.3, 0.1}, Axle: 0.1, Ant: 0.03, VelLag: 0.02, VelPoint: 0.25}

// What no state holds is covered by process noise: errors are not larger than
// the covariance says. They are smaller, for a constant is no white noise.
func TestConsistency_Covered(t *testing.T) {
	const runs, seconds = 50, 60
	imu := trueIMU(seconds * imuRate)
	kind := fixKind{name: "all errors", whiteH: 0.006, whiteV: 0.010, corrH: 0.008, corrV: 0.015, tau: 10, velocity: 0.03, sensor: trueSensor,
		roll: 1 * deg, accScale: 0.005, gyroCross: 0.005, gyroPerG: 1e-4}
	var res results
	for seed := range uint64(runs) {
		res.run(t, kind, seed, imu)
	}
	for _, c := range []struct {
		name string
		a    tally
	}{
		{"NIS position", res.nisPos}, {"NIS velocity", res.nisVel}, {"NIS wheel", res.nisWheel}, {"NIS side", res.nisSide},
		{"NEES body origin", res.origin}, {"NEES velocity", res.velocity}, {"NEES yaw", res.yaw},
	} {
		_, hi := region95(c.a.dof)
		t.Logf("%-28s %8.4f of %d, at most %.4f", c.name, c.a.sum/float64(c.a.dof), c.a.dof, hi/float64(c.a.dof))
		if c.a.sum > hi {
			t.Errorf("%s: mean %.4f per degree of freedom, want at most %.4f", c.name, c.a.sum/float64(c.a.dof), hi/float64(c.a.dof))
		}
	}
}

type results struct {
	nisPos, nisVel, nisWheel, nisSide tally
	// At the end of each run.
	horizontal, position, velocity, attitude, biases, rest, all tally
	gain, mount, places, receiver, origin, yaw                  tally
}

func (res *results) run(t *testing.T, kind fixKind, seed uint64, imu []imuSample) {
	rng := rand.New(rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8), 1}))
	gauss3 := func(s float64) r3.Vec { return vec(s*rng.NormFloat64(), s*rng.NormFloat64(), s*rng.NormFloat64()) }
	f := &Filter{Params: testParams()}
	f.Params.EarthRate, f.Params.Gravity, f.Params.CovEvery = trueEarth, trueGravity, 4
	f.Params.CorrTime, f.Params.CorrSigmaH, f.Params.CorrSigmaV = kind.tau, kind.corrH, kind.corrV
	f.Params.SlipWalk = 0 // the slip of the closed form stands still
	f.Params.MountWalk, f.Params.LagWalk = 0, 0
	if kind.sensor.Gain == 0 {
		f.Params.GainWalk = 0
	}
	p := &f.Params
	const dt = 1 / imuRate

	// The truth of this run, and a start that is wrong by a draw from P.
	q := &kind.sensor
	draw := func(s float64) float64 {
		if s == 0 {
			return 0
		}
		return s * rng.NormFloat64()
	}
	truth := State{Vel: vec(1, 0, 0), Att: qn(1, 0, 0, 0), GyroBias: gauss3(0.005), AccBias: gauss3(0.05),
		WheelScale: trueScale, Slip: trueSlip, Latency: 0.08,
		Corr: vec(kind.corrH*rng.NormFloat64(), kind.corrH*rng.NormFloat64(), kind.corrV*rng.NormFloat64()),
		Gain: draw(q.Gain), MountPitch: draw(q.Mount), MountYaw: draw(q.Mount),
		IMU: vec(draw(q.IMU[0]), draw(q.IMU[1]), 0.2), Axle: draw(q.Axle), Ant: draw(q.Ant), VelLag: draw(q.VelLag), VelPoint: draw(q.VelPoint)}
	if *q == (Sigmas{}) {
		truth.IMU = r3.Vec{}
	}
	roll := Exp(vec(draw(kind.roll), 0, 0))
	mount := quat.Mul(FromEuler(0, truth.MountPitch, truth.MountYaw), roll) // body to sensor
	place := func(t float64) {
		body := trueAtt(t)
		truth.Att = quat.Mul(body, quat.Conj(mount))
		at := State{Att: body}
		truth.Pos = r3.Add(truePos(t), at.ToWorld(truth.IMU))
		const h = 1e-3
		hi, lo := State{Att: trueAtt(t + h)}, State{Att: trueAtt(t - h)}
		truth.Vel = r3.Add(trueVel(t), r3.Scale(1/(2*h), r3.Sub(hi.ToWorld(truth.IMU), lo.ToWorld(truth.IMU))))
	}
	place(0)
	antenna := r3.Add(trueLever, vec(0, truth.Ant, 0))
	point := r3.Scale(1-truth.VelPoint, antenna)
	accError, gyroError := [3][3]float64{}, [3][3]float64{}
	for i := range 3 {
		for j := range 3 {
			accError[i][j] = draw(kind.accScale)
			gyroError[i][j] = draw(kind.gyroPerG)
		}
	}
	crossX, crossY := draw(kind.gyroCross), draw(kind.gyroCross)
	start := truth
	sig := Sigmas{PosH: 0.5, PosV: 0.5, Vel: 0.2, Tilt: 0.02, Yaw: 0.05,
		GyroBias: 0.005, AccBias: 0.05, WheelScale: 0.01, Slip: 0.004, Latency: 0.03,
		Gain: q.Gain, Mount: q.Mount, IMU: q.IMU, Axle: q.Axle, Ant: q.Ant, VelLag: q.VelLag, VelPoint: q.VelPoint}
	f.State = start // for what InitMoving keeps
	f.InitMoving(0, start.Pos, start.Vel, start.Roll(), start.Pitch(), start.Yaw(), sig)
	// The start is the truth displaced by a draw: of the body's attitude and the
	// mounting, which make the sensor's.
	var d [NErr]float64
	for i := range d {
		if f.P[i][i] > 0 && (i < IAtt || i >= IGyr) {
			d[i] = -math.Sqrt(f.P[i][i]) * rng.NormFloat64()
		}
	}
	for _, i := range []int{IGyr, IGyr + 1, IGyr + 2} {
		d[i] = -[3]float64{start.GyroBias.X, start.GyroBias.Y, start.GyroBias.Z}[i-IGyr]
	}
	u := start.ToBody(vec(0, 0, 1))
	th := r3.Add(gauss3(0.02), r3.Scale(math.Sqrt(0.05*0.05-0.02*0.02)*rng.NormFloat64(), u))
	ps := start.pose()
	d[IMount], d[IMount+1] = -start.MountPitch, -start.MountYaw
	d[IIMU], d[IIMU+1], d[IAxle], d[IAnt] = -start.IMU.X, -start.IMU.Y, -start.Axle, -start.Ant
	d[IGain], d[ILag], d[IPoint] = -start.Gain, -start.VelLag, -start.VelPoint
	th = r3.Sub(th, apply(&ps.m, r3.Add(vec(0, -start.MountPitch, 0), r3.Scale(-start.MountYaw, ps.yaw))))
	d[IAtt], d[IAtt+1], d[IAtt+2] = th.X, th.Y, th.Z
	f.State = start
	f.plus(&d)
	f.Corr = r3.Vec{}

	gyroNoise, accNoise := p.GyroNoise, p.AccNoise
	p.TiltNoise = 0
	gyro, acc := p.GyroNoise*math.Sqrt(imuRate), p.AccNoise*math.Sqrt(imuRate)
	phi := math.Exp(-0.1 / kind.tau)
	fresh := math.Sqrt(1 - phi*phi)
	rp := [3]float64{kind.whiteH * kind.whiteH, kind.whiteH * kind.whiteH, kind.whiteV * kind.whiteV}
	rv := kind.velocity * kind.velocity
	if *q != (Sigmas{}) {
		rv += 0.002 * 0.002 // across the arm, by the mean rate of a sample and not that at its end
	}
	now, settled := 0.0, 2.0
	if *q != (Sigmas{}) {
		settled = 5 // the mounting too
	}
	take := func(o *Obs, n *tally) {
		// The first seconds are the alignment: a yaw error of 3 degrees enters the
		// wheel speed to second order.
		if now > settled {
			n.add(f.Innovation(o).NIS, o.N)
		}
		if !f.Apply(o) {
			t.Fatal("observation refused")
		}
	}
	for i, s := range imu {
		turn := State{Att: mount}
		ws := turn.ToWorld(s.w)
		as := turn.ToWorld(r3.Add(s.a, apply(&s.arm, truth.IMU)))
		ws.X, ws.Y = ws.X+crossX*ws.Z, ws.Y+crossY*ws.Z
		ws = r3.Add(ws, apply(&gyroError, as))
		as = r3.Add(as, apply(&accError, as))
		ws.Z /= 1 - truth.Gain
		w := r3.Add(ws, r3.Add(truth.GyroBias, gauss3(gyro)))
		a := r3.Add(as, r3.Add(truth.AccBias, gauss3(acc)))
		if kind.accScale > 0 {
			flaws := Imperfect{AccScale: kind.accScale, GyroCross: kind.gyroCross, GyroPerG: kind.gyroPerG}
			p.SetNoise(flaws.Widen(vec(accNoise, accNoise, accNoise), vec(gyroNoise, gyroNoise, gyroNoise), r3.Sub(w, f.GyroBias), r3.Sub(a, f.AccBias), p.Gravity))
		}
		f.Predict(w, a, dt)
		truth.GyroBias = r3.Add(truth.GyroBias, gauss3(p.GyroWalk*math.Sqrt(dt)))
		truth.AccBias = r3.Add(truth.AccBias, gauss3(p.AccWalk*math.Sqrt(dt)))
		truth.WheelScale += p.ScaleWalk * math.Sqrt(dt) * rng.NormFloat64()
		if kind.sensor.Gain > 0 {
			truth.Gain += p.GainWalk * math.Sqrt(dt) * rng.NormFloat64()
		}
		truth.Latency += p.LatencyWalk * math.Sqrt(dt) * rng.NormFloat64()
		now = float64(i+1) * dt
		if i%20 == 19 {
			truth.Corr = r3.Add(r3.Scale(phi, truth.Corr), r3.Scale(fresh, vec(kind.corrH*rng.NormFloat64(), kind.corrH*rng.NormFloat64(), kind.corrV*rng.NormFloat64())))
			// The caller put the filter where it thinks the epoch belongs.
			placed := f.Latency
			valid := now - (truth.Latency - placed)
			z := r3.Add(antennaAt(valid, antenna), truth.Corr)
			z = r3.Add(z, vec(kind.whiteH*rng.NormFloat64(), kind.whiteH*rng.NormFloat64(), kind.whiteV*rng.NormFloat64()))
			o := f.Position(z, rp, trueLever, w)
			take(&o, &res.nisPos)
			v := r3.Add(antennaVelAt(valid-truth.VelLag, point), gauss3(kind.velocity))
			m := f.R()
			aw := r3.Sub(apply(&m, r3.Sub(a, f.AccBias)), vec(0, 0, p.Gravity))
			o = f.Velocity(v.X, v.Y, [2]float64{rv, rv}, trueLever, w, aw)
			o.Shift(f.Latency - placed)
			take(&o, &res.nisVel)
		}
		if i%4 == 1 {
			b := State{Att: trueAtt(now)}
			o := f.Wheel(truth.WheelScale*b.ToBody(trueVel(now)).X+0.02*rng.NormFloat64(), 0.02*0.02, w)
			take(&o, &res.nisWheel)
			o = f.Side(0.03*0.03, 0.03*0.03, trueLateral(now), trueLateral(now), w)
			turn := b.ToBody(trueTurn(now)) // the closed form has the point at the origin
			o.Y[0] -= truth.Axle * turn.Z
			o.Y[1] += turn.X*truth.IMU.Y - turn.Y*truth.IMU.X // nor does the sensor move up
			o.Y[0] += 0.03 * rng.NormFloat64()
			o.Y[1] += 0.03 * rng.NormFloat64()
			take(&o, &res.nisSide)
		}
		if !f.Healthy() {
			t.Fatalf("run %d: not healthy at %.3f s", seed, now)
		}
	}
	f.Flush()
	place(now)
	e := minus(&truth, &f.State)
	nees := func(at, n int, into *tally) {
		dof := 0
		for i := at; i < at+n; i++ {
			if f.P[i][i] != 0 {
				dof++
			}
		}
		into.add(f.nees(t, e[at:at+n], at, n), dof)
	}
	nees(IPos, 2, &res.horizontal)
	nees(IPos, 3, &res.position)
	nees(IVel, 3, &res.velocity)
	nees(IAtt, 3, &res.attitude)
	nees(IGyr, 6, &res.biases)
	nees(IScale, 3, &res.rest)
	if *q != (Sigmas{}) {
		nees(IGain, 1, &res.gain)
		nees(IMount, 2, &res.mount)
		nees(IIMU, 4, &res.places)
		nees(ILag, 2, &res.receiver)
		off := r3.Sub(f.Origin(), truePos(now))
		c := f.OriginCov(&f.P)
		det := c[0][0]*c[1][1] - c[0][1]*c[0][1]
		res.origin.add((c[1][1]*off.X*off.X-2*c[0][1]*off.X*off.Y+c[0][0]*off.Y*off.Y)/det, 2)
		body := State{Att: trueAtt(now)}
		y := wrapPi(f.Yaw() - body.Yaw())
		res.yaw.add(y*y/f.YawVariance(&f.P), 1)
	}
	nees(0, NErr, &res.all)
}

// nees is eᵀ·P⁻¹·e on those of the n errors from at that are not switched off.
func (f *Filter) nees(t *testing.T, e []float64, at, n int) (q float64) {
	t.Helper()
	var p [NErr][NErr]float64
	var y []float64
	for i := range n {
		if f.P[at+i][at+i] == 0 {
			continue
		}
		k := len(y)
		y = append(y, e[i])
		col := 0
		for j := range n {
			if f.P[at+j][at+j] != 0 {
				p[k][col] = f.P[at+i][at+j]
				col++
			}
		}
	}
	for k := range y {
		a := p[k][k]
		if !(a > 0) {
			t.Fatal("covariance is not positive definite")
		}
		q += y[k] * y[k] / a
		for i := k + 1; i < len(y); i++ {
			g := p[i][k] / a
			y[i] -= g * y[k]
			for j := k; j < len(y); j++ {
				p[i][j] -= g * p[k][j]
			}
		}
	}
	return q
}
