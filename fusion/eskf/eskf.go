// Package eskf is an error-state Kalman filter for a ground vehicle with an
// inertial sensor: pure numerics, no knowledge of sentences, clocks or files.
//
// World axes are east, north, up of a local tangent plane; body axes are
// forward, left, up. Attitude is a Hamilton quaternion, body to world. Metres,
// seconds, radians throughout; variances, not standard deviations, wherever an
// argument is called r.
//
// The nominal state is integrated with every inertial sample; the error state
// stacks what may be wrong with it, in the order of [IPos] to [ICorr]. The
// attitude error is local, on the body side: R_true = R·Exp(δθ). Propagation,
// update, injection and reset follow J. Solà, "Quaternion kinematics for the
// error-state Kalman filter", arXiv:1711.02508 (2017).
//
// Position, velocity and attitude are those of the inertial sensor, which need not
// be at the body origin nor lie along its axes: a place r off the origin adds
// ω×(ω×r) + α×r to what it reads, and standing there makes both vanish. What leads
// from it to the body, and what is wrong with the sensor, is handled in three ways.
//
// Estimated, where driving shows it: place of the sensor forward and left (against
// the antenna's in every turn), pitch and yaw of the mounting (against the way the
// tyres hold), scale of the gyro about up, where the point is that does not move
// sideways (against side slip only with corners of different speed), lag and point
// of the receiver's velocity, its latency, its slow error. A state that nothing
// excites keeps its prior and its part in the covariance; see [State.OriginCov].
//
// Considered: a roll of the mounting is taken for a place of the antenna to the
// left. Heights of sensor and antenna are the caller's.
//
// Noise: scale and cross axis of the accelerometers, cross axis and g-sensitivity of
// the gyros follow the motion ([Imperfect]), vibration what is measured of it along
// each axis ([Roughness]), turn-on and warmth the random walks of [Params].
//
// All that is a sigma of zero is switched off: it costs nothing and changes nothing.
//
// Start at [Filter.InitAtRest] or [Filter.InitMoving], then [Filter.Predict]
// with every sample and [Filter.Apply] with every observation.
package eskf

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// The error state, one index per scalar; F, P, Q and every H follow it.
const (
	IPos   = 0  // δp, m, ENU
	IVel   = 3  // δv, m/s, ENU
	IAtt   = 6  // δθ, rad, body (right) side
	IGyr   = 9  // gyro bias, rad/s, body
	IAcc   = 12 // accelerometer bias, m/s^2, body
	IScale = 15 // wheel speed scale factor
	ISlip  = 16 // side slip per lateral acceleration, rad/(m/s^2)
	ILat   = 17 // GNSS latency, s
	IGain  = 18 // gyro scale factor about up
	IMount = 19 // mounting, rad: pitch, then yaw
	IIMU   = 21 // place of the sensor, m, body forward and left
	IAxle  = 23 // how far behind the body origin the point is that does not move sideways, m
	IAnt   = 24 // place of the antenna less what the caller says, m, body left
	ILag   = 25 // how late the reported velocity is, s
	IPoint = 26 // share of the lever arm by which it is not that of the antenna
	ICorr  = 27 // correlated GNSS position error, m, ENU
	NErr   = 30

	nDyn = 9 // position, velocity, attitude: the rows that move
)

