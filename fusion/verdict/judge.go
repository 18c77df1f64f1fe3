package verdict

import (
	"cmp"
	"math"

	"kerbline/fusion/integrity"
	"kerbline/gnss/corrections"
)

// Evidence is what is known at one instant.
type Evidence struct {
	// Inputs. Silent means never heard, or longer ago than its limit.
	SettingsWrong  bool   // settings or inputs contradict the motion
	Symptom        string // the code of what looks wrong, empty for nothing
	IMUHeard       bool
	IMUSilent      bool
	IMUAge         float64 // s
	IMUGap         float64 // s, its limit
	Saturated      bool
	ReceiverHeard  bool
	ReceiverSilent bool
	EpochAge       float64 // s
	Silence        float64 // s, its limit
	Frozen         bool    // the receiver repeats a position while the car moves
	EpochLate      bool    // the last epoch came later than Stall
	Stall          float64 // s
	ComputerLate   float64 // s by which this computer was late just now, 0 where it was not

	// Receiver and base.
	Fixed         bool // the last epoch passes the fix gate
	Base          corrections.BaseState
	BaseOff       float64 // m
	BaseTolerance float64 // m

	// Belief.
	Stepped, Drifted bool                  // an open fault of the receiver
	FaultSize        float64               // m
	Claimed, Refuted bool                  // a fix after a break: not decided, or stands elsewhere
	Undecided        bool                  // a fix that stepped: nothing tells yet whether it is right now
	LLR, LLRWanted   float64               // log-likelihood ratio for the fix being right, and that from which it is believed
	Offset           float64               // m, horizontal, of a refuted fix
	Refused          bool                  // fixed epochs are refused by the innovation gate
	Proven           bool                  // was usable, and dead reckoning has carried it since
	Requalifying     bool                  // fixed epochs have not been consistent for long enough
	DwellLeft        float64               // s of that left
	SinceUsed        float64               // s since a fixed epoch was used, NaN for never
	Carried          bool                  // carrier phases hold the proven position
	CarriedLeads     bool                  // and the receiver's is not used
	CarriedFor       float64               // s since the last proven fix
	CarriedLeft      float64               // s for which the level would stay inside its limit
	Contradicted     bool                  // our own integers contradict the fix
	ContradictedBy   float64               // m
	SettingsOpen     bool                  // the recording has not confirmed the settings yet
	Tests            *integrity.TestStates // as they stand

	// Bounds. Without Aligned the rest is unknown.
	Empty               bool // not even levelled
	Aligned             bool
	PLLat, PLLon, PLYaw PL
	ALLat, ALLon, ALYaw float64 // m, m, rad
	SuspectedDrift      float64 // m, 0 without a suspicion
	Unchecked           float64 // m, what a drift may have gone to while nothing checks it
	Speed               float64 // m/s
	YawRate             float64 // rad/s
	Timing              float64 // s, what the time of the position may be off
	Coast               float64 // s, budget
	Leave               float64 // s until levels or budget force the handover
}

// Judgement is what follows from the evidence.
type Judgement struct {
	Reasons  Reasons
	Verdict  Verdict
	Handover float64 // s, NaN while not aligned
	LeaveIn  float64 // s until handover must start while coasting, NaN otherwise
	Cap      float64 // m/s, speed up to which the verdict would hold, NaN for none
	Blind    bool    // neither receiver nor inertial sensor is heard

	InputAlarm, BaseAlarm bool
}

