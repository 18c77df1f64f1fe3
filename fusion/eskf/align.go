package eskf

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Sigmas are the initial standard deviations.
type Sigmas struct {
	PosH, PosV float64 // m, east and north each; up
	Vel        float64 // m/s, each axis
	Tilt       float64 // rad, roll and pitch, beyond what the accelerometer bias explains at rest
	Yaw        float64 // rad; π/√3 is "unknown"
	GyroBias   float64 // rad/s, each axis
	AccBias    float64 // m/s^2, each axis
	WheelScale float64 // share
	Slip       float64 // rad/(m/s^2)
	Latency    float64 // s

	Gain     float64    // gyro scale factor, share
	Mount    float64    // rad, pitch and yaw of the mounting each
	IMU      [2]float64 // m, place of the sensor, forward and left
	Axle     float64    // m
	Ant      float64    // m, place of the antenna, left
	VelLag   float64    // s
	VelPoint float64    // share
}

// Level returns roll and pitch (rad, see [FromEuler]) of a body at rest whose
// accelerometers read f on average (m/s^2): roll = atan2(f_y, f_z), pitch =
// atan2(-f_x, √(f_y²+f_z²)).
func Level(f r3.Vec) (roll, pitch float64) {
	return math.Atan2(f.Y, f.Z), math.Atan2(-f.X, math.Hypot(f.Y, f.Z))
}

// InitAtRest starts the filter on a body at rest at time t: levelled by the
// mean specific force f (m/s^2), gyro bias from the mean rate w (rad/s) less
// the Earth's. pos is the sensor (m, ENU), yaw the body's. Yaw may be unknown:
// give it a large sigma and call [Filter.SetYaw] later.
//
// AccBias, WheelScale and all that follows it but Corr keep the values they
// have in f.State; a WheelScale of zero becomes one. Since an accelerometer bias tilts the
// levelled attitude by δθ = f×δa_b/|f|², the two start correlated.
func (f *Filter) InitAtRest(t float64, pos, meanF, meanW r3.Vec, yaw float64, s Sigmas) {
	u := r3.Sub(meanF, f.AccBias)
	roll, pitch := Level(u)
	f.start(t, pos, r3.Vec{}, FromEuler(roll, pitch, yaw-f.MountYaw), s)
	f.tieMount(false)
	f.GyroBias = r3.Sub(meanW, f.ToBody(f.Params.EarthRate))
	g := r3.Norm2(u)
	if !(g > 0) {
		return
	}
	x := cross(u)
	va := s.AccBias * s.AccBias
	for i := range 3 {
		for j := range 3 {
			c := va * x[i][j] / g
			f.P[IAtt+i][IAcc+j], f.P[IAcc+j][IAtt+i] = c, c
			for k := range 3 {
				f.P[IAtt+i][IAtt+j] += va * x[i][k] * x[j][k] / (g * g)
			}
		}
	}
	f.symmetrise()
}

// InitMoving starts the filter on a moving body at time t: pos (m) and vel
// (m/s) of the sensor, ENU, and the body's attitude (rad, see [FromEuler]). The
// gyro bias keeps its value too; see [Filter.InitAtRest] for the others.
func (f *Filter) InitMoving(t float64, pos, vel r3.Vec, roll, pitch, yaw float64, s Sigmas) {
	att := FromEuler(roll, pitch, yaw)
	if f.MountPitch != 0 || f.MountYaw != 0 {
		att = quat.Mul(att, quat.Conj(FromEuler(0, f.MountPitch, f.MountYaw)))
	}
	f.start(t, pos, vel, att, s)
	f.tieMount(true)
}

