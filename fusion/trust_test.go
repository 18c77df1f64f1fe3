package fusion

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/gnss"
)

// story is what a run came to.
type story struct {
	lines  []storyLine
	events []Event
}

type storyLine struct {
	t       float64
	verdict Verdict
	advice  Advice
	reasons string
	proof   bool
	used    bool
	off     float64
	bound   float64 // m, of both protection levels together
	coast   float64
	leave   float64
	speed   float64
}

func (r *rig) tell(t testing.TB) *story {
	t.Helper()
	st := &story{}
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		st.events = append(st.events, ev...)
		if s != nil {
			st.lines = append(st.lines, storyLine{at, s.Verdict, s.Advice, strings.Join(codes(s), " "), s.NeedsProof, s.EpochUsed, r.off(at, s), math.Hypot(s.PLLat.Total, s.PLLon.Total), s.Coast, s.LeaveIn, s.Speed})
		}
	})
	return st
}

// between returns the lines of [from, to) s.
func (st *story) between(from, to float64) []storyLine {
	i := slices.IndexFunc(st.lines, func(l storyLine) bool { return l.t >= from })
	j := slices.IndexFunc(st.lines, func(l storyLine) bool { return l.t >= to })
	if j < 0 {
		j = len(st.lines)
	}
	if i < 0 || i >= j {
		return nil
	}
	return st.lines[i:j]
}

// count returns how many of the lines are of verdict v.
func count(ls []storyLine, v Verdict) (n int) {
	for _, l := range ls {
		if l.verdict == v {
			n++
		}
	}
	return n
}

// has returns the events of a kind, and of a cause where one is named.
func (st *story) has(kind EventKind, cause string) (es []Event) {
	for _, e := range st.events {
		if e.Kind == kind && (cause == "" || e.Cause == cause) {
			es = append(es, e)
		}
	}
	return es
}

// usableFrom returns when the first usable line from t on was, +Inf for never.
func (st *story) usableFrom(t float64) float64 {
	for _, l := range st.lines {
		if l.t >= t && l.verdict == Usable {
			return l.t
		}
	}
	return math.Inf(1)
}

// never checks that no line of [from, to) is usable.
func (st *story) never(t *testing.T, from, to float64) {
	t.Helper()
	if n := count(st.between(from, to), Usable); n > 0 {
		t.Errorf("%d usable lines between %.1f and %.1f s, want none", n, from, to)
	}
}

// away shifts the epochs of [from, to) by 0.5 m to the east.
func (r *rig) away(from, to float64) {
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		if t >= from && t < to {
			r.shift(e, 0.5, 0)
		}
		return true
	}
}

func TestTrust_JumpAwayAndBack(t *testing.T) {
	r := newRig(50)
	r.away(25, 30)
	st := r.tell(t)
	st.never(t, 25.05, 30.05)
	if n := count(st.between(25.1, 30), Coasting); n != len(st.between(25.1, 30)) {
		t.Errorf("%d of %d lines coasting while the receiver stood elsewhere", n, len(st.between(25.1, 30)))
	}
	steps := st.has(EventJump, "")
	if len(steps) != 2 || steps[0].Cause != "step" || steps[1].Cause != "step back" {
		t.Fatalf("jump events %+v, want a step and a step back", steps)
	}
	for i, at := range []float64{25, 30} {
		if d := steps[i].T - rigStart - at - rigDelay; !(math.Abs(d) < 0.01) {
			t.Errorf("%s told at %+.3f s from the arrival of its epoch", steps[i].Cause, d)
		}
		if !(math.Abs(steps[i].Size-0.5) < 0.05) {
			t.Errorf("%s of %.3f m, want 0.50", steps[i].Cause, steps[i].Size)
		}
	}
	if d := st.usableFrom(30) - 30; !(d > 1 && d < 3) {
		t.Errorf("usable %.1f s after the step back, want 1 to 3 s", d)
	}
	for _, l := range st.between(25.1, 30) {
		if !l.proof || !strings.Contains(l.reasons, "jump") {
			t.Fatalf("%.1f s: needs proof %v, reasons %q", l.t, l.proof, l.reasons)
		}
	}
	for _, l := range st.between(25, 50) {
		if l.off > 0.2 {
			t.Fatalf("%.1f s: %.2f m off: the filter followed the receiver", l.t, l.off)
		}
	}
}

