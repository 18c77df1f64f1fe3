// Package geodesy converts positions between geodetic coordinates, the
// Earth-centred Earth-fixed frame and a local east-north-up frame on the
// WGS 84 ellipsoid, and gives its normal gravity.
//
// Radians, metres and seconds throughout; degrees appear only at borders,
// spelled [Degree]. North, east and up are positive. Height is above the
// ellipsoid, not above mean sea level. Constants are those of NGA.STND.0036
// (WGS 84). Start at [NewFrame] and [LLA.ECEF].
package geodesy

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Degree is one degree in radians; write 60*Degree, read x/Degree.
const Degree = math.Pi / 180

// Defining and derived constants of WGS 84.
const (
	A         = 6378137.0          // m, semi-major axis
	InvF      = 298.257223563      // inverse flattening
	GM        = 3.986004418e14     // m^3/s^2, with atmosphere
	EarthRate = 7.292115e-5        // rad/s
	GammaE    = 9.7803253359038926 // m/s^2, normal gravity at the equator
	GammaP    = 9.8321849378634010 // m/s^2, normal gravity at the poles
	F         = 1 / InvF           // flattening
	E2        = F * (2 - F)        // first eccentricity squared
	B         = A * (1 - F)        // m, semi-minor axis
	somigK    = B*GammaP/(A*GammaE) - 1
)

// LLA is a geodetic position: latitude and longitude in rad, height above the
// ellipsoid in m.
type LLA struct{ Lat, Lon, H float64 }

// ECEF and ENU are separate types so that mixing frames does not compile.
type (
	ECEF struct{ X, Y, Z float64 } // m, Earth-centred, Earth-fixed
	ENU  struct{ E, N, U float64 } // m, east, north, up of a [Frame]
)

// Radii returns the meridian and prime-vertical radii of curvature in m at
// latitude lat (rad).
func Radii(lat float64) (meridian, primeVertical float64) {
	s := math.Sin(lat)
	w2 := 1 - E2*s*s
	w := math.Sqrt(w2)
	return A * (1 - E2) / (w2 * w), A / w
}

// ECEF returns p in the Earth-fixed frame.
func (p LLA) ECEF() ECEF {
	sLat, cLat := math.Sincos(p.Lat)
	sLon, cLon := math.Sincos(p.Lon)
	n := A / math.Sqrt(1-E2*sLat*sLat)
	return ECEF{
		X: (n + p.H) * cLat * cLon,
		Y: (n + p.H) * cLat * sLon,
		Z: (n*(1-E2) + p.H) * sLat,
	}
}

// LLA returns p in geodetic coordinates, by Bowring's method iterated until
// it stands still: within 1e-8 m from 100 km below the surface to 10000 km
// above it (TestRoundTrip). Deep inside the Earth, where no geodetic position
// is unique, the result is finite but need not be [LLA.Valid]; the centre
// comes back as latitude 0, height -A.
func (p ECEF) LLA() LLA {
	r := math.Hypot(p.X, p.Y)
	if r == 0 && p.Z == 0 {
		return LLA{H: -A}
	}
	lon := math.Atan2(p.Y, p.X)
	const ep2 = E2 / (1 - E2)
	// Reduced latitude first, then geodetic.
	sb, cb := unit(p.Z*A, r*B)
	var sLat, cLat float64
	for range 5 {
		sLat, cLat = unit(p.Z+ep2*B*sb*sb*sb, r-E2*A*cb*cb*cb)
		s, c := unit((1-F)*sLat, cLat)
		if math.Abs(s-sb)+math.Abs(c-cb) < 1e-16 {
			break
		}
		sb, cb = s, c
	}
	w := math.Sqrt(1 - E2*sLat*sLat)
	// Height that is well conditioned at the equator and at the poles alike.
	h := r*cLat + p.Z*sLat - A*w
	return LLA{Lat: math.Atan2(sLat, cLat), Lon: lon, H: h}
}

func unit(y, x float64) (s, c float64) {
	h := math.Hypot(x, y)
	if h == 0 {
		return 0, 1
	}
	return y / h, x / h
}

// Dist returns the straight-line distance in m.
func (p ECEF) Dist(q ECEF) float64 {
	return math.Sqrt((p.X-q.X)*(p.X-q.X) + (p.Y-q.Y)*(p.Y-q.Y) + (p.Z-q.Z)*(p.Z-q.Z))
}

