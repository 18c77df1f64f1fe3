package fusion

import (
	"kerbline/fusion/carrier"
	"kerbline/fusion/integers"
	"kerbline/fusion/integrity"
	"kerbline/fusion/parameters"
	"kerbline/fusion/phasecheck"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/trust"
	"kerbline/fusion/verdict"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/reception"
)

// The words of the verdict and of the tests, as snapshots hold them.
type (
	Verdict   = verdict.Verdict
	Advice    = verdict.Advice
	Reason    = verdict.Reason
	PL        = verdict.PL
	TestID    = integrity.TestID
	TestState = integrity.TestState
)

const (
	Unproven = verdict.Unproven
	Usable   = verdict.Usable
	Coasting = verdict.Coasting
	Unusable = verdict.Unusable

	AdviseStop     = verdict.AdviseStop
	AdviseReactive = verdict.AdviseReactive
	AdviseMapSlow  = verdict.AdviseMapSlow
	AdviseMap      = verdict.AdviseMap

	TestFix        = integrity.TestFix
	TestInnovation = integrity.TestInnovation
	TestJump       = integrity.TestJump
	TestDrift1     = integrity.TestDrift1
	TestDrift2     = integrity.TestDrift2
	TestDrift3     = integrity.TestDrift3
	TestCusum      = integrity.TestCusum
	TestVelocity   = integrity.TestVelocity
	TestReference  = integrity.TestReference
	TestInputs     = integrity.TestInputs
	NumTests       = integrity.NumTests

	MaxReasons = verdict.MaxReasons
)

// Snapshot is everything the monitor knows after one step. It is a plain
// value: copying it copies all of it. NaN and -1 mean unknown.
type Snapshot struct {
	T   float64 // host Unix s
	Seq uint64  // counts verdict lines from 1
	UTC float64 // Unix s, from the receiver; NaN until tied

	Verdict  Verdict
	Advice   Advice
	Since    float64 // host Unix s of the present verdict
	Reasons  [MaxReasons]Reason
	NReasons int
	SpeedCap float64 // m/s, NaN when no speed is good enough
	Coast    float64 // s, coast budget, NaN when unknown
	CoastMax bool    // the budget is longer than the horizon looked at
	Handover float64 // s
	LeaveIn  float64 // s until handover must start while coasting, NaN otherwise

	// Position at the body origin.
	HasPos           bool
	Pos              geodesy.LLA
	ENU              geodesy.ENU // m, in Frame
	Frame            geodesy.Frame
	Roll, Pitch, Yaw float64 // rad, ENU, yaw counter-clockwise from east
	Vel              geodesy.ENU
	Speed            float64 // m/s over ground
	YawRate          float64 // rad/s
	LatAcc, LonAcc   float64 // m/s^2, body left and forward, gravity removed

	SigmaLat, SigmaLon, SigmaYaw float64 // m, m, rad, 1 sigma
	PLLat, PLLon, PLYaw          PL
	ALLat, ALLon, ALYaw          float64 // m, m, rad

	Tests integrity.TestStates

	// Receiver.
	Epoch      gnss.Epoch // the last one
	EpochUsed  bool       // the last epoch was fused
	EpochAge   float64    // s since it arrived
	EpochRate  float64    // Hz
	SigmaFix   float64    // m, horizontal sigma used for it
	Refused    float64    // s for which GNSS has been refused, 0 when it is not
	DwellLeft  float64    // s of requalification left, 0 when served
	NeedsProof bool       // the fix is not believed: see Claim
	Claim      Claim
	Driven     Driven // who steers
	Mark       CheckMark
	MapFit     MapFit
	MapOff     float64 // m, of the base from where it stood at the map's survey, NaN

	// Correction link.
	Link corrections.State

	// Reception is what rover and base receive by their own observations, nil
	// while nothing was heard of them; it is the monitor's.
	Reception *reception.State

	Phases Phases // what the rover's own observations say

	// Inertial sensor and wheel.
	IMURate    float64 // Hz
	IMUAge     float64 // s since the last sample
	GyroBias   [3]float64
	AccBias    [3]float64
	Vibration  float64 // m/s^2, high-frequency rms of specific force
	Still      bool
	WheelRate  float64 // Hz
	WheelAge   float64
	WheelSpeed float64 // m/s as reported
	WheelScale float64
	Slip       float64 // rad/(m/s^2)

	// Where the drive alone has the antenna from where the settings do, forward
	// and left, m, and 1 sigma of that, infinite where it has not shown it.
	LeverOff, LeverSigma [2]float64

	// Setup is how far the drive has come in showing that the settings fit it.
	Setup parameters.Progress

	Taken string // values taken for this run alone, empty for none

	// Symptom is what looks wrong with settings or inputs, and what to set; the
	// most basic where several do.
	Symptom symptoms.Finding

	// Time.
	HostMinusUTC float64 // s
	Latency      float64 // s, minimum latency of an epoch
	LatencySigma float64 // s
	ClockDrift   float64 // s/s, host against UTC

	// Map.
	HasCourse bool
	Station   float64 // m along the lap
	LapLength float64 // m
	Lap       int     // laps completed
	Cross     float64 // m left of the centre line
	HalfWidth float64 // m here
	CourseYaw float64 // rad, direction of the course here

	Counts Counts
}