// A receiver that stays "fixed" where it jumped to is never believed again, and
// the position told is that of dead reckoning.
func TestTrust_StaysStepped(t *testing.T) {
	r := newRig(90)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		switch {
		case t < 8: // the fix that was made before the step clears nothing after it
			e.Quality, e.SigmaN, e.SigmaE = gnss.QualityFloat, 0.3, 0.3
		case t >= 25:
			r.shift(e, 0.5, 0)
		}
		return true
	}
	st := r.tell(t)
	if from := st.usableFrom(0); !(from < 24) {
		t.Fatalf("usable from %.1f s on, want before the step at 25 s", from)
	}
	st.never(t, 25.05, 1e9)
	for _, l := range st.between(25.1, 90) {
		if !l.proof {
			t.Fatalf("%.1f s: no proof asked for", l.t)
		}
		if l.off > l.bound {
			t.Fatalf("%.1f s: %.2f m off at a level of %.2f m: lines are to give the place kept by dead reckoning", l.t, l.off, l.bound)
		}
		if l.t > 46 && l.verdict == Coasting {
			t.Fatalf("%.1f s: coasting for longer than allowed", l.t)
		}
	}
}

// Through float: the ambiguities are estimated anew, and what comes out agrees
// with dead reckoning.
func TestTrust_RedoneFix(t *testing.T) {
	r := newRig(60)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		switch {
		case t >= 25 && t < 31:
			r.shift(e, 0.5, 0)
		case t >= 31 && t < 33:
			e.Quality, e.SigmaN, e.SigmaE = gnss.QualityFloat, 0.3, 0.3
		}
		return true
	}
	st := r.tell(t)
	st.never(t, 25.05, 33)
	if d := st.usableFrom(33) - 33; !(d > 1 && d < 3) {
		t.Errorf("usable %.1f s after the new fix, want 1 to 3 s", d)
	}
	if st.lines[len(st.lines)-1].proof {
		t.Error("proof still asked for at the end")
	}
}

// The new fix is as wrong as the old one: dead reckoning, still sharp, says so.
func TestTrust_RedoneWrong(t *testing.T) {
	r := newRig(50)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		if t >= 25 {
			r.shift(e, 0.5, 0)
		}
		if t >= 31 && t < 33 {
			e.Quality, e.SigmaN, e.SigmaE = gnss.QualityFloat, 0.3, 0.3
		}
		return true
	}
	r.tell(t).never(t, 25.05, 50)
}

// The receiver steps, then comes back unseen during a silence after which dead
// reckoning can no longer tell: nothing clears it but a person at a check mark.
func TestTrust_CheckMark(t *testing.T) {
	const at = 97.0 // s, when a person confirms, the car standing for 7 s
	play := func(marked, right bool) *story {
		r := newRig(120)
		r.wheel, r.until = false, 85 // and the car stands from 90 on
		r.epoch = func(t float64, e *gnss.Epoch) bool {
			if t >= 25 && (t < 85 || !right) {
				r.shift(e, 0.5, 0)
			}
			return !(t >= 30 && t < 85) // the silence hides the way back
		}
		p, _ := r.body(at - 0.1) // of the newest epoch by then
		lla := r.frame.ToLLA(p)
		const degree = math.Pi / 180
		r.cfg.Marks = []Mark{{Name: "start", Lat: lla.Lat / degree, Lon: lla.Lon / degree, H: lla.H}}
		if marked {
			r.note, r.noteAt = "mark start", at+0.001
		}
		return r.tell(t)
	}
	st := play(false, true)
	st.never(t, 25.05, 1e9)
	st = play(true, true)
	st.never(t, 25.05, at)
	if d := st.usableFrom(at) - at; !(d >= 1 && d < 4) {
		t.Errorf("usable %.1f s after the check mark, want 1 to 4 s", d)
	}
	if es := st.has(EventVerdict, "mark"); len(es) != 1 || !strings.Contains(es[0].Detail, "confirmed") || strings.Contains(es[0].Detail, "not confirmed") {
		t.Errorf("mark events %+v", es)
	}
	st = play(true, false)
	st.never(t, 25.05, 1e9)
	if es := st.has(EventVerdict, "mark"); len(es) != 1 || !strings.Contains(es[0].Detail, "not confirmed") || !(math.Abs(es[0].Size-0.5) < 0.1) {
		t.Errorf("mark events %+v, want one that is not confirmed, by 0.5 m", es)
	}
}