// State is the nominal state.
type State struct {
	T        float64     // s, on the caller's clock; see [State.Integrate]
	Pos      r3.Vec      // m, ENU, of the sensor; see [State.Origin]
	Vel      r3.Vec      // m/s, ENU, of the sensor; see [State.OriginVel]
	Att      quat.Number // sensor to world, unit; see [State.Body]
	GyroBias r3.Vec      // rad/s, sensor: reading minus truth
	AccBias  r3.Vec      // m/s^2, sensor: reading minus truth

	WheelScale float64 // reported wheel speed over true speed
	Slip       float64 // rad/(m/s^2): sideways over forward velocity is -Slip times leftward acceleration
	Latency    float64 // s, see [Filter.Position]
	Corr       r3.Vec  // m, ENU: slowly varying error of the GNSS position, reported minus truth

	Gain float64 // share of a reading about up that is too much: ω_z = (1 - Gain)·(w_z - bias)
	// Mounting, rad: a vector v in body axes is M·v in the sensor's,
	// M = Rz(MountYaw)·Ry(MountPitch).
	MountPitch, MountYaw float64

	IMU      r3.Vec  // m, body: from the body origin to the sensor
	Axle     float64 // m: the point that does not move sideways is so far behind the body origin
	Ant      float64 // m, body left: to be added to the lever arm; a roll of the mounting shows as it
	VelLag   float64 // s: the reported velocity is that of so long ago
	VelPoint float64 // share: it is that of the point (1 - VelPoint)·lever arm

	turn turn
}

// Params are the noise densities and the constants of the place.
type Params struct {
	GyroNoise float64 // rad/s/√Hz, angle random walk
	AccNoise  float64 // m/s^2/√Hz, velocity random walk; may be changed between samples
	GyroWalk  float64 // rad/s^2/√Hz
	AccWalk   float64 // m/s^3/√Hz

	ScaleWalk   float64 // 1/√s
	SlipWalk    float64 // rad/(m/s^2)/√s
	LatencyWalk float64 // s/√s
	GainWalk    float64 // 1/√s
	MountWalk   float64 // rad/√s
	LagWalk     float64 // s/√s
	UpNoise     float64 // m/s^2/√Hz, on top of AccNoise upward; may be changed between samples
	TiltNoise   float64 // rad/s/√Hz, on top of GyroNoise about forward and left; may be changed between samples

	// The correlated GNSS position error is a first-order Gauss-Markov process.
	CorrTime   float64 // s, time constant; 0 freezes it
	CorrSigmaH float64 // m, steady state, east and north each
	CorrSigmaV float64 // m, steady state, up

	Gravity   float64 // m/s^2, positive, along -up
	EarthRate r3.Vec  // rad/s, ENU

	// CovEvery is how many samples are gathered into one step of the
	// covariance; 0 means 1. The nominal state takes every sample singly.
	CovEvery int
}

// Filter is the nominal state with the covariance of its error. It is a plain
// value: a copy is an independent filter.
type Filter struct {
	State
	Params
	P   [NErr][NErr]float64 // symmetric, both triangles kept
	Mid [9]float64          // rotation, body to world by rows, in the middle of the last sample

	acc window
}

// window gathers what the covariance step needs from several samples.
type window struct {
	n  int
	t  float64     // s, length so far
	q0 quat.Number // attitude at its start
	ir [9]float64  // ∫R dt, s
	dv r3.Vec      // ∫R·f dt, m/s, world: specific force only
	gz r3.Vec      // ∫R·e_z·(w_z - bias) dt, rad, world: what the gyro's scale acts on
	va float64     // ∫(acc noise density)² dt
	vu float64     // the same of what is on top of it upward

	// Decay of the correlated error, remembered for equal steps.
	phiT, phiTau, phi float64
}

// Integrate carries the nominal state over one sample: w (rad/s) and a (m/s^2,
// specific force) are the means over the dt seconds that end with the sample.
// The attitude in mid-step turns the specific force, which makes the position
// second order in dt. Earth rate and gravity are included; the Coriolis
// acceleration (0.3 mg at 20 m/s) is not. Arguments must be finite; a dt that
// is not positive does nothing.
//
// T advances by dt. In Unix seconds it is rounded to 0.2 µs each time, which
// adds up in one direction: take dt as the stamp of the sample minus T.
func (s *State) Integrate(w, a r3.Vec, dt float64, p *Params) {
	if !(dt > 0) {
		return
	}
	var rm [9]float64
	s.step(w, a, dt, p, &rm)
}

