package fusion

import (
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion/symptoms"
	"kerbline/gnss"
)

// Every wrong unit, axis and sign of the lever arm is told in words, and no
// line is usable once it was.
func TestUnits(t *testing.T) {
	for _, tt := range []struct {
		kind, mode string
		want       string // in what is said
	}{
		{"units", "g", "looks like g"},
		{"units", "deg", "looks like degrees"},
		{"units", "g+deg", "looks like"}, // one of the two, whichever shows first
		{"axes", "frd", "the z axis points down"},
		{"axes", "reversed", ""}, // forward for backward: said below, by whatever shows it first
		{"lever", "x", "check both, and their signs"},
		{"lever", "y", "check both, and their signs"},
	} {
		sc := fixtures.Standard(tt.kind, 5)
		sc.Still, sc.Duration = 20, 90
		f := sc.Faults[0]
		f.Mode = tt.mode
		sc.Faults = []fixtures.Fault{f}
		if tt.kind == "lever" {
			sc.Seed, sc.Lever = 7, [3]float64{0.6, 0.5, 0.8}
			sc.LeverSaid = sc.Lever
			sc.LeverSaid[strings.Index("xy", tt.mode)] *= -1
		}
		d := drives(t, sc)
		m := d.monitor(t, d.cfg)
		var said []string
		usable := 0
		for i := range d.in {
			snap, ev := m.Step(&d.in[i])
			for _, e := range ev {
				if e.Kind == EventUnit {
					said = append(said, e.Detail)
				}
			}
			if snap != nil && snap.Verdict == Usable {
				usable++
			}
		}
		if tt.want == "" {
			if usable > 0 {
				t.Errorf("%s %s: %d usable lines", tt.kind, tt.mode, usable)
			}
			continue
		}
		if !strings.Contains(strings.Join(said, "\n"), tt.want) {
			t.Errorf("%s %s: said %q, want %q", tt.kind, tt.mode, said, tt.want)
		}
		if usable > 0 {
			t.Errorf("%s %s: %d usable lines", tt.kind, tt.mode, usable)
		}
		if s := m.Snapshot(); s.Symptom.ID == 0 || codes(s)[0] != symptoms.Of(s.Symptom.ID).Code {
			t.Errorf("%s %s: at the end hint %q, reasons %v", tt.kind, tt.mode, s.Symptom.Text(), codes(s))
		}
	}
}

// With everything right nothing is said.
func TestUnits_NothingToSay(t *testing.T) {
	for seed := range uint64(3) {
		sc := fixtures.Standard("nominal", 60+seed)
		sc.Still, sc.Duration = 10, 90
		d := drives(t, sc)
		m := d.monitor(t, d.cfg)
		for i := range d.in {
			if _, ev := m.Step(&d.in[i]); len(ev) > 0 {
				for _, e := range ev {
					if e.Kind == EventUnit {
						t.Errorf("seed %d: %s", 60+seed, e.Detail)
					}
				}
			}
		}
	}
}

// A wheel that counts km/h, or backwards.
func TestUnits_Wheel(t *testing.T) {
	for _, tt := range []struct {
		factor float64
		want   string
	}{{3.6, "km/h"}, {-1, "negative"}, {2, "2.0"}} {
		sc := fixtures.Standard("nominal", 6)
		sc.Still, sc.Duration = 10, 50
		d := drives(t, sc)
		m := d.monitor(t, d.cfg)
		var said []string
		for i := range d.in {
			in := d.in[i]
			in.V *= tt.factor
			_, ev := m.Step(&in)
			for _, e := range ev {
				if e.Kind == EventUnit {
					said = append(said, e.Detail)
				}
			}
		}
		if len(said) != 1 || !strings.Contains(said[0], tt.want) {
			t.Errorf("wheel times %.1f: said %q, want %q once", tt.factor, said, tt.want)
		}
	}
}

// A receiver that seems to step at every epoch is not the one that is wrong: the
// events end after three, and after three seconds the sensor is named.
func TestSteppingWithoutEnd(t *testing.T) {
	r := newRig(60)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		if t >= 30 {
			r.shift(e, 3*(t-30), 0)
		}
		return true
	}
	st := r.tell(t)
	if n := len(st.has(EventJump, "")); n < 1 || n > 3 {
		t.Errorf("%d jump events, want 1 to 3", n)
	}
	es := st.has(EventUnit, "")
	if len(es) != 1 || !strings.Contains(es[0].Detail, "disagree on the motion") {
		t.Fatalf("unit events %+v, want one", es)
	}
	if at := es[0].T - rigStart; !(at > 32 && at < 34) {
		t.Errorf("named at %.1f s, want 3 s after 30 s", at)
	}
	st.never(t, 30.1, 60)
}