// tieMount takes the attitude just set for that of the body: the sensor's is
// the body's turned back by the mounting, so its error is θ = θ_body - M·(turn of
// the mounting). Without all it is so for the yaw alone, and roll and pitch are
// the sensor's own.
func (f *Filter) tieMount(all bool) {
	p := &f.P
	if p[IMount][IMount] == 0 && p[IMount+1][IMount+1] == 0 {
		return
	}
	q := f.pose()
	axes := [2]r3.Vec{r3.Scale(-1, apply(&q.m, r3.Vec{Y: 1})), r3.Scale(-1, apply(&q.m, q.yaw))}
	if u := f.ToBody(r3.Vec{Z: 1}); !all {
		axes[0], axes[1] = r3.Scale(r3.Dot(u, axes[0]), u), r3.Scale(r3.Dot(u, axes[1]), u)
	}
	var c [3][2]float64 // of attitude and mounting
	for i := range 2 {
		for j, d := range axes {
			v := p[IMount+i][IMount+j]
			c[0][i] += v * d.X
			c[1][i] += v * d.Y
			c[2][i] += v * d.Z
		}
	}
	for i := range 3 {
		for j := range 2 {
			p[IAtt+i][IMount+j], p[IMount+j][IAtt+i] = c[i][j], c[i][j]
		}
		for j, d := range axes {
			p[IAtt+i][IAtt] += c[i][j] * d.X
			p[IAtt+i][IAtt+1] += c[i][j] * d.Y
			p[IAtt+i][IAtt+2] += c[i][j] * d.Z
		}
	}
	f.symmetrise()
}

func (f *Filter) start(t float64, pos, vel r3.Vec, att quat.Number, s Sigmas) {
	f.T, f.Pos, f.Vel, f.Att, f.Corr = t, pos, vel, att, r3.Vec{}
	if f.WheelScale == 0 {
		f.WheelScale = 1
	}
	f.acc = window{}
	f.P = [NErr][NErr]float64{}
	set := func(i, n int, sigma float64) {
		for k := range n {
			f.P[i+k][i+k] = sigma * sigma
		}
	}
	set(IPos, 2, s.PosH)
	set(IPos+2, 1, s.PosV)
	set(IVel, 3, s.Vel)
	set(IGyr, 3, s.GyroBias)
	set(IAcc, 3, s.AccBias)
	set(IScale, 1, s.WheelScale)
	set(ISlip, 1, s.Slip)
	set(ILat, 1, s.Latency)
	set(IGain, 1, s.Gain)
	set(IMount, 2, s.Mount)
	for k := range 2 {
		set(IIMU+k, 1, s.IMU[k])
	}
	set(IAxle, 1, s.Axle)
	set(IAnt, 1, s.Ant)
	set(ILag, 1, s.VelLag)
	set(IPoint, 1, s.VelPoint)
	set(ICorr, 2, f.Params.CorrSigmaH)
	set(ICorr+2, 1, f.Params.CorrSigmaV)
	// Tilt across the vertical, yaw along it; u is up in body axes.
	u := f.ToBody(r3.Vec{Z: 1})
	b := [3]float64{u.X, u.Y, u.Z}
	for i := range 3 {
		for j := range 3 {
			f.P[IAtt+i][IAtt+j] = (s.Yaw*s.Yaw - s.Tilt*s.Tilt) * b[i] * b[j]
		}
		f.P[IAtt+i][IAtt+i] += s.Tilt * s.Tilt
	}
	f.symmetrise()
}

// SetYaw turns the body about the vertical to the given yaw (rad) and takes
// sigma (rad) for its error, independent of everything else; the sensor's own
// then has that of the mounting too. Roll and pitch
// stay as they are, with their share of the covariance and its relation to the
// sensor biases. Position and velocity are in world axes and stay too; what
// tied their errors to attitude and biases was worked out with the old yaw and
// is dropped.
func (f *Filter) SetYaw(yaw, sigma float64) {
	f.Flush()
	f.Att = quat.Mul(Exp(r3.Vec{Z: wrapPi(yaw - f.Yaw())}), f.Att)
	p := &f.P
	for i := IAtt; i < IScale; i++ {
		for j := range NErr {
			if j < IAtt || j >= IScale {
				p[i][j], p[j][i] = 0, 0
			}
		}
	}
	// θ ← (I - u·uᵀ)θ, then the new yaw along u.
	u := f.ToBody(r3.Vec{Z: 1})
	b := [3]float64{u.X, u.Y, u.Z}
	for j := range p {
		d := p[j][IAtt]*b[0] + p[j][IAtt+1]*b[1] + p[j][IAtt+2]*b[2]
		for k := range 3 {
			p[j][IAtt+k] -= d * b[k]
		}
	}
	for j := range p {
		d := p[IAtt][j]*b[0] + p[IAtt+1][j]*b[1] + p[IAtt+2][j]*b[2]
		for k := range 3 {
			p[IAtt+k][j] -= d * b[k]
		}
	}
	for i := range 3 {
		for j := range 3 {
			p[IAtt+i][IAtt+j] += sigma * sigma * b[i] * b[j]
		}
	}
	f.symmetrise()
	f.tieMount(false)
}

