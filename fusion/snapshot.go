package fusion

import (
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// Verdict says whether the position may be used for map-based driving.
type Verdict uint8

const (
	Unproven Verdict = iota // filter not initialised, or not yet requalified
	Usable                  // every condition holds
	Coasting                // GNSS absent or refused, dead reckoning still inside the limits
	Unusable                // a limit is passed or an alarm is open
)

// String returns the word of the output contract.
func (v Verdict) String() string { return verdictNames[v&3] }

var verdictNames = [4]string{"unproven", "usable", "coasting", "unusable"}

// Advice says what the car should do this second.
type Advice uint8

const (
	AdviseStop     Advice = iota // stop
	AdviseReactive               // hand over to reactive driving
	AdviseMapSlow                // map-based driving under the speed cap
	AdviseMap                    // map-based driving
)

// String returns the word of the output contract.
func (a Advice) String() string { return adviceNames[a&3] }

var adviceNames = [4]string{"stop", "reactive", "map_slow", "map"}

// Reason is one cause of a verdict that is not usable, or of a speed cap.
type Reason struct {
	Code  string  // stable, for logs and tests: "corr-age"
	Value float64 // what was measured, NaN where there is no number
	Limit float64 // what it may be, NaN where there is no number
	Unit  string  // of Value and Limit
	Since float64 // host Unix s
}

// MaxReasons bounds the reasons a snapshot holds; the most serious come first.
const MaxReasons = 12

// PL is a protection level with its parts, in the unit of the total (m or rad).
type PL struct {
	Total  float64 // NaN when unknown
	Noise  float64 // K times the overbounded sigma
	Step   float64 // largest step the jump test would miss
	Drift  float64 // how far a suspected drift may have gone
	Timing float64 // speed times timing uncertainty
	Sigma  float64 // 1 sigma behind Noise
}

// unseen is what the tests may not have seen, or not yet proven: no noise, and
// it does not grow with speed.
func (p *PL) unseen() float64 { return p.Step + p.Drift }

// TestID names one integrity test.
type TestID uint8

const (
	TestFix TestID = iota
	TestInnovation
	TestJump
	TestDrift1
	TestDrift2
	TestDrift3
	TestCusum
	TestVelocity
	TestReference
	TestInputs
	NumTests
)

// String returns the name used in reasons, logs and the settings.
func (t TestID) String() string { return testNames[t] }

var testNames = [NumTests]string{"fix", "innovation", "jump", "drift-1", "drift-2", "drift-3", "cusum", "velocity", "reference", "inputs"}

// TestState is one integrity test as it stands.
type TestState struct {
	Stat       float64 // statistic, NaN before it was first formed
	Threshold  float64 // alarm above
	Detectable float64 // smallest size found at the configured missed-detection probability
	Unit       string  // of Detectable
	Alarm      bool
	Since      float64 // host Unix s of the open alarm
}

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

	Tests [NumTests]TestState

	// Receiver.
	Epoch      gnss.Epoch // the last one
	EpochUsed  bool       // the last epoch was fused
	EpochAge   float64    // s since it arrived
	EpochRate  float64    // Hz
	SigmaFix   float64    // m, horizontal sigma used for it
	Refused    float64    // s for which GNSS has been refused, 0 when it is not
	DwellLeft  float64    // s of requalification left, 0 when served
	NeedsProof bool       // a receiver that stepped is refused until its ambiguity is redone or a mark confirmed

	// Correction link.
	Link corrections.State

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
	UnitHint   string  // what looks wrong with units, axes or lever arm, in words

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
	EventQuality  EventKind = "quality_change"
	EventVerdict  EventKind = "verdict_change"
	EventReinit   EventKind = "reinitialised"
	EventUnit     EventKind = "unit_suspect"
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
