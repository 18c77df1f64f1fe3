package words

import (
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/symptoms"
	"kerbline/gnss/corrections"
)

// Finding is a reason of a verdict, or a cause, in words.
type Finding struct {
	Now string // while it holds, for a value to follow: "corrections too old"
	Was string // afterwards, half a sentence: "the corrections were too old"
	Do  string // what to do about it
}

const (
	doSky   = "look at what stands beside the track there; raise the rover's antenna, check its ground plane and cable"
	doIMU   = "check the inertial sensor's power, cable and port"
	doBusy  = "close what else runs on it (updates, browsers, video), give it mains power and cooling, let it write to a faster disk"
	doTimes = "check what else the computer does, the receiver's port and baud rate"
	doTune  = "estimate noise, lever arm and latency from this recording (calibrate), then judge it again (tune)"
	doProof = "it ends by itself when the receiver is right again; let it find its fix anew, or confirm a check mark (key m)"
	doLook  = "replay the recording and look at that time"
)

// reasons by the code of the verdict line, in the order of their weight.
var reasons = map[string]Finding{
	"settings":         {"settings look wrong", "settings did not fit the drive", "compare units, axes, mounting and lever arm with the settings; kerbline setup RECORDING finds them"},
	"computer-late":    {"this computer was late, by", "this computer was late and took nothing that came", doBusy},
	"imu-silent":       {"IMU silent", "the inertial sensor was silent", doIMU},
	"imu-saturated":    {"IMU at the end of its range", "the inertial sensor was at the end of its range", "mount it more softly or choose a larger range"},
	"receiver-silent":  {"receiver silent", "the receiver sent nothing", corrections.ReceiverSilent.Try()},
	"receiver-frozen":  {"receiver repeats one position", "the receiver repeated one position while the car moved", "restart the receiver; check its load and output rate"},
	"epoch-late":       {"GNSS epochs arrive late", "epochs of the receiver came too late", doTimes},
	"base-moved":       {"base is not where it was surveyed, off by", "the base is not where it was surveyed", corrections.BaseMoved.Try()},
	"base-unconfirmed": {"base changed or all inputs were silent, its coordinates not heard since", "another base is heard, or all inputs were silent together, and not where it stands since", "let the base send its coordinates (1005 or 1006) every few seconds"},
	"drift":            {"position drifts against the IMU", "the position drifted against the inertial sensor", "look for reflections and a wrong base; survey a mark on the ground and check against it"},
	"jump": {"position jumped", "the receiver said fixed while its position stepped",
		"look for metal, trucks and buildings near those places; ask more of the receiver before it says fixed; check the antenna's ground plane and cable"},
	"fix-refuted": {"fix is wrong, off by", "the receiver said fixed after a break and stood elsewhere than the car", doProof},
	"fix-unproven": {"fix after a break not proven,", "nothing could tell whether the fix after a break was right",
		"drive on a known part of the lap, confirm a check mark (key m), or let the receiver find its fix anew; wheel speed shortens it"},
	"velocity":         {"GNSS velocity disagrees with the filter", "the receiver's velocity disagreed with the filter", doTune},
	"innovation":       {"GNSS position disagrees with the filter", "the receiver's position disagreed with the filter", doTune},
	"interference":     {"interference: the C/N0 of all satellites fell by", "the C/N0 of all satellites fell together", corrections.Interference.Try()},
	"no-position":      {"receiver gives no position", "the receiver had no position", doSky},
	"link-late":        {"corrections late", "corrections came late", corrections.LinkLate.Try()},
	"link-sparse":      {"corrections incomplete", "corrections came incomplete", corrections.LinkSparse.Try()},
	"link-corrupt":     {"corrections arrive broken", "corrections came broken", corrections.LinkCorrupt.Try()},
	"link-silent":      {"correction link silent", "no corrections came", corrections.LinkSilent.Try()},
	"fix-quality":      {"fix quality", "the receiver had no fixed position", "watch the correction age and the satellites while it comes back; check that the receiver gets the base's message set"},
	"corr-age":         {"corrections too old", "the corrections were too old", corrections.LinkSilent.Try()},
	"sats":             {"too few satellites", "too few satellites were used", doSky},
	"hdop":             {"satellite geometry poor, HDOP", "the satellite geometry was poor", doSky},
	"fix-sigma":        {"receiver reports a poor position, sigma", "the receiver reported a poor position", doSky},
	"sat-fault":        {"receiver reports a faulty satellite", "the receiver reported a faulty satellite", "wait until it is gone; leave that satellite out in the receiver"},
	"aligning":         {"filter not aligned yet", "the filter was not aligned", "stand still for some seconds, then drive straight faster than walking"},
	"no-drift-check":   {"nothing checks for a slow drift, possible so far", "neither wheel speed nor a velocity of the receiver was there to show a slow drift of the position", "connect wheel speed, or have the receiver send RMC or VTG at every epoch"},
	"drift-suspected":  {"position may be drifting, seen so far", "the position seemed to drift against wheels, gyro or the receiver's velocity", "look for reflections near the antenna; check wheel speed and gyro against the settings with calibrate"},
	"pl-lateral":       {"lateral protection level", "the sideways protection level was beyond its limit", doTune},
	"pl-along":         {"along-track protection level", "the protection level along the track was beyond its limit", doTune},
	"pl-heading":       {"heading protection level", "the protection level of heading was beyond its limit", "drive a few bends so that heading is known; check the gyro noise in the settings"},
	"coast-budget":     {"coast budget shorter than the handover,", "dead reckoning would not have lasted for a handover", "add or mend the wheel speed; slow down; shorten the handover"},
	"lever-arm-check":  {"lever arm not proven by turns yet", "the lever arm had not been proven by turns", "drive a few turns both ways; until then the levels hold what the lever arm may be off"},
	"requalifying":     {"requalifying: consistent fixes for another", "fixes had not yet been consistent for long enough", "wait; it comes back by itself"},
	"carried_by_phase": {"carried by carrier phases, without the receiver's fix for", "the position was carried by carrier phases", "nothing: it lasts as long as the levels hold; mend the corrections meanwhile"},
	"speed":            {"too fast,", "the car was faster than the speed cap", "stay below the speed cap"},
	"clock-step":       {"the computer's clock was set", "the computer's clock was set while driving", "set the clock before the session; let nothing set it while driving"},
}

// OfReason returns the words of a reason code. One that is not known here is
// said as it is written, so that nothing is hidden by a missing entry.
func OfReason(code string) Finding {
	if f, ok := reasons[code]; ok {
		return f
	}
	if id := symptoms.ByCode(code); id != symptoms.None {
		s := symptoms.Of(id)
		return Finding{s.Now, s.Was, s.Do}
	}
	plain := strings.ReplaceAll(code, "-", " ")
	if code == "" {
		plain = "why is not known"
	}
	return Finding{plain, plain, doLook}
}

// OfCause returns the words of what a time without a usable position is put down
// to: a cause of the corrections, else a reason code.
func OfCause(name string) Finding {
	for c := range corrections.NumCauses {
		if c.String() == name {
			return Finding{c.Words(), c.Words(), c.Try()}
		}
	}
	return OfReason(name)
}

// EventUnit returns the unit of the size of an event.
func EventUnit(k fusion.EventKind) string {
	switch k {
	case fusion.EventJump, fusion.EventDrift, fusion.EventBase:
		return "m"
	}
	return "s"
}
