package words

import "kerbline/fusion"

// Call is the word seen from two metres, for a verdict with its advice.
type Call struct {
	Word     string
	Verdict  fusion.Verdict
	Advice   fusion.Advice
	Standing bool   // only while the car stands: there is nothing to hand over yet
	Means    string // half a sentence
	Do       string // a whole one: what to do now
}

// Calls is the one table from verdict and advice to word. Other pairs of verdict
// and advice do not happen.
var Calls = []Call{
	{"GO", fusion.Usable, fusion.AdviseMap, false, "every condition holds", "Drive on the map."},
	{"SLOW", fusion.Usable, fusion.AdviseMapSlow, false, "every condition holds under the speed cap", "Drive on the map, under the speed cap."},
	{"COAST", fusion.Coasting, fusion.AdviseMapSlow, false, "GNSS absent or refused, dead reckoning inside the limits; the seconds run down to the handover", "No GNSS in use. Get ready to hand over."},
	{"HAND OVER", fusion.Coasting, fusion.AdviseReactive, false, "the time of dead reckoning is used up", "Hand over to reactive driving now."},
	{"HAND OVER", fusion.Unproven, fusion.AdviseReactive, false, "not aligned, or not proven again after a fault", "Hand over to reactive driving now."},
	{"WAIT", fusion.Unproven, fusion.AdviseReactive, true, "not proven yet, and the car stands", "Not proven yet. Do not drive on the map."},
	{"HAND OVER", fusion.Unusable, fusion.AdviseReactive, false, "a limit is passed or an alarm is open", "Hand over to reactive driving now."},
	{"STOP", fusion.Unusable, fusion.AdviseStop, false, "neither the receiver nor the inertial sensor is heard", "Stop the car."},
	{"STOP", fusion.Unproven, fusion.AdviseStop, false, "nothing was heard of either sensor yet", "Stop the car."},
}

// NoData is the word where nothing is heard of the monitor itself.
const NoData = "NO DATA"

// CallOf returns the row of the table, false where there is none: then nothing
// better than a handover may be said.
func CallOf(v fusion.Verdict, a fusion.Advice, standing bool) (Call, bool) {
	found := -1
	for i := range Calls {
		c := &Calls[i]
		if c.Verdict == v && c.Advice == a && (!c.Standing || standing) {
			found = i // the row for a standing car comes after the one for any
		}
	}
	if found < 0 {
		return Call{Word: "HAND OVER", Verdict: v, Advice: a, Means: "verdict and advice do not go together", Do: "Hand over to reactive driving now."}, false
	}
	return Calls[found], true
}

// Walking is the speed in m/s under which a car stands, for [CallOf].
const Walking = 1.5
