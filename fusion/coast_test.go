package fusion

import (
	"math"
	"testing"

	"kerbline/gnss"
)

// A cut while lapping: the coast budget counts down, handover starts before it
// is over, and then the map is no longer advised.
func TestCoast_CountsDown(t *testing.T) {
	for _, wheel := range []bool{true, false} {
		r := newRig(60)
		r.wheel = wheel
		const cut = 30.0
		r.epoch = func(t float64, e *gnss.Epoch) bool { return t < cut }
		st := r.tell(t)
		from := st.between(cut+rigDelay, 60)
		last := math.Inf(1)
		coasting, over := 0, math.NaN()
		for i, l := range from {
			switch l.verdict {
			case Usable:
				if l.t > cut+0.6 {
					t.Fatalf("wheel %v: usable %.1f s after the last epoch", wheel, l.t-cut)
				}
				continue
			case Coasting:
				coasting++
				if !math.IsNaN(over) {
					t.Fatalf("wheel %v: coasting again at %.1f s", wheel, l.t)
				}
			default:
				if math.IsNaN(over) {
					over = l.t
				}
				if !math.IsNaN(l.leave) {
					t.Errorf("wheel %v: %.1f s: %.1f s to leave while %s", wheel, l.t, l.leave, l.verdict)
				}
			}
			// New looks ahead may find it a little better, not much: the budget is
			// the way there is left.
			if i > 0 && l.verdict == Coasting && l.coast > last+1.5 {
				t.Errorf("wheel %v: %.1f s: coast budget %.1f s after %.1f s", wheel, l.t, l.coast, last)
			}
			last = l.coast
			if l.verdict == Coasting && l.advice >= AdviseMapSlow != (l.leave > 0) {
				t.Errorf("wheel %v: %.1f s: advice %s with %.2f s to leave", wheel, l.t, l.advice, l.leave)
			}
			if l.verdict != Coasting && l.advice > AdviseReactive {
				t.Errorf("wheel %v: %.1f s: advice %s while %s", wheel, l.t, l.advice, l.verdict)
			}
		}
		if coasting < 10 || math.IsNaN(over) {
			t.Errorf("wheel %v: %d lines coasting, over at %.1f s", wheel, coasting, over)
		}
		if over > cut+r.cfg.Tests.MaxCoast+0.5 {
			t.Errorf("wheel %v: coasting until %.1f s, more than the %.0f s allowed", wheel, over-cut, r.cfg.Tests.MaxCoast)
		}
	}
}
