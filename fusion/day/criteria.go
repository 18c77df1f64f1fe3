package day

import "kerbline/fusion/words"

// criterion is what is fixed about a criterion, whatever its value.
type criterion struct {
	name   string
	unit   string // "share" prints as %
	dec    int    // decimals
	least  bool   // the limit is a least one
	effect Effect // of failing
	do     string // what to do when it fails and no break explains it
}

const doReplay = "replay the recording and look at the times that were not usable"

// criteria by their keys. Rows come in the order in which the judge adds them.
var criteria = map[string]criterion{
	"driven":       {"settled driving", "min", 1, true, Stops, "drive on by hand, slowly at first, and check again"},
	"coverage":     {"lap seen", "share", 1, true, Stops, "drive the whole lap by hand until every place was passed often enough"},
	"base":         {"base against its survey", "m", 3, false, Stops, words.OfReason("base-moved").Do},
	"map_base":     {"base against the map's survey", "m", 3, false, Stops, "set the base up where it stood at the map's survey; or drive onto a check mark and confirm it (key m of the dashboard); or drive a lap by hand, and kerbline setup compares it with the map"},
	"survey":       {"base surveyed", "", 0, true, Warns, ""},
	"station":      {"unexpected station ids", "", 0, false, Warns, "make sure that no other base sends on this channel"},
	"fixed":        {"fixed position", "share", 1, true, Stops, words.OfReason("fix-quality").Do},
	"usable":       {"usable", "share", 1, true, Stops, doReplay},
	"place":        {"usable at the worst place", "share", 0, true, Stops, words.OfReason("sats").Do},
	"protection":   {"protection level by place", "share", 0, false, Stops, "compare the protection level with the room there: widen the limit by the map, or drive that place reactively"},
	"speed":        {"slower than the speed cap", "share", 1, true, Slows, "stay below that speed; to raise it shorten latency and handover, and add wheel speed"},
	"jumps":        {"steps and drifts while fixed", "an hour", 1, false, Stops, words.OfReason(causeJump).Do},
	"handovers":    {"handovers to reactive driving", "an hour", 1, false, Stops, doReplay},
	"longest":      {"longest time not usable", "s", 1, false, Warns, "mend what broke, or lengthen the coast budget: wheel speed, a better inertial sensor, less speed"},
	"outages":      {"correction outages", "an hour", 1, false, Warns, ""},
	"age":          {"highest correction age while fixed", "s", 1, false, Warns, "the fix holds on old corrections: mend the link before the age reaches its limit"},
	"repeat":       {"lap-to-lap shift", "m", 3, false, Stops, "drive the same line by hand twice and compare; check a mark on the ground each lap"},
	"lever":        {"antenna by the drive itself, of the level", "share", 0, false, Stops, "measure the antenna's place on the car again, with its signs, or let calibrate estimate it from this recording"},
	"rest":         {"scatter at rest", "m", 3, false, Stops, "look for reflections where the car stood; check antenna and cable; stand in the open for two minutes and check again"},
	"misleading":   {"usable beyond its limit, by the truth", "s", 1, false, Stops, "do not drive on the map; tune the settings against this recording before anything else"},
	"first_fix":    {"time to first fix", "s", 1, false, Warns, "switch on earlier; check the sky and the base's message set"},
	"first_usable": {"time to usable", "s", 1, false, Warns, "stand for some seconds before moving off, then drive straight"},
	"latency":      {"latency of the receiver", "ms", 0, false, Warns, "raise the receiver's baud rate and send fewer sentences"},
	"link_latency": {"latency of the corrections", "s", 1, false, Warns, "compare message size with the radio's data rate"},
	"units":        {"settings that the drive contradicts", "", 0, false, Stops, words.OfReason("settings").Do},
	"inputs":       {"inputs that look wrong", "", 0, false, Warns, ""},
	"imu_gaps":     {"gaps of the inertial sensor", "", 0, false, Warns, words.OfReason("imu-silent").Do},
	"imu_noise":    {"inertial noise at rest, times the settings", "", 1, false, Warns, "estimate the noise from this recording (calibrate): the settings promise too much"},
	"imu_bias":     {"inertial bias, times the settings", "", 1, false, Warns, "let the sensor warm up; raise the bias sigma in the settings"},
	"interference": {"times all C/N0 fell together", "", 0, false, Warns, "look for what transmits near the antenna and switch it off"},
	"base_place":   {"base against its own observations", "m", 0, false, Stops, "enter the coordinates of the point that the base stands on: those it sends are of another place"},
	"base_signals": {"findings in the base's signals", "", 0, false, Warns, "set the base where nothing hides the sky and no metal stands beside it"},
	"observations": {"lacks for carrier phases", "", 0, false, Warns, "set the messages of the receiver's second port"},
	"confirmed":    {"fix confirmed by rover and base", "share", 0, true, Informs, ""},
	"refuted":      {"fix refuted by rover and base", "s", 1, false, Warns, "look at those times in the report: reflections, a base on another point, or a receiver that fixes too easily"},
	"clock":        {"steps of the computer's clock", "", 0, false, Warns, "set the computer's clock before the session, not during it"},
}