// SetCorr draws the correlated GNSS position error anew: zero, with the given
// steady-state standard deviations (m) and time constant (s), unrelated to
// everything else. For a change of fix quality.
func (f *Filter) SetCorr(sigmaH, sigmaV, tau float64) {
	f.Flush()
	f.Params.CorrSigmaH, f.Params.CorrSigmaV, f.Params.CorrTime = sigmaH, sigmaV, tau
	f.Corr = r3.Vec{}
	f.SetVariance(ICorr, sigmaH*sigmaH)
	f.SetVariance(ICorr+1, sigmaH*sigmaH)
	f.SetVariance(ICorr+2, sigmaV*sigmaV)
}

// SetVariance gives error i the variance v and unties it from all others.
func (f *Filter) SetVariance(i int, v float64) {
	f.Flush()
	for j := range NErr {
		f.P[i][j], f.P[j][i] = 0, 0
	}
	f.P[i][i] = v
}

// Inflate adds v to the variance of error i; what ties it to others stays.
func (f *Filter) Inflate(i int, v float64) {
	f.Flush()
	f.P[i][i] += v
}

// Correct adds error dx to the state.
func (s *State) Correct(dx *[NErr]float64) { s.plus(dx) }

// symmetrise takes out what rounding left between the triangles.
func (f *Filter) symmetrise() {
	for i := range NErr {
		for j := range i {
			m := 0.5 * (f.P[i][j] + f.P[j][i])
			f.P[i][j], f.P[j][i] = m, m
		}
	}
}

// Healthy reports whether the state is finite and the covariance finite,
// symmetric, positive on its diagonal and without a correlation beyond one. The wheel scale and what follows it
// may be switched off: variance zero.
func (f *Filter) Healthy() bool {
	s := &f.State
	sum := s.T + s.Pos.X + s.Pos.Y + s.Pos.Z + s.Vel.X + s.Vel.Y + s.Vel.Z +
		s.GyroBias.X + s.GyroBias.Y + s.GyroBias.Z + s.AccBias.X + s.AccBias.Y + s.AccBias.Z +
		s.WheelScale + s.Slip + s.Latency + s.Corr.X + s.Corr.Y + s.Corr.Z +
		s.Gain + s.MountPitch + s.MountYaw + s.IMU.X + s.IMU.Y + s.IMU.Z + s.Axle + s.Ant + s.VelLag + s.VelPoint
	n := quat.Abs(s.Att)
	if sum-sum != 0 || !(math.Abs(n-1) < 1e-6) {
		return false
	}
	for i := range NErr {
		if v := f.P[i][i]; !(v > 0 || v == 0 && i >= IScale) || math.IsInf(v, 0) {
			return false
		}
		for j := range i {
			c := f.P[i][j]
			if c != f.P[j][i] || !(c*c <= (1+1e-9)*f.P[i][i]*f.P[j][j]) {
				return false
			}
		}
	}
	return true
}

// PositiveDefinite reports whether P, scaled to a unit diagonal, has a Cholesky
// factor; states that are switched off (see [Filter.Healthy]) are left out.
func (f *Filter) PositiveDefinite() bool {
	var d [NErr]float64
	for i := range d {
		v := f.P[i][i]
		if !(v > 0 || v == 0 && i >= IScale) {
			return false
		}
		if v > 0 {
			d[i] = 1 / math.Sqrt(v)
		}
	}
	var l [NErr][NErr]float64
	for i := range NErr {
		for j := range i + 1 {
			s := f.P[i][j] * d[i] * d[j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i == j && d[i] == 0 {
				l[i][i] = 1
			} else if i == j {
				if !(s > 0) {
					return false
				}
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	return true
}
