// Package trust holds what is believed of the receiver's place and why: a state,
// evidence, and what follows.
//
// A receiver's fix is one of three things. Believed: its position is used.
// Claimed: after a break (float, silence, no fix, a gap in the samples, a step)
// "fixed" is a claim beside the place that was kept without it. Refuted: that
// place says it is wrong. Evidence decides, as a log-likelihood ratio
// ([Horizontal], [Vertical]); neither time nor a change of quality does. [Next] is
// the numbered table:
//
//	   fix        evidence                              then
//	1  believed   silence, an epoch without a fix,       claimed at the next fix, if something was
//	              a gap in the samples                   ever proven
//	2  believed   a step that the jump test accuses      claimed, stepped
//	3  believed   the same before anything was proven    believed: the filter starts again on it
//	              and the fix younger than youngFix
//	4  claimed    stands where it should                 believed, faults clear
//	5  claimed    stands elsewhere                       refuted
//	6  refuted    a break or a step                      claimed: a new fix may be another place
//	7  refuted    stands where it should, as clearly as  believed, faults clear
//	              it stood elsewhere
//	8  any        a drift test alarms                    refuted, drifted; dead reckoning is taken back
//	8a believed   the same before anything was proven    believed, but not usable for youngFix: the filter
//	              and before they agreed for youngFix    is as likely wrong
//	9  not        dead reckoning is spent                followed, nothing is proven by it
//	   believed
//	10 any        a check mark confirmed                 believed, faults clear
//	11 any        verdict usable                         proven
//	12 proven     neither usable nor coasting            unproven
//	13 believed   refused by the filter for too long     the filter starts again; claimed if something
//	                                                     was ever proven
//
// Times are host seconds without clock steps, NaN means "not so". SI, axes
// east-north-up. Start at [Next].
package trust

import (
	"math"

	"kerbline/fusion/integrity"
)

// Fix is what is believed of a receiver that says "fixed".
type Fix uint8

const (
	Believed Fix = iota
	Claimed
	Refuted
)

// Fault is what brought a fix into question.
type Fault uint8

const (
	Clear   Fault = iota
	Broken        // the fix was lost and came again
	Stepped       // its position stepped under it
	Drifted       // a drift test alarmed: the filter itself followed it
)

// State is what is believed.
type State struct {
	Proven     bool // was usable, and dead reckoning has carried the position since
	EverProven bool
	Fix        Fix
	Fault      Fault
	Since      float64         // the fix is claimed or refuted
	Followed   bool            // dead reckoning is spent: the filter follows the receiver and is no evidence
	LLR        float64         // of the last weighing, NaN without evidence
	Needed     float64         // from which the fix is believed
	Offset     integrity.Vec3  // m, ENU, from where the fix should stand, at the last weighing
	Steps      integrity.Steps // steps and drifts of the receiver since it was believed
	Row        int             // epochs in a row that stepped
	unrest     float64         // steps lately, fading
	stepAt     float64         // host s of the last

	ConsistentSince float64 // fixed epochs are consistent
	FixedSince      float64 // epochs are fixed
	UsedAt          float64 // the last fixed epoch was used
	BelievedAt      float64 // the last epoch of a believed fix
	RefusedSince    float64 // fixed epochs are refused
	wandered        float64 // the last Wander
	VelocityRefused int     // velocities refused in a row
	worst           float64 // lowest log-likelihood ratio of this claim, 0 at most
	prior           float64 // probability of a wrong fix before the evidence
	rival           bool    // the fix stepped from a place that was believed: one of the two is wrong
	broken          bool    // the fix was lost since it was believed or refuted
}

// Start returns the state before any evidence.
func Start() State {
	n := math.NaN()
	return State{Since: n, LLR: n, ConsistentSince: n, FixedSince: n, UsedAt: n, BelievedAt: n, RefusedSince: n, wandered: n, stepAt: n}
}

// Accused reports whether the fix is not believed.
func (s *State) Accused() bool { return s.Fix != Believed }

// Requalification holds how long it takes.
type Requalification struct {
	Dwell      float64 `toml:"dwell_s" unit:"s" doc:"requalification: consistent epochs for this long" min:"0.2" max:"60" src:"common practice"`
	MaxRefused float64 `toml:"max_refused_s" unit:"s" doc:"GNSS refused for this long while it agrees with itself: re-initialise on it" min:"1" max:"600" src:"common practice"`
}

// DefaultRequalification is used where a file says nothing.
func DefaultRequalification() Requalification { return Requalification{Dwell: 3, MaxRefused: 30} }

