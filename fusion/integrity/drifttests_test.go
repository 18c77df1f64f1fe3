package integrity

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// A suspicion widens both levels by what was seen and twice its sigma, keeps
// its worst, and ends after the hold without another.
func TestSuspectedDrift(t *testing.T) {
	var d SuspectedDrift
	if d.Along(1, 0) != 0 {
		t.Error("a bound before any suspicion")
	}
	// Before a suspicion what is seen counts, for its own epoch.
	d.seen = Vec3{0.1, 0.05}
	if e := d.Along(1, 0); !(math.Abs(e-0.1) < 1e-12) {
		t.Errorf("what is seen,  0.1 m adds %.3f m", e)
	}
	d.pass(10, 6)
	if d.Along(1, 0) != 0 {
		t.Error("what is seen outlives its epoch")
	}
	d.raise(&Vec3{0.3, -0.1}, &Sym3{{0.01}, {0, 0.0025}})
	d.raise(&Vec3{0.1, 0}, &Sym3{{0.0001}, {0, 0.0001}}) // smaller
	if e, n := d.Along(1, 0), d.Along(0, -1); !(math.Abs(e-0.5) < 1e-12 && math.Abs(n-0.2) < 1e-12) {
		t.Errorf("suspicion %.3f east, %.3f north; want 0.5, 0.2", e, n)
	}
	// Time without epochs does not count.
	for _, at := range []float64{10.1, 13, 40, 40.9, 41.8, 42.7, 43.6, 44.5, 45.4} {
		d.pass(at, 6)
		if !(d.size > 0) {
			t.Fatalf("the suspicion ended at %.1f s", at)
		}
	}
	d.pass(46.3, 6)
	d.pass(47.0, 6)
	if d.size != 0 || d.Along(1, 0) != 0 {
		t.Errorf("the suspicion goes on after %.1f s of calm", d.calm)
	}
}

// A receiver that drifted is back when the wheel path, carried on from before the
// drift, has it where it stands now and did not have it there before the step.
func TestReturned(t *testing.T) {
	for _, tt := range []struct {
		name       string
		step       float64 // m, east, the last step
		off        float64 // m, east, where the receiver stands against the car after it
		count      int
		silent, no bool
		want       bool
	}{
		{name: "back", step: -1.5, off: 0.01, count: 2, want: true},
		{name: "no step since the alarm", step: -1.5, off: 0.01, count: 1},
		{name: "a step to somewhere else", step: -1.5, off: 1.5, count: 2},
		{name: "a step too small to tell", step: -0.1, off: 0.01, count: 2},
		{name: "the wheel was silent", step: -1.5, off: 0.01, count: 2, silent: true},
		{name: "nothing from before the drift", step: -1.5, off: 0.01, count: 2, no: true},
	} {
		c := newCircling()
		o := &c.ref.Wheel
		var d DriftTests
		d.Init(DefaultSettings())
		e := &PathError{Scale: 0.0007, Yaw: 0.0015, Corr: 0.01, CorrTime: 10}
		for k := range 4000 { // 20 s, an epoch each 0.1 s
			c.step()
			if k%20 == 0 {
				c.advance()
			}
			if k == 0 {
				o.record(c.at(r3.Vec{}), e)
				if !tt.no {
					d.remember(c.s.T, &c.ref)
				}
			}
		}
		if tt.silent {
			o.Reset()
		}
		c.advance()
		body := turned(r3.Sub(o.p, d.before.wheel.p), d.before.wheel.frame)
		body.X += tt.off
		if got := tt.count >= 2 && d.Returned(&Vec3{tt.step}, &c.ref, c.at(body), e); got != tt.want {
			t.Errorf("%s: returned is %v", tt.name, got)
		}
	}
}
