package eskf

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// maxNonZero is how many entries a row of H may have: an antenna velocity
// needs one velocity, three attitude, three gyro bias and the latency.
const maxNonZero = 8

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

// Position observes the antenna position z (m, ENU) with white variances r:
//
//	h = p + R·l + corr
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
	m := s.R()
	l := apply(&m, lever)
	lx := cross(lever)
	at := mul(&m, &lx)
	va := r3.Add(s.Vel, apply(&m, r3.Cross(r3.Sub(w, s.GyroBias), lever)))
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
		h.put(ICorr+k, 1)
	}
}

// Velocity observes the antenna's horizontal velocity (m/s, east and north)
// with variances r:
//
//	h = v + R·(ω×l), ω = w - bias
//
// aWorld is the acceleration of the body origin in world axes (m/s^2, gravity
// removed); with the centripetal part of the lever arm it gives the column of
// the latency, see [Filter.Position].
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
	m := s.R()
	om := r3.Sub(w, s.GyroBias)
	wl := r3.Cross(om, lever)
	va := r3.Add(s.Vel, apply(&m, wl))
	aa := r3.Add(aWorld, apply(&m, r3.Cross(om, wl)))
	wlx, lx := cross(wl), cross(lever)
	at, bg := mul(&m, &wlx), mul(&m, &lx)
	o.N = n
	o.R = r
	o.Y = [3]float64{z.X - va.X, z.Y - va.Y, z.Z - va.Z}
	a := [3]float64{aa.X, aa.Y, aa.Z}
	for k := range n {
		h := &o.rows[k]
		h.put(IVel+k, 1)
		h.put3(IAtt, -at[k][0], -at[k][1], -at[k][2])
		h.put3(IGyr, bg[k][0], bg[k][1], bg[k][2])
		h.put(ILat, -a[k])
	}
}

// Heading observes the yaw (rad, counter-clockwise from east) with variance r.
// It means nothing when forward points straight up or down.
func (f *Filter) Heading(yaw, r float64) Obs {
	m := f.R()
	// Forward is b = R·e_x, yaw = atan2(b_y, b_x), δb = R·(δθ×e_x):
	// δθ_y tips it along -R·e_z, δθ_z along R·e_y.
	d := m[0][0]*m[0][0] + m[1][0]*m[1][0]
	var o Obs
	o.N = 1
	o.R[0] = r
	o.Y[0] = wrapPi(yaw - f.Yaw())
	o.rows[0].put(IAtt+1, (m[1][0]*m[0][2]-m[0][0]*m[1][2])/d)
	o.rows[0].put(IAtt+2, (m[0][0]*m[1][1]-m[1][0]*m[0][1])/d)
	return o
}

// Wheel observes the wheel speed v (m/s, forward, as reported) with variance
// r: h = WheelScale·(Rᵀ·v)_x at the body origin.
func (f *Filter) Wheel(v, r float64) Obs {
	m := f.R()
	b := f.ToBody(f.Vel)
	k := f.WheelScale
	var o Obs
	o.N = 1
	o.R[0] = r
	o.Y[0] = v - k*b.X
	h := &o.rows[0]
	h.put3(IVel, k*m[0][0], k*m[1][0], k*m[2][0])
	h.put(IAtt+1, -k*b.Z)
	h.put(IAtt+2, k*b.Y)
	h.put(IScale, b.X)
	return o
}

// Side observes that the body origin moves along its forward axis but for the
// side slip, with variances rSide and rUp (m²/s²) of the sideways and upward
// velocity. aLat is the leftward acceleration (m/s^2). In a left turn (aLat
// positive) the tyres let the car drift outwards, to the right:
//
//	v_y = -Slip·aLat·v_x    v_z = 0    (body axes)
func (f *Filter) Side(rSide, rUp, aLat float64) Obs {
	m := f.R()
	b := f.ToBody(f.Vel)
	k := f.Slip * aLat
	var o Obs
	o.N = 2
	o.R = [3]float64{rSide, rUp}
	o.Y = [3]float64{-(b.Y + k*b.X), -b.Z}
	h := &o.rows[0]
	h.put3(IVel, m[0][1]+k*m[0][0], m[1][1]+k*m[1][0], m[2][1]+k*m[2][0])
	// δ(Rᵀv) = [Rᵀv]×·δθ.
	h.put3(IAtt, b.Z, -k*b.Z, k*b.Y-b.X)
	h.put(ISlip, aLat*b.X)
	h = &o.rows[1]
	h.put3(IVel, m[0][2], m[1][2], m[2][2])
	h.put(IAtt, -b.Y)
	h.put(IAtt+1, b.X)
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

// Innovation returns what o would tell the filter, without applying it.
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
		addScaled(b, s.h[i], &f.P[s.i[i]])
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
