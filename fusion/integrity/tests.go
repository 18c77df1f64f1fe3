package integrity

import "math"

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

// TestStates are all tests as they stand.
type TestStates [NumTests]TestState

// BlankTests returns the tests before any was made.
func BlankTests() (ts TestStates) {
	n := math.NaN()
	for i := range ts {
		ts[i] = TestState{Stat: n, Threshold: n, Detectable: n, Since: n}
	}
	return ts
}

// Set notes a statistic.
func (t *TestState) Set(stat, threshold, detectable float64, unit string) {
	t.Stat, t.Threshold, t.Detectable, t.Unit = stat, threshold, detectable, unit
}

// SetAlarm opens or clears the alarm at host time now.
func (t *TestState) SetAlarm(on bool, now float64) {
	if on && !t.Alarm {
		t.Since = now
	}
	t.Alarm = on
}

// Settings holds the probabilities and windows of the tests.
type Settings struct {
	PFA        float64    `toml:"false_alarm" unit:"" doc:"false-alarm probability of one jump test" min:"1e-12" max:"0.1" src:"1 in 10 h at 10 Hz is 2.8e-6"`
	PMD        float64    `toml:"missed_detection" unit:"" doc:"missed-detection probability behind each smallest detectable size" min:"1e-9" max:"0.5" src:"common practice"`
	InnovPFA   float64    `toml:"innovation_false_alarm" unit:"" doc:"false-alarm probability of the innovation gate" min:"1e-12" max:"0.1" src:"common practice"`
	DriftPFA   float64    `toml:"drift_false_alarm" unit:"" doc:"false-alarm probability of each drift test, taken with bounds wider than the noise" min:"1e-12" max:"0.1" src:"generated drives without fault stay below 10 of 16"`
	SuspectPFA float64    `toml:"drift_doubt" unit:"" doc:"false-alarm probability, taken likewise, at which a drift over one of the two shorter windows widens the protection levels; over the longest, by the receiver's velocity, a fiftieth of it" min:"1e-12" max:"0.5" src:"costs 0.1 % of generated driving without fault"`
	Windows    [3]float64 `toml:"drift_windows_s" unit:"s" doc:"windows of the drift tests; the longest is compared over twice its length too" min:"0.2" max:"120" src:"Diesel and Luu 1995 (form of the test)"`
	DriftFloor float64    `toml:"drift_floor_m" unit:"m" doc:"error shared by all innovations of a window: it does not average out" min:"0" max:"1" src:"lever arm and time of validity, common practice"`
	CusumK     float64    `toml:"cusum_k" unit:"sigma" doc:"CUSUM allowance" min:"0" max:"5" src:"Lucas and Crosier 1982"`
	CusumH     float64    `toml:"cusum_h" unit:"sigma" doc:"CUSUM decision interval" min:"1" max:"100" src:"Lucas and Crosier 1982 (form of the test)"`
}

// DefaultSettings returns the settings used where a file says nothing.
func DefaultSettings() Settings {
	return Settings{PFA: 1e-8, PMD: 1e-3, InnovPFA: 1e-7, DriftPFA: 3e-4, SuspectPFA: 0.05, Windows: [3]float64{2, 6, 15}, DriftFloor: 0.01, CusumK: 0.5, CusumH: 12}
}
