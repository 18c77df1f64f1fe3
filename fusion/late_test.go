package fusion

import (
	"cmp"
	"math"
	"slices"
	"testing"

	"kerbline/gnss"
)

// A computer that took nothing for 0.8 s: what waited comes at once behind its word.
// The reason is the computer, not the receiver, while its delay lasts and no longer;
// nothing is usable for it that was not without.
func TestComputerLate(t *testing.T) {
	const from, late = 20.04, 0.8
	run := func(note string) (lines map[string][2]float64, events []Event, verdicts []Verdict) {
		r := newRig(40)
		r.epoch = func(at float64, e *gnss.Epoch) bool {
			if over := rigStart + from + late; e.Complete-rigStart > from && e.Complete < over {
				e.Arrival, e.Complete = over+0.001, over+0.002
			}
			return true
		}
		r.note, r.noteAt = note, from+late
		in := slices.DeleteFunc(r.measurements(), func(m Measurement) bool { // no tick came either
			return m.Kind == KindTick && m.T-rigStart > from && m.T-rigStart < from+late
		})
		// Inertial lines have their own stamps, and are read behind the word.
		arrival := func(m *Measurement) float64 {
			if at := m.T - rigStart; m.Kind != KindNote && at > from && at < from+late {
				return rigStart + from + late + 1e-3
			}
			return m.T
		}
		slices.SortStableFunc(in, func(a, b Measurement) int { return cmp.Compare(arrival(&a), arrival(&b)) })
		lines = map[string][2]float64{}
		m := NewMonitor(r.cfg, nil)
		for i := range in {
			s, ev := m.Step(&in[i])
			events = append(events, ev...)
			if s == nil {
				continue
			}
			at := in[i].T - rigStart
			verdicts = append(verdicts, s.Verdict)
			for _, c := range codes(s) {
				k, ok := lines[c]
				if !ok {
					k[0] = at
				}
				k[1] = at
				if at > from {
					lines[c] = k
				}
			}
		}
		return lines, events, verdicts
	}
	plain, _, before := run("")
	lines, events, after := run(LateNote(late))
	k, ok := lines["computer-late"]
	if !ok || k[0] < from+late-0.01 || k[1] > from+late+lateAfter+0.15 {
		t.Errorf("computer-late on lines from %.2f to %.2f s (%v), want from %.2f s for a second at most", k[0], k[1], ok, from+late)
	}
	if _, ok := plain["receiver-silent"]; !ok {
		if _, ok = plain["epoch-late"]; !ok {
			t.Fatalf("without its word nothing is late: %v", plain)
		}
	}
	for _, c := range []string{"receiver-silent", "epoch-late", "imu-silent"} {
		if k, ok := lines[c]; ok && k[0] < from+late+lateAfter {
			t.Errorf("%s on a line at %.2f s beside the computer", c, k[0])
		}
	}
	usable := func(vs []Verdict) (n int) {
		for _, v := range vs {
			if v == Usable {
				n++
			}
		}
		return n
	}
	if usable(after) > usable(before) {
		t.Errorf("%d usable lines, %d without the word", usable(after), usable(before))
	}
	var told []Event
	for _, e := range events {
		if e.Kind == EventComputer {
			told = append(told, e)
		}
	}
	if len(told) != 1 || told[0].Size != late || math.Abs(told[0].End-told[0].T-late) > 1e-6 {
		t.Errorf("events %+v", told)
	}
}

// What is no lateness is no word, and a word as such changes no verdict.
func TestComputerLate_Words(t *testing.T) {
	for _, note := range []string{"computer late", "computer late ", "computer late x", "computer late NaN", "computer late -1", "computer late 1e9", "computer late Inf"} {
		r := newRig(12)
		r.note, r.noteAt = note, 10
		r.play(t, func(at float64, s *Snapshot, ev []Event) {
			for _, e := range ev {
				if e.Kind == EventComputer {
					t.Errorf("%q is taken for a lateness", note)
				}
			}
		})
	}
	r := newRig(30)
	r.note, r.noteAt = LateNote(5), 25
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		if s != nil && at > 20 && s.Verdict != Usable {
			t.Errorf("%.1f s: %s %v on a word while all inputs came", at, s.Verdict, codes(s))
		}
	})
}
