package eskf

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxNonZero is how many entries a row of H may have: an antenna velocity
// needs one velocity, three attitude, three gyro bias, latency, gyro scale, two
// mounting, two of the sensor's place, one of the antenna's, lag and point.
const maxNonZero = 16

// Obs is one observation of up to three scalars with independent noise,
// linearised about the state it was built from; apply it before the state
// moves. It is a value and holds no pointers.
type Obs struct {
	N    int
	Y    [3]float64 // innovation: measured minus predicted
	R    [3]float64 // variance of the white noise
	rows [3]sparse
}

// sparse is one row of H.
type sparse struct {
	n int
	i [maxNonZero]uint8
	h [maxNonZero]float64
}

func (s *sparse) put(i int, h float64) {
	s.i[s.n] = uint8(i)
	s.h[s.n] = h
	s.n++
}

func (s *sparse) put3(i int, x, y, z float64) {
	s.put(i, x)
	s.put(i+1, y)
	s.put(i+2, z)
}

// Row returns row k of H in full.
func (o *Obs) Row(k int) (h [NErr]float64) {
	s := &o.rows[k]
	for i := range s.n {
		h[s.i[i]] += s.h[i]
	}
	return h
}

// Shift moves the time of validity s seconds before that of the state,
// to first order along the antenna's motion: good for tens of milliseconds.
//
// Use it when State.Latency has changed since the state's time was worked out
// from it, as it does between the position and the velocity of one epoch:
// Shift(State.Latency - latency then).
func (o *Obs) Shift(s float64) {
	for k := range o.N {
		// h(T-s) = h(T) + s·∂h/∂latency.
		o.Y[k] -= s * o.Row(k)[ILat]
	}
}

// pose is what observations need of the attitude.
type pose struct {
	r, m, b [3][3]float64 // sensor to world, body to sensor, body to world: b = r·m
	yaw     r3.Vec        // body axes: a larger MountYaw turns the body about it, a larger MountPitch about left
}

