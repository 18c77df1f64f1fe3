package eskf

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Exp returns the unit quaternion that turns by the rotation vector v (rad).
func Exp(v r3.Vec) quat.Number {
	x := 0.25 * r3.Dot(v, v)
	var c, k float64 // cos(½|v|), sin(½|v|)/|v|
	if x < 1e-3 {
		c = 1 - x*(0.5-x*(1./24-x*(1./720)))
		k = 0.5 * (1 - x*(1./6-x*(1./120-x*(1./5040))))
	} else {
		n := math.Sqrt(x)
		s, cs := math.Sincos(n)
		c, k = cs, 0.5*s/n
	}
	return quat.Number{Real: c, Imag: k * v.X, Jmag: k * v.Y, Kmag: k * v.Z}
}

// Log returns the shortest rotation vector (rad, length at most π) of the unit
// quaternion q; q and -q give the same.
func Log(q quat.Number) r3.Vec {
	if q.Real < 0 {
		q = quat.Scale(-1, q)
	}
	v := r3.Vec{X: q.Imag, Y: q.Jmag, Z: q.Kmag}
	n := r3.Norm(v)
	if n < 1e-12 {
		return r3.Scale(2/q.Real, v)
	}
	return r3.Scale(2*math.Atan2(n, q.Real)/n, v)
}

// Matrix returns the rotation matrix of the unit quaternion q, row by row.
func Matrix(q quat.Number) [3][3]float64 {
	var m [9]float64
	rotation(&m, q.Real, q.Imag, q.Jmag, q.Kmag)
	return [3][3]float64{{m[0], m[1], m[2]}, {m[3], m[4], m[5]}, {m[6], m[7], m[8]}}
}

func rotation(m *[9]float64, w, x, y, z float64) {
	x2, y2, z2 := x+x, y+y, z+z
	xx, yy, zz := x*x2, y*y2, z*z2
	xy, xz, yz := x*y2, x*z2, y*z2
	wx, wy, wz := w*x2, w*y2, w*z2
	m[0], m[1], m[2] = 1-yy-zz, xy-wz, xz+wy
	m[3], m[4], m[5] = xy+wz, 1-xx-zz, yz-wx
	m[6], m[7], m[8] = xz-wy, yz+wx, 1-xx-yy
}

// FromEuler returns the attitude of yaw, then pitch, then roll (rad, Z-Y-X);
// yaw counter-clockwise from east, pitch positive nose down, roll positive
// left side up: right-handed about up, left and forward.
func FromEuler(roll, pitch, yaw float64) quat.Number {
	sr, cr := math.Sincos(roll / 2)
	sp, cp := math.Sincos(pitch / 2)
	sy, cy := math.Sincos(yaw / 2)
	return quat.Number{
		Real: cr*cp*cy + sr*sp*sy,
		Imag: sr*cp*cy - cr*sp*sy,
		Jmag: cr*sp*cy + sr*cp*sy,
		Kmag: cr*cp*sy - sr*sp*cy,
	}
}

// R returns the rotation from the sensor to the world.
func (s *State) R() [3][3]float64 { return Matrix(s.Att) }

// ToWorld turns a vector in sensor axes into world axes.
func (s *State) ToWorld(v r3.Vec) r3.Vec {
	m := Matrix(s.Att)
	return r3.Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}

// ToBody turns a world vector into sensor axes.
func (s *State) ToBody(v r3.Vec) r3.Vec {
	m := Matrix(s.Att)
	return r3.Vec{
		X: m[0][0]*v.X + m[1][0]*v.Y + m[2][0]*v.Z,
		Y: m[0][1]*v.X + m[1][1]*v.Y + m[2][1]*v.Z,
		Z: m[0][2]*v.X + m[1][2]*v.Y + m[2][2]*v.Z,
	}
}

// Body returns the attitude of the body, body to world.
func (s *State) Body() quat.Number {
	t := s.mounting()
	if t == nil {
		return s.Att
	}
	return quat.Mul(s.Att, t.q)
}

// TurnRate returns the turn rate that a gyro sample w (rad/s, sensor axes) says,
// bias and scale taken off.
func (s *State) TurnRate(w r3.Vec) r3.Vec { return s.rate(w) }

// BodyMid returns the rotation from body to world, by rows, in the middle of the
// last sample.
func (f *Filter) BodyMid() [9]float64 {
	q, r := f.mounting(), &f.Mid
	if q == nil {
		return *r
	}
	var b [9]float64
	for i := 0; i < 9; i += 3 {
		for j := range 3 {
			b[i+j] = r[i]*q.m[0][j] + r[i+1]*q.m[1][j] + r[i+2]*q.m[2][j]
		}
	}
	return b
}

// InBody turns a vector in sensor axes into body axes.
func (s *State) InBody(v r3.Vec) r3.Vec {
	t := s.mounting()
	if t == nil {
		return v
	}
	m := transpose(&t.m)
	return apply(&m, v)
}

