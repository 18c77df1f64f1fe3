package trust

import (
	"math"
	"testing"

	"kerbline/fusion/integrity"
)

// play takes evidence one after another from a state in which the fix is old and
// the position proven, if it is to be.
func play(t *testing.T, proven bool, es ...Evidence) (s State, last Decision) {
	t.Helper()
	r := DefaultRequalification()
	s = Start()
	for _, e := range append([]Evidence{
		{Kind: GatePassed, Now: 0},
		{Kind: Position, Now: 0, OfFix: true, Gate: 30},
		{Kind: Used, Now: 0},
		{Kind: Verdict, Usable: proven},
	}, es...) {
		s, last = Next(s, &e, &r)
	}
	return s, last
}

// cov is the covariance of a displacement known to 5 cm.
var cov = integrity.Sym3{{0.0025}, {0, 0.0025}, {0, 0, 0.0025}}

func step(at, east float64) Evidence {
	return Evidence{Kind: Displaced, Now: at, Y: integrity.Vec3{east}, S: cov, Detectable: 0.3}
}

// fixAt is a fixed position with a log-likelihood ratio for being right.
func fixAt(at, llr float64) Evidence {
	return Evidence{Kind: Position, Now: at, OfFix: true, NIS: 5, Gate: 30, Sigma: 0.1, LLR: llr}
}

// The rows of the table in the package comment.
func TestNext(t *testing.T) {
	nan, sure, moved := math.NaN(), needed(wrongBroken), needed(wrongMoved)
	drift := Evidence{Kind: Drift, Now: 20, Y: integrity.Vec3{0.8}, S: cov}
	silence, noFix, passed := Evidence{Kind: Silence}, Evidence{Kind: NoFix}, Evidence{Kind: GatePassed, Now: 24}
	spent := Evidence{Kind: Verdict}
	blunt := Evidence{Kind: Position, Now: 26, OfFix: true, NIS: 5, Gate: 30, Sigma: 1.1, LLR: 0.5}
	for _, tt := range []struct {
		row      string
		unproven bool
		es       []Evidence
		fix      Fix
		fault    Fault
		proven   bool
		used     bool // the last position
	}{
		{row: "1 silence alone decides nothing", es: []Evidence{silence}, proven: true},
		{row: "1 silence, then a fix", es: []Evidence{silence, passed}, fix: Claimed, fault: Broken, proven: true},
		{row: "1 no fix, then a fix", es: []Evidence{noFix, passed}, fix: Claimed, fault: Broken, proven: true},
		{row: "1 a gap, then a fix", es: []Evidence{{Kind: Gap}, passed}, fix: Claimed, fault: Broken, proven: true},
		{row: "1 the same before anything was proven", unproven: true, es: []Evidence{noFix, passed}},
		{row: "2 a step", es: []Evidence{step(20, 1)}, fix: Claimed, fault: Stepped, proven: true},
		{row: "3 a step before anything was proven", unproven: true, es: []Evidence{step(5, 1)}},
		{row: "4 stands where it should", es: []Evidence{noFix, passed, fixAt(25, sure+0.1)}, proven: true, used: true},
		{row: "4 not clearly", es: []Evidence{noFix, passed, fixAt(25, sure-0.1)}, fix: Claimed, fault: Broken, proven: true},
		{row: "4 no evidence", es: []Evidence{noFix, passed, fixAt(25, nan)}, fix: Claimed, fault: Broken, proven: true},
		{row: "5 stands elsewhere", es: []Evidence{noFix, passed, fixAt(25, Refute-0.1)}, fix: Refuted, fault: Broken, proven: true},
		{row: "5 time decides nothing", es: []Evidence{noFix, passed, fixAt(25, 0), fixAt(2500, 0)}, fix: Claimed, fault: Broken, proven: true},
		{row: "6 refuted, a blink", es: []Evidence{noFix, passed, fixAt(25, Refute-1), noFix, passed}, fix: Claimed, fault: Broken, proven: true},
		{row: "6 and the same place again", es: []Evidence{noFix, passed, fixAt(25, Refute-1), noFix, passed, fixAt(26, Refute-1)}, fix: Refuted, fault: Broken, proven: true},
		{row: "6 refuted, a step back", es: []Evidence{step(20, 1), fixAt(20.1, Refute-1), step(25, -1), fixAt(25.1, moved+1)}, proven: true, used: true},
		{row: "7 refuted, a place grown blunt", es: []Evidence{noFix, passed, fixAt(25, Refute-30), fixAt(27, sure+1)}, fix: Refuted, fault: Broken, proven: true},
		{row: "7 refuted, stands right as clearly", es: []Evidence{noFix, passed, fixAt(25, Refute-1), fixAt(27, sure-Refute+1.1)}, proven: true, used: true},
		{row: "8 a drift", es: []Evidence{drift}, fix: Refuted, fault: Drifted, proven: true},
		{row: "8 right again but moving still", es: []Evidence{drift, {Kind: Position, Now: 30, OfFix: true, NIS: 5, Gate: 30, LLR: 20, Moves: true}}, fix: Refuted, fault: Drifted, proven: true},
		{row: "8 right again", es: []Evidence{drift, fixAt(30, 20)}, proven: true, used: true},
		{row: "9 dead reckoning spent", es: []Evidence{noFix, passed, spent, blunt}, fix: Claimed, fault: Broken, used: true},
		{row: "9 not while it is proven", es: []Evidence{noFix, passed, blunt}, fix: Claimed, fault: Broken, proven: true},
		{row: "10 a mark", es: []Evidence{step(20, 1), {Kind: Mark, Now: 30}}, proven: true},
		{row: "11, 12 no longer usable or coasting", es: []Evidence{spent}},
		{row: "12 coasting", es: []Evidence{{Kind: Verdict, Coasting: true}}, proven: true},
		{row: "12 coasting proves nothing", unproven: true, es: []Evidence{{Kind: Verdict, Coasting: true}}},
		{row: "refused by the gate", es: []Evidence{{Kind: Position, Now: 20, OfFix: true, NIS: 31, Gate: 30, LLR: nan}}, proven: true},
		{row: "float while proven", es: []Evidence{{Kind: Position, Now: 20, NIS: 1, Gate: 30, LLR: nan}}, proven: true},
		{row: "float while dead reckoning is sharp", es: []Evidence{spent, {Kind: Position, Now: 20, NIS: 1, Gate: 30, Sigma: 0.5, LLR: nan}}},
		{row: "float while nothing is proven", unproven: true, es: []Evidence{{Kind: Position, Now: 20, NIS: 1, Gate: 30, LLR: nan}}, used: true},
		{row: "at rest, elsewhere", unproven: true, es: []Evidence{{Kind: AtRest, Now: 20, LLR: -99}}, fix: Refuted, fault: Stepped},
		{row: "at rest, back again", unproven: true, es: []Evidence{{Kind: AtRest, Now: 20, LLR: -99}, {Kind: AtRest, Now: 22, LLR: 9}}},
	} {
		s, d := play(t, !tt.unproven, tt.es...)
		if s.Fix != tt.fix || s.Fault != tt.fault || s.Proven != tt.proven || d.Use != tt.used {
			t.Errorf("%s: fix %d, fault %d, proven %v, used %v; want %d, %d, %v, %v", tt.row, s.Fix, s.Fault, s.Proven, d.Use, tt.fix, tt.fault, tt.proven, tt.used)
		}
	}
}

