// Package orbit computes where a satellite was when it sent a signal, and what
// its clock read, from the ephemeris it broadcasts.
//
// Positions are Earth-centred, Earth-fixed in metres at the instant asked for:
// the Earth's rotation during the signal's travel is the user's to apply
// ([Rotate]). Frames are those of the systems (WGS 84, GTRF, CGCS2000, PZ-90.11),
// which agree within centimetres; angles in rad, times in GPS time. Sources: the
// interface documents IS-GPS-200, Galileo OS SIS, BDS-SIS-ICD, GLONASS ICD 5.1
// (from memory, checked against the tables that the tests name). Start at
// [Ephemeris.Transmitted] and [Store].
package orbit

import (
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/satellite"
)

// Ephemeris is one set that a satellite broadcasts: clock, health, and either
// Kepler (all systems but these two) or Inertial (GLONASS, SBAS).
type Ephemeris struct {
	Sat satellite.ID
	Toe gnsstime.Time // reference time of the orbit, in GPS time for every system
	Toc gnsstime.Time // reference time of the clock

	// Issue identifies a set of one satellite: IODE (GPS, QZSS), IODnav
	// (Galileo), AODE (BeiDou), tb in units of 15 min (GLONASS).
	Issue int
	// IssueClock is IODC (GPS, QZSS) or AODC (BeiDou).
	IssueClock int
	// Week is the full week number that the set names, in the count of its own
	// system: of GPS (GPS, QZSS), Galileo, or BeiDou time; 0 for GLONASS.
	Week int

	Af0, Af1, Af2 float64 // s, s/s, s/s^2: clock - system time
	// GroupDelay in s: GPS and QZSS T_GD; Galileo BGD E5a/E1 and E5b/E1; BeiDou
	// T_GD1 (B1I) and T_GD2 (B2I); GLONASS L2 - L1.
	GroupDelay [2]float64

	Health   uint16  // as broadcast, see [Ephemeris.Healthy]
	Accuracy uint8   // index as broadcast: URA, SISA, URAI, F_T
	FitHours float64 // interval of validity in h, 0 where not broadcast
	Source   Source  // which of Galileo's messages it came from

	Kepler   Kepler
	Inertial Inertial
}

// Source says which message of its satellite a set came from.
type Source uint8

const (
	Legacy Source = iota // LNAV, D1, D2, GLONASS strings
	FNAV                 // Galileo F/NAV: clock of E1 and E5a
	INAV                 // Galileo I/NAV: clock of E1 and E5b
)

// Kepler holds the orbit of GPS, QZSS, Galileo and BeiDou: elements at Toe and
// their rates. SqrtA in m^0.5, Crs and Crc in m, the rest in rad and rad/s.
type Kepler struct {
	SqrtA, Ecc, M0, DeltaN       float64
	Omega0, OmegaDot, I0, IDot   float64
	Omega                        float64 // argument of perigee
	Cuc, Cus, Crc, Crs, Cic, Cis float64
}

// Inertial holds the orbit of GLONASS (PZ-90.11, Earth-fixed): state at Toe and
// the Sun's and Moon's acceleration.
type Inertial struct {
	Pos     geodesy.ECEF // m
	Vel     geodesy.ECEF // m/s
	Acc     geodesy.ECEF // m/s^2
	Channel int          // frequency channel, -7 to 13
	AgeDays int          // E_n: age of the data
}

// State is a satellite at one instant.
type State struct {
	Pos geodesy.ECEF // m, antenna phase centre, Earth-fixed at that instant
	Vel geodesy.ECEF // m/s, Earth-fixed
	// Clock is satellite clock - system time in s with the relativistic part,
	// without group delay; Drift its rate.
	Clock, Drift float64
}
