package dropouts

import (
	"fmt"
	"math"

	"kerbline/fusion"
)

// moment is a second of the verdict.
type moment struct {
	lines, usable, handed, carried int     // verdict lines; of them usable, not for the map, carried by phases
	sigma, level                   float64 // m, the largest while phases carried
}

// Cost is what an outage cost the car.
type Cost struct {
	Before  bool   `json:"usable_before" doc:"the position was usable when it began"`
	Usable  num    `json:"usable_s" doc:"usable during it and until all was as before"`
	Carried num    `json:"carried_by_phase_s" doc:"of these, carried by carrier phases"`
	Sigma   num    `json:"carried_sigma_m" doc:"largest horizontal deviation, 1 sigma, meanwhile; null when they did not carry"`
	Level   num    `json:"carried_level_m" doc:"largest level of the position by phases meanwhile"`
	Handed  num    `json:"handover_s" doc:"advice was reactive driving or stop"`
	Text    string `json:"text" doc:"in words"`
}

// live notes the verdict of a second.
func (c *collector) live(k int, s *fusion.Snapshot) {
	for len(c.moments) <= k {
		c.moments = append(c.moments, moment{})
	}
	m := &c.moments[k]
	m.lines++
	if s.Verdict == fusion.Usable {
		m.usable++
	}
	if s.Advice == fusion.AdviseReactive || s.Advice == fusion.AdviseStop {
		m.handed++
	}
	if s.Phases.Lead {
		m.carried++
		m.sigma, m.level = math.Max(m.sigma, s.Phases.Sigma), math.Max(m.level, s.Phases.Level)
	}
}

// cost sums up what an outage from one time to another, s from the first record, cost.
func (c *collector) cost(from, to, length float64) *Cost {
	first, last := int(math.Floor(from)), int(math.Ceil(to))
	if first < 0 || first >= len(c.moments) || !(to >= from) {
		return nil
	}
	x := &Cost{Sigma: num(math.NaN()), Level: num(math.NaN())}
	// The second before it, or the one in which it began.
	b := &c.moments[max(0, first-1)]
	x.Before = b.lines > 0 && 2*b.usable > b.lines
	for k := first; k < min(last, len(c.moments)); k++ {
		m := &c.moments[k]
		if m.lines == 0 {
			continue
		}
		n := num(m.lines)
		x.Usable += num(m.usable) / n
		x.Carried += num(m.carried) / n
		x.Handed += num(m.handed) / n
		if m.carried > 0 {
			x.Sigma, x.Level = larger(x.Sigma, m.sigma), larger(x.Level, m.level)
		}
	}
	x.Text = x.words(length, to-from)
	return x
}

// words says it: what was lost first.
func (x *Cost) words(length, whole float64) string {
	if !x.Before {
		return "What it cost is not known: the position was not usable before it. "
	}
	carried := ""
	if x.Carried >= 1 {
		carried = fmt.Sprintf("; position carried by carrier phases for %.0f s within %.2f m (1 sigma; level at most %.2f m)", float64(x.Carried), float64(x.Sigma), float64(x.Level))
	}
	if x.Handed < 0.5 {
		return fmt.Sprintf("It cost nothing but its warning: %.0f s without corrections%s; no handover. ", length, carried)
	}
	return fmt.Sprintf("It cost a handover: of %.0f s until all was as before the position was usable for %.0f s%s; %.0f s not for map-based driving. ", whole, float64(x.Usable), carried, float64(x.Handed))
}