// step is Integrate; it hands out the mid-step rotation (row by row) and the
// specific force in world axes.
func (s *State) step(w, a r3.Vec, dt float64, p *Params, rm *[9]float64) (fw r3.Vec) {
	// Half a step of rotation, twice: qm = q⊗h, q' = qm⊗h.
	k := 0.25 * dt
	hx, hy, hz := k*(w.X-s.GyroBias.X), k*(w.Y-s.GyroBias.Y), k*((1-s.Gain)*(w.Z-s.GyroBias.Z))
	x := hx*hx + hy*hy + hz*hz
	var hw, sinc float64
	if x < 1e-3 {
		// Taylor, next terms below 3e-17.
		hw = 1 - x*(0.5-x*(1./24-x*(1./720)))
		sinc = 1 - x*(1./6-x*(1./120-x*(1./5040)))
	} else {
		n := math.Sqrt(x)
		sn, cs := math.Sincos(n)
		hw, sinc = cs, sn/n
	}
	hx, hy, hz = hx*sinc, hy*sinc, hz*sinc
	q := s.Att
	mw := q.Real*hw - q.Imag*hx - q.Jmag*hy - q.Kmag*hz
	mx := q.Real*hx + q.Imag*hw + q.Jmag*hz - q.Kmag*hy
	my := q.Real*hy - q.Imag*hz + q.Jmag*hw + q.Kmag*hx
	mz := q.Real*hz + q.Imag*hy - q.Jmag*hx + q.Kmag*hw
	nw := mw*hw - mx*hx - my*hy - mz*hz
	nx := mw*hx + mx*hw + my*hz - mz*hy
	ny := mw*hy - mx*hz + my*hw + mz*hx
	nz := mw*hz + mx*hy - my*hx + mz*hw
	// The world turns under the body: q' = Exp(-ω_e·dt)⊗q', first order is
	// exact to 1e-13 rad a step. One Newton step keeps the length.
	ex, ey, ez := -0.5*dt*p.EarthRate.X, -0.5*dt*p.EarthRate.Y, -0.5*dt*p.EarthRate.Z
	qw := nw - ex*nx - ey*ny - ez*nz
	qx := nx + ex*nw + ey*nz - ez*ny
	qy := ny - ex*nz + ey*nw + ez*nx
	qz := nz + ex*ny - ey*nx + ez*nw
	u := 1.5 - 0.5*(qw*qw+qx*qx+qy*qy+qz*qz)
	s.Att = quat.Number{Real: qw * u, Imag: qx * u, Jmag: qy * u, Kmag: qz * u}

	rotation(rm, mw, mx, my, mz)
	fx, fy, fz := a.X-s.AccBias.X, a.Y-s.AccBias.Y, a.Z-s.AccBias.Z
	fw = r3.Vec{
		X: rm[0]*fx + rm[1]*fy + rm[2]*fz,
		Y: rm[3]*fx + rm[4]*fy + rm[5]*fz,
		Z: rm[6]*fx + rm[7]*fy + rm[8]*fz,
	}
	// p += v·dt + ½(R·f + g)dt²; v += (R·f + g)dt.
	h := 0.5 * dt * dt
	az := fw.Z - p.Gravity
	s.Pos.X += s.Vel.X*dt + fw.X*h
	s.Pos.Y += s.Vel.Y*dt + fw.Y*h
	s.Pos.Z += s.Vel.Z*dt + az*h
	s.Vel.X += fw.X * dt
	s.Vel.Y += fw.Y * dt
	s.Vel.Z += az * dt
	s.T += dt
	return fw
}

// Predict carries the filter over one inertial sample, see [State.Integrate].
// The covariance follows every [Params.CovEvery] samples, or when something
// needs it.
func (f *Filter) Predict(w, a r3.Vec, dt float64) {
	if !(dt > 0) {
		return
	}
	c := &f.acc
	if c.n == 0 {
		c.q0 = f.Att
		c.t, c.va, c.vu, c.dv, c.gz, c.ir = 0, 0, 0, r3.Vec{}, r3.Vec{}, [9]float64{}
	}
	fw := f.step(w, a, dt, &f.Params, &f.Mid)
	c.add(&f.Mid, fw, w.Z-f.GyroBias.Z, dt, &f.Params)
	if c.n >= f.Params.CovEvery {
		f.Flush()
	}
}

