package corrections

import (
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// Condition is the correction link as it is now.
type Condition uint8

const (
	Untapped Condition = iota // no bytes of the link were ever seen
	Flowing
	Late
	Sparse
	Corrupt
	Silent
)

// String returns the word of the output contract.
func (c Condition) String() string {
	if int(c) < len(conditionNames) {
		return conditionNames[c]
	}
	return "untapped"
}

var conditionNames = [...]string{"untapped", "flowing", "late", "sparse", "corrupt", "silent"}

// Cause is why an outage happened.
type Cause uint8

const (
	CauseUnknown Cause = iota
	LinkSilent
	LinkCorrupt
	LinkSparse
	LinkLate
	BaseRestarted
	BaseMoved
	ReceiverNotUsing
	SkyBlocked
	ReceiverSilent
	Interference // all C/N0 fell together: a jammer, not an obstacle

	// What only a record of the base's end shows: package bothends.
	BaseReceiverStopped // the base receiver sent nothing, its computer lived
	BaseComputerStopped // the base's computer showed no life
	PathLost            // sent, and lost between the antennas
	RoverRadio          // sent, and lost in the car's radio or cable
	NumCauses
)

// MaxTypes bounds the message types a State lists.
const MaxTypes = 24

// TypeStat is what is known of one message type.
type TypeStat struct {
	Number int       // message number
	Count  uint64    // frames since the start
	Rate   float64   // Hz, usual
	Last   float64   // host Unix s of the last frame
	MaxGap float64   // s, longest since the start
	Bytes  float64   // mean frame size
	Minute [60]uint8 // frames in each of the last 60 s, oldest first
}

// BaseState says how the broadcast base compares with the surveyed one.
type BaseState uint8

const (
	BaseUnheard     BaseState = iota // no 1005/1006 yet
	BaseAsSurveyed                   // within tolerance of the surveyed coordinates
	BaseFirstHeard                   // nothing surveyed: the first one heard is the reference
	BaseElsewhere                    // differs from the reference by more than the tolerance
	BaseUnconfirmed                  // station id changed and no coordinates heard since
)

// State is the correction link in one plain value. NaN and -1 mean unknown.
type State struct {
	Condition       Condition
	Since           float64 // host Unix s of the present condition
	Tapped          bool
	LastByte        float64 // host Unix s
	BytesPerS       float64
	Latency         float64 // s, arrival - MSM epoch, of the last observation epoch
	UsualLat        float64 // s
	LatencyRelative bool    // latencies count from the least one heard: the offset of host clock and UTC is unknown
	BadShare        float64 // share of recent bytes outside valid frames
	CRCErrors       uint64
	JunkBytes       uint64
	Frames          uint64
	Systems         [rtcm.NSystems]uint8 // satellites per constellation in the last epoch
	UsualSats       float64              // satellites an epoch, usual
	Station         int                  // id on the link
	Base            BaseState
	BaseECEF        geodesy.ECEF // last heard
	BaseOff         float64      // m from the reference coordinates

	BaseChanges   int     // changes of coordinates or station id so far; an event each
	BaseChangedAt float64 // host Unix s of the last change
	BaseStep      float64 // m from the coordinates before it; NaN when only the id changed
	StationBefore int     // id before it

	Baseline  float64 // m, base to rover antenna
	RoverAge  float64 // s, from GGA
	RoverStn  int     // from GGA
	Types     [MaxTypes]TypeStat
	NTypes    int
	Ready     bool    // start-up is over: outages count
	Open      bool    // an episode is open
	OpenSince float64 // host Unix s
	OpenCause Cause   // as the evidence stands
	LastCause Cause   // of the last closed episode
	LastStart float64 // host Unix s, NaN before the first
	LastEnd   float64
	Episodes  int // closed so far

	NearMisses int        // troubles of the link that ended before they became an outage
	Recurs     Recurrence // over episodes and near misses so far
}