// Claim is what is believed of the receiver's fix, and by what evidence.
type Claim struct {
	Fix      trust.Fix
	Fault    trust.Fault
	Since    float64    // host Unix s of the question, NaN while believed
	LLR      float64    // log-likelihood ratio for the fix being right, NaN without evidence
	Believe  float64    // from which it is believed
	Refute   float64    // from which it is refuted
	Offset   [3]float64 // m, ENU, of the fix from the place kept without it
	Followed bool       // dead reckoning is spent: only height or a mark is evidence
	Proven   float64    // host Unix s of the last epoch that was believed, NaN before
}

// Phases is what the rover's raw observations say of its position.
type Phases struct {
	Heard   bool
	Age     float64 // s since the last observations
	Carried bool    // the proven position is carried by phases, and needs the receiver's no more
	Lead    bool    // the receiver's is not used
	Since   float64 // s since the last fix that was proven
	Sigma   float64 // m, of the carried position horizontally
	Level   float64 // m, what one faulty satellite may add to it unseen is inside
	Left    float64 // s for which the level would stay inside the lateral limit, going on as before

	Lack       carrier.Lack // why nothing is carried
	Satellites int
	Systems    int
	Dual       int // satellites of them with two carriers

	Opinion integers.Opinion // of our own integers on the fix
	Why     integers.Reason  // there is none
	Off     geodesy.ENU      // m, from the right place to a refuted fix
	Drift   phasecheck.Drift
}

// Counts tallies what came in and what was refused since the start.
type Counts struct {
	Sentences, Epochs, Frames, IMU, Wheel uint64
	EpochsUsed, EpochsRefused             uint64
	Refused                               [nChannels]uint64 // refused lines and frames by channel
	Events                                uint64
}

// EventKind is the kind of an event line.
type EventKind string

const (
	EventJump     EventKind = "jump"
	EventDrift    EventKind = "drift"
	EventOutage   EventKind = "correction_outage"
	EventBase     EventKind = "base_changed"
	EventReceiver EventKind = "receiver_gap"
	EventIMUGap   EventKind = "imu_gap"
	EventLate     EventKind = "late_epoch"
	EventClock    EventKind = "clock_step"
	EventComputer EventKind = "computer_late" // this computer took nothing for a while
	EventQuality  EventKind = "quality_change"
	EventVerdict  EventKind = "verdict_change"
	EventReinit   EventKind = "reinitialised"
	EventUnit     EventKind = "unit_suspect"
	EventTaken    EventKind = "setting_taken" // for this run alone

	EventRefuted   EventKind = "fix_refuted"   // the fix stands elsewhere than the car
	EventConfirmed EventKind = "fix_confirmed" // a fix that was in question is believed

	EventInterference  EventKind = "interference"   // all C/N0 fell together
	EventBaseElsewhere EventKind = "base_elsewhere" // the base broadcasts coordinates of another place
)

// Event is one thing that happened. NaN means unknown.
type Event struct {
	T      float64 // host Unix s of its start
	End    float64 // host Unix s, NaN for an instant
	Kind   EventKind
	Cause  string  // corrections cause, test or verdict name; may be empty
	Size   float64 // m (jump, drift, base_changed) or s (gaps, steps), NaN otherwise
	Detail string  // one sentence
	Where  float64 // m along the lap
}