// YawVariance returns the variance of the body's yaw under covariance p, rad²:
// that of attitude and mounting along the vertical.
func (s *State) YawVariance(p *[NErr][NErr]float64) (v float64) {
	r := s.R()[2] // up in sensor axes
	for i := range 3 {
		for j := range 3 {
			v += r[i] * r[j] * p[IAtt+i][IAtt+j]
		}
	}
	if p[IMount][IMount] > 0 || p[IMount+1][IMount+1] > 0 {
		q := s.pose()
		g := [2]float64{q.b[2][1], q.b[2][0]*q.yaw.X + q.b[2][2]*q.yaw.Z}
		for i := range 2 {
			for j := range 3 {
				v += 2 * g[i] * r[j] * p[IMount+i][IAtt+j]
			}
			for j := range 2 {
				v += g[i] * g[j] * p[IMount+i][IMount+j]
			}
		}
	}
	return v
}

// Origin returns the place of the body origin, m, ENU.
func (s *State) Origin() r3.Vec {
	if s.IMU == (r3.Vec{}) {
		return s.Pos
	}
	q := s.pose()
	return r3.Sub(s.Pos, apply(&q.b, s.IMU))
}

// AtOrigin returns s with place and attitude of the body in the sensor's stead; the
// velocity stays the sensor's.
func (s *State) AtOrigin() State {
	b := *s
	b.Pos, b.Att = s.Origin(), s.Body()
	b.IMU, b.MountPitch, b.MountYaw = r3.Vec{}, 0, 0
	return b
}

// OriginVel returns the velocity of the body origin, m/s, ENU, at the gyro
// sample w (rad/s, bias in it).
func (s *State) OriginVel(w r3.Vec) r3.Vec {
	if s.IMU == (r3.Vec{}) {
		return s.Vel
	}
	q := s.pose()
	return r3.Sub(s.Vel, apply(&q.r, r3.Cross(s.rate(w), apply(&q.m, s.IMU))))
}

// ArmTo returns the way from the sensor to the antenna, m, ENU, for the lever
// arm of the settings (m, body axes).
func (s *State) ArmTo(lever r3.Vec) r3.Vec {
	q := s.pose()
	return apply(&q.b, s.arm(lever, 0))
}

// OriginCov returns the covariance of the body origin under p, m², ENU:
// J·P·Jᵀ with J from p_origin = p - R·M·IMU.
func (s *State) OriginCov(p *[NErr][NErr]float64) (c [3][3]float64) {
	if s.IMU == (r3.Vec{}) && p[IIMU][IIMU] == 0 && p[IIMU+1][IIMU+1] == 0 {
		for i := range 3 {
			copy(c[i][:], p[IPos+i][IPos:IVel])
		}
		return c
	}
	q := s.pose()
	ls := apply(&q.m, s.IMU)
	lx := cross(ls)
	at := mul(&q.r, &lx)
	var h [3]sparse
	var f [3][NErr]float64
	for k := range 3 {
		r := &h[k]
		r.put(IPos+k, 1)
		r.put3(IAtt, at[k][0], at[k][1], at[k][2])
		r.mount(k, &q.b, r3.Scale(-1, s.IMU), q.yaw)
		r.put(IIMU, -q.b[k][0])
		r.put(IIMU+1, -q.b[k][1])
		for i := range r.n {
			addScaled(&f[k], r.h[i], &p[r.i[i]])
		}
	}
	for i := range 3 {
		for j := range 3 {
			c[i][j] = h[j].dot(&f[i])
		}
	}
	return c
}

// Forward returns the velocity of the sensor along the body's forward axis, m/s.
func (s *State) Forward() float64 {
	q := s.Body()
	w, x, y, z := q.Real, q.Imag, q.Jmag, q.Kmag
	y2, z2 := y+y, z+z
	return (1-y*y2-z*z2)*s.Vel.X + (x*y2+w*z2)*s.Vel.Y + (x*z2-w*y2)*s.Vel.Z
}

// Yaw returns the direction of the body's forward, rad counter-clockwise from
// east.
func (s *State) Yaw() float64 {
	q := s.Body()
	return math.Atan2(2*(q.Imag*q.Jmag+q.Real*q.Kmag), 1-2*(q.Jmag*q.Jmag+q.Kmag*q.Kmag))
}

// Pitch returns the body's turn about left, rad, positive nose down.
func (s *State) Pitch() float64 {
	q := s.Body()
	return math.Asin(max(-1, min(1, 2*(q.Real*q.Jmag-q.Imag*q.Kmag))))
}

// Roll returns the body's turn about forward, rad, positive left side up.
func (s *State) Roll() float64 {
	q := s.Body()
	return math.Atan2(2*(q.Jmag*q.Kmag+q.Real*q.Imag), 1-2*(q.Imag*q.Imag+q.Jmag*q.Jmag))
}

// cross writes [v]×, row by row.
func cross(v r3.Vec) [3][3]float64 {
	return [3][3]float64{{0, -v.Z, v.Y}, {v.Z, 0, -v.X}, {-v.Y, v.X, 0}}
}

func transpose(a *[3][3]float64) [3][3]float64 {
	return [3][3]float64{{a[0][0], a[1][0], a[2][0]}, {a[0][1], a[1][1], a[2][1]}, {a[0][2], a[1][2], a[2][2]}}
}

func mul(a, b *[3][3]float64) (c [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			c[i][j] = a[i][0]*b[0][j] + a[i][1]*b[1][j] + a[i][2]*b[2][j]
		}
	}
	return c
}

func apply(m *[3][3]float64, v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}

func wrapPi(a float64) float64 { return math.Remainder(a, 2*math.Pi) }
