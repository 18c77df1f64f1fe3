package fusion

import (
	"math"
	"testing"
)

// While no line has confirmed the settings none is usable, what must be shown grows,
// and what the page counts is what the drive did.
func TestSetupProgress(t *testing.T) {
	r := newRig(60)
	var last Snapshot
	opened, first := 0.0, math.NaN()
	r.play(t, func(at float64, s *Snapshot, _ []Event) {
		if s == nil {
			return
		}
		p, was := &s.Setup, &last.Setup
		if s.Verdict == Usable && (p.Open || !p.Confirmed) {
			t.Fatalf("%.1f s: usable with settings that are not confirmed: %+v", at, *p)
		}
		if p.Open {
			opened = at
		} else if math.IsNaN(first) {
			first = at
			if p.Lever[0] > p.Enough || p.Lever[1] > p.Enough || p.Held < p.Hold {
				t.Errorf("%.1f s: confirmed before it is shown: %+v", at, *p)
			}
		}
		if p.Left < was.Left || p.Right < was.Right || p.Driven < was.Driven || p.Stood < was.Stood {
			t.Errorf("%.1f s: what was shown is lost: %+v, was %+v", at, *p, *was)
		}
		last = *s
	})
	if opened == 0 || !(first < 60) || last.Setup.Open {
		t.Errorf("open until %.1f s, confirmed at %.1f s, want both within the drive", opened, first)
	}
	// The rig's own way.
	var metres, left, right float64
	yaw := math.NaN()
	for at := 0.0; at < 60; at += 0.1 {
		metres += 0.1 * r.speed(at)
		_, h := r.body(at)
		if d := math.Remainder(h-yaw, 2*math.Pi); r.speed(at) > 0.5 {
			left, right = left+math.Max(0, d), right-math.Min(0, d)
		}
		yaw = h
	}
	p := last.Setup // a chord of 5 m may be open at the end, in a turn
	if math.Abs(p.Driven-metres) > 0.05*metres+10 || math.Abs(p.Left-p.Right-left+right) > 1 {
		t.Errorf("driven %.0f m, turned %.2f left and %.2f right, want %.0f, %.2f, %.2f", p.Driven, p.Left, p.Right, metres, left, right)
	}
}
