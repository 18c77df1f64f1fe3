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
}

// Level returns roll and pitch (rad, see [FromEuler]) of a body at rest whose
// accelerometers read f on average (m/s^2): roll = atan2(f_y, f_z), pitch =
// atan2(-f_x, √(f_y²+f_z²)).
func Level(f r3.Vec) (roll, pitch float64) {
	return math.Atan2(f.Y, f.Z), math.Atan2(-f.X, math.Hypot(f.Y, f.Z))
}

// InitAtRest starts the filter on a body at rest at time t: levelled by the
// mean specific force f (m/s^2), gyro bias from the mean rate w (rad/s) less
// the Earth's. pos is the body origin (m, ENU). Yaw may be unknown: give it a
// large sigma and call [Filter.SetYaw] later.
//
// AccBias, WheelScale, Slip and Latency keep the values they have in f.State;
// a WheelScale of zero becomes one. Since an accelerometer bias tilts the
// levelled attitude by δθ = f×δa_b/|f|², the two start correlated.
func (f *Filter) InitAtRest(t float64, pos, meanF, meanW r3.Vec, yaw float64, s Sigmas) {
	u := r3.Sub(meanF, f.AccBias)
	roll, pitch := Level(u)
	f.start(t, pos, r3.Vec{}, FromEuler(roll, pitch, yaw), s)
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
// (m/s) of the body origin, ENU, and its attitude (rad, see [FromEuler]). The
// gyro bias keeps its value too; see [Filter.InitAtRest] for the others.
func (f *Filter) InitMoving(t float64, pos, vel r3.Vec, roll, pitch, yaw float64, s Sigmas) {
	f.start(t, pos, vel, FromEuler(roll, pitch, yaw), s)
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
// sigma (rad) for its error, independent of everything else. Roll and pitch
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
		s.WheelScale + s.Slip + s.Latency + s.Corr.X + s.Corr.Y + s.Corr.Z
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
