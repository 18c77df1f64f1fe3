// Package trust holds what is believed of the receiver's place and why: a state,
// evidence, and what follows.
//
// [Next] is the numbered table:
//
//	   state      evidence                              then
//	1  any        silence, an epoch without a fix        requalification begins again
//	2  proven     a step, the fix older than youngFix    stepped; dead reckoning is believed
//	3  any        a step, the fix younger                stepped, nothing is proven
//	4  stepped    steps that add up to nothing           clear
//	5  any        a drift test alarms                    drifted
//	6  fault      ambiguities redone, position agrees    clear
//	7  stepped    position agrees, and the sum of the    clear
//	              steps would show
//	8  drifted    stepped since, position agrees, or a   clear
//	              reference says that it came back
//	9  fault      the filter started again on it         fault without a reference: followed, nothing proven
//	10 any        refused for too long                   the filter starts again on the receiver
//	11 any        a check mark confirmed                 clear
//	12 any        verdict usable                         proven
//	13 proven     neither usable nor coasting            unproven
//
// Times are host seconds without clock steps, NaN means "not so". SI, axes
// east-north-up. Start at [Next].
package trust

import (
	"math"

	"kerbline/fusion/integrity"
)

// Fault is what a receiver is accused of that says "fixed".
type Fault uint8

const (
	Clear   Fault = iota
	Stepped       // its position stepped and has not stepped back
	Drifted       // a drift test alarmed: the filter itself followed it
)

// State is what is believed.
type State struct {
	Proven       bool // was usable, and dead reckoning has carried the position since
	Fault        Fault
	Refixed      bool            // the fix was lost since the first step: ambiguities were estimated anew
	Unreferenced bool            // the filter started again on the receiver with its fault open: nothing can contradict it
	Steps        integrity.Steps // steps of a receiver that says fixed
	Step         integrity.Vec3  // m, ENU, the last of them
	Row          int             // epochs in a row that stepped

	ConsistentSince float64 // fixed epochs are consistent
	FixedSince      float64 // epochs are fixed
	UsedAt          float64 // the last fixed epoch was used
	RefusedSince    float64 // fixed epochs are refused
	VelocityRefused int     // velocities refused in a row
}

// Start returns the state before any evidence.
func Start() State {
	n := math.NaN()
	return State{ConsistentSince: n, FixedSince: n, UsedAt: n, RefusedSince: n}
}

// Accused reports whether the receiver has an open fault.
func (s *State) Accused() bool { return s.Fault != Clear }

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
	return d >= r.Dwell-rounding, math.Max(0, r.Dwell-d)
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
	NoFix                   // an epoch that does not pass the fix gate; Refix
	Fix                     // an epoch that passes it
	Realigned               // the filter started again on an epoch; OfFix
	Lost                    // dead reckoning has to start again
	Displaced               // the receiver moved otherwise than the filter; Y, S, Detectable
	Undisplaced             // it moved alike, or the filter cannot tell
	Drift                   // a drift test alarmed; Y, S: by how much
	Position                // a position beside the filter's; OfFix, NIS, Gate, S, N, Returned
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
	Refix      bool           // the receiver itself says that it has no fix
	OfFix      bool           // of an epoch that passes the fix gate
	Y          integrity.Vec3 // m, ENU, receiver less filter
	S          integrity.Sym3 // m², its covariance
	N          int            // axes of it
	NIS        float64        // its statistic against the filter
	Gate       float64        // threshold of that
	Detectable float64        // m, smallest step found
	Returned   bool           // a reference says that the last step brought a drifted receiver back
	Agrees     bool
	Usable     bool
	Coasting   bool
}

// Decision is what follows at once.
type Decision struct {
	Use        bool // Position: use it
	Blamed     bool // Displaced: the receiver is accused of the step
	Back       bool // Displaced: the step closed the fault
	Cleared    bool // a fault was closed: alarms end, references begin anew
	Reposition bool // the filter followed the drift: its own position is given up
	Restart    bool // Waited: the filter is to start again on the receiver
}

const (
	// A filter that has proven nothing may accuse the receiver of a step only
	// when it finds steps this small, m, and epochs have agreed with it for
	// settling, s. Common practice, no source.
	accuser  = 0.2
	settling = 2.0
	// youngFix is the age of a fix, s, below which a step leaves open which of its
	// places was wrong: dead reckoning took its start from the first. Common
	// practice, no source.
	youngFix = 10.0
	// floatGate widens the innovation gate for positions that are not fixed.
	floatGate = 4.0
	// steppedGate times the threshold of agreement is what the sum of the steps
	// must exceed for agreement to mean a return.
	steppedGate = 4.0
	// freshRefusal is how long an unproven filter defends its position, s.
	freshRefusal = 3.0
	// velocityRow is how many velocities in a row must disagree: one outlier is
	// refused, several mean that receiver and filter disagree on the motion.
	velocityRow = 3
)

// agreePFA is the share of true positions that do not count as agreement.
const agreePFA = 1e-3

var agreeGate = integrity.Chi2Upper(agreePFA, 3)