// Judge says verdict and reasons. The reasons the fix gate gives stand in j
// already; it may be used again after Begin.
func Judge(e *Evidence, car *Car, t *Timing, j *Judgement) {
	j.inputs(e)
	j.receiver(e)
	within := j.bounds(e)
	j.Handover = math.NaN()
	if e.Aligned {
		j.Handover = integrity.Handover(e.Speed, car.Reaction, car.ReactiveSpeed, car.Brake)
	}
	b := &j.Reasons
	budget := e.Coast >= j.Handover
	if e.Aligned && !budget {
		b.Add(WhyCoast, e.Coast, j.Handover, "s")
	}
	if e.Requalifying && e.Fixed && !e.ReceiverSilent {
		b.Add(WhyDwell, e.DwellLeft, 0, "s")
	}
	if e.SettingsOpen && e.Aligned {
		b.Add(WhyLever, math.NaN(), math.NaN(), "")
	}

	used := e.SinceUsed <= e.Silence // a fixed epoch was used just now
	fault := e.Stepped || e.Drifted || e.Claimed || e.Refuted
	velocity := e.Tests[integrity.TestVelocity].Alarm
	sensors := e.SettingsWrong || e.Saturated || j.BaseAlarm
	alarm := sensors || fault || velocity
	receiver := !e.Requalifying && used && e.Fixed && !e.ReceiverSilent && !fault && !velocity && !e.Frozen && !e.EpochLate && !e.Refused && !e.Contradicted
	usable := !e.SettingsOpen && within && budget && !e.IMUSilent && !sensors && (receiver || e.Carried)
	if e.Carried && (e.CarriedLeads || !receiver) {
		b.Add(WhyCarried, e.CarriedFor, e.CarriedFor+e.CarriedLeft, "s")
	}
	// What dead reckoning cannot answer: it followed the drift itself, or its own
	// sensors are suspected.
	misled := e.Drifted && !e.Carried || j.BaseAlarm || e.SettingsWrong || e.Saturated || e.IMUSilent
	coasting := !usable && within && e.Proven && !misled && e.Coast > 0 && e.SinceUsed <= t.MaxCoast
	switch {
	case usable:
		j.Verdict = Usable
	case coasting:
		j.Verdict = Coasting
	case e.ReceiverSilent && e.ReceiverHeard && e.Aligned, e.IMUSilent && e.IMUHeard:
		j.Verdict = Unusable
	case !e.Aligned, used && e.Fixed && !alarm, (e.Stepped || e.Claimed || e.Refuted) && !misled:
		j.Verdict = Unproven
	default:
		j.Verdict = Unusable
	}
	j.LeaveIn, j.Cap = math.NaN(), math.NaN()
	if j.Verdict == Coasting {
		j.LeaveIn = math.Min(e.Leave, t.MaxCoast-e.SinceUsed)
	}
	if j.Verdict == Usable || j.Verdict == Coasting {
		j.Cap = speedCap(e, car)
	}
	if j.Verdict == Usable && math.IsNaN(j.Cap) { // no speed is good enough: the speed itself is unknown
		j.Verdict = Unusable
	}
	j.Blind = e.IMUSilent && e.ReceiverSilent || e.Empty && !e.IMUHeard
}

// Begin forgets the judgement of the instant before.
func (j *Judgement) Begin() { *j = Judgement{} }

// inputs adds the reasons of silent, late and wrong inputs.
func (j *Judgement) inputs(e *Evidence) {
	b := &j.Reasons
	if e.SettingsWrong {
		b.AddCoded(WhySettings, cmp.Or(e.Symptom, reasonCodes[WhySettings]), math.NaN(), math.NaN(), "")
	}
	if e.IMUSilent {
		b.Add(WhyIMU, e.IMUAge, e.IMUGap, "s")
	}
	if e.Saturated {
		b.Add(WhySaturated, math.NaN(), math.NaN(), "")
	}
	if e.ReceiverSilent {
		b.Add(WhyReceiver, e.EpochAge, e.Silence, "s")
	}
	if e.Frozen {
		b.Add(WhyFrozen, math.NaN(), math.NaN(), "")
	}
	if e.EpochLate {
		b.Add(WhyLate, math.NaN(), e.Stall, "s")
	}
	if e.ComputerLate > 0 && (e.IMUSilent || e.ReceiverSilent || e.EpochLate) {
		b.Add(WhyComputer, e.ComputerLate, math.NaN(), "s")
	}
	j.InputAlarm = e.SettingsWrong || e.IMUSilent || e.Saturated || e.ReceiverSilent || e.Frozen || e.EpochLate
}

