package orbit

import (
	"math"

	"kerbline/gnss/geodesy"
)

// Constants of the GLONASS interface document (PZ-90).
const (
	muPZ    = 3.9860044e14 // m^3/s^2
	radius  = 6378136.0    // m
	j2      = 1.0826257e-3 // second zonal harmonic
	earthPZ = 7.292115e-5  // rad/s
	step    = 60.0         // s of the integration; half of it moves a result by less than 1 mm in 15 min
)

// motion is position, then velocity, Earth-fixed.
type motion [6]float64

// rates is the right side of the equations of motion in the rotating frame:
// central force, oblateness, rotation, and the broadcast acceleration.
func (in *Inertial) rates(m *motion) motion {
	x, y, z := m[0], m[1], m[2]
	r2 := x*x + y*y + z*z
	r := math.Sqrt(r2)
	a := muPZ / (r2 * r)
	b := 1.5 * j2 * muPZ * radius * radius / (r2 * r2 * r)
	c := 5 * z * z / r2
	const w = earthPZ
	return motion{
		m[3], m[4], m[5],
		-a*x - b*x*(1-c) + w*w*x + 2*w*m[4] + in.Acc.X,
		-a*y - b*y*(1-c) + w*w*y - 2*w*m[3] + in.Acc.Y,
		-a*z - b*z*(3-c) + in.Acc.Z,
	}
}

func (m *motion) plus(d *motion, h float64) (r motion) {
	for i := range m {
		r[i] = m[i] + h*d[i]
	}
	return r
}

// at integrates from the reference time over dt seconds, by the classical
// Runge-Kutta method of fourth order.
func (in *Inertial) at(dt float64) (pos, vel geodesy.ECEF) {
	m := motion{in.Pos.X, in.Pos.Y, in.Pos.Z, in.Vel.X, in.Vel.Y, in.Vel.Z}
	n := math.Ceil(math.Abs(dt) / step)
	for range int(n) {
		h := dt / n
		k1 := in.rates(&m)
		m2 := m.plus(&k1, h/2)
		k2 := in.rates(&m2)
		m3 := m.plus(&k2, h/2)
		k3 := in.rates(&m3)
		m4 := m.plus(&k3, h)
		k4 := in.rates(&m4)
		for i := range m {
			m[i] += h / 6 * (k1[i] + 2*k2[i] + 2*k3[i] + k4[i])
		}
	}
	return geodesy.ECEF{X: m[0], Y: m[1], Z: m[2]}, geodesy.ECEF{X: m[3], Y: m[4], Z: m[5]}
}
