package corrections

// Facts is a set of findings about an episode, one bit each.
type Facts uint32

const (
	Tapped         Facts = 1 << iota // bytes of the link were seen before the fault
	NoBytes                          // not a byte for at least half of the fault and beyond the limit
	Interrupted                      // a silence beyond the limit; untapped, the age shows one
	BadBytes                         // bytes outside valid frames beyond the limit
	LateFrames                       // at least half of the epochs that came were late
	FewFrames                        // epochs missing, or coming without usual constellations
	TypesMissing                     // station messages stopped while observations went on
	LinkHealthy                      // nearly every epoch came whole and on time
	StationChanged                   // another station id after the fault than before
	BaseShifted                      // other base coordinates after than before
	AgeGrew                          // the rover's correction age went beyond the limit
	Uncorrected                      // the rover left the corrected solution, age blank
	UsedLate                         // the rover kept taking up corrections, but old ones
	AgeContradicts                   // the tap says nothing fresh came, the rover's age says it did
	SatsFell                         // satellites used, or their C/N0, fell while the age was still low
	QualityFell                      // quality worse than before
	RoverSilent                      // no sentence for at least half of the fault
	factsEnd
)

// factTexts says each fact in a few words, in the order of the bits.
var factTexts = [...]string{
	"the link is tapped", "no bytes", "an interruption", "bytes outside valid frames", "late frames",
	"missing observations", "missing station messages", "a healthy link", "another station id", "other base coordinates",
	"a growing correction age", "no corrected solution", "old corrections used",
	"a low age against a dead tap", "fewer or weaker satellites", "a worse quality", "no sentences",
}

// String lists the facts in words.
func (f Facts) String() string {
	s := ""
	for i := range factTexts {
		if f&(1<<i) != 0 {
			if s != "" {
				s += ", "
			}
			s += factTexts[i]
		}
	}
	return s
}

// rule is one way to recognise a cause.
type rule struct {
	cause Cause
	all   Facts // every one of these
	any   Facts // and one of these, if any are named
	none  Facts // and none of these
}

// rules is the decision (DESIGN.md, section 8): the first that holds names the
// cause. A new cause is one more entry here, its name in state.go and its
// advice below.
var rules = [...]rule{
	{cause: ReceiverSilent, all: RoverSilent, none: NoBytes},
	{cause: BaseRestarted, all: Interrupted, any: StationChanged | BaseShifted, none: RoverSilent},
	{cause: BaseMoved, all: BaseShifted | Tapped, none: Interrupted},
	{cause: LinkSilent, all: Tapped | NoBytes, none: AgeContradicts | RoverSilent},
	{cause: LinkCorrupt, all: Tapped | BadBytes},
	{cause: LinkLate, all: Tapped | LateFrames, none: AgeContradicts},
	{cause: LinkSparse, all: Tapped | FewFrames, none: NoBytes | LateFrames},
	{cause: LinkSparse, all: Tapped | TypesMissing},
	{cause: SkyBlocked, all: SatsFell | QualityFell, none: AgeGrew},
	{cause: SkyBlocked, all: SatsFell | QualityFell | LinkHealthy},
	{cause: ReceiverNotUsing, all: Tapped | LinkHealthy, any: AgeGrew | Uncorrected},
	{cause: LinkLate, all: UsedLate | AgeGrew, none: Tapped},
}

// Decide returns the cause that f speaks for, CauseUnknown when no rule holds.
func Decide(f Facts) Cause {
	for i := range rules {
		r := &rules[i]
		if f&r.all == r.all && f&r.none == 0 && (r.any == 0 || f&r.any != 0) {
			return r.cause
		}
	}
	return CauseUnknown
}

// Missing says, for an episode of unknown cause, which evidence is missing or
// contradicts itself.
func Missing(f Facts) string {
	switch {
	case f&AgeContradicts != 0:
		return "the tap heard nothing fresh while the rover's age stayed low: the receiver gets corrections by another way, or the tap was cut"
	case f&(RoverSilent|NoBytes) == RoverSilent|NoBytes:
		return "receiver and link fell silent together: power or the computer, which neither can tell"
	case f&Tapped == 0:
		return "the correction bytes were not tapped, so a silent, corrupt or thin link and a receiver that ignores it look alike"
	}
	return "the link was neither healthy nor clearly at fault, and the rover tells no more"
}

// Try says what to try next about c.
func (c Cause) Try() string {
	if c < NumCauses {
		return tryTexts[c]
	}
	return tryTexts[CauseUnknown]
}

var tryTexts = [NumCauses]string{
	CauseUnknown:     "tap the correction bytes (--corrections), so that the next one can be told",
	LinkSilent:       "check base power, the radio's cable and antenna height; look for the place where the line of sight breaks",
	LinkCorrupt:      "change the radio channel, check antenna, cable shielding and the baud rate at both ends",
	LinkSparse:       "compare the message set of the base with the radio's data rate; send fewer signals, or the same at a higher rate",
	LinkLate:         "compare message size with the radio's data rate, and look for buffers or a mobile network on the way",
	BaseRestarted:    "check base power and plug; enter the base position as fixed so that a restart cannot survey it anew",
	BaseMoved:        "look at the tripod and the base's settings; survey the base again before trusting the map",
	ReceiverNotUsing: "check the receiver's correction port, protocol and baud, its accepted station id and its longest age",
	SkyBlocked:       "look at what stands beside the track there; raise the rover's antenna, check its ground plane and cable",
	ReceiverSilent:   "check the receiver's power, cable, port and output rate",
}