func (s *State) pose() (q pose) {
	q.r = s.R()
	q.m, q.b, q.yaw = [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, q.r, r3.Vec{Z: 1}
	if t := s.mounting(); t != nil {
		q.m = t.m
		q.b, q.yaw = mul(&q.r, &q.m), r3.Vec{X: q.m[2][0], Z: q.m[2][2]}
	}
	return q
}

// turn is the mounting that a state had when it was last asked for: it changes ten
// times a second and is asked for a thousand times.
type turn struct {
	pitch, yaw float64       // rad
	m          [3][3]float64 // body to sensor
	q          quat.Number   // the same
}

// mounting returns the turn from body to sensor, nil for none.
func (s *State) mounting() *turn {
	if s.MountPitch == 0 && s.MountYaw == 0 {
		return nil
	}
	t := &s.turn
	if t.pitch != s.MountPitch || t.yaw != s.MountYaw {
		sp, cp := math.Sincos(s.MountPitch)
		sy, cy := math.Sincos(s.MountYaw)
		*t = turn{s.MountPitch, s.MountYaw, [3][3]float64{{cy * cp, -sy, cy * sp}, {sy * cp, cy, sy * sp}, {-sp, 0, cp}}, FromEuler(0, s.MountPitch, s.MountYaw)}
	}
	return t
}

// rate returns the turn rate that a gyro sample w (rad/s) says, sensor axes.
func (s *State) rate(w r3.Vec) r3.Vec {
	w = r3.Sub(w, s.GyroBias)
	w.Z *= 1 - s.Gain
	return w
}

func (h *sparse) mount(k int, m *[3][3]float64, arm, yaw r3.Vec) {
	// m·(u×arm) for the turns u about left and about yaw.
	h.put(IMount, m[k][0]*arm.Z-m[k][2]*arm.X)
	c := r3.Cross(yaw, arm)
	h.put(IMount+1, m[k][0]*c.X+m[k][1]*c.Y+m[k][2]*c.Z)
}

// Position observes the antenna position z (m, ENU) with white variances r:
//
//	h = p + R·M·(l + Ant - IMU) + corr
//
// w is the gyro sample at that time (rad/s, bias still in it), lever the
// antenna in body axes (m).
//
// An epoch with receiver time u is taken as valid at T = u + envelope -
// State.Latency, and the state must sit there. If the latency is truly larger
// by δL, the epoch was valid δL earlier: z = h(T-δL), so the column of the
// latency is -(v + R·(ω×l)). Positive δL raises State.Latency.
func (f *Filter) Position(z r3.Vec, r [3]float64, lever, w r3.Vec) Obs {
	var o Obs
	f.position(&o, 3, z, r, lever, w)
	return o
}

// HorizontalPosition is [Filter.Position] for an epoch without height.
func (f *Filter) HorizontalPosition(east, north float64, r [2]float64, lever, w r3.Vec) Obs {
	var o Obs
	f.position(&o, 2, r3.Vec{X: east, Y: north}, [3]float64{r[0], r[1]}, lever, w)
	return o
}

func (s *State) position(o *Obs, n int, z r3.Vec, r [3]float64, lever, w r3.Vec) {
	q := s.pose()
	arm := s.arm(lever, 0)
	ps := apply(&q.m, arm)
	l := apply(&q.r, ps)
	lx := cross(ps)
	at := mul(&q.r, &lx)
	va := r3.Add(s.Vel, apply(&q.r, r3.Cross(s.rate(w), ps)))
	o.N = n
	o.R = r
	o.Y = [3]float64{
		z.X - (s.Pos.X + l.X + s.Corr.X),
		z.Y - (s.Pos.Y + l.Y + s.Corr.Y),
		z.Z - (s.Pos.Z + l.Z + s.Corr.Z),
	}
	v := [3]float64{va.X, va.Y, va.Z}
	for k := range n {
		h := &o.rows[k]
		h.put(IPos+k, 1)
		h.put3(IAtt, -at[k][0], -at[k][1], -at[k][2])
		h.put(ILat, -v[k])
		h.mount(k, &q.b, arm, q.yaw)
		h.put(IIMU, -q.b[k][0])
		h.put(IIMU+1, -q.b[k][1])
		h.put(IAnt, q.b[k][1])
		h.put(ICorr+k, 1)
	}
}

// arm returns the way from the sensor to the point (1 - less)·lever, body axes.
func (s *State) arm(lever r3.Vec, less float64) r3.Vec {
	lever.Y += s.Ant
	return r3.Sub(r3.Scale(1-less, lever), s.IMU)
}

// Velocity observes the horizontal velocity (m/s, east and north) of the point
// c = (1 - VelPoint)·(l + Ant) of the body, VelLag late, with variances r:
//
//	h = v + R·(ω×a) - VelLag·(dv/dt + R·(ω×(ω×a))), a = M·(c - IMU)
//
// aWorld is the acceleration of the sensor in world axes (m/s^2, gravity
// removed); with the centripetal part of the lever arm it gives the columns of
// latency and lag, see [Filter.Position]. The lag is of first order.
func (f *Filter) Velocity(ve, vn float64, r [2]float64, lever, w, aWorld r3.Vec) Obs {
	var o Obs
	f.velocity(&o, 2, r3.Vec{X: ve, Y: vn}, [3]float64{r[0], r[1]}, lever, w, aWorld)
	return o
}

// Velocity3D is [Filter.Velocity] with the upward velocity.
func (f *Filter) Velocity3D(z r3.Vec, r [3]float64, lever, w, aWorld r3.Vec) Obs {
	var o Obs
	f.velocity(&o, 3, z, r, lever, w, aWorld)
	return o
}

func (s *State) velocity(o *Obs, n int, z r3.Vec, r [3]float64, lever, w, aWorld r3.Vec) {
	q := s.pose()
	om := s.rate(w)
	ps := apply(&q.m, s.arm(lever, s.VelPoint))
	wl := r3.Cross(om, ps)
	wwl := r3.Cross(om, wl)
	lag := s.VelLag
	aa := r3.Add(aWorld, apply(&q.r, wwl))
	ws := r3.Sub(wl, r3.Scale(lag, wwl)) // what the turn adds, sensor axes
	va := r3.Sub(r3.Add(s.Vel, apply(&q.r, ws)), r3.Scale(lag, aWorld))
	wsx := cross(ws)
	at := mul(&q.r, &wsx)
	// d(ws)/d(ω) = -[ps]× + lag·([ω×ps]× + [ω]×[ps]×), d(ws)/d(ps) = [ω]× - lag·[ω]×².
	wx, px, wlx := cross(om), cross(ps), cross(wl)
	byRate, byArm := mul(&wx, &px), mul(&wx, &wx)
	for i := range 3 {
		for j := range 3 {
			byRate[i][j] = lag*(wlx[i][j]+byRate[i][j]) - px[i][j]
			byArm[i][j] = wx[i][j] - lag*byArm[i][j]
		}
	}
	byRate, byArm = mul(&q.r, &byRate), mul(&q.r, &byArm)
	byArm = mul(&byArm, &q.m) // by the point in body axes
	full := s.arm(lever, 0)
	share := r3.Scale(-1, r3.Add(full, s.IMU)) // change of the point with VelPoint
	arm := r3.Add(full, r3.Scale(s.VelPoint, share))
	gain := w.Z - s.GyroBias.Z
	o.N = n
	o.R = r
	o.Y = [3]float64{z.X - va.X, z.Y - va.Y, z.Z - va.Z}
	a := [3]float64{aa.X, aa.Y, aa.Z}
	for k := range n {
		h, c := &o.rows[k], &byArm[k]
		h.put(IVel+k, 1)
		h.put3(IAtt, -at[k][0], -at[k][1], -at[k][2])
		h.put3(IGyr, -byRate[k][0], -byRate[k][1], -(1-s.Gain)*byRate[k][2])
		h.put(ILat, -a[k])
		h.put(IGain, -gain*byRate[k][2])
		h.mount(k, &byArm, arm, q.yaw)
		h.put(IIMU, -c[0])
		h.put(IIMU+1, -c[1])
		h.put(IAnt, (1-s.VelPoint)*c[1])
		h.put(ILag, -a[k])
		h.put(IPoint, c[0]*share.X+c[1]*share.Y+c[2]*share.Z)
	}
}

// Heading observes the yaw of the body (rad, counter-clockwise from east) with
// variance r. It means nothing when forward points straight up or down.
func (f *Filter) Heading(yaw, r float64) Obs {
	q := f.pose()
	m := &q.b
	// Forward is b = R·M·e_x, yaw = atan2(b_y, b_x). A turn δ of the body moves
	// it by R·M·(δ×e_x): δ_y tips it along -R·M·e_z, δ_z along R·M·e_y.
	d := m[0][0]*m[0][0] + m[1][0]*m[1][0]
	ty, tz := (m[1][0]*m[0][2]-m[0][0]*m[1][2])/d, (m[0][0]*m[1][1]-m[1][0]*m[0][1])/d
	var o Obs
	o.N = 1
	o.R[0] = r
	o.Y[0] = wrapPi(yaw - math.Atan2(m[1][0], m[0][0]))
	h := &o.rows[0]
	// The sensor turned by δθ turns the body by Mᵀ·δθ.
	h.put3(IAtt, q.m[0][1]*ty+q.m[0][2]*tz, q.m[1][1]*ty+q.m[1][2]*tz, q.m[2][1]*ty+q.m[2][2]*tz)
	h.put(IMount, ty)
	h.put(IMount+1, q.yaw.Z*tz)
	return o
}

// bodyVel is the velocity in body axes of the point that does not move sideways,
// l behind the sensor, with its derivatives, a row of each matrix per component:
//
//	u = Mᵀ·(Rᵀ·v - ω×(M·l)), l = IMU + Axle·e_x
//
// Forward it is that of the body origin too. Upward it is that of the sensor, for
// a body on springs does not pitch about a point that is known.
type bodyVel struct {
	u        r3.Vec
	vel, att [3][3]float64 // by v (world), by the sensor's attitude
	gyr      [3][3]float64 // by the rate ω (sensor)
	mount    [3][2]float64
	imu      [3][2]float64
	gain     float64 // w_z less its bias
	keep     float64 // 1 - Gain
	hasArm   bool    // the sensor is not known to be at that point
}

func (f *Filter) bodyVel(w r3.Vec) (q bodyVel) {
	p := f.pose()
	vs := r3.Vec{ // Rᵀ·v
		X: p.r[0][0]*f.Vel.X + p.r[1][0]*f.Vel.Y + p.r[2][0]*f.Vel.Z,
		Y: p.r[0][1]*f.Vel.X + p.r[1][1]*f.Vel.Y + p.r[2][1]*f.Vel.Z,
		Z: p.r[0][2]*f.Vel.X + p.r[1][2]*f.Vel.Y + p.r[2][2]*f.Vel.Z,
	}
	mt := transpose(&p.m)
	q.u = apply(&mt, vs)
	q.vel = transpose(&p.b)
	vx := cross(vs)
	q.att = mul(&mt, &vx) // δ(Rᵀv) = [Rᵀv]×·δθ
	q.keep = 1 - f.Gain
	q.gain = w.Z - f.GyroBias.Z
	l := r3.Add(f.IMU, r3.Vec{X: f.Axle})
	q.hasArm = l != r3.Vec{} || f.P[IIMU][IIMU] > 0 || f.P[IIMU+1][IIMU+1] > 0 || f.P[IAxle][IAxle] > 0
	var wb r3.Vec // ω in body axes
	if q.hasArm {
		wb = apply(&mt, f.rate(w))
		c := r3.Cross(wb, l)
		q.u.X, q.u.Y = q.u.X-c.X, q.u.Y-c.Y
		lx := cross(l)
		q.gyr = mul(&lx, &mt) // -(δω×l) = [l]×·δω
		wx := cross(wb)
		q.gyr[2] = [3]float64{}
		for k := range 2 {
			q.imu[k] = [2]float64{-wx[k][0], -wx[k][1]}
		}
	}
	// The body turned by δ: Mᵀ·x becomes Mᵀ·x + (Mᵀ·x)×δ, for Rᵀ·v and ω alike.
	for i, axis := range [2]r3.Vec{{Y: 1}, p.yaw} {
		d := r3.Cross(apply(&mt, vs), axis)
		if q.hasArm {
			c := r3.Cross(r3.Cross(wb, axis), l)
			d.X, d.Y = d.X-c.X, d.Y-c.Y
		}
		q.mount[0][i], q.mount[1][i], q.mount[2][i] = d.X, d.Y, d.Z
	}
	return q
}

// row adds g times the derivatives of component k, and h those of component j.
func (q *bodyVel) row(s *sparse, g float64, k int, h float64, j int) {
	s.put3(IVel, g*q.vel[k][0]+h*q.vel[j][0], g*q.vel[k][1]+h*q.vel[j][1], g*q.vel[k][2]+h*q.vel[j][2])
	s.put3(IAtt, g*q.att[k][0]+h*q.att[j][0], g*q.att[k][1]+h*q.att[j][1], g*q.att[k][2]+h*q.att[j][2])
	s.put(IMount, g*q.mount[k][0]+h*q.mount[j][0])
	s.put(IMount+1, g*q.mount[k][1]+h*q.mount[j][1])
	if q.hasArm {
		z := g*q.gyr[k][2] + h*q.gyr[j][2]
		s.put3(IGyr, -(g*q.gyr[k][0] + h*q.gyr[j][0]), -(g*q.gyr[k][1] + h*q.gyr[j][1]), -q.keep*z)
		s.put(IGain, -q.gain*z)
		s.put(IIMU, g*q.imu[k][0]+h*q.imu[j][0])
		s.put(IIMU+1, g*q.imu[k][1]+h*q.imu[j][1])
		s.put(IAxle, g*q.imu[k][0]+h*q.imu[j][0])
	}
}

// Wheel observes the wheel speed v (m/s, forward, as reported) with variance
// r: h = WheelScale·u_x, u the velocity of the body origin in body axes. w is
// the gyro sample at that time (rad/s, bias in it).
func (f *Filter) Wheel(v, r float64, w r3.Vec) Obs {
	q := f.bodyVel(w)
	var o Obs
	o.N = 1
	o.R[0] = r
	o.Y[0] = v - f.WheelScale*q.u.X
	q.row(&o.rows[0], f.WheelScale, 0, 0, 0)
	o.rows[0].put(IScale, q.u.X)
	return o
}

// Side observes that the point Axle behind the body origin moves along the
// forward axis but for the side slip, with variances rSide and rUp (m²/s²) of the sideways and upward
// velocity. aLat is the leftward acceleration (m/s^2), steady its mean over some tenths
// of a second, w the gyro sample (rad/s, bias in it). In a left turn (aLat positive) the tyres let the car
// drift outwards, to the right:
//
//	u_y = -Slip·aLat·u_x    u_z = 0    (body axes, see bodyVel)
//
// The noise of aLat is in the innovation. Were it in the derivative by Slip too, it
// would draw Slip to zero, and the axle and the mounting would make up for that: Slip
// is learned by the steady one.
func (f *Filter) Side(rSide, rUp, aLat, steady float64, w r3.Vec) Obs {
	q := f.bodyVel(w)
	var o Obs
	o.N = 2
	o.R = [3]float64{rSide, rUp}
	o.Y = [3]float64{-(q.u.Y + f.Slip*aLat*q.u.X), -q.u.Z}
	f.sideRows(&q, aLat, steady, &o.rows[0], &o.rows[1])
	return o
}

func (f *Filter) sideRows(q *bodyVel, aLat, steady float64, side, up *sparse) {
	q.row(side, 1, 1, f.Slip*aLat, 0)
	side.put(ISlip, steady*q.u.X)
	q.row(up, 1, 2, 0, 0)
}

// Rolling is Wheel and Side at once, both as the filter expects them: applied, only
// the covariance learns. Its rows are those of [Filter.Side] and then
// [Filter.Wheel], of variance r (m²/s²).
func (f *Filter) Rolling(r, rSide, rUp, aLat float64, w r3.Vec) Obs {
	q := f.bodyVel(w)
	var o Obs
	o.N = 3
	o.R = [3]float64{rSide, rUp, r}
	f.sideRows(&q, aLat, aLat, &o.rows[0], &o.rows[1])
	q.row(&o.rows[2], f.WheelScale, 0, 0, 0)
	o.rows[2].put(IScale, q.u.X)
	return o
}

// ZeroVelocity observes standing still, with variance r (m²/s²) each axis.
func (f *Filter) ZeroVelocity(r float64) Obs {
	var o Obs
	o.N = 3
	o.R = [3]float64{r, r, r}
	o.Y = [3]float64{-f.Vel.X, -f.Vel.Y, -f.Vel.Z}
	for k := range 3 {
		o.rows[k].put(IVel+k, 1)
	}
	return o
}

// ZeroRate observes the gyro at rest: it reads w (rad/s) = bias + Earth rate,
// with variance r ((rad/s)²) each axis.
func (f *Filter) ZeroRate(w r3.Vec, r float64) Obs {
	e := f.ToBody(f.Params.EarthRate)
	ex := cross(e)
	var o Obs
	o.N = 3
	o.R = [3]float64{r, r, r}
	o.Y = [3]float64{w.X - f.GyroBias.X - e.X, w.Y - f.GyroBias.Y - e.Y, w.Z - f.GyroBias.Z - e.Z}
	for k := range 3 {
		h := &o.rows[k]
		h.put3(IAtt, ex[k][0], ex[k][1], ex[k][2])
		h.put(IGyr+k, 1)
	}
	return o
}

// Innovation compares an observation with its prediction.
type Innovation struct {
	N   int
	Y   [3]float64    // z - h(x̂)
	S   [3][3]float64 // H·P·Hᵀ + R
	NIS float64       // Yᵀ·S⁻¹·Y, chi-square with N degrees of freedom; NaN if S is not positive definite
}

// Innovation compares o with the filter, without applying it.
func (f *Filter) Innovation(o *Obs) Innovation {
	f.Flush()
	in := Innovation{N: o.N, Y: o.Y}
	for a := range o.N {
		var b [NErr]float64
		f.mulP(&o.rows[a], &b)
		for c := range a + 1 {
			s := o.rows[c].dot(&b)
			if a == c {
				s += o.R[a]
			}
			in.S[a][c], in.S[c][a] = s, s
		}
	}
	// Square-root free: eliminate row by row.
	l, y := in.S, in.Y
	for k := range o.N {
		d := l[k][k]
		if !(d > 0) {
			in.NIS = math.NaN()
			break
		}
		in.NIS += y[k] * y[k] / d
		for i := k + 1; i < o.N; i++ {
			g := l[i][k] / d
			y[i] -= g * y[k]
			for j := k + 1; j < o.N; j++ {
				l[i][j] -= g * l[k][j]
			}
		}
	}
	return in
}

func (s *sparse) dot(v *[NErr]float64) (d float64) {
	for i := range s.n {
		d += s.h[i] * v[s.i[i]]
	}
	return d
}

// mulP writes P·h, by rows of P since P is symmetric.
func (f *Filter) mulP(s *sparse, b *[NErr]float64) {
	*b = [NErr]float64{}
	for i := range s.n {
		if k := s.i[i]; f.P[k][k] != 0 { // not switched off
			addScaled(b, s.h[i], &f.P[k])
		}
	}
}

// addScaled is b += h·r, written out for speed.
func addScaled(b *[NErr]float64, h float64, r *[NErr]float64) {
	b[0] += h * r[0]
	b[1] += h * r[1]
	b[2] += h * r[2]
	b[3] += h * r[3]
	b[4] += h * r[4]
	b[5] += h * r[5]
	b[6] += h * r[6]
	b[7] += h * r[7]
	b[8] += h * r[8]
	b[9] += h * r[9]
	b[10] += h * r[10]
	b[11] += h * r[11]
	b[12] += h * r[12]
	b[13] += h * r[13]
	b[14] += h * r[14]
	b[15] += h * r[15]
	b[16] += h * r[16]
	b[17] += h * r[17]
	b[18] += h * r[18]
	b[19] += h * r[19]
	b[20] += h * r[20]
	b[21] += h * r[21]
	b[22] += h * r[22]
	b[23] += h * r[23]
	b[24] += h * r[24]
	b[25] += h * r[25]
	b[26] += h * r[26]
	b[27] += h * r[27]
	b[28] += h * r[28]
	b[29] += h * r[29]
}

// Apply corrects the filter by o and reports whether it did: an observation
// with a non-finite innovation or without a positive innovation variance
// leaves the filter untouched.
//
// The rows are taken one after the other, each innovation corrected for the
// rows before. One row is P ← P - w·wᵀ with w = P·h/√S, symmetric by
// construction; since P·h of a later row follows from the earlier w, all rows
// are subtracted in one pass. Then the error is injected once and the attitude
// covariance reset: P ← G·P·Gᵀ, G = I - [½δθ]× (Solà 2017).
func (f *Filter) Apply(o *Obs) bool {
	f.Flush()
	var dx [NErr]float64
	if !f.correct(o, &dx) {
		return false
	}
	if dx == ([NErr]float64{}) { // only the covariance learns
		return true
	}
	f.plus(&dx)
	f.resetAttitude(r3.Vec{X: dx[IAtt], Y: dx[IAtt+1], Z: dx[IAtt+2]})
	return true
}

// correct takes o into the covariance and gives the estimate of the error.
func (f *Filter) correct(o *Obs, dx *[NErr]float64) bool {
	var w [3][NErr]float64
	for a := range o.N {
		h, b := &o.rows[a], &w[a]
		f.mulP(h, b)
		for c := range a {
			addScaled(b, -h.dot(&w[c]), &w[c])
		}
		s := h.dot(b) + o.R[a]
		y := o.Y[a] - h.dot(dx)
		if !(s > 0) || math.IsNaN(y) || math.IsInf(y, 0) || math.IsInf(s, 0) {
			return false
		}
		k := 1 / math.Sqrt(s)
		y *= k
		for j := range b {
			b[j] *= k
			dx[j] += b[j] * y
		}
	}
	if o.N == 1 {
		subtract1(&f.P, &w[0])
	} else {
		subtract3(&f.P, &w[0], &w[1], &w[2])
	}
	return true
}

// subtract1 is P ← P - u·uᵀ, three rows at a time, upper triangle copied to
// the lower.
func subtract1(p *[NErr][NErr]float64, u *[NErr]float64) {
	for i := 0; i < NErr; i += 3 {
		r0, r1, r2 := &p[i], &p[i+1], &p[i+2]
		u0, u1, u2 := u[i], u[i+1], u[i+2]
		for j := i; j < NErr; j++ {
			uj := u[j]
			a, b, c := r0[j]-u0*uj, r1[j]-u1*uj, r2[j]-u2*uj
			r0[j], r1[j], r2[j] = a, b, c
			if j >= i+3 {
				q := &p[j]
				q[i], q[i+1], q[i+2] = a, b, c
			}
		}
	}
}

// subtract3 is P ← P - u·uᵀ - v·vᵀ - w·wᵀ.
func subtract3(p *[NErr][NErr]float64, u, v, w *[NErr]float64) {
	for i := 0; i < NErr; i += 3 {
		r0, r1, r2 := &p[i], &p[i+1], &p[i+2]
		u0, u1, u2 := u[i], u[i+1], u[i+2]
		v0, v1, v2 := v[i], v[i+1], v[i+2]
		w0, w1, w2 := w[i], w[i+1], w[i+2]
		for j := i; j < NErr; j++ {
			uj, vj, wj := u[j], v[j], w[j]
			a := r0[j] - (u0*uj + v0*vj + w0*wj)
			b := r1[j] - (u1*uj + v1*vj + w1*wj)
			c := r2[j] - (u2*uj + v2*vj + w2*wj)
			r0[j], r1[j], r2[j] = a, b, c
			if j >= i+3 {
				q := &p[j]
				q[i], q[i+1], q[i+2] = a, b, c
			}
		}
	}
}

// plus adds an error to the nominal state: x ⊞ δx.
func (s *State) plus(dx *[NErr]float64) {
	s.Pos = r3.Add(s.Pos, r3.Vec{X: dx[IPos], Y: dx[IPos+1], Z: dx[IPos+2]})
	s.Vel = r3.Add(s.Vel, r3.Vec{X: dx[IVel], Y: dx[IVel+1], Z: dx[IVel+2]})
	q := quat.Mul(s.Att, Exp(r3.Vec{X: dx[IAtt], Y: dx[IAtt+1], Z: dx[IAtt+2]}))
	s.Att = quat.Scale(1/quat.Abs(q), q)
	s.GyroBias = r3.Add(s.GyroBias, r3.Vec{X: dx[IGyr], Y: dx[IGyr+1], Z: dx[IGyr+2]})
	s.AccBias = r3.Add(s.AccBias, r3.Vec{X: dx[IAcc], Y: dx[IAcc+1], Z: dx[IAcc+2]})
	s.WheelScale += dx[IScale]
	s.Slip += dx[ISlip]
	s.Latency += dx[ILat]
	s.Gain += dx[IGain]
	s.MountPitch += dx[IMount]
	s.MountYaw += dx[IMount+1]
	s.IMU.X += dx[IIMU]
	s.IMU.Y += dx[IIMU+1]
	s.Axle += dx[IAxle]
	s.Ant += dx[IAnt]
	s.VelLag += dx[ILag]
	s.VelPoint += dx[IPoint]
	s.Corr = r3.Add(s.Corr, r3.Vec{X: dx[ICorr], Y: dx[ICorr+1], Z: dx[ICorr+2]})
}

// resetAttitude is P ← G·P·Gᵀ with G = I - [½th]× on the attitude.
func (f *Filter) resetAttitude(th r3.Vec) {
	x, y, z := 0.5*th.X, 0.5*th.Y, 0.5*th.Z
	p := &f.P
	r0, r1, r2 := &p[IAtt], &p[IAtt+1], &p[IAtt+2]
	for j := range p {
		a, b, c := r0[j], r1[j], r2[j]
		a, b, c = a+(z*b-y*c), b+(x*c-z*a), c+(y*a-x*b)
		r0[j], r1[j], r2[j] = a, b, c
		if q := &p[j]; j < IAtt || j >= IGyr {
			q[IAtt], q[IAtt+1], q[IAtt+2] = a, b, c
		}
	}
	for i := IAtt; i < IGyr; i++ {
		q := &p[i]
		a, b, c := q[IAtt], q[IAtt+1], q[IAtt+2]
		q[IAtt], q[IAtt+1], q[IAtt+2] = a+(z*b-y*c), b+(x*c-z*a), c+(y*a-x*b)
	}
	r1[IAtt], r2[IAtt], r2[IAtt+1] = r0[IAtt+1], r0[IAtt+2], r1[IAtt+2]
}