// A mark that does not exist, or none at all, confirms nothing.
func TestTrust_UnknownMark(t *testing.T) {
	r := newRig(45)
	r.away(25, 1e9)
	r.note, r.noteAt = "mark nowhere", 35
	st := r.tell(t)
	st.never(t, 25.05, 45)
	if es := st.has(EventVerdict, "mark"); len(es) > 0 {
		t.Errorf("mark events %+v, want none", es)
	}
}

// A drift alarms, what the filter followed of it is taken back, and the step
// back to the truth clears the receiver.
func TestTrust_DriftAndReturn(t *testing.T) {
	r := newRig(60)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		if t >= 25 && t < 33 {
			r.shift(e, 0.15*(t-25), 0)
		}
		return true
	}
	st := r.tell(t)
	es := st.has(EventDrift, "")
	if len(es) != 1 {
		t.Fatalf("drift events %+v, want one", es)
	}
	alarm := es[0].T - rigStart
	if !(alarm > 25 && alarm < 29) {
		t.Errorf("drift alarm at %.1f s, want within 4 s of 25 s", alarm)
	}
	st.never(t, alarm+0.01, 33)
	for _, l := range st.between(alarm+0.05, 33) {
		if l.verdict == Coasting || !strings.HasPrefix(l.reasons, "drift") {
			t.Fatalf("%.1f s: %s because of %q: dead reckoning was led astray itself", l.t, l.verdict, l.reasons)
		}
	}
	for _, l := range st.between(alarm+0.2, 33) {
		// Dead reckoning since, against a receiver that goes on wandering.
		if wandered := 0.15 * (l.t - 25); l.off > l.bound || l.t > 28 && l.off > wandered/2 {
			t.Fatalf("%.1f s: %.2f m off after the drift was taken back, level %.2f m, receiver off %.2f m", l.t, l.off, l.bound, wandered)
		}
	}
	if d := st.usableFrom(33) - 33; !(d < 5) {
		t.Errorf("usable %.1f s after the receiver stepped back, want within 5 s", d)
	}
}

// A drift that stays is refused, the filter starts anew on the receiver after
// the time allowed, and follows it without proving anything by it.
func TestTrust_DriftThatStays(t *testing.T) {
	r := newRig(90)
	r.epoch = func(t float64, e *gnss.Epoch) bool {
		r.shift(e, 0.15*math.Max(0, math.Min(t-25, 6)), 0)
		return true
	}
	st := r.tell(t)
	es := st.has(EventDrift, "")
	if len(es) == 0 {
		t.Fatal("no drift alarm")
	}
	st.never(t, es[0].T-rigStart+0.01, 1e9)
	if !st.lines[len(st.lines)-1].proof {
		t.Error("no proof asked for at the end")
	}
}

// What waited in a buffer while the port was opened comes all at once: the
// first epochs are late, and the alignment that follows is none the worse.
func TestAlign_Backlog(t *testing.T) {
	sc := fixtures.Standard("no_wheel", 31)
	sc.Still, sc.Duration = 25, 75
	d := drives(t, sc)
	const open = 0.55 // s
	from := sc.Host(0)
	for i := range d.in {
		in := &d.in[i]
		if in.Kind != KindEpoch || in.T > from+open {
			continue
		}
		e := *in.Epoch
		e.Arrival, e.Complete = from+open, from+open
		in.Epoch, in.T = &e, from+open
	}
	slices.SortStableFunc(d.in, func(a, b Measurement) int { return cmp.Compare(a.T, b.T) })
	m := d.monitor(t, d.cfg)
	first := math.NaN()
	for i := range d.in {
		snap, events := m.Step(&d.in[i])
		for _, e := range events {
			if e.Kind == EventUnit || e.Kind == EventReinit {
				t.Errorf("%.1f s: %s", e.T-from, e.Detail)
			}
		}
		if snap != nil && snap.Verdict == Usable && math.IsNaN(first) {
			first = snap.T - from - sc.Still
		}
	}
	if !(first < 20) {
		t.Errorf("usable %.1f s after moving off, want 20", first)
	}
}