// Served reports whether fixed epochs have been consistent for long enough, and
// for how many seconds more they have to be.
func (s *State) Served(now float64, r *Requalification) (served bool, left float64) {
	const rounding = 1e-6 // s
	if math.IsNaN(s.ConsistentSince) {
		return false, r.Dwell
	}
	d := now - s.ConsistentSince
	if calm := now - s.wandered; calm < youngFix {
		return false, math.Max(r.Dwell-d, youngFix-calm)
	}
	return d >= r.Dwell-rounding, math.Max(0, r.Dwell-d)
}

// Unsettled reports whether the filter is as likely wrong as the receiver where the
// two come apart: nothing was proven, and they have not agreed for long.
func (s *State) Unsettled(now float64) bool {
	return !s.EverProven && !s.Accused() && !(now-s.ConsistentSince > youngFix)
}

// RefusedFor returns for how many seconds fixed epochs have been refused, 0 when
// they are not.
func (s *State) RefusedFor(now float64) float64 {
	if math.IsNaN(s.RefusedSince) {
		return 0
	}
	return now - s.RefusedSince
}

// Kind is the kind of evidence.
type Kind uint8

const (
	Silence     Kind = iota // no epoch, or a gap before this one
	NoFix                   // an epoch that does not pass the fix gate
	GatePassed              // an epoch that passes it
	Gap                     // inertial samples were missing
	Realigned               // the filter started again on an epoch; OfFix
	Lost                    // dead reckoning has to start again
	Displaced               // the receiver moved otherwise than the filter; Y, S, Detectable
	Undisplaced             // it moved alike, or the filter cannot tell
	AtRest                  // a car that stands is where it stood, or is not; LLR, Y, S
	Drift                   // a drift test alarmed; Y, S: by how much
	Wander                  // the same while Unsettled
	Position                // a position beside the filter's; OfFix, NIS, Gate, Sigma, LLR, Y
	Used                    // that position was used
	Waited                  // an epoch was not used: how long has that gone on?
	Mark                    // a check mark confirms the receiver
	Velocity                // a reported velocity; Agrees
	Verdict                 // a verdict was given; Usable, Coasting
)

// Evidence is one thing seen at host time Now.
type Evidence struct {
	Kind       Kind
	Now        float64
	OfFix      bool           // of an epoch that passes the fix gate
	Y          integrity.Vec3 // m, ENU: displacement, or offset from where the fix should stand
	S          integrity.Sym3 // m², its covariance
	NIS        float64        // statistic of the position against the filter
	Gate       float64        // threshold of that
	Sigma      float64        // m, horizontal 1 sigma of the filter's position
	LLR        float64        // for the fix being right, NaN without evidence
	Moves      bool           // it wanders still from the references
	Detectable float64        // m, smallest step found
	Agrees     bool
	Usable     bool
	Coasting   bool
}

// Decision is what follows at once.
type Decision struct {
	Use        bool // Position: use it
	Blamed     bool // Displaced: the receiver is accused of the step
	Back       bool // Displaced: the steps add up to nothing
	Cleared    bool // the fix is believed again: its alarms end
	Anew       bool // and it was a step or drift: references begin anew
	Refuted    bool // the fix is refuted as of now
	Reposition bool // the filter's own position is given up
	Restart    bool // Waited: the filter is to start again on the receiver
}

const (
	// A filter that has proven nothing may accuse the receiver of a step only
	// when it finds steps this small, m, and epochs have agreed with it for
	// settling, s. Common practice, no source.
	accuser  = 0.2
	settling = 2.0
	// youngFix is the age of the first fix, s, below which a step leaves open which
	// of its places was wrong. Common practice, no source.
	youngFix = 10.0
	// floatGate widens the innovation gate for positions that are not fixed.
	floatGate = 4.0
	// stepFade is the time constant with which steps are forgotten, s, and mostSteps
	// the number of steps lately above which no fix is believed: one away and one
	// back are below it. Common practice, no source.
	stepFade  = 5.0
	mostSteps = 2.2
	// unrestMost bounds what is remembered of them: 5 s without a step end it.
	unrestMost = 6.0
	// freshRefusal is how long an unproven filter defends its position, s.
	freshRefusal = 3.0
	// velocityRow is how many velocities in a row must disagree: one outlier is
	// refused, several mean that receiver and filter disagree on the motion.
	velocityRow = 3
	// spent is the horizontal 1 sigma of dead reckoning, m, from which it cannot
	// tell a wrong fix from a right one: the ratio it gives is below e there.
	spent = 1.0
	// confirmedDwell is how long a fix that evidence confirmed must be consistent,
	// s: the filter's other states settle. Common practice, no source.
	confirmedDwell = 1.0
)

