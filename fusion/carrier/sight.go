package carrier

import (
	"math"

	"kerbline/gnss/atmosphere"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Sight is a satellite as a place sees it at an epoch.
type Sight struct {
	U     [3]float64 // unit vector to the satellite, east-north-up of the frame
	Sin   float64    // of the elevation
	Model float64    // m: range with the Earth's rotation, troposphere, less the satellite's clock
	Wet   float64    // how much longer the path through the troposphere is than at the zenith
	Slant float64    // the same for the ionosphere
}

// ZenithDelay is the troposphere's delay in m straight up from a place.
func ZenithDelay(from geodesy.ECEF) float64 {
	at := from.LLA()
	return atmosphere.Troposphere(at.Lat, at.H, math.Pi/2)
}

// See models what a receiver at a place measures of a satellite with a code (m) at
// its own tag. zenith is the troposphere's delay there, see [ZenithDelay]. Below
// the horizon only U and Sin are set.
func See(eph *orbit.Ephemeris, tag gnsstime.Time, code float64, from geodesy.ECEF, frame *geodesy.Frame, zenith float64) (s Sight) {
	_, st := eph.Transmitted(tag, code, 0)
	pos := orbit.Rotate(st.Pos, st.Pos.Dist(from)/satellite.SpeedOfLight)
	dx, dy, dz := pos.X-from.X, pos.Y-from.Y, pos.Z-from.Z
	rho := math.Sqrt(dx*dx + dy*dy + dz*dz)
	d := frame.RotateToENU(dx, dy, dz)
	s.U = [3]float64{d.E / rho, d.N / rho, d.U / rho}
	s.Sin = s.U[2]
	if s.Sin > 0 {
		s.Wet, s.Slant = mapping(s.Sin), slant(s.Sin)
		s.Model = rho + zenith*s.Wet - satellite.SpeedOfLight*st.Clock
	}
	return s
}