// Valid reports whether p is finite and on the globe.
func (p LLA) Valid() bool {
	return math.Abs(p.Lat) <= math.Pi/2 && math.Abs(p.Lon) <= math.Pi && math.Abs(p.H) < 1e7
}

// Frame is a local tangent plane: east, north, up at an origin. The zero
// value is not usable.
type Frame struct {
	origin                 LLA
	o                      ECEF
	sLat, cLat, sLon, cLon float64
}

// NewFrame returns the tangent plane at origin.
func NewFrame(origin LLA) Frame {
	f := Frame{origin: origin, o: origin.ECEF()}
	f.sLat, f.cLat = math.Sincos(origin.Lat)
	f.sLon, f.cLon = math.Sincos(origin.Lon)
	return f
}

// Origin returns where f touches.
func (f *Frame) Origin() LLA { return f.origin }

// FromECEF returns p in f. EPSG method 9836.
func (f *Frame) FromECEF(p ECEF) ENU { return f.RotateToENU(p.X-f.o.X, p.Y-f.o.Y, p.Z-f.o.Z) }

// FromLLA returns p in f, exactly (by way of the Earth-fixed frame). EPSG
// method 9837.
func (f *Frame) FromLLA(p LLA) ENU { return f.FromECEF(p.ECEF()) }

// RotateToENU turns a vector given in Earth-fixed axes into f.
func (f *Frame) RotateToENU(dx, dy, dz float64) ENU {
	t := f.cLon*dx + f.sLon*dy
	return ENU{
		E: -f.sLon*dx + f.cLon*dy,
		N: -f.sLat*t + f.cLat*dz,
		U: f.cLat*t + f.sLat*dz,
	}
}

// RotateToECEF turns a vector given in f into Earth-fixed axes.
func (f *Frame) RotateToECEF(v ENU) (dx, dy, dz float64) {
	t := -f.sLat*v.N + f.cLat*v.U
	return -f.sLon*v.E + f.cLon*t, f.cLon*v.E + f.sLon*t, f.cLat*v.N + f.sLat*v.U
}

// ToECEF returns v in Earth-fixed coordinates.
func (f *Frame) ToECEF(v ENU) ECEF {
	dx, dy, dz := f.RotateToECEF(v)
	return ECEF{f.o.X + dx, f.o.Y + dy, f.o.Z + dz}
}

// ToLLA returns v in geodetic coordinates.
func (f *Frame) ToLLA(v ENU) LLA { return f.ToECEF(v).LLA() }

// NormalGravity returns the normal gravity in m/s^2 at latitude lat (rad) and
// height h (m): Somigliana's closed form on the ellipsoid, its gradient there
// by Bruns' formula, and a second-order term. Within 1e-10 m/s^2 of the exact
// field at 100 m, 6e-9 at 1 km (TestNormalGravity_GeographicLib).
func NormalGravity(lat, h float64) float64 {
	s := math.Sin(lat)
	s2 := s * s
	m, n := Radii(lat)
	g := GammaE * (1 + somigK*s2) / math.Sqrt(1-E2*s2)
	slope := g*(1/m+1/n) + 2*EarthRate*EarthRate // of its decrease, 1/s^2
	return g - slope*h + 3*g*h*h/(A*A)
}

// EarthRateENU returns the Earth's rotation in rad/s in east-north-up axes at
// latitude lat (rad).
func EarthRateENU(lat float64) ENU {
	s, c := math.Sincos(lat)
	return ENU{E: 0, N: EarthRate * c, U: EarthRate * s}
}

// MarshalBinary writes the origin, three float64 in little-endian order. A frame
// without an origin is empty.
func (f Frame) MarshalBinary() ([]byte, error) {
	if f == (Frame{}) {
		return []byte{}, nil
	}
	var b []byte
	for _, x := range []float64{f.origin.Lat, f.origin.Lon, f.origin.H} {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	}
	return b, nil
}

// UnmarshalBinary reads what MarshalBinary wrote.
func (f *Frame) UnmarshalBinary(b []byte) error {
	switch len(b) {
	case 0:
		*f = Frame{}
		return nil
	case 24:
		var x [3]float64
		for i := range x {
			x[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
		}
		*f = NewFrame(LLA{Lat: x[0], Lon: x[1], H: x[2]})
		return nil
	}
	return fmt.Errorf("geodesy: a frame of %d bytes, want 0 or 24", len(b))
}
