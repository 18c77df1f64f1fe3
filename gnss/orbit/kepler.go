package orbit

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/satellite"
)

// Constants of the user algorithms: gravitational parameter in m^3/s^2 and
// rotation of the Earth in rad/s, as each interface document fixes them.
const (
	muGPS      = 3.986005e14        // IS-GPS-200; QZSS
	muGTRF     = 3.986004418e14     // Galileo, BeiDou
	earthGPS   = 7.2921151467e-5    // GPS, QZSS, Galileo
	earthBDS   = 7.2921150e-5       // BeiDou
	geoTilt    = -5 * math.Pi / 180 // BeiDou GEO: the plane its elements refer to
	keplerStop = 1e-14              // rad, of the eccentric anomaly
)

func constants(s satellite.System) (mu, rate float64) {
	switch s {
	case satellite.Galileo:
		return muGTRF, earthGPS
	case satellite.BeiDou:
		return muGTRF, earthBDS
	}
	return muGPS, earthGPS
}

// geostationary reports whether a BeiDou satellite broadcasts elements that
// refer to a tilted plane: numbers 1 to 5 and 59 to 63.
func geostationary(id satellite.ID) bool {
	return id.System == satellite.BeiDou && (id.Number <= 5 || id.Number >= 59 && id.Number <= 63)
}

// eccentric solves Kepler's equation M = E - e sin E by Newton's method.
func eccentric(m, e float64) float64 {
	x := m
	for range 20 {
		s, c := math.Sincos(x)
		d := (x - e*s - m) / (1 - e*c)
		x -= d
		if math.Abs(d) < keplerStop {
			break
		}
	}
	return x
}

// kepler computes the state tk seconds after Toe (IS-GPS-200, table 20-IV; BDS
// ICD, satellite position), its clock without the polynomial: that is the
// relativistic part alone.
func (e *Ephemeris) kepler(tk float64) State {
	k := &e.Kepler
	mu, rate := constants(e.Sat.System)
	a := k.SqrtA * k.SqrtA
	n := math.Sqrt(mu/(a*a*a)) + k.DeltaN
	ea := eccentric(k.M0+n*tk, k.Ecc)
	sE, cE := math.Sincos(ea)
	den := 1 - k.Ecc*cE
	eaDot := n / den
	root := math.Sqrt(1 - k.Ecc*k.Ecc)
	phi := math.Atan2(root*sE, cE-k.Ecc) + k.Omega
	phiDot := root * eaDot / den

	s2, c2 := math.Sincos(2 * phi)
	u := phi + k.Cus*s2 + k.Cuc*c2
	r := a*den + k.Crs*s2 + k.Crc*c2
	inc := k.I0 + k.IDot*tk + k.Cis*s2 + k.Cic*c2
	uDot := phiDot * (1 + 2*(k.Cus*c2-k.Cuc*s2))
	rDot := a*k.Ecc*sE*eaDot + 2*phiDot*(k.Crs*c2-k.Crc*s2)
	incDot := k.IDot + 2*phiDot*(k.Cis*c2-k.Cic*s2)

	// In the orbital plane.
	su, cu := math.Sincos(u)
	x, y := r*cu, r*su
	xDot, yDot := rDot*cu-y*uDot, rDot*su+x*uDot

	geo := geostationary(e.Sat)
	nodeDot := k.OmegaDot - rate
	if geo {
		nodeDot = k.OmegaDot
	}
	node := k.Omega0 + nodeDot*tk - rate*e.toeOfWeek()
	sO, cO := math.Sincos(node)
	si, ci := math.Sincos(inc)
	pos := geodesy.ECEF{X: x*cO - y*ci*sO, Y: x*sO + y*ci*cO, Z: y * si}
	vel := geodesy.ECEF{
		X: xDot*cO - yDot*ci*sO + y*si*sO*incDot - pos.Y*nodeDot,
		Y: xDot*sO + yDot*ci*cO - y*si*cO*incDot + pos.X*nodeDot,
		Z: yDot*si + y*ci*incDot,
	}
	if geo {
		pos, vel = tilt(pos, vel, rate, rate*tk)
	}
	// Relativistic correction F e sqrt(A) sin E, F = -2 sqrt(mu)/c^2.
	f := -2 * math.Sqrt(mu) / (satellite.SpeedOfLight * satellite.SpeedOfLight) * k.Ecc * k.SqrtA
	return State{Pos: pos, Vel: vel, Clock: f * sE, Drift: f * cE * eaDot}
}

// tilt turns a BeiDou GEO state out of its tilted, inertial plane into the
// Earth-fixed frame: Rz(angle) Rx(-5 deg).
func tilt(p, v geodesy.ECEF, rate, angle float64) (pos, vel geodesy.ECEF) {
	st, ct := math.Sincos(geoTilt)
	rx := func(a geodesy.ECEF) geodesy.ECEF {
		return geodesy.ECEF{X: a.X, Y: ct*a.Y + st*a.Z, Z: -st*a.Y + ct*a.Z}
	}
	pos, vel = turn(rx(p), angle), turn(rx(v), angle)
	vel.X += rate * pos.Y
	vel.Y -= rate * pos.X
	return pos, vel
}

// turn rotates the axes by angle about z.
func turn(p geodesy.ECEF, angle float64) geodesy.ECEF {
	s, c := math.Sincos(angle)
	return geodesy.ECEF{X: c*p.X + s*p.Y, Y: -s*p.X + c*p.Y, Z: p.Z}
}

// toeOfWeek is Toe in seconds of the week of the system's own time.
func (e *Ephemeris) toeOfWeek() float64 {
	if e.Sat.System == satellite.BeiDou {
		return e.Toe.Add(bdtMinusGPS).TOW
	}
	return e.Toe.TOW
}
