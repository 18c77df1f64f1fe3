package fusion

import (
	"math"
	"testing"

	"kerbline/fusion/trust"
	"kerbline/gnss"
)

// The path of earlier laps is evidence for a fix after a break while a person or
// reactive driving steers, and none at all while the map does, or nobody says.
func TestDriven(t *testing.T) {
	const lost, again = 80.0, 130.0
	weigh := func(mapped bool, driven, note string) (llr float64, told int) {
		r := newRig(again + 2)
		r.wheel, r.mapped, r.cfg.Driven = false, mapped, driven
		r.note, r.noteAt = note, 30
		r.epoch = func(t float64, e *gnss.Epoch) bool {
			if t >= lost && t < again {
				float(e)
			}
			return true
		}
		llr = math.NaN()
		r.play(t, func(at float64, s *Snapshot, ev []Event) {
			for _, e := range ev {
				if e.Cause == "driven" {
					told++
				}
			}
			if s != nil && at > again && math.IsNaN(llr) {
				llr = s.Claim.LLR
			}
			if s != nil && at > 40 && s.Driven != parseDriven(driven+note[min(len(note), len(drivenNote)):]) {
				t.Fatalf("driven %s, set %q, told %q", s.Driven, driven, note)
			}
		})
		return llr, told
	}
	none, _ := weigh(false, "", "")
	for _, tt := range []struct {
		driven, note string
		counts       bool
	}{{"", "", false}, {"map", "", false}, {"", "driven nobody", false}, {"manual", "", true}, {"", "driven reactive", true}, {"", "driven manual", true}} {
		llr, told := weigh(true, tt.driven, tt.note)
		if counts := llr > none+0.1; counts != tt.counts || !counts && llr != none || !(none > trust.Refute) {
			t.Errorf("driven %q, told %q: log-likelihood ratio %.3f, without a map %.3f", tt.driven, tt.note, llr, none)
		}
		if want := tt.counts && tt.note != ""; (told == 1) != want {
			t.Errorf("driven %q, told %q: %d events", tt.driven, tt.note, told)
		}
	}
}
