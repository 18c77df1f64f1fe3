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
	FellTogether                     // all of the rover's C/N0 fell by a like amount, or the base's too
	BaseFellToo                      // the base's C/N0 fell with them
	BaseQuiet                        // the base's end said that the receiver sent nothing
	BaseSent                         // the base's end said that it sent as usual
	SentNothing                      // by the frames at both ends the base receiver sent none
	BaseLifeless                     // by them its computer stopped
	LostBetween                      // by them what it sent was lost between the antennas
	LostInRadio                      // by them it was lost in the car's radio or cable
	factsEnd
)

// factTexts says each fact in a few words, in the order of the bits.
var factTexts = [...]string{
	"the link is tapped", "no bytes", "an interruption", "bytes outside valid frames", "late frames",
	"missing observations", "missing station messages", "a healthy link", "another station id", "other base coordinates",
	"a growing correction age", "no corrected solution", "old corrections used",
	"a low age against a dead tap", "fewer or weaker satellites", "a worse quality", "no sentences",
	"all C/N0 down alike", "the base's C/N0 down too", "a silent base receiver", "a base that sends",
	"no frame sent at the base", "a base computer that stopped", "frames lost between the antennas", "frames lost in the car's radio",
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
// cause. A new cause is one more entry here, its number in state.go
// and its words below.
var rules = [...]rule{
	{cause: ReceiverSilent, all: RoverSilent, none: NoBytes},
	{cause: BaseRestarted, all: Interrupted, any: StationChanged | BaseShifted, none: RoverSilent},
	{cause: BaseMoved, all: BaseShifted | Tapped, none: Interrupted},
	{cause: BaseReceiverStopped, all: Tapped | Interrupted | SentNothing, none: AgeContradicts | RoverSilent | BadBytes},
	{cause: BaseComputerStopped, all: Tapped | Interrupted | BaseLifeless, none: AgeContradicts | RoverSilent | BadBytes},
	{cause: PathLost, all: Tapped | Interrupted | LostBetween, none: AgeContradicts | RoverSilent | BadBytes},
	{cause: RoverRadio, all: Tapped | Interrupted | LostInRadio, none: AgeContradicts | RoverSilent | BadBytes},
	{cause: BaseReceiverStopped, all: Tapped | NoBytes | BaseQuiet, none: AgeContradicts | RoverSilent},
	{cause: LinkSilent, all: Tapped | NoBytes, none: AgeContradicts | RoverSilent},
	{cause: LinkCorrupt, all: Tapped | BadBytes},
	{cause: LinkLate, all: Tapped | LateFrames, none: AgeContradicts},
	{cause: LinkSparse, all: Tapped | FewFrames, none: NoBytes | LateFrames},
	{cause: LinkSparse, all: Tapped | TypesMissing},
	{cause: Interference, all: FellTogether | QualityFell},
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
		return "receiver and link fell silent together: power or the computer, which neither can show"
	case f&Tapped == 0:
		return "the correction bytes were not tapped, so a silent, corrupt or thin link and a receiver that ignores it look alike"
	}
	return "the link was neither healthy nor clearly at fault, and the rover reports nothing more"
}

// causes holds the words of each cause: the name of the output contract, a label
// for a narrow screen, half a sentence, and what to try next.
var causes = [NumCauses]struct{ name, label, words, try string }{
	CauseUnknown: {"unknown", "cause unknown", "the cause cannot be determined",
		"tap the correction bytes (--corrections), so that the cause of the next one shows"},
	LinkSilent: {"link_silent", "link silent, no bytes", "nothing came over the link",
		"check base power, the radio's cable and antenna height; look for the place where the line of sight breaks"},
	LinkCorrupt: {"link_corrupt", "link corrupt, bytes broken", "bytes came over the link, but broken",
		"change the radio channel, check antenna, cable shielding and the baud rate at both ends"},
	LinkSparse: {"link_sparse", "link sparse, messages missing", "whole frames came, but too few of them",
		"compare the message set of the base with the radio's data rate; send fewer signals, or the same at a higher rate"},
	LinkLate: {"link_late", "link late", "whole frames came, but late",
		"compare message size with the radio's data rate, and look for buffers or a mobile network on the way"},
	BaseRestarted: {"base_restarted", "base restarted", "the base stopped and came back as another one",
		"check base power and plug; enter the base position as fixed so that a restart cannot survey it anew"},
	BaseMoved: {"base_moved", "base moved", "the base's coordinates changed while it kept sending",
		"look at the tripod and the base's settings; survey the base again before trusting the map"},
	ReceiverNotUsing: {"receiver_not_using", "receiver not using them", "corrections came as usual, but the receiver did not use them",
		"check the receiver's correction port, protocol and baud, its accepted station id and its longest age"},
	SkyBlocked: {"sky_blocked", "sky blocked", "corrections came as usual, but the rover lost satellites",
		"look at what stands beside the track there; raise the rover's antenna, check its ground plane and cable"},
	Interference: {"interference", "interference", "the C/N0 of all satellites fell together",
		"look for what transmits near the antenna: video and data radios, a camera, a power supply; switch them off one by one; where the base saw it too it is further away"},
	BaseReceiverStopped: {"base_receiver_stopped", "base receiver stopped", "the base receiver sent nothing while its computer ran",
		"check the base receiver's power, its cable to the computer, its output port and rate"},
	BaseComputerStopped: {"base_computer_stopped", "base computer stopped", "the computer at the base stopped",
		"check the power of the base's computer, its standby settings and its plug"},
	PathLost: {"path_lost", "radio path lost", "the base sent, and nothing came through between the antennas",
		"raise the base's antenna or move it to see that place; look for what stands in between; a lower data rate reaches further"},
	RoverRadio: {"rover_radio", "car's radio or cable", "the base sent, the way was free, and the car's radio gave nothing",
		"check the car's radio, its supply, its cable to the receiver and the antenna plug: they shake"},
	ReceiverSilent: {"receiver_silent", "receiver silent", "the receiver sent nothing",
		"check the receiver's power, cable, port and output rate"},
}

// known is c, or CauseUnknown for a value that is none.
func (c Cause) known() Cause {
	if c < NumCauses {
		return c
	}
	return CauseUnknown
}

// String returns the word of the output contract.
func (c Cause) String() string { return causes[c.known()].name }

// Label says c in a few words.
func (c Cause) Label() string { return causes[c.known()].label }

// Words says c as half a sentence.
func (c Cause) Words() string { return causes[c.known()].words }

// Try says what to try next about c.
func (c Cause) Try() string { return causes[c.known()].try }
