package corrections

import (
	"math"
	"strings"
	"testing"
)

// All signals fall together while the sky stays as it was: interference, and whose
// depends on whether the base sees it. The fall counts up to two seconds before the
// outage, and one long before does not.
func TestInterference(t *testing.T) {
	in, off := session{seed: 4, length: 240, faults: []fault{{kind: "sky_blocked", from: 100, to: 120}}}.arrivals()
	for _, tt := range []struct {
		name        string
		from, to    float64 // s, of the fall
		base, heard bool
		cause       string
		words       string
	}{
		{"base not heard", 100, 120, false, false, "interference", "the base's were not heard"},
		{"near the car", 100, 120, false, true, "interference", "the source is near the car"},
		{"at the base too", 100, 120, true, true, "interference", "and at the base too"},
		{"long before", 40, 60, true, true, "sky_blocked", "Satellites used fell"},
	} {
		_, eps := play(simConfig(), in, func(l *Link, t float64) {
			at, dB := t-simStart-off, 0.0
			if at >= tt.from && at < tt.to {
				dB = 12 - math.Abs(at-(tt.from+tt.to)/2)/10 // 12 dB at the worst
			}
			l.Signals(t, dB, tt.base && dB > 0, tt.heard)
		})
		var last *Episode
		for i := range eps {
			if eps[i].Start > simStart+off+90 {
				last = &eps[i]
			}
		}
		if last == nil || last.Cause.String() != tt.cause {
			t.Errorf("%s: %d episodes, %+v, want %s", tt.name, len(eps), last, tt.cause)
			continue
		}
		if p := last.Paragraph(simStart+off, nil); !strings.Contains(p, tt.words) || tt.cause == "interference" && !strings.Contains(p, "by up to 12 dB") {
			t.Errorf("%s: %s", tt.name, p)
		}
	}
}

// A fall is one as long as it does not pause for five seconds; its depth and who
// saw it are of the whole.
func TestSignals(t *testing.T) {
	l := New(simConfig())
	f := &l.rover.fall
	l.Signals(10, 3, false, true)
	l.Signals(12, 8, true, false)
	l.Signals(13, 0, false, true)
	if f.now || f.from != 10 || f.to != 12 || f.most != 8 || !f.base || !f.heard {
		t.Errorf("over: %+v", *f)
	}
	l.Signals(16.9, 2, false, false)
	if !f.now || f.from != 10 || f.to != 16.9 || f.most != 8 {
		t.Errorf("again after 4.9 s: %+v", *f)
	}
	l.Signals(22, 2, false, false)
	if !f.now || f.from != 22 || f.to != 22 || f.most != 2 || f.base || f.heard {
		t.Errorf("again after 5.1 s: %+v", *f)
	}
}

// A message that comes every ten epochs is missed from the later of two and a half
// spacings and four epochs beyond one; only after it has been heard often enough.
func TestSpacing(t *testing.T) {
	for _, tt := range []struct{ every, overdue int }{{10, 26}, {1, 6}, {2, 7}, {30, 76}} {
		var s spacing
		s.forget()
		at, overdue := 0.0, -1
		for k := 0; k < 40*tt.every; k++ {
			if at++; s.epoch(at) {
				t.Fatalf("every %d: overdue at epoch %d of a regular row", tt.every, k)
			}
			if k%tt.every == tt.every-1 && s.came(at) {
				t.Fatalf("every %d: an absence ends that never was", tt.every)
			}
		}
		for k := s.epochs + 1; k <= 4*tt.every+10 && overdue < 0; k++ {
			if at++; s.epoch(at) {
				overdue = k
			}
		}
		if overdue != tt.overdue {
			t.Errorf("every %d: overdue at epoch %d after the last, want %d", tt.every, overdue, tt.overdue)
		}
		// The first epoch that should have brought it: one spacing after the last.
		if want := s.last + float64(tt.every); s.due != want {
			t.Errorf("every %d: due at %g, want %g", tt.every, s.due, want)
		}
		s.missing = true
		if n := s.n; !s.came(at) || s.missing || s.n != n || s.usual != float64(tt.every) {
			t.Errorf("every %d: the absence does not end, or counts as a spacing: %+v", tt.every, s)
		}
	}
	// Too few spacings, or too uneven ones, tell nothing.
	var few spacing
	few.forget()
	at := 0.0
	for k := range 4 * 10 {
		at++
		few.epoch(at)
		if k%10 == 0 {
			few.came(at)
		}
	}
	for range 200 {
		if at++; few.epoch(at) && few.n < learnSpacings {
			t.Fatalf("overdue after %d spacings", few.n)
		}
	}
	var uneven spacing
	uneven.forget()
	for k := range 40 {
		n := 1
		if k%2 == 0 {
			n = 12
		}
		for range n {
			at++
			uneven.epoch(at)
		}
		uneven.came(at)
	}
	for range 200 {
		if at++; uneven.epoch(at) {
			t.Fatalf("overdue by spacings of 1 and 12: %+v", uneven)
		}
	}
}

// Station messages that stay away for five minutes are not usual any more: the
// outage ends, and their absence is no news after that.
func TestSpacing_ForGoodIsUsual(t *testing.T) {
	in, _ := session{seed: 4, length: 900, faults: []fault{{kind: "link_sparse_types", from: 200, to: 900}}}.arrivals()
	_, eps := play(simConfig(), in, nil)
	if len(eps) != 1 || eps[0].Cause != LinkSparse || eps[0].Facts&TypesMissing == 0 {
		t.Fatalf("%d episodes: %+v", len(eps), eps)
	}
	e := &eps[0]
	if d := e.End() - e.Start; math.Abs(d-newUsualAfter) > 15 || e.Unfinished {
		t.Errorf("it lasted %.1f s, unfinished %v; want %d s", d, e.Unfinished, newUsualAfter)
	}
	if p := e.Paragraph(simStart, nil); !strings.Contains(p, "1005 (base coordinates)") || !strings.Contains(p, " and 1230") {
		t.Error(p)
	}
}

// Every cause has its words, and one that is none has those of the unknown one. An
// unknown cause says which evidence is missing.
func TestCauseWords(t *testing.T) {
	seen := map[string]Cause{}
	for c := range NumCauses {
		for _, w := range []string{c.String(), c.Label(), c.Words(), c.Try()} {
			if other, ok := seen[w]; w == "" || ok && other != c {
				t.Errorf("%d and %d say %q", c, other, w)
			}
			seen[w] = c
		}
	}
	if none := NumCauses; none.String() != "unknown" || none.Label() != CauseUnknown.Label() || none.Words() != CauseUnknown.Words() || none.Try() != CauseUnknown.Try() {
		t.Errorf("no cause: %s, %s", none, none.Label())
	}
	if s := Condition(200).String(); s == "" || s == Silent.String() {
		t.Errorf("no condition is called %q", s)
	}
	for _, tt := range []struct {
		f    Facts
		want string
	}{
		{Tapped | AgeContradicts, "corrections by another way"},
		{Tapped | RoverSilent | NoBytes, "fell silent together"},
		{Tapped | RoverSilent, "neither healthy nor clearly at fault"},
		{Tapped | NoBytes, "neither healthy nor clearly at fault"},
		{0, "were not tapped"},
		{AgeGrew, "were not tapped"},
		{Tapped, "neither healthy nor clearly at fault"},
	} {
		if got := Missing(tt.f); !strings.Contains(got, tt.want) {
			t.Errorf("%v: %q, want %q", tt.f, got, tt.want)
		}
	}
}
