package verdict

// ReasonID names one cause of a verdict, in the order in which a person wants
// to hear them: the first that holds is the one to act on.
type ReasonID uint8

const (
	WhySettings ReasonID = iota
	WhyComputer
	WhyIMU
	WhySaturated
	WhyReceiver
	WhyFrozen
	WhyLate
	WhyBaseMoved
	WhyBaseUnknown
	WhyDrift
	WhyJump
	WhyRefuted
	WhyClaimed
	WhyVelocity
	WhyInnovation
	WhyInterference
	WhyNoPosition
	WhyLink
	WhyQuality
	WhyAge
	WhySats
	WhyHDOP
	WhySigma
	WhyFault
	WhyAlign
	WhySuspect
	WhyUnchecked
	WhyPLLat
	WhyPLLon
	WhyPLYaw
	WhyCoast
	WhyLever
	WhyDwell
	WhyCarried
	WhySpeed
	NumReasons
)

var reasonCodes = [NumReasons]string{
	"settings", "computer-late", "imu-silent", "imu-saturated", "receiver-silent", "receiver-frozen", "epoch-late", "base-moved", "base-unconfirmed",
	"drift", "jump", "fix-refuted", "fix-unproven", "velocity", "innovation", "interference", "no-position", "link", "fix-quality", "corr-age", "sats", "hdop",
	"fix-sigma", "sat-fault", "aligning", "drift-suspected", "no-drift-check", "pl-lateral", "pl-along", "pl-heading", "coast-budget", "lever-arm-check", "requalifying", "carried_by_phase", "speed",
}

// String returns the code: stable, for logs and tests. One beyond the last begins
// again.
func (id ReasonID) String() string { return reasonCodes[id%NumReasons] }

// explains lists what each reason makes needless to say.
var explains = []struct {
	by  ReasonID
	ids []ReasonID
}{
	{WhyComputer, []ReasonID{WhyIMU, WhyReceiver, WhyLate, WhyLink, WhyQuality, WhyAge, WhySats, WhyHDOP, WhySigma, WhyFault, WhyNoPosition, WhyInnovation, WhyVelocity,
		WhyAlign, WhyPLLat, WhyPLLon, WhyPLYaw, WhyCoast, WhyDwell, WhyClaimed}},
	{WhyReceiver, []ReasonID{WhyLink, WhyQuality, WhyAge, WhySats, WhyHDOP, WhySigma, WhyFault, WhyNoPosition, WhyInnovation, WhyVelocity, WhyLate}},
	{WhyFrozen, []ReasonID{WhyJump, WhyRefuted, WhyClaimed, WhyInnovation, WhyVelocity, WhyDwell}},
	{WhyInterference, []ReasonID{WhyNoPosition, WhyQuality, WhyAge, WhySats, WhyHDOP, WhySigma}},
	{WhyNoPosition, []ReasonID{WhyQuality, WhyAge, WhySats, WhyHDOP, WhySigma}},
	{WhyLink, []ReasonID{WhyAge, WhyQuality}},
	{WhyQuality, []ReasonID{WhyAge, WhySigma, WhySats, WhyHDOP}},
	// Carried by phases, the receiver's own state costs nothing; a silent link
	// stays a warning.
	{WhyCarried, []ReasonID{WhyQuality, WhyAge, WhySats, WhyHDOP, WhySigma, WhyFault, WhyNoPosition, WhyClaimed, WhyDwell}},
	{WhyDrift, []ReasonID{WhyInnovation, WhyJump, WhySuspect}},
	{WhySuspect, []ReasonID{WhyPLLat, WhyPLLon, WhyCoast}},
	{WhyUnchecked, []ReasonID{WhyPLLat, WhyPLLon, WhyCoast}},
	{WhyJump, []ReasonID{WhyInnovation, WhyVelocity}},
	{WhyRefuted, []ReasonID{WhyInnovation, WhyDwell}},
	{WhyClaimed, []ReasonID{WhyInnovation, WhyDwell}},
	{WhyAlign, []ReasonID{WhyPLLat, WhyPLLon, WhyPLYaw, WhyCoast}},
	{WhyIMU, []ReasonID{WhyAlign, WhyPLLat, WhyPLLon, WhyPLYaw, WhyCoast}},
}

// Reason is one cause of a verdict that is not usable, or of a speed cap.
type Reason struct {
	Code  string  // stable, for logs and tests: "corr-age"
	Value float64 // what was measured, NaN where there is no number
	Limit float64 // what it may be, NaN where there is no number
	Unit  string  // of Value and Limit
	Since float64 // host Unix s
}

// MaxReasons bounds the reasons that are reported; the most serious come first.
const MaxReasons = 12

// Reasons are the reasons of one instant.
type Reasons struct {
	on [NumReasons]bool
	r  [NumReasons]Reason
}

// Add notes a reason.
func (b *Reasons) Add(id ReasonID, value, limit float64, unit string) {
	b.AddCoded(id, id.String(), value, limit, unit)
}

// AddCoded notes a reason under a code of its own.
func (b *Reasons) AddCoded(id ReasonID, code string, value, limit float64, unit string) {
	b.on[id] = true
	b.r[id] = Reason{Code: code, Value: value, Limit: limit, Unit: unit}
}

// First returns the code of the reason to act on, empty without one.
func (b *Reasons) First() string {
	for id := range NumReasons {
		if b.on[id] {
			return b.r[id].Code
		}
	}
	return ""
}

// hideExplained takes out those that another explains.
func (b *Reasons) hideExplained() {
	for i := range explains {
		if x := &explains[i]; b.on[x.by] {
			for _, id := range x.ids {
				b.on[id] = false
			}
		}
	}
}