func (c *window) add(rm *[9]float64, fw r3.Vec, wz, dt float64, q *Params) {
	c.n++
	c.t += dt
	c.va += q.AccNoise * q.AccNoise * dt
	c.vu += q.UpNoise * q.UpNoise * dt
	c.dv.X += fw.X * dt
	c.dv.Y += fw.Y * dt
	c.dv.Z += fw.Z * dt
	wz *= dt
	c.gz.X += rm[2] * wz
	c.gz.Y += rm[5] * wz
	c.gz.Z += rm[8] * wz
	for i := range c.ir {
		c.ir[i] += rm[i] * dt
	}
}

// Flush carries the covariance to the time of the nominal state. Everything
// that reads or changes the covariance through a method does so itself; a
// caller that reads P needs it when CovEvery is above 1.
func (f *Filter) Flush() {
	c := &f.acc
	if c.n == 0 {
		return
	}
	var x transition
	f.transition(c, f.Att, &x)
	f.carry(&f.P, c, &x)
	f.Corr = r3.Scale(x.phi, f.Corr)
	c.n = 0
}

// CovAhead writes to dst the covariance one coarse step of dt seconds ahead,
// taken with constant rate w and specific force a. The filter stays as it is.
func (f *Filter) CovAhead(dst *[NErr][NErr]float64, w, a r3.Vec, dt float64) {
	*dst = f.P
	c := f.acc
	if c.n == 0 {
		c = window{q0: f.Att, phiT: c.phiT, phiTau: c.phiTau, phi: c.phi}
	}
	s := f.State
	if dt > 0 {
		var rm [9]float64
		fw := s.step(w, a, dt, &f.Params, &rm)
		c.add(&rm, fw, w.Z-f.GyroBias.Z, dt, &f.Params)
	}
	if c.n == 0 {
		return
	}
	var x transition
	f.transition(&c, s.Att, &x)
	f.carry(dst, &c, &x)
}

// transition holds the blocks of F that are neither zero nor identity:
//
//	δp'   = δp + p0·δv + p1·δv'
//	δv'   = δv + vt·δθ + vg·δω_b + va·δa_b + vs·δs
//	δθ'   =      tt·δθ + tg·δω_b           + ts·δs
//	δcorr' = phi·δcorr
type transition struct {
	p0, p1             float64
	vt, vg, va, tt, tg [9]float64
	vs, ts             [3]float64 // s is the gyro's scale
	phi                float64
}

