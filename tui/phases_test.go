package tui

import (
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/carrier"
	"kerbline/fusion/integers"
	"kerbline/gnss/geodesy"
)

// The proof page says what carries the position, for how long, and what our own
// integers say of the fix; where neither can, why.
func TestPhasesOnTheProofPage(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(*fusion.Phases)
		want []string
		none []string
	}{
		{"not heard", func(p *fusion.Phases) {}, nil, []string{"phases", "integers"}},
		{"leads", func(p *fusion.Phases) {
			*p = fusion.Phases{Heard: true, Carried: true, Lead: true, Since: 41, Sigma: 0.031, Level: 0.18, Left: 96, Satellites: 18, Systems: 3, Dual: 16, Why: integers.BaseLate}
			p.Drift.Known, p.Drift.Threshold = true, 0.07
		}, []string{"CARRY the position, last proven fix 41 s ago", "level 0.18 of 0.50 m", "budget 96 s", "18 satellites of 3 systems, 16 on two carriers",
			"fix moves with them", "no opinion on the fix: " + integers.BaseLate.String()}, nil},
		{"ready", func(p *fusion.Phases) {
			*p = fusion.Phases{Heard: true, Carried: true, Level: 0.12, Opinion: integers.Confirmed}
		}, []string{"ready to carry the position", "fix CONFIRMED", "a check mark verifies them"}, nil},
		{"refuted", func(p *fusion.Phases) {
			*p = fusion.Phases{Heard: true, Lack: carrier.NoEphemeris, Opinion: integers.Refuted, Off: geodesy.ENU{E: 0.6, N: -0.2, U: 1.1}}
		}, []string{"carry nothing: ephemerides missing", "fix REFUTED, off by 0.60 m east, -0.20 m north, 1.10 m up"}, nil},
	} {
		v := sampleUsable()
		v.Snap.ALLat = 0.5
		c.set(&v.Snap.Phases)
		for _, w := range []int{80, 200} {
			text := draw(v, w, 60, State{Page: PageProof}).String()
			for _, want := range c.want {
				if !strings.Contains(text, want) {
					t.Errorf("%s, %d columns: no %q in\n%s", c.name, w, want, text)
				}
			}
			for _, none := range c.none {
				if strings.Contains(text, none) {
					t.Errorf("%s, %d columns: %q in\n%s", c.name, w, none, text)
				}
			}
		}
	}
	v := sampleUsable()
	v.Snap.ALLat, v.Snap.Phases = 0.5, fusion.Phases{Heard: true, Lead: true, Level: 0.18}
	got := v.reasonText(&fusion.Reason{Code: "carried_by_phase", Value: 41, Limit: 137, Unit: "s"})
	if want := "carried by carrier phases, without the receiver's fix for 41 s, level 0.18 of 0.50 m, budget 96 s"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