// Next returns the state after evidence e, and what follows.
func Next(s State, e *Evidence, r *Requalification) (State, Decision) {
	var d Decision
	switch e.Kind {
	case Silence:
		s.ConsistentSince = math.NaN()
	case NoFix:
		s.FixedSince, s.ConsistentSince = math.NaN(), math.NaN()
		s.Refixed = s.Refixed || e.Refix
	case Fix:
		if math.IsNaN(s.FixedSince) {
			s.FixedSince = e.Now
		}
	case Realigned:
		s.ConsistentSince, s.RefusedSince = math.NaN(), math.NaN()
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
		s.Fault, s.Refixed, s.ConsistentSince = Drifted, false, math.NaN()
		s.Steps.Close()
		s.Steps.Add(e.Now, &e.Y, &e.S)
	case Position:
		d = s.position(e)
	case Used:
		s.UsedAt, s.RefusedSince = e.Now, math.NaN()
		if math.IsNaN(s.ConsistentSince) {
			s.ConsistentSince = e.Now
		}
	case Waited:
		d.Restart = s.waited(e.Now, r)
	case Mark:
		d.Cleared = s.clear(e.Now)
	case Velocity:
		if s.VelocityRefused++; e.Agrees {
			s.VelocityRefused = 0
		}
	case Verdict:
		s.Proven = e.Usable || s.Proven && e.Coasting
	}
	return s, d
}

// VelocityAlarm reports whether receiver and filter disagree on the motion.
func (s *State) VelocityAlarm() bool { return s.VelocityRefused >= velocityRow }

// lose ends everything that was proven, but not the memory of faults.
func (s *State) lose() {
	s.Proven = false
	s.ConsistentSince, s.RefusedSince = math.NaN(), math.NaN()
	s.Unreferenced = s.Accused()
}

// displaced keeps account of a step.
func (s *State) displaced(e *Evidence) (d Decision) {
	s.Row++
	settled := e.Now-s.ConsistentSince > settling
	if !s.Proven && !s.Accused() && !(settled && e.Detectable < accuser) {
		// Dead reckoning is too uncertain to accuse the receiver; the innovation
		// gate and the dwell deal with it.
		s.ConsistentSince = math.NaN()
		return d
	}
	if !s.Steps.Open {
		s.Refixed = false
		s.Proven = s.Proven && e.Now-s.FixedSince > youngFix
	}
	s.Steps.Add(e.Now, &e.Y, &e.S)
	s.Step = e.Y
	d.Blamed = true
	switch {
	case s.Fault == Drifted:
	case s.Steps.Closed(agreeGate):
		s.Steps.Close()
		s.Fault, s.RefusedSince, d.Back = Clear, math.NaN(), true
	default:
		s.Fault = Stepped
	}
	s.refuse(e.Now)
	return d
}

// position decides whether a position is used.
func (s *State) position(e *Evidence) (d Decision) {
	switch {
	case !e.OfFix:
		// Float and code errors have no useful bound: they keep the filter alive
		// once dead reckoning is spent, not before.
		d.Use = !s.Proven && e.NIS <= e.Gate*floatGate
		if s.Proven {
			return d
		}
	case s.Accused():
		d = s.reconcile(e)
	default:
		d.Use = e.NIS <= e.Gate
	}
	if !d.Use {
		s.refuse(e.Now)
	}
	return d
}

// refuse notes that an epoch that could have been used was not.
func (s *State) refuse(now float64) {
	s.ConsistentSince = math.NaN()
	if math.IsNaN(s.RefusedSince) {
		s.RefusedSince = now
	}
}

// reconcile decides whether a receiver that stepped or drifted has come back.
// (Two steps that add up to nothing have closed the fault already.)
func (s *State) reconcile(e *Evidence) (d Decision) {
	if e.NIS <= agreeGate {
		switch {
		case s.Refixed:
			d.Cleared = s.clear(e.Now)
		case s.Unreferenced:
			d.Use = true // follow it, but prove nothing by it
			return d
		case s.Fault == Drifted:
			// How far it had wandered is not known well; that it stepped since, onto
			// where dead reckoning is, tells.
			if s.Steps.Count >= 2 {
				d.Cleared = s.clear(e.Now)
			}
		default:
			if integrity.NIS(&s.Steps.Sum, &e.S, e.N) > steppedGate*agreeGate {
				d.Cleared = s.clear(e.Now)
			}
		}
	}
	if !d.Cleared && s.MayReturn() && e.Returned {
		d.Cleared, d.Reposition = s.clear(e.Now), true
	}
	d.Use = d.Cleared
	return d
}

// MayReturn reports whether evidence of a return from a drift is wanted.
func (s *State) MayReturn() bool {
	return s.Fault == Drifted && !s.Unreferenced && s.Steps.Count >= 2
}

// clear closes the fault; requalification begins here.
func (s *State) clear(now float64) bool {
	s.Steps.Close()
	s.Fault, s.Refixed, s.Unreferenced = Clear, false, false
	s.ConsistentSince = now
	return true
}

// waited reports whether the receiver has been refused for so long that the
// filter is to start again on it.
func (s *State) waited(now float64, r *Requalification) bool {
	if math.IsNaN(s.RefusedSince) {
		return false
	}
	limit := r.MaxRefused
	if !s.Proven && !s.Accused() {
		limit = math.Min(limit, freshRefusal) // nothing proven to defend
	}
	if now-s.RefusedSince < limit {
		return false
	}
	s.lose()
	return true
}
