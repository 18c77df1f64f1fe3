// Package atmosphere models how much longer a satellite's signal takes through
// the air: the broadcast model of the ionosphere (Klobuchar), and the
// troposphere after Saastamoinen in a standard atmosphere.
//
// Delays are metres of code; the ionosphere advances the phase by as much as it
// delays the code. Angles in rad, azimuth clockwise from north, heights in m
// above the ellipsoid. Sources: IS-GPS-200, user algorithm for ionospheric
// delay; Saastamoinen 1972 (both from memory, checked in the tests). Start at
// [Klobuchar.Delay] and [Troposphere].
package atmosphere

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/satellite"
)

// Klobuchar holds the coefficients that GPS, QZSS and BeiDou broadcast: of the
// amplitude in s, s/semicircle ..., of the period in s, s/semicircle ...
type Klobuchar struct{ Alpha, Beta [4]float64 }

// Known reports whether any coefficient was set.
func (k *Klobuchar) Known() bool { return *k != Klobuchar{} }

// L1 is the carrier to which the coefficients refer, Hz.
const L1 = 1575.42e6

// Delay returns the delay on L1 in m seen at a place in a direction, at a GPS
// time of week in s; multiply by (L1/f)^2 for another carrier f. At most half
// of the true delay is left (rms, by the model's makers).
func (k *Klobuchar) Delay(at geodesy.LLA, elevation, azimuth, tow float64) float64 {
	// In semicircles, as the document has it.
	el := elevation / math.Pi
	psi := 0.0137/(el+0.11) - 0.022
	sinA, cosA := math.Sincos(azimuth)
	phi := math.Max(-0.416, math.Min(0.416, at.Lat/math.Pi+psi*cosA))
	lambda := at.Lon/math.Pi + psi*sinA/math.Cos(phi*math.Pi)
	phiM := phi + 0.064*math.Cos((lambda-1.617)*math.Pi)
	local := math.Mod(4.32e4*lambda+tow, 86400)
	if local < 0 {
		local += 86400
	}
	amplitude := math.Max(0, poly(k.Alpha, phiM))
	period := math.Max(72000, poly(k.Beta, phiM))
	x := 2 * math.Pi * (local - 50400) / period
	f := 1 + 16*math.Pow(0.53-el, 3)
	delay := 5e-9
	if math.Abs(x) < 1.57 {
		delay += amplitude * (1 - x*x/2 + x*x*x*x/24)
	}
	return f * delay * satellite.SpeedOfLight
}

func poly(c [4]float64, x float64) float64 { return c[0] + x*(c[1]+x*(c[2]+x*c[3])) }

// Humidity of the standard atmosphere, relative.
const humidity = 0.5

// Troposphere returns the delay in m after Saastamoinen for a standard
// atmosphere (1013.25 hPa, 15 °C at sea level, half humid) at a latitude in rad
// and a height in m, seen at an elevation in rad above 3 degrees; below it the
// delay at 3 degrees. The hydrostatic part is good to centimetres at the zenith,
// the wet one to decimetres.
func Troposphere(lat, height, elevation float64) float64 {
	dry, wet := zenith(lat, height)
	z := math.Pi/2 - math.Max(elevation, 3*geodesy.Degree)
	return (dry + wet) / math.Cos(z)
}

// zenith returns the hydrostatic and the wet delay at the zenith in m.
func zenith(lat, height float64) (dry, wet float64) {
	h := math.Max(-500, math.Min(9000, height))
	pressure := 1013.25 * math.Pow(1-2.2557e-5*h, 5.2568) // hPa
	temperature := 288.15 - 6.5e-3*h                      // K
	vapour := 6.108 * humidity * math.Exp((17.15*temperature-4684)/(temperature-38.45))
	dry = 0.0022768 * pressure / (1 - 0.00266*math.Cos(2*lat) - 0.00028*h/1000)
	wet = 0.0022768 * (1255/temperature + 0.05) * vapour
	return dry, wet
}