// Row 13: the filter starts again on a fix that is believed and that it refuses,
// after the time set or, with nothing proven, after 3 s; it never does on a claim
// that dead reckoning can still weigh. Afterwards the fix is a claim.
func TestNext_Waited(t *testing.T) {
	refused := Evidence{Kind: Position, Now: 20, OfFix: true, NIS: 99, Gate: 30, LLR: math.NaN()}
	for _, tt := range []struct {
		proven bool
		limit  float64
	}{{true, 30}, {false, 3}} {
		_, d := play(t, tt.proven, refused, Evidence{Kind: Waited, Now: 20 + tt.limit - 0.1})
		if d.Restart {
			t.Errorf("proven %v: started again before %.0f s", tt.proven, tt.limit)
		}
		s, d := play(t, tt.proven, refused, Evidence{Kind: Waited, Now: 20 + tt.limit})
		if !d.Restart || s.Proven || !math.IsNaN(s.RefusedSince) {
			t.Errorf("proven %v: not started again after %.0f s: %+v", tt.proven, tt.limit, s)
		}
		if s, _ = play(t, tt.proven, refused, Evidence{Kind: Waited, Now: 99}, Evidence{Kind: GatePassed, Now: 99}); (s.Fix == Claimed) != tt.proven {
			t.Errorf("proven %v: fix %d after a new start", tt.proven, s.Fix)
		}
	}
	if _, d := play(t, true, step(20, 1), fixAt(20, 0), Evidence{Kind: Waited, Now: 999}); d.Restart {
		t.Error("started again on a claim")
	}
}

// Requalification begins again at each break and is served after the time set;
// after one second where evidence has confirmed the fix.
func TestServed(t *testing.T) {
	r := DefaultRequalification()
	s, _ := play(t, true)
	if ok, left := s.Served(2.9, &r); ok || !(math.Abs(left-0.1) < 1e-9) {
		t.Errorf("served %v, %.2f s left after 2.9 s", ok, left)
	}
	if ok, left := s.Served(3, &r); !ok || left != 0 {
		t.Errorf("served %v, %.2f s left after 3 s", ok, left)
	}
	refused := Evidence{Kind: Position, Now: 9, OfFix: true, NIS: 99, Gate: 30}
	for name, e := range map[string]Evidence{"silence": {Kind: Silence}, "no fix": {Kind: NoFix}, "refused": refused, "step": step(9, 1), "drift": {Kind: Drift, Now: 9}} {
		s, _ := play(t, true, e)
		if ok, left := s.Served(99, &r); ok || left != r.Dwell {
			t.Errorf("%s: served %v, %.2f s left", name, ok, left)
		}
	}
	s, _ = play(t, true, Evidence{Kind: NoFix}, Evidence{Kind: GatePassed, Now: 10}, fixAt(10, 9))
	if ok, left := s.Served(10.5, &r); ok || !(math.Abs(left-0.5) < 1e-9) {
		t.Errorf("confirmed: served %v, %.2f s left after 0.5 s", ok, left)
	}
}

// Three velocities in a row that disagree are an alarm, one that agrees ends it.
func TestVelocityAlarm(t *testing.T) {
	bad, good := Evidence{Kind: Velocity}, Evidence{Kind: Velocity, Agrees: true}
	if s, _ := play(t, true, bad, bad); s.VelocityAlarm() {
		t.Error("alarm after two")
	}
	if s, _ := play(t, true, bad, bad, bad); !s.VelocityAlarm() {
		t.Error("no alarm after three")
	}
	if s, _ := play(t, true, bad, bad, bad, good); s.VelocityAlarm() {
		t.Error("alarm after one that agrees")
	}
}
