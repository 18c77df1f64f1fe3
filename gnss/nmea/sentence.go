package nmea

import "math"

// Type is a sentence formatter that the monitor reads.
type Type uint8

const (
	Other Type = iota // well-formed, but nothing here needs it
	GGA
	RMC
	VTG
	GST
	GSA
	GSV
	GBS
	GNS
	ZDA
	HDT
	THS
	NumTypes // count of the above
)

// String returns the three letters of the formatter.
func (t Type) String() string {
	if t < NumTypes {
		return typeNames[t]
	}
	return typeNames[Other]
}

var typeNames = [NumTypes]string{"other", "GGA", "RMC", "VTG", "GST", "GSA", "GSV", "GBS", "GNS", "ZDA", "HDT", "THS"}

// Sentence is one sentence of any [Type]. Only the fields its type has are
// ever filled; the others, and fields that came empty, are NaN, -1 or 0 as the
// comments say.
type Sentence struct {
	Type   Type
	Talker [2]byte // as sent: GP, GN, ...; zero when the address has none

	Time float64 // s of the UTC day, to 86401 in a leap second; NaN
	Date int     // days since 1970-01-01; -1

	Lat, Lon float64 // rad, north and east positive, both or neither; NaN
	Alt      float64 // m, antenna above mean sea level; NaN
	Sep      float64 // m, geoid above ellipsoid; NaN
	Quality  int     // GGA field 6, 0-8; -1
	Used     int     // satellites used; -1
	HDOP     float64 // NaN
	PDOP     float64 // NaN
	VDOP     float64 // NaN
	Age      float64 // s, of the differential data; NaN
	Station  int     // reference station id; -1 when empty or not a number

	Speed  float64 // m/s over ground; NaN
	Course float64 // rad clockwise from true north, [0, 2π); NaN
	Status byte    // RMC: A or V; 0
	Mode   byte    // RMC, VTG, GNS: positioning mode, one of ADEFMNPRS; 0 when empty or another letter
	Nav    byte    // RMC, GNS: navigational status S, C, U or V (not valid); 0

	RMSRange         float64 // m, GST: RMS of the range residuals' standard deviations; NaN
	SemiMajor        float64 // m, GST: error ellipse, 1 sigma; NaN
	SemiMinor        float64 // m; NaN
	Orient           float64 // rad, GST: semi-major axis clockwise from true north; NaN
	SigN, SigE, SigU float64 // m, GST: 1 sigma; NaN

	ErrN, ErrE, ErrU float64 // m, GBS: expected errors; NaN
	FaultSat         int     // GBS: id of the most likely failed satellite; -1
	FaultMissed      float64 // GBS: probability of missed detection; NaN
	FaultBias        float64 // m, GBS: estimated bias; NaN
	FaultSig         float64 // m, GBS: its standard deviation; NaN

	Heading float64 // rad clockwise from true north, HDT, THS; NaN
	HdgMode byte    // THS: A, E, M, S or V (not valid: Heading is then NaN); 0

	FixDim int // GSA: 1 none, 2, 3; -1
	System int // GSA, GBS: 1 GPS, 2 GLONASS, 3 Galileo, 4 BeiDou, 5 QZSS, 6 NavIC; -1
	Signal int // GSV, GBS: signal id, 0-15; -1

	Messages, Index, InView int    // GSV: this is message Index of Messages; satellites in view; -1
	Views                   []View // GSV: valid until the next Parse
}

// View is one satellite of a GSV.
type View struct {
	ID   int     // -1 when empty or lettered
	Elev float64 // rad; NaN
	Azim float64 // rad clockwise from true north; NaN
	CN0  float64 // dB-Hz; NaN when not tracked (some receivers write 00)
}

var nan = math.NaN()

var blank = Sentence{
	Time: nan, Date: -1,
	Lat: nan, Lon: nan, Alt: nan, Sep: nan, Quality: -1, Used: -1,
	HDOP: nan, PDOP: nan, VDOP: nan, Age: nan, Station: -1,
	Speed: nan, Course: nan,
	RMSRange: nan, SemiMajor: nan, SemiMinor: nan, Orient: nan, SigN: nan, SigE: nan, SigU: nan,
	ErrN: nan, ErrE: nan, ErrU: nan, FaultSat: -1, FaultMissed: nan, FaultBias: nan, FaultSig: nan,
	Heading: nan, FixDim: -1, System: -1, Signal: -1,
	Messages: -1, Index: -1, InView: -1,
}
