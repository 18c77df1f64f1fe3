// Package positions writes positions that came in another form, as messages of
// robotics middleware or as lines of a table, as the sentences that a receiver
// would have sent (NMEA 0183: GGA, GST, RMC, ZDA). So they take the way that
// sentences take, and a copy of the recording holds them like any other.
//
// Degrees, metres, seconds; heights above the ellipsoid; world axes
// east-north-up. What a form does not hold is NaN, or -1, and becomes an empty
// field: unknown is never zero.
//
// Start at [Fix.Append].
package positions

import (
	"fmt"
	"math"
	"time"

	"kerbline/gnss"
	"kerbline/gnss/nmea"
)

// Fix is one solution.
type Fix struct {
	UTC        float64 // Unix s of validity
	Lat, Lon   float64 // deg, WGS 84; NaN without a position
	H          float64 // m above the ellipsoid
	Quality    int     // GGA fix quality
	Sats       int     // satellites used, -1 unknown
	HDOP       float64
	Age        float64 // s, of the corrections
	E, N, U    float64 // m, 1 sigma
	VelE, VelN float64 // m/s
}

// Unknown returns a fix that holds nothing.
func Unknown() Fix {
	n := math.NaN()
	return Fix{UTC: n, Lat: n, Lon: n, H: n, Sats: -1, HDOP: n, Age: n, E: n, N: n, U: n, VelE: n, VelN: n}
}

// fixedBelow is the horizontal 1 sigma, m, up to which a position whose form
// knows no word for it is called fixed, and above which float: between the
// centimetres of one and the decimetres of the other. Common practice, no source.
const fixedBelow = 0.05

// Guess returns the quality of a differential position whose form does not say
// fixed from float: by its sigma, and float without one.
func (f *Fix) Guess() int {
	if math.Max(f.E, f.N) <= fixedBelow { // NaN without sigmas
		return int(gnss.QualityFixed)
	}
	return int(gnss.QualityFloat)
}

// Append appends the sentences of f to out: GGA always, GST with sigmas, RMC
// with a velocity, else ZDA for the date.
func (f *Fix) Append(out []byte) []byte {
	s, micros := math.Modf(f.UTC)
	t := time.Unix(int64(s), 0).UTC().Add(time.Duration(math.Round(micros*1e6)) * time.Microsecond)
	clock := t.Format("150405.000000")
	place := ",,,"
	if !math.IsNaN(f.Lat) && !math.IsNaN(f.Lon) {
		place = nmea.Angle(f.Lat, 2, 8, 'N', 'S') + "," + nmea.Angle(f.Lon, 3, 8, 'E', 'W')
	}
	sats, height := "", ",M,,M"
	if f.Sats >= 0 {
		sats = fmt.Sprintf("%02d", f.Sats)
	}
	if !math.IsNaN(f.H) {
		height = fmt.Sprintf("%.4f,M,0.0,M", f.H) // altitude and separation: their sum counts
	}
	out = seal(out, "GNGGA,%s,%s,%d,%s,%s,%s,%s,", clock, place, f.Quality, sats, text(f.HDOP, 2), height, text(f.Age, 1))
	if !math.IsNaN(f.E) && !math.IsNaN(f.N) {
		out = seal(out, "GNGST,%s,,,,,%s,%s,%s", clock, text(f.N, 4), text(f.E, 4), text(f.U, 4))
	}
	if math.IsNaN(f.VelE) || math.IsNaN(f.VelN) {
		return seal(out, "GNZDA,%s,%s,00,00", clock, t.Format("02,01,2006"))
	}
	const knot = 1852. / 3600 // m/s
	valid := byte('A')
	if f.Quality == 0 {
		valid = 'V'
	}
	return seal(out, "GNRMC,%s,%c,%s,%.4f,%.3f,%s,,,", clock, valid, place, math.Hypot(f.VelE, f.VelN)/knot, course(f.VelE, f.VelN), t.Format("020106"))
}

// AppendVelocity appends a velocity that came by itself (VTG).
func AppendVelocity(out []byte, velE, velN float64) []byte {
	v := math.Hypot(velE, velN)
	return seal(out, "GNVTG,%.3f,T,,M,%.4f,N,%.4f,K", course(velE, velN), v*3600/1852, v*3.6)
}

// course returns the direction of a velocity, deg clockwise from north.
func course(e, n float64) float64 {
	return math.Mod(math.Atan2(e, n)*180/math.Pi+360, 360)
}

func text(x float64, decimals int) string {
	if math.IsNaN(x) {
		return ""
	}
	return fmt.Sprintf("%.*f", decimals, x)
}

// seal appends a sentence with its checksum.
func seal(out []byte, format string, a ...any) []byte {
	return append(nmea.AppendSentence(out, fmt.Sprintf(format, a...)), "\r\n"...)
}
