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
		{Kind: Fix, Now: 0},
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

func fixAt(at, nis float64) Evidence {
	return Evidence{Kind: Position, Now: at, OfFix: true, NIS: nis, Gate: 30, S: cov, N: 3}
}

// The rows of the table in the package comment.
func TestNext(t *testing.T) {
	drift := Evidence{Kind: Drift, Now: 20, Y: integrity.Vec3{0.8}, S: cov}
	noFix, blink := Evidence{Kind: NoFix, Refix: true}, Evidence{Kind: NoFix}
	for _, tt := range []struct {
		row      string
		unproven bool
		es       []Evidence
		fault    Fault
		proven   bool
		used     bool // the last position
	}{
		{row: "1 silence", es: []Evidence{{Kind: Silence}}, proven: true},
		{row: "2 a step of an old fix", es: []Evidence{step(20, 1)}, fault: Stepped, proven: true},
		{row: "3 a step of a young fix", es: []Evidence{step(5, 1)}, fault: Stepped},
		{row: "4 a step and a step back", es: []Evidence{step(20, 1), step(25, -1)}, proven: true},
		{row: "4 another step is none back", es: []Evidence{step(20, 1), step(25, 1)}, fault: Stepped, proven: true},
		{row: "5 a drift", es: []Evidence{drift}, fault: Drifted, proven: true},
		{row: "6 ambiguities redone, agrees", es: []Evidence{step(20, 1), noFix, fixAt(25, 5)}, proven: true, used: true},
		{row: "6 ambiguities redone, elsewhere", es: []Evidence{step(20, 1), noFix, fixAt(25, 17)}, fault: Stepped, proven: true},
		{row: "6 failing the gate redoes nothing", es: []Evidence{step(20, 0.1), blink, fixAt(25, 5)}, fault: Stepped, proven: true},
		{row: "7 agrees where the step would show", es: []Evidence{step(20, 1), fixAt(25, 5)}, proven: true, used: true},
		{row: "7 agrees where it would not", es: []Evidence{step(20, 0.2), fixAt(25, 5)}, fault: Stepped, proven: true},
		{row: "8 a drift that agrees", es: []Evidence{drift, fixAt(25, 5)}, fault: Drifted, proven: true},
		{row: "8 a drift, a step, agrees", es: []Evidence{drift, step(24, -0.8), fixAt(25, 5)}, proven: true, used: true},
		{row: "8 a drift, a step, a reference says so", es: []Evidence{drift, step(24, -0.8), {Kind: Position, Now: 25, OfFix: true, NIS: 99, Gate: 30, Returned: true}}, proven: true, used: true},
		{row: "8 a drift without a step, a reference says so", es: []Evidence{drift, {Kind: Position, Now: 25, OfFix: true, NIS: 99, Gate: 30, Returned: true}}, fault: Drifted, proven: true},
		{row: "9 started again on it", es: []Evidence{step(20, 1), {Kind: Lost}, fixAt(25, 5)}, fault: Stepped, used: true},
		{row: "11 a mark", es: []Evidence{step(20, 1), {Kind: Mark, Now: 30}}, proven: true},
		{row: "12, 13 no longer usable or coasting", es: []Evidence{{Kind: Verdict}}},
		{row: "13 coasting", es: []Evidence{{Kind: Verdict, Coasting: true}}, proven: true},
		{row: "13 coasting proves nothing", unproven: true, es: []Evidence{{Kind: Verdict, Coasting: true}}},
		{row: "an unproven filter does not accuse", unproven: true, es: []Evidence{step(20, 1)}},
		{row: "refused by the gate", es: []Evidence{fixAt(20, 31)}, proven: true},
		{row: "float while proven", es: []Evidence{{Kind: Position, Now: 20, NIS: 1, Gate: 30}}, proven: true},
		{row: "float while not", unproven: true, es: []Evidence{{Kind: Position, Now: 20, NIS: 1, Gate: 30}}, used: true},
	} {
		s, d := play(t, !tt.unproven, tt.es...)
		if s.Fault != tt.fault || s.Proven != tt.proven || d.Use != tt.used {
			t.Errorf("%s: fault %d, proven %v, used %v; want %d, %v, %v", tt.row, s.Fault, s.Proven, d.Use, tt.fault, tt.proven, tt.used)
		}
	}
}

// Row 10: a proven position is defended for the time set, an unproven one for 3 s.
func TestNext_Waited(t *testing.T) {
	for _, tt := range []struct {
		proven bool
		limit  float64
	}{{true, 30}, {false, 3}} {
		_, d := play(t, tt.proven, fixAt(20, 99), Evidence{Kind: Waited, Now: 20 + tt.limit - 0.1})
		if d.Restart {
			t.Errorf("proven %v: started again before %.0f s", tt.proven, tt.limit)
		}
		s, d := play(t, tt.proven, fixAt(20, 99), Evidence{Kind: Waited, Now: 20 + tt.limit})
		if !d.Restart || s.Proven || !math.IsNaN(s.RefusedSince) {
			t.Errorf("proven %v: not started again after %.0f s: %+v", tt.proven, tt.limit, s)
		}
	}
}

// Requalification begins again at each break and is served after the time set.
func TestServed(t *testing.T) {
	r := DefaultRequalification()
	s, _ := play(t, true)
	if ok, left := s.Served(2.9, &r); ok || !(math.Abs(left-0.1) < 1e-9) {
		t.Errorf("served %v, %.2f s left after 2.9 s", ok, left)
	}
	if ok, left := s.Served(3, &r); !ok || left != 0 {
		t.Errorf("served %v, %.2f s left after 3 s", ok, left)
	}
	for name, e := range map[string]Evidence{"silence": {Kind: Silence}, "no fix": {Kind: NoFix}, "refused": fixAt(9, 99), "step": step(9, 1), "drift": {Kind: Drift, Now: 9}} {
		s, _ := play(t, true, e)
		if ok, left := s.Served(99, &r); ok || left != r.Dwell {
			t.Errorf("%s: served %v, %.2f s left", name, ok, left)
		}
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