// transition builds F over the window that starts at attitude c.q0 and ends at
// q1. With J = ∫R dt and d = ∫R·f dt in world axes, integrating the error
// equations (Solà 2017) with R fixed by the nominal state gives
//
//	(v,θ) = -[d]×·R0    (v,ω_b) ≈ ½[d]×·J    (v,a_b) = -J
//	(θ,θ) = R1ᵀ·R0      (θ,ω_b) = -R1ᵀ·J
//
// The gyro's scale s acts as a bias of w_z about up would, so with
// g = ∫R·e_z·w_z dt its columns are (v,s) ≈ ½[d]×·g and (θ,s) = -R1ᵀ·g; a
// bias about up itself comes through (1 - Gain).
//
// and the trapezoid for the position, which is the exact derivative of
// [State.Integrate] when the window is one sample.
func (f *Filter) transition(c *window, q1 quat.Number, x *transition) {
	var r0, r1 [9]float64
	rotation(&r0, c.q0.Real, c.q0.Imag, c.q0.Jmag, c.q0.Kmag)
	rotation(&r1, q1.Real, q1.Imag, q1.Jmag, q1.Kmag)
	x.p0, x.p1 = 0.5*c.t, 0.5*c.t
	j := &c.ir
	dx, dy, dz := c.dv.X, c.dv.Y, c.dv.Z
	for k := range 3 {
		a, b, e := r0[k], r0[k+3], r0[k+6]
		x.vt[k], x.vt[k+3], x.vt[k+6] = dz*b-dy*e, dx*e-dz*a, dy*a-dx*b
		x.tt[k] = r1[0]*a + r1[3]*b + r1[6]*e
		x.tt[k+3] = r1[1]*a + r1[4]*b + r1[7]*e
		x.tt[k+6] = r1[2]*a + r1[5]*b + r1[8]*e
		a, b, e = -j[k], -j[k+3], -j[k+6]
		x.va[k], x.va[k+3], x.va[k+6] = a, b, e
		x.vg[k], x.vg[k+3], x.vg[k+6] = 0.5*(dz*b-dy*e), 0.5*(dx*e-dz*a), 0.5*(dy*a-dx*b)
		x.tg[k] = r1[0]*a + r1[3]*b + r1[6]*e
		x.tg[k+3] = r1[1]*a + r1[4]*b + r1[7]*e
		x.tg[k+6] = r1[2]*a + r1[5]*b + r1[8]*e
	}
	k := 1 - f.Gain
	for i := 2; i < 9; i += 3 {
		x.vg[i] *= k
		x.tg[i] *= k
	}
	gx, gy, gz := -c.gz.X, -c.gz.Y, -c.gz.Z
	x.vs = [3]float64{0.5 * (dz*gy - dy*gz), 0.5 * (dx*gz - dz*gx), 0.5 * (dy*gx - dx*gy)}
	x.ts = [3]float64{r1[0]*gx + r1[3]*gy + r1[6]*gz, r1[1]*gx + r1[4]*gy + r1[7]*gz, r1[2]*gx + r1[5]*gy + r1[8]*gz}
	x.phi = 1
	if tau := f.Params.CorrTime; tau > 0 {
		if c.t != c.phiT || tau != c.phiTau {
			c.phiT, c.phiTau, c.phi = c.t, tau, math.Exp(-c.t/tau)
		}
		x.phi = c.phi
	}
}

// carry is P ← F(P + ½Q)Fᵀ + ½Q: half of the noise enters before the step and
// half after it, which gives the cross terms (velocity noise moving the
// position, gyro noise turning into velocity) to second order.
func (f *Filter) carry(p *[NErr][NErr]float64, c *window, x *transition) {
	q := f.noise(c, 0.5)
	q.add(p)
	propagate(p, x)
	q.add(p)
	h := 1 - x.phi*x.phi
	vh := h * f.Params.CorrSigmaH * f.Params.CorrSigmaH
	p[ICorr][ICorr] += vh
	p[ICorr+1][ICorr+1] += vh
	p[ICorr+2][ICorr+2] += h * f.Params.CorrSigmaV * f.Params.CorrSigmaV
}

// noise is the diagonal of Q: variances of the white noise over a window.
type noise struct{ vel, up, att, tilt, gyr, acc, scale, slip, lat, gain, mount, lag float64 }

func (f *Filter) noise(c *window, share float64) noise {
	q := &f.Params
	t := share * c.t
	return noise{
		vel: share * c.va, up: share * c.vu, att: t * q.GyroNoise * q.GyroNoise, tilt: t * q.TiltNoise * q.TiltNoise,
		gain: t * q.GainWalk * q.GainWalk, mount: t * q.MountWalk * q.MountWalk, lag: t * q.LagWalk * q.LagWalk,
		gyr: t * q.GyroWalk * q.GyroWalk, acc: t * q.AccWalk * q.AccWalk,
		scale: t * q.ScaleWalk * q.ScaleWalk, slip: t * q.SlipWalk * q.SlipWalk, lat: t * q.LatencyWalk * q.LatencyWalk,
	}
}