// receiver adds the reasons of base and belief.
func (j *Judgement) receiver(e *Evidence) {
	b, ts := &j.Reasons, e.Tests
	switch e.Base {
	case corrections.BaseElsewhere:
		b.Add(WhyBaseMoved, e.BaseOff, e.BaseTolerance, "m")
		j.BaseAlarm = true
	case corrections.BaseUnconfirmed:
		b.Add(WhyBaseUnknown, math.NaN(), math.NaN(), "")
		j.BaseAlarm = true
	}
	if e.Contradicted {
		b.Add(WhyRefuted, e.ContradictedBy, math.NaN(), "m")
	}
	if e.Drifted {
		b.Add(WhyDrift, e.FaultSize, ts[integrity.TestDrift2].Detectable, "m")
	} else if e.Stepped {
		b.Add(WhyJump, e.FaultSize, ts[integrity.TestJump].Detectable, "m")
	}
	if e.Refuted && e.Fixed {
		b.Add(WhyRefuted, e.Offset, math.NaN(), "m")
	} else if (e.Claimed || e.Undecided) && e.Fixed {
		b.Add(WhyClaimed, e.LLR, e.LLRWanted, "")
	}
	if t := &ts[integrity.TestVelocity]; t.Alarm {
		b.Add(WhyVelocity, t.Stat, t.Threshold, "")
	}
	if t := &ts[integrity.TestInnovation]; e.Refused && !e.Stepped && !e.Drifted && !e.Claimed && !e.Refuted && e.Aligned {
		b.Add(WhyInnovation, t.Stat, t.Threshold, "")
	}
}

// bounds compares the protection levels with their limits.
func (j *Judgement) bounds(e *Evidence) (within bool) {
	b := &j.Reasons
	if !e.Aligned {
		b.Add(WhyAlign, math.NaN(), math.NaN(), "")
		return false
	}
	lat, lon, yaw := e.PLLat.Total <= e.ALLat, e.PLLon.Total <= e.ALLon, e.PLYaw.Total <= e.ALYaw
	if !lat {
		b.Add(WhyPLLat, e.PLLat.Total, e.ALLat, "m")
	}
	if !lon {
		b.Add(WhyPLLon, e.PLLon.Total, e.ALLon, "m")
	}
	if !yaw {
		b.Add(WhyPLYaw, e.PLYaw.Total*180/math.Pi, e.ALYaw*180/math.Pi, "deg")
	}
	within = lat && lon && yaw
	// What explains the levels that would be within their limits without it.
	if !within && e.PLLat.Total-e.PLLat.Drift <= e.ALLat && e.PLLon.Total-e.PLLon.Drift <= e.ALLon {
		if e.SuspectedDrift > 0 {
			b.Add(WhySuspect, e.SuspectedDrift, math.NaN(), "m")
		} else if e.Unchecked > 0 {
			b.Add(WhyUnchecked, e.Unchecked, math.NaN(), "m")
		}
	}
	return within
}

func speedCap(e *Evidence, car *Car) float64 {
	return integrity.SpeedCap(integrity.CapInput{
		Speed: e.Speed, Coast: e.Coast,
		LatFixed: e.PLLat.Noise + e.PLLat.Unseen(), LatPerV: math.Abs(e.YawRate) * e.Timing,
		LonFixed: e.PLLon.Noise + e.PLLon.Unseen(), LonPerV: e.Timing,
		ALLat: e.ALLat, ALLon: e.ALLon,
		Reaction: car.Reaction, Reactive: car.ReactiveSpeed, Brake: car.Brake, Max: car.MaxSpeed,
	})
}
