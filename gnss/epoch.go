package gnss

import (
	"kerbline/gnss/geodesy"
	"kerbline/gnss/satellite"
)

// Quality is the GGA quality indicator (NMEA 0183, GGA field 6).
type Quality uint8

const (
	QualityNone      Quality = iota // 0 no fix
	QualitySingle                   // 1 autonomous
	QualityDiff                     // 2 code differential
	QualityPPS                      // 3 precise positioning service
	QualityFixed                    // 4 RTK, integer ambiguities
	QualityFloat                    // 5 RTK, float ambiguities
	QualityEstimated                // 6 dead reckoning by the receiver
	QualityManual                   // 7 manual input
	QualitySimulated                // 8 simulator
	QualityUnknown   Quality = 0xff // no sentence said
)

// String returns the trade word for q.
func (q Quality) String() string {
	if int(q) < len(qualityNames) {
		return qualityNames[q]
	}
	return "unknown"
}

var qualityNames = [...]string{"none", "single", "diff", "pps", "fixed", "float", "estimated", "manual", "simulated"}

// Epoch is one GNSS solution: all sentences that carry one UTC time.
//
// Units are SI and radians. A float64 that no sentence reported is NaN, an
// integer that none reported is -1: unknown is never zero.
type Epoch struct {
	UTC        float64 // Unix s of validity, the instant the solution describes; NaN while the receiver has no time
	DateSeen   bool    // the date came from the receiver (RMC, ZDA), not from the host clock
	WeeksAdded int     // 1024 when the receiver's date was that many weeks early and was put right, else 0
	Arrival    float64 // host Unix s at which the first sentence with its time arrived
	Complete   float64 // host Unix s at which it was handed on
	Talker     [2]byte // of the sentence that gave the position

	HasPos  bool
	Pos     geodesy.LLA // antenna; height above the ellipsoid (altitude + separation)
	HasH    bool        // height known; without it Pos.H is 0 and must not be used
	Quality Quality
	Sats    int     // satellites used
	HDOP    float64 // dimensionless
	PDOP    float64 // dimensionless, from GSA
	Age     float64 // s, correction age
	Station int     // reference station id

	Speed  float64 // m/s over ground
	Course float64 // rad, clockwise from true north, [0, 2π)
	Mode   byte    // positioning mode letter of RMC/VTG/GNS, 0 when not reported
	Status byte    // RMC status A or V, 0 when not reported
	Nav    byte    // navigational status S, C, U or V (not valid), 0 when not reported

	SigmaN, SigmaE, SigmaU float64 // m, 1 sigma, from GST
	RMSRange               float64 // m, from GST

	FaultSat              int     // GBS: most likely failed satellite
	FaultBias, FaultSigma float64 // m, GBS: its estimated bias, and sigma of it
	ErrN, ErrE, ErrU      float64 // m, GBS: expected errors

	Heading float64 // rad, clockwise from true north, of the antenna pair (HDT, THS)

	Tracked int                      // satellites with a C/N0 (GSV), all constellations
	Of      [satellite.NSystems]int8 // of them by constellation; zeros while Tracked is -1
	CN0     float64                  // dB-Hz, mean over the tracked satellites
}
