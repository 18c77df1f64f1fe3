package fusion

import (
	"math"
	"strings"
	"testing"

	"kerbline/gnss"
)

// offSky moves an epoch by a wrong fix: a metre aside and two up.
func (r *rig) offSky(e *gnss.Epoch) {
	r.shift(e, 0.7, -0.7)
	e.Pos.H += 2
}

func float(e *gnss.Epoch) { e.Quality, e.SigmaN, e.SigmaE = gnss.QualityFloat, 0.3, 0.3 }

// A wrong fix after each kind of break is never usable and is told to be wrong;
// a right one is usable again within 3 s, with and without wheels.
func TestClaim_Breaks(t *testing.T) {
	for _, tt := range []struct {
		name  string
		to    float64 // s, end of the break that begins at 25 s
		spoil func(e *gnss.Epoch) bool
	}{
		{"blink", 25.1, func(e *gnss.Epoch) bool { float(e); return true }},
		{"float", 28, func(e *gnss.Epoch) bool { float(e); return true }},
		{"no fix", 28, func(e *gnss.Epoch) bool { e.Quality, e.HasPos = gnss.QualityNone, false; return true }},
		{"silence", 29, func(e *gnss.Epoch) bool { return false }},
		{"gate", 27, func(e *gnss.Epoch) bool { e.Sats = 5; return true }},
	} {
		for _, wheel := range []bool{true, false} {
			play := func(wrong bool) *story {
				r := newRig(50)
				r.wheel = wheel
				r.epoch = func(t float64, e *gnss.Epoch) bool {
					if t >= 25 && t < tt.to-0.01 {
						return tt.spoil(e)
					}
					if wrong && t >= 25 {
						r.offSky(e)
					}
					return true
				}
				return r.tell(t)
			}
			st := play(true)
			st.never(t, tt.to+0.1, 50)
			if len(st.has(EventRefuted, ""))+len(st.has(EventJump, "")) == 0 {
				t.Errorf("%s, wheels %v: a wrong fix was not told", tt.name, wheel)
			}
			if d := play(false).usableFrom(tt.to) - tt.to; !(d < 3) {
				t.Errorf("%s, wheels %v: usable %.1f s after a right fix, want 3 s", tt.name, wheel, d)
			}
		}
	}
}

// What was refuted stays so through any number of blinks, and is believed as soon
// as it stands right.
func TestClaim_Laundering(t *testing.T) {
	r := newRig(70)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		if t >= 25 && t < 50 {
			r.offSky(e)
			if k := int(t * 10); k%40 == 0 {
				float(e)
			}
		}
		return true
	}
	st := r.tell(t)
	st.never(t, 25.2, 50)
	if d := st.usableFrom(50) - 50; !(d < 4) {
		t.Errorf("usable %.1f s after it stands right, want within 4 s", d)
	}
}

// A car that stands sees a step before it moved for the first time: which place
// is right nothing tells, so it is never usable; without the step it is.
func TestClaim_AtRest(t *testing.T) {
	for _, wrong := range []bool{true, false} {
		r := newRig(45)
		r.still = 20
		r.epoch = func(t float64, e *gnss.Epoch) bool {
			if wrong && t >= 14 {
				r.offSky(e)
			}
			return true
		}
		st := r.tell(t)
		if wrong {
			st.never(t, 0, 45)
			if n := len(st.has(EventJump, "at rest")); n != 1 {
				t.Errorf("%d events of a step at rest, want one", n)
			}
		} else if from := st.usableFrom(20); !(from < 44) {
			t.Errorf("never usable without a step")
		}
	}
}

// A receiver that repeats a position while the car moves is named, and the name is
// withdrawn with it.
func TestClaim_Frozen(t *testing.T) {
	r := newRig(60)
	var kept *gnss.Epoch
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		if t >= 25 && t < 30 {
			if kept == nil {
				k := *e
				kept = &k
			}
			e.Pos = kept.Pos
		}
		return true
	}
	st := r.tell(t)
	for _, l := range st.between(25.5, 30) {
		if l.reasons[:15] != "receiver-frozen" {
			t.Fatalf("%.1f s: %q", l.t, l.reasons)
		}
	}
	if d := st.usableFrom(30) - 30; !(d < 10) {
		t.Errorf("usable %.1f s after it goes on, want within 10 s", d)
	}
}

// A receiver that steps back from a fix that was refuted while dead reckoning was
// blunt is weighed by what was known of that fix: it is not refuted itself.
func TestClaim_StepBack(t *testing.T) {
	r := newRig(60)
	r.wheel = false
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		switch {
		case t >= 25 && t < 37:
			float(e)
		case t >= 37 && t < 40:
			r.offSky(e)
		}
		return true
	}
	st := r.tell(t)
	st.never(t, 25.1, 40)
	wrong := st.has(EventRefuted, "")
	if len(wrong) != 1 || wrong[0].T > rigStart+40 {
		t.Errorf("refuted %+v, want the wrong fix alone", wrong)
	}
}

// A receiver that reports no velocity, on a car without wheel speed, may drift
// unseen: it is not usable, and the reason says so.
func TestDriftCheck(t *testing.T) {
	for _, wheel := range []bool{true, false} {
		r := newRig(40)
		r.wheel = wheel
		r.epoch = func(t float64, e *gnss.Epoch) bool {
			e.Speed, e.Course = math.NaN(), math.NaN()
			return true
		}
		ls := r.tell(t).between(30, 40)
		told := 0
		for _, l := range ls {
			if strings.Contains(l.reasons, "no-drift-check") {
				told++
			}
		}
		if n := count(ls, Usable); wheel != (n == len(ls)) || wheel == (told == len(ls)) {
			t.Errorf("wheels %v: %d of %d lines usable, %d say that nothing checks for a drift", wheel, n, len(ls), told)
		}
	}
}

// A receiver that tells a time 0.1 s off, and the right one again, is placed by it
// from the next epoch on: the name is the clock's, and nothing is refuted.
func TestTimeStep(t *testing.T) {
	for _, off := range []float64{0.1, -0.1} {
		r := newRig(60)
		r.epoch = func(t float64, e *gnss.Epoch) bool {
			if t >= 25 && t < 40 {
				e.UTC += off
			}
			return true
		}
		st := r.tell(t)
		told := st.has(EventClock, "")
		if len(told) != 2 || !(math.Abs(told[0].Size+off) < 0.02) || !(math.Abs(told[1].Size-off) < 0.02) {
			t.Errorf("%+.1f s: %+v, want a step of the clock and one back", off, told)
		}
		if n := len(st.has(EventJump, "")) + len(st.has(EventRefuted, "")) + len(st.has(EventUnit, "")); n > 0 {
			t.Errorf("%+.1f s: %d events blame something else", off, n)
		}
		for _, at := range []float64{25, 40} {
			if d := st.usableFrom(at+0.2) - at; !(d < 3) {
				t.Errorf("%+.1f s: usable %.1f s after the step", off, d)
			}
		}
		for _, l := range st.between(24, 60) {
			if live := l.verdict == Usable || l.verdict == Coasting; live && l.off > l.bound {
				t.Fatalf("%+.1f s: %.2f m off at %.2f s, level %.2f m", off, l.off, l.t, l.bound)
			}
		}
	}
}