// agreePFA is the share of returns that are not told as such.
const agreePFA = 1e-3

var agreeGate = integrity.Chi2Upper(agreePFA, 3)

// Next returns the state after evidence e, and what follows.
func Next(s State, e *Evidence, r *Requalification) (State, Decision) {
	var d Decision
	switch e.Kind {
	case Silence, Gap:
		s.lostFix()
	case NoFix:
		s.FixedSince = math.NaN()
		s.lostFix()
	case GatePassed:
		if math.IsNaN(s.FixedSince) {
			s.FixedSince = e.Now
		}
		s.claim(e.Now)
	case Realigned:
		s.ConsistentSince, s.RefusedSince = math.NaN(), math.NaN()
		s.Followed = s.Followed || s.Accused()
		if e.OfFix {
			s.UsedAt = e.Now
		}
	case Lost:
		s.lose()
	case Displaced:
		d = s.displaced(e)
	case Undisplaced:
		s.Row = 0
	case Drift:
		s.question(Drifted, e.Now)
		s.Fix, s.Offset = Refuted, e.Y
		s.Steps.Add(e.Now, &e.Y, &e.S)
	case Wander:
		s.ConsistentSince, s.wandered = math.NaN(), e.Now
	case AtRest:
		d = s.atRest(e, r)
	case Position:
		d = s.position(e, r)
	case Used:
		s.UsedAt, s.RefusedSince = e.Now, math.NaN()
		if math.IsNaN(s.ConsistentSince) {
			s.ConsistentSince = e.Now
		}
		if s.Fix == Believed {
			s.BelievedAt = e.Now
		}
	case Waited:
		d.Restart = s.waited(e.Now, r)
	case Mark:
		d.Cleared, d.Anew = true, true
		s.believe(e.Now, r)
		s.EverProven = true
	case Velocity:
		if s.VelocityRefused++; e.Agrees {
			s.VelocityRefused = 0
		}
	case Verdict:
		s.Proven = e.Usable || s.Proven && e.Coasting
		s.EverProven = s.EverProven || e.Usable
	}
	return s, d
}

// VelocityAlarm reports whether receiver and filter disagree on the motion.
func (s *State) VelocityAlarm() bool { return s.VelocityRefused >= velocityRow }

// lostFix notes a break: the next fix may have other integers.
func (s *State) lostFix() {
	s.ConsistentSince = math.NaN()
	s.broken = true
}

// claim questions the first fix after a break.
func (s *State) claim(now float64) {
	if !s.broken {
		return
	}
	s.broken = false
	if s.EverProven {
		s.question(Broken, now)
	}
}

// question makes the fix a claim: what it was before, another place may be now.
func (s *State) question(f Fault, now float64) {
	if s.Fix == Believed {
		s.Since = now
		s.Steps.Close()
	}
	prior := wrongMoved
	switch {
	case f == Stepped, f == Broken && s.Fix == Refuted:
		prior = wrongAgain
	case f == Broken && s.Fix == Believed:
		prior = wrongBroken
	case f == Broken:
		prior = s.prior // not decided before either
	}
	s.rival = f == Stepped && (s.Fix == Believed || s.Fix == Claimed && s.rival)
	s.prior, s.Needed, s.worst = prior, needed(prior), 0
	s.Fix, s.Fault, s.LLR, s.ConsistentSince = Claimed, f, math.NaN(), math.NaN()
}

// lose ends everything that was proven, but not the memory of faults.
func (s *State) lose() {
	s.Proven = false
	s.ConsistentSince, s.RefusedSince = math.NaN(), math.NaN()
	s.broken = true
	s.Followed = s.EverProven || s.Accused()
}

// Horizontal returns the log-likelihood ratio of an offset y (m, east and north)
// with covariance c of the fix in question. After a step from a place that was
// believed there are two ways to be wrong: that place was right, and this one is
// off by the step; or it was wrong, and so is this one.
func (s *State) Horizontal(y *integrity.Vec3, c *integrity.Sym3) float64 {
	llr := Horizontal(y, c)
	if !s.rival || s.Steps.Closed(agreeGate) {
		return llr
	}
	off, v := integrity.Vec3{y[0] - s.Steps.Sum[0], y[1] - s.Steps.Sum[1]}, *c
	for i := range 2 {
		v[i][i] += sharpest * sharpest
	}
	was := (integrity.NIS(&off, &v, 2) - integrity.NIS(y, &v, 2)) / 2
	const share = wrongMoved / (wrongAgain * (1 - wrongMoved)) // of the first in units of the second
	return -math.Log(math.Exp(-llr) + share*math.Exp(math.Min(600, -was)))
}

