package dropouts

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"kerbline/fusion/score/bounds"
)

// Comparison says whether a change helped: the same link before and after it.
type Comparison struct {
	Before Side   `json:"before" doc:""`
	After  Side   `json:"after" doc:""`
	P      prob   `json:"p" doc:"probability that one rate of outages brings counts that differ so"`
	Answer string `json:"answer" doc:"better, worse or not shown"`
	More   num    `json:"more_s" doc:"further recording without an outage after which it would be better beyond chance; null where that is not the question"`
	Text   string `json:"text" doc:"all of it in words"`
}

// Side is one of the two.
type Side struct {
	Outages int `json:"outages" doc:""`
	Span    num `json:"span_s" doc:""`
	Lost    num `json:"lost_s" doc:"length of its outages"`
	Misses  int `json:"near_misses" doc:""`
}

// helps is the probability below which a difference is not put down to chance.
const helps = 0.05

func side(r *Report) (s Side) {
	s = Side{Outages: len(r.Outages), Span: r.Span, Misses: r.NearMisses}
	for i := range r.Outages {
		s.Lost += r.Outages[i].Length
	}
	return s
}

// Compare compares the link of two recordings. Outages count, not their length:
// one long one is one event.
func Compare(before, after *Report) (*Comparison, error) {
	c := &Comparison{Before: side(before), After: side(after), More: num(math.NaN())}
	for name, s := range map[string]*Side{"before": &c.Before, "after": &c.After} {
		if !(s.Span > 0) {
			return nil, fmt.Errorf("the recording %s the change has no length: nothing can be compared", name)
		}
	}
	n1, t1, n2, t2 := c.Before.Outages, float64(c.Before.Span), c.After.Outages, float64(c.After.Span)
	p := bounds.SameRate(n1, t1, n2, t2)
	c.P = prob(p)
	fewer := float64(n2)/t2 < float64(n1)/t1
	said := fmt.Sprintf("before: %d outages in %s, %.1f s lost; after: %d in %s, %.1f s lost. ", n1, long(t1), float64(c.Before.Lost), n2, long(t2), float64(c.After.Lost))
	switch {
	case p < helps && fewer:
		c.Answer = "better"
		said += fmt.Sprintf("It helped: chance alone brings such a difference with probability %.2g.", p)
	case p < helps:
		c.Answer = "worse"
		said += fmt.Sprintf("It made it worse: chance alone brings such a difference with probability %.2g. Take the change back.", p)
	default:
		c.Answer = "not shown"
		said += fmt.Sprintf("Nothing is shown: one and the same link brings such counts with probability %.2g. ", p)
		if n1 == 0 {
			said += "Without an outage before the change there was nothing to mend."
			break
		}
		if c.More = num(more(n1, t1, n2, t2)); c.More.known() {
			said += fmt.Sprintf("After %s more without an outage it would be.", long(float64(c.More)))
		} else {
			said += "A day more without an outage would not show it either: there were too few before."
		}
	}
	c.Text = said
	return c, nil
}

// more returns how long the recording after the change must go on without an
// outage until the rates differ beyond chance, s; NaN beyond a day.
func more(n1 int, t1 float64, n2 int, t2 float64) float64 {
	const day = 86400.0
	shown := func(t float64) bool {
		return float64(n2)/(t2+t) < float64(n1)/t1 && bounds.SameRate(n1, t1, n2, t2+t) < helps
	}
	if !shown(day) {
		return math.NaN()
	}
	lo, hi := 0.0, day
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; shown(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return math.Ceil(hi/60) * 60
}

// long returns a duration in words.
func long(s float64) string {
	if s < 5400 {
		return fmt.Sprintf("%.1f min", s/60)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}

// Write writes the comparison for a person.
func (c *Comparison) Write(w io.Writer) error {
	p := &page{}
	p.entry("change", "%s", c.Answer)
	p.wrap("            ", 12, c.Text)
	_, err := io.WriteString(w, p.b.String())
	return err
}

// WriteJSON writes it as one JSON object.
func (c *Comparison) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(c)
}
