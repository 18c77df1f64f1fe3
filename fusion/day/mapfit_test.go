package day

import (
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/gnss/geodesy"
)

// A map says yes only for the base of its survey; laps compared by setup, or a check
// mark, stand for a file that does not say it, while the base is the same.
func TestMapAndBase(t *testing.T) {
	unsaid := func(d *drive) { d.c.SurveyedBy(geodesy.ECEF{}, false) }
	for _, tt := range []struct {
		name   string
		on     func(d *drive)
		touch  func(s *fusion.Snapshot)
		want   Answer
		reason string
	}{
		{"the same base", func(d *drive) { d.c.SurveyedBy(d.base, true) }, nil, Provisional, ""},
		{"another base", func(d *drive) { d.c.SurveyedBy(geodesy.ECEF{X: d.base.X + 1, Y: d.base.Y, Z: d.base.Z}, true) }, nil, No, "the map does not fit today's base: 1.000 m"},
		{"a map that does not say", unsaid, nil, CannotSay, "nothing shows that the map fits today's base"},
		{"a check mark", unsaid, func(s *fusion.Snapshot) { s.Mark.At = s.T }, Provisional, ""},
		{"shown by laps", func(d *drive) {
			unsaid(d)
			d.settings.Map.Base = [3]float64{d.base.X, d.base.Y, d.base.Z}
		}, nil, Provisional, ""},
		{"shown by laps with another base", func(d *drive) {
			unsaid(d)
			d.settings.Map.Base = [3]float64{d.base.X, d.base.Y, d.base.Z + 0.4}
		}, nil, No, "0.400 m"},
	} {
		d := newDrive(10)
		tt.on(d)
		d.run(360, tt.touch)
		c := d.judge()
		if first := c.Reasons[0].What; c.Answer != tt.want || !strings.Contains(first, tt.reason) {
			t.Errorf("%s: %s, %q; want %s, %q", tt.name, c.Answer, first, tt.want, tt.reason)
		}
	}
	// A base that changes takes the mark's word with it.
	d := newDrive(10)
	unsaid(d)
	d.run(180, func(s *fusion.Snapshot) { s.Mark.At = s.T })
	d.c.Add(nil, []fusion.Event{{Kind: fusion.EventBase, T: d.t}})
	d.run(180, nil)
	if c := d.judge(); c.Answer.Drive() {
		t.Errorf("a base that changed after the check mark: %s", c.Headline)
	}
	// What a mark confirmed in one recording holds for the others of the same base.
	for off, want := range map[float64]bool{0: true, 0.8: false} {
		var ss []*Session
		for i := range 2 {
			d := newDrive(10)
			unsaid(d)
			if i == 1 {
				d.base.X += off
			}
			d.run(360, func(s *fusion.Snapshot) {
				if i == 0 {
					s.Mark.At = s.T
				}
			})
			ss = append(ss, d.c.Session())
		}
		j := &judge{cfg: ss[1].Config, lim: &ss[1].Config.Day, ss: ss}
		if got := j.markedBeside(ss[1]); got != want {
			t.Errorf("a mark confirmed with a base %.1f m away counts: %v", off, got)
		}
	}
}