// displaced keeps account of a step.
func (s *State) displaced(e *Evidence) (d Decision) {
	s.Row++
	settled := e.Now-s.ConsistentSince > settling && e.Now-s.FixedSince > youngFix
	if !s.EverProven && !s.Accused() && !(settled && e.Detectable < accuser) {
		// Nothing was proven and dead reckoning is too uncertain to accuse the
		// receiver; the innovation gate and the dwell deal with it.
		s.ConsistentSince = math.NaN()
		return d
	}
	s.unrest, s.stepAt = math.Min(1+s.restless(e.Now), unrestMost), e.Now
	s.question(Stepped, e.Now)
	s.Steps.Add(e.Now, &e.Y, &e.S)
	d.Blamed, d.Back = true, s.Steps.Closed(agreeGate)
	s.refuse(e.Now)
	return d
}

// restless returns how many steps there were lately: a receiver that steps again
// and again holds no integers, wherever it stands.
func (s *State) restless(now float64) float64 {
	if math.IsNaN(s.stepAt) {
		return 0
	}
	return s.unrest * math.Exp(-(now-s.stepAt)/stepFade)
}

// position decides whether a position is used.
func (s *State) position(e *Evidence, r *Requalification) (d Decision) {
	switch {
	case !e.OfFix:
		// Float and code errors have no useful bound: they keep the filter alive
		// once dead reckoning is spent, not before.
		if s.Proven || s.EverProven && !s.Followed && e.Sigma < spent {
			return d
		}
		s.Followed = s.EverProven
		d.Use = e.NIS <= e.Gate*floatGate
	case s.Accused():
		d = s.weigh(e, r)
	default:
		d.Use = e.NIS <= e.Gate
	}
	if !d.Use {
		s.refuse(e.Now)
	}
	return d
}

// atRest decides on a fix that stands elsewhere than the car did before, or back
// again.
func (s *State) atRest(e *Evidence, r *Requalification) (d Decision) {
	s.LLR, s.Offset = e.LLR, e.Y
	if e.LLR >= needed(wrongMoved) {
		d.Cleared, d.Anew = true, true
		s.believe(e.Now, r)
		return d
	}
	s.question(Stepped, e.Now)
	s.Fix, s.LLR, s.Offset, d.Refuted = Refuted, e.LLR, e.Y, true
	s.Steps.Add(e.Now, &e.Y, &e.S)
	return d
}

// refuse notes that an epoch that could have been used was not.
func (s *State) refuse(now float64) {
	s.ConsistentSince = math.NaN()
	if math.IsNaN(s.RefusedSince) {
		s.RefusedSince = now
	}
}

// weigh decides on a fix that is not believed.
func (s *State) weigh(e *Evidence, r *Requalification) (d Decision) {
	s.LLR, s.Offset = e.LLR, e.Y
	// A place that grows blunt does not outweigh what it said of the same fix while
	// it was sharp. A drift moves, and may move back.
	if e.LLR < s.worst && s.Fault != Drifted {
		s.worst = e.LLR
	}
	s.Needed = needed(s.prior) - s.worst
	switch {
	case e.LLR >= s.Needed && !e.Moves && s.restless(e.Now) < mostSteps:
		d.Cleared, d.Anew = true, s.Fault > Broken
		s.believe(e.Now, r)
		d.Use, d.Reposition = true, !(e.NIS <= e.Gate)
	case e.LLR <= Refute && s.Fix == Claimed:
		s.Fix, d.Refuted = Refuted, true
	}
	if d.Use || s.Proven {
		return d
	}
	if !s.Followed && e.Sigma >= spent {
		s.Followed, d.Reposition = true, true
	}
	d.Use = s.Followed && (d.Reposition || e.NIS <= e.Gate)
	return d
}

// believe closes the fault; requalification begins here, shorter where evidence
// has confirmed the place.
func (s *State) believe(now float64, r *Requalification) {
	s.Steps.Close()
	s.Fix, s.Fault, s.Followed, s.broken = Believed, Clear, false, false
	s.Since = math.NaN()
	s.ConsistentSince = now - math.Max(0, r.Dwell-confirmedDwell)
}

// waited reports whether the receiver has been refused for so long that the
// filter is to start again on it: only a filter that disagrees with a fix that is
// believed, or that follows one it cannot follow.
func (s *State) waited(now float64, r *Requalification) bool {
	if math.IsNaN(s.RefusedSince) || s.Accused() && !s.Followed {
		return false
	}
	limit := r.MaxRefused
	if !s.Proven {
		limit = math.Min(limit, freshRefusal) // nothing proven to defend
	}
	if now-s.RefusedSince < limit {
		return false
	}
	s.lose()
	return true
}
