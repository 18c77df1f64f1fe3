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

// R returns the rotation from body to world.
func (s *State) R() [3][3]float64 { return Matrix(s.Att) }

// ToWorld turns a body vector into world axes.
func (s *State) ToWorld(v r3.Vec) r3.Vec {
	m := Matrix(s.Att)
	return r3.Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}

// ToBody turns a world vector into body axes.
func (s *State) ToBody(v r3.Vec) r3.Vec {
	m := Matrix(s.Att)
	return r3.Vec{
		X: m[0][0]*v.X + m[1][0]*v.Y + m[2][0]*v.Z,
		Y: m[0][1]*v.X + m[1][1]*v.Y + m[2][1]*v.Z,
		Z: m[0][2]*v.X + m[1][2]*v.Y + m[2][2]*v.Z,
	}
}

// YawVariance returns the variance of the yaw under covariance p, rad²: that of
// the attitude error along the vertical.
func (s *State) YawVariance(p *[NErr][NErr]float64) (v float64) {
	u := s.R()[2] // up in body axes
	for i := range 3 {
		for j := range 3 {
			v += u[i] * u[j] * p[IAtt+i][IAtt+j]
		}
	}
	return v
}

// Forward returns the velocity along the body's forward axis, m/s.
func (s *State) Forward() float64 {
	w, x, y, z := s.Att.Real, s.Att.Imag, s.Att.Jmag, s.Att.Kmag
	y2, z2 := y+y, z+z
	return (1-y*y2-z*z2)*s.Vel.X + (x*y2+w*z2)*s.Vel.Y + (x*z2-w*y2)*s.Vel.Z
}

// Yaw returns the direction of forward, rad counter-clockwise from east.
func (s *State) Yaw() float64 {
	q := s.Att
	return math.Atan2(2*(q.Imag*q.Jmag+q.Real*q.Kmag), 1-2*(q.Jmag*q.Jmag+q.Kmag*q.Kmag))
}

// Pitch returns the turn about left, rad, positive nose down.
func (s *State) Pitch() float64 {
	q := s.Att
	return math.Asin(max(-1, min(1, 2*(q.Real*q.Jmag-q.Imag*q.Kmag))))
}

// Roll returns the turn about forward, rad, positive left side up.
func (s *State) Roll() float64 {
	q := s.Att
	return math.Atan2(2*(q.Jmag*q.Kmag+q.Real*q.Imag), 1-2*(q.Imag*q.Imag+q.Jmag*q.Jmag))
}

// cross writes [v]×, row by row.
func cross(v r3.Vec) [3][3]float64 {
	return [3][3]float64{{0, -v.Z, v.Y}, {v.Z, 0, -v.X}, {-v.Y, v.X, 0}}
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
