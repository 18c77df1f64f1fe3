package carrier

import (
	"math"

	"kerbline/gnss/satellite"
)

// What a difference of phases over time is wrong by, one satellite, one standard
// deviation. Satellite clocks were measured against their broadcast model by
// differences of real phases over 5-300 s; systems that were not measured are taken
// as the worse of the two measured with orbits of their kind. The ionosphere's
// rate is that of quiet years; two carriers measure it.
const (
	phaseSigma = 0.003  // m at the zenith, noise and multipath in motion
	ionoRate   = 0.0003 // m/s at the zenith on L1
	// The ionosphere's change in all directions alike, m/s at the zenith on L1: in quiet
	// years, and where enough satellites with two carriers measure it, in any.
	sharedRate   = 0.0005
	measuredRate = 0.02
	minDual      = 5
	wetZenith    = 0.05      // m, delay at the zenith that the model leaves
	delayHz      = 1575.42e6 // L1, that delays of the ionosphere are for
	inflation    = 1.5       // of every deviation, where levels are made of it
)

// clockAges are the ages in s of the rows of clockSigma.
var clockAges = [...]float64{5, 30, 60, 120, 300}

// clockSigma is the deviation in m of a satellite's clock against its broadcast
// model after the ages.
func clockSigma(s satellite.System) *[len(clockAges)]float64 {
	switch s {
	case satellite.Galileo:
		return &[...]float64{0.0015, 0.003, 0.004, 0.006, 0.010}
	case satellite.GLONASS:
		return &[...]float64{0.009, 0.027, 0.041, 0.075, 0.190}
	}
	return &[...]float64{0.003, 0.010, 0.017, 0.025, 0.045}
}

// ClockDrift returns that deviation after any age in s: linear between the rows,
// in proportion below the first, as the root of the time beyond the last.
func ClockDrift(s satellite.System, age float64) float64 {
	rows := clockSigma(s)
	last := len(clockAges) - 1
	switch {
	case age <= clockAges[0]:
		return rows[0] * math.Sqrt(math.Max(0, age)/clockAges[0])
	case age >= clockAges[last]:
		return rows[last] * age / clockAges[last]
	}
	i := 0
	for age > clockAges[i+1] {
		i++
	}
	f := (age - clockAges[i]) / (clockAges[i+1] - clockAges[i])
	return rows[i] + f*(rows[i+1]-rows[i])
}

// slant is how much longer the path through the ionosphere is than at the
// zenith, for the sine of an elevation: a thin shell at 350 km.
func slant(sin float64) float64 {
	const k = 6371.0 / (6371 + 350)
	return 1 / math.Sqrt(1-k*k*(1-sin*sin))
}

// mapping is the same for the troposphere (Black and Eisner 1984, from memory).
func mapping(sin float64) float64 { return 1.001 / math.Sqrt(0.002001+sin*sin) }
