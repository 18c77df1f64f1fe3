package fusion

import (
	"strings"
	"testing"

	"kerbline/fixtures"
)

// What one session learned of the lap is taken by the next on the same map with the
// same base, and refused in words, and not lost, elsewhere.
func TestRemember(t *testing.T) {
	sc := fixtures.Standard("nominal", 31)
	sc.Duration = 110
	d := drives(t, sc)
	play := func(note string) (m *Monitor, told string) {
		m = d.monitor(t, d.cfg)
		if note != "" {
			_, ev := m.Step(&Measurement{T: d.in[0].T, Kind: KindNote, Channel: ChanNote, Note: MemoryNote(note)})
			for _, e := range ev {
				told += e.Detail
			}
		}
		for i := range d.in {
			_, ev := m.Step(&d.in[i])
			for _, e := range ev {
				if e.Cause == "memory" {
					told += e.Detail
				}
			}
			if note != "" && told != "" {
				break
			}
		}
		return m, told
	}
	m, told := play("")
	text, ok := m.Remember()
	if !ok || told != "" {
		t.Fatalf("nothing is remembered of a proven lap; told %q", told)
	}
	for _, tt := range []struct{ name, text, want string }{
		{"the same", text, "taken: heights of "},
		{"another map", strings.Replace(text, `"map":"`, `"map":"1`, 1), "refused: it is of another map"},
		{"another base", strings.Replace(text, `"base_ecef_m":[`, `"base_ecef_m":[1`, 1), "refused: the base stood "},
		{"damaged", text[:len(text)/2], "refused: not readable"},
	} {
		m, told := play(tt.text)
		if !strings.Contains(told, tt.want) {
			t.Errorf("%s: told %q, want %q", tt.name, told, tt.want)
		}
		if _, ok := m.Remember(); ok && strings.HasPrefix(tt.want, "refused") {
			t.Errorf("%s: would be written over", tt.name)
		}
	}
	m, _ = play(text)
	at := m.frame.ToLLA(enu(m.nav.Antenna()))
	h, sigma, ok := m.heights.At(m.frame.FromLLA(at))
	if d := m.nav.Antenna().Z - h; m.trust.EverProven || ok && !(d*d < 9*sigma*sigma) {
		t.Errorf("height %.2f m from what was remembered, 1 sigma %.2f m", d, sigma)
	}
	track := d.track
	if d.track = nil; true {
		if _, told := play(text); !strings.Contains(told, "refused: there is no map here") {
			t.Errorf("without a map: told %q", told)
		}
		d.track = track
	}
}

// After a hole in all inputs nothing is usable before the base was heard again.
func TestBase_HeardAfterHole(t *testing.T) {
	sc := fixtures.Standard("nominal", 31)
	sc.Duration = 140
	d := drives(t, sc)
	const from, to = 90.0, 97.0
	m := d.monitor(t, d.cfg)
	heard, asked, usable := 0.0, 0, 0
	for i := range d.in {
		in := &d.in[i]
		at := in.T - sc.Host(0)
		if at >= from && at < to {
			continue
		}
		if at >= to && in.Kind == KindFrame && in.Frame.HasBase && heard == 0 {
			if at < to+1.5 {
				continue // it would be heard before anything could be asked
			}
			heard = at
		}
		s, _ := m.Step(in)
		switch {
		case s == nil || at < to+1:
		case heard == 0:
			if s.Verdict == Usable || s.Verdict == Coasting {
				t.Fatalf("%.1f s: %s before the base was heard again", at, s.Verdict)
			}
			if strings.Contains(strings.Join(codes(s), " "), "base-unconfirmed") {
				asked++
			}
		case at > heard+0.5:
			if strings.Contains(strings.Join(codes(s), " "), "base-unconfirmed") {
				t.Fatalf("%.1f s: the base is asked for after it was heard at %.1f s", at, heard)
			}
			if s.Verdict == Usable {
				usable++
			}
		}
	}
	if heard == 0 || asked == 0 {
		t.Errorf("the base was heard again at %.1f s, asked for on %d lines", heard, asked)
	}
	t.Logf("heard at %.1f s, asked for on %d lines, %d usable lines after it", heard, asked, usable)
}
