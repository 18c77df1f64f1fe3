package day

import (
	"fmt"
	"math"

	"kerbline/fusion"
	"kerbline/fusion/integers"
	"kerbline/gnss/geodesy"
)

// PhaseTimes are seconds of driving.
type PhaseTimes struct {
	Heard              float64 // the rover's observations were
	Confirmed, Refuted float64 // what our own integers said of the fix
	Carried            float64 // phases carried the position without the receiver's
}

// Refuted is a fix that our own integers refuted, at one instant.
type Refuted struct {
	X   float64     // s after the first line
	Off geodesy.ENU // m, from where the antenna is to the fix
}

// phaseState is that of one line.
type phaseState struct {
	heard, lead bool
	opinion     integers.Opinion
}

func (p *PhaseTimes) add(s *phaseState, dt float64) {
	if !s.heard {
		return
	}
	p.Heard += dt
	switch s.opinion {
	case integers.Confirmed:
		p.Confirmed += dt
	case integers.Refuted:
		p.Refuted += dt
	}
	if s.lead {
		p.Carried += dt
	}
}

const (
	refutedEvery = 1.0  // s between two vectors of a refuted fix that are kept
	mostRefuted  = 4000 // of a session
)

// refuted keeps the vector of a refuted fix over time.
func (c *Collector) refuted(s *fusion.Snapshot, x float64) {
	list := &c.s.Refuted
	if s.Phases.Opinion != integers.Refuted || len(*list) >= mostRefuted || len(*list) > 0 && x-(*list)[len(*list)-1].X < refutedEvery {
		return
	}
	*list = append(*list, Refuted{x, s.Phases.Off})
}

// phaseRows judge what our own integers said of the fix; without observations of the
// rover there are none.
func (j *judge) phaseRows() {
	var t PhaseTimes
	for _, s := range j.ss {
		t.Heard += s.Phases.Heard
		t.Confirmed += s.Phases.Confirmed
		t.Refuted += s.Phases.Refuted
		t.Carried += s.Phases.Carried
	}
	if t.Heard == 0 {
		return
	}
	never := "refuted never"
	if t.Refuted > 0 {
		never = fmt.Sprintf("refuted for %.1f s", t.Refuted)
	}
	j.add("confirmed", t.Confirmed/t.Heard, math.NaN(), fmt.Sprintf("by our own integers, of %.0f s of driving with observations; %s; position carried by phases for %.0f s", t.Heard, never, t.Carried))
	if t.Refuted > 0 {
		j.add("refuted", t.Refuted, 0, "by our own integers while driving")
	}
}
