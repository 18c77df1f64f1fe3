package acceptance

import (
	"path/filepath"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion/day"
)

// judgeDay runs a recording through monitor and collector and judges it.
func judgeDay(t testing.TB, name string, files map[string][]byte) *day.Check {
	t.Helper()
	s := decode(t, name, files)
	col := day.NewCollector(name, &s.cfg, s.truth)
	s.play(t, s.cfg, nil, col.Add)
	return day.Judge([]*day.Session{col.Session()}, day.Ask{})
}

// The practice recordings, by what was done to them. link_late is a yes with a
// caution: corrections came nine seconds late, yet every second stayed usable,
// well inside the age that the receiver and the settings allow.
func TestDayOfPractice(t *testing.T) {
	want := map[string]struct {
		answer           day.Answer
		because, caution string
	}{
		"nominal":            {day.Provisional, "usable in 100.0 %", ""},
		"base_moved":         {day.No, "the base is not where it was surveyed: off by 0.4", ""},
		"long_outage":        {day.No, "nothing came over the link", ""},
		"receiver_not_using": {day.No, "corrections came as usual, but the receiver did not use them", ""},
		"link_silent":        {day.No, "nothing came over the link", ""},
		"jump":               {day.No, "the receiver said fixed while its position stepped", ""},
		"link_late":          {day.Provisional, "usable in 100.0 %", "whole frames came, but late, twice (link_late)"},
	}
	found := practice(t)
	if len(found) == 0 {
		t.Skip("no practice recordings: set KERBLINE_RECORDINGS")
	}
	for _, dir := range found {
		name := filepath.Base(dir)
		w, ok := want[name]
		if !ok {
			continue
		}
		c := judgeDay(t, name, folder(t, dir))
		if c.Answer != w.answer || !strings.HasPrefix(c.Because, w.because) {
			t.Errorf("%s: %s, because %q, want %v because %q", name, c.Headline, c.Because, w.answer, w.because)
		}
		all := ""
		for _, r := range c.Cautions {
			all += r.What + "\n"
		}
		if !strings.Contains(all, w.caution) || w.caution == "" && all != "" {
			t.Errorf("%s: cautions %q, want %q", name, all, w.caution)
		}
		if w.answer == day.No && c.Reasons[0].Do == "" {
			t.Errorf("%s: the first reason does not say what to do", name)
		}
	}
}

// What the generator does to a recording is what the answer names.
func TestDayOfKinds(t *testing.T) {
	for _, tt := range []struct {
		kind, because string
		answer        day.Answer
	}{
		{"halt", "usable in ", day.Provisional},
		{"link_corrupt", "bytes came over the link, but broken", day.No},
		{"sky_blocked", "corrections came as usual, but the rover lost satellites", day.No},
		{"units", "units of the inertial sensor looked wrong", day.No},
	} {
		files, _ := fixtures.Standard(tt.kind, 1).Files()
		if c := judgeDay(t, tt.kind, files); c.Answer != tt.answer || !strings.HasPrefix(c.Because, tt.because) {
			t.Errorf("%s: %s, because %q, want %v because %q", tt.kind, c.Headline, c.Because, tt.answer, tt.because)
		}
	}
}