func (q *noise) add(p *[NErr][NErr]float64) {
	p[IVel][IVel] += q.vel
	p[IVel+1][IVel+1] += q.vel
	p[IVel+2][IVel+2] += q.vel + q.up
	p[IAtt][IAtt] += q.att + q.tilt
	p[IAtt+1][IAtt+1] += q.att + q.tilt
	p[IAtt+2][IAtt+2] += q.att
	p[IGyr][IGyr] += q.gyr
	p[IGyr+1][IGyr+1] += q.gyr
	p[IGyr+2][IGyr+2] += q.gyr
	p[IAcc][IAcc] += q.acc
	p[IAcc+1][IAcc+1] += q.acc
	p[IAcc+2][IAcc+2] += q.acc
	p[IScale][IScale] += q.scale
	p[ISlip][ISlip] += q.slip
	p[ILat][ILat] += q.lat
	p[IGain][IGain] += q.gain
	p[IMount][IMount] += q.mount
	p[IMount+1][IMount+1] += q.mount
	p[ILag][ILag] += q.lag
}

// propagate is P ← F·P·Fᵀ, in place and written out: this is the hot path.
// Only nine rows of F move and they look at the first fifteen errors and the
// gyro's scale, so a pass
// over the rows of P makes it P·Fᵀ, and a pass over its nine moving columns the
// rest. What follows from symmetry is copied, not worked out.
func propagate(p *[NErr][NErr]float64, x *transition) {
	vt, vg, va, tt, tg, vs, ts := &x.vt, &x.vg, &x.va, &x.tt, &x.tg, &x.vs, &x.ts
	for j := range p {
		r := &p[j]
		a0, a1, a2 := r[IAtt], r[IAtt+1], r[IAtt+2]
		g0, g1, g2 := r[IGyr], r[IGyr+1], r[IGyr+2]
		b0, b1, b2 := r[IAcc], r[IAcc+1], r[IAcc+2]
		v0, v1, v2 := r[IVel], r[IVel+1], r[IVel+2]
		s := r[IGain]
		n0 := (v0 + vt[0]*a0 + vt[1]*a1 + vt[2]*a2) + (vg[0]*g0 + vg[1]*g1 + vg[2]*g2) + (va[0]*b0 + va[1]*b1 + va[2]*b2) + vs[0]*s
		n1 := (v1 + vt[3]*a0 + vt[4]*a1 + vt[5]*a2) + (vg[3]*g0 + vg[4]*g1 + vg[5]*g2) + (va[3]*b0 + va[4]*b1 + va[5]*b2) + vs[1]*s
		n2 := (v2 + vt[6]*a0 + vt[7]*a1 + vt[8]*a2) + (vg[6]*g0 + vg[7]*g1 + vg[8]*g2) + (va[6]*b0 + va[7]*b1 + va[8]*b2) + vs[2]*s
		p0 := r[IPos] + x.p0*v0 + x.p1*n0
		p1 := r[IPos+1] + x.p0*v1 + x.p1*n1
		p2 := r[IPos+2] + x.p0*v2 + x.p1*n2
		if j < IAtt { // the attitude columns of these rows come by symmetry
			r[0], r[1], r[2], r[3], r[4], r[5] = p0, p1, p2, n0, n1, n2
			continue
		}
		t0 := (tt[0]*a0 + tt[1]*a1 + tt[2]*a2) + (tg[0]*g0 + tg[1]*g1 + tg[2]*g2) + ts[0]*s
		t1 := (tt[3]*a0 + tt[4]*a1 + tt[5]*a2) + (tg[3]*g0 + tg[4]*g1 + tg[5]*g2) + ts[1]*s
		t2 := (tt[6]*a0 + tt[7]*a1 + tt[8]*a2) + (tg[6]*g0 + tg[7]*g1 + tg[8]*g2) + ts[2]*s
		if j >= ICorr {
			h := x.phi
			p0, p1, p2, n0, n1, n2, t0, t1, t2 = h*p0, h*p1, h*p2, h*n0, h*n1, h*n2, h*t0, h*t1, h*t2
		}
		r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], r[8] = p0, p1, p2, n0, n1, n2, t0, t1, t2
		if j >= nDyn {
			p[0][j], p[1][j], p[2][j] = p0, p1, p2
			p[3][j], p[4][j], p[5][j] = n0, n1, n2
			p[6][j], p[7][j], p[8][j] = t0, t1, t2
		}
	}
	rt0, rt1, rt2 := &p[IAtt], &p[IAtt+1], &p[IAtt+2]
	rg0, rg1, rg2, rs := &p[IGyr], &p[IGyr+1], &p[IGyr+2], &p[IGain]
	for l := range nDyn {
		a0, a1, a2 := rt0[l], rt1[l], rt2[l]
		g0, g1, g2, s := rg0[l], rg1[l], rg2[l], rs[l]
		t0 := (tt[0]*a0 + tt[1]*a1 + tt[2]*a2) + (tg[0]*g0 + tg[1]*g1 + tg[2]*g2) + ts[0]*s
		t1 := (tt[3]*a0 + tt[4]*a1 + tt[5]*a2) + (tg[3]*g0 + tg[4]*g1 + tg[5]*g2) + ts[1]*s
		t2 := (tt[6]*a0 + tt[7]*a1 + tt[8]*a2) + (tg[6]*g0 + tg[7]*g1 + tg[8]*g2) + ts[2]*s
		rt0[l], rt1[l], rt2[l] = t0, t1, t2
		if l < IAtt {
			o := &p[l]
			o[IAtt], o[IAtt+1], o[IAtt+2] = t0, t1, t2
		}
		if l < IVel || l >= IAtt {
			continue
		}
		b0, b1, b2 := p[IAcc][l], p[IAcc+1][l], p[IAcc+2][l]
		v0, v1, v2 := p[IVel][l], p[IVel+1][l], p[IVel+2][l]
		n0 := (v0 + vt[0]*a0 + vt[1]*a1 + vt[2]*a2) + (vg[0]*g0 + vg[1]*g1 + vg[2]*g2) + (va[0]*b0 + va[1]*b1 + va[2]*b2) + vs[0]*s
		n1 := (v1 + vt[3]*a0 + vt[4]*a1 + vt[5]*a2) + (vg[3]*g0 + vg[4]*g1 + vg[5]*g2) + (va[3]*b0 + va[4]*b1 + va[5]*b2) + vs[1]*s
		n2 := (v2 + vt[6]*a0 + vt[7]*a1 + vt[8]*a2) + (vg[6]*g0 + vg[7]*g1 + vg[8]*g2) + (va[6]*b0 + va[7]*b1 + va[8]*b2) + vs[2]*s
		p[IVel][l], p[IVel+1][l], p[IVel+2][l] = n0, n1, n2
		p[IPos][l] += x.p0*v0 + x.p1*n0
		p[IPos+1][l] += x.p0*v1 + x.p1*n1
		p[IPos+2][l] += x.p0*v2 + x.p1*n2
	}
	// (p,p) from (v,p) before the velocity and after it; the latter is the
	// transpose of the (p,v) just made.
	for l := IPos; l < IVel; l++ {
		o := &p[l]
		n0, n1, n2 := o[IVel], o[IVel+1], o[IVel+2]
		p[IPos][l] += x.p0*p[IVel][l] + x.p1*n0
		p[IPos+1][l] += x.p0*p[IVel+1][l] + x.p1*n1
		p[IPos+2][l] += x.p0*p[IVel+2][l] + x.p1*n2
		p[IVel][l], p[IVel+1][l], p[IVel+2][l] = n0, n1, n2
	}
	// Rounding differs between the triangles of the blocks on the diagonal.
	for i := IPos; i < nDyn; i += 3 {
		p[i+1][i], p[i+2][i], p[i+2][i+1] = p[i][i+1], p[i][i+2], p[i+1][i+2]
	}
	if h := x.phi; h != 1 {
		for j := nDyn; j < ICorr; j++ {
			r := &p[j]
			u, v, w := h*r[ICorr], h*r[ICorr+1], h*r[ICorr+2]
			r[ICorr], r[ICorr+1], r[ICorr+2] = u, v, w
			p[ICorr][j], p[ICorr+1][j], p[ICorr+2][j] = u, v, w
		}
		for j := ICorr; j < NErr; j++ {
			for k := ICorr; k < NErr; k++ {
				p[j][k] *= h * h
			}
		}
	}
}
