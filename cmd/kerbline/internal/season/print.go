package season

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"kerbline/fusion/words"
)

const width = 96 // columns

// Write prints the season for a person.
func (s *Season) Write(w io.Writer) error {
	b := bufio.NewWriter(w)
	item := func(lead, text string) {
		for _, l := range words.Wrap(lead, strings.Repeat(" ", len(lead)), text, width) {
			fmt.Fprintln(b, l)
		}
	}
	fmt.Fprintf(b, "%s on %s\n", words.Plural(s.Recordings, "recording"), words.Plural(len(s.Days), "day"))
	for i, l := range s.Twice {
		if i == 3 {
			item("left out: ", fmt.Sprintf("%d more, recorded at the same time as others", len(s.Twice)-i))
			break
		}
		item("left out: ", l)
	}
	fmt.Fprintf(b, "\n%-10s %10s %8s %8s %9s %12s %10s\n", "day", "recordings", "min", "usable", "steps/h", "handovers/h", "outages/h")
	for i := range s.Days {
		d := &s.Days[i]
		fmt.Fprintf(b, "%-10s %10d %8.0f %8s %9s %12s %10s\n", d.Day, d.Recordings, d.Driving/60, words.Percent(d.Usable), d.Steps.text(), d.Handovers.text(), d.Outages.text())
		for _, c := range d.Changes {
			item("           ", c)
		}
	}
	fmt.Fprintln(b, "* differs from the day before beyond chance")
	title := func(t string, n int) {
		if n > 0 {
			fmt.Fprintf(b, "\n%s\n", t)
		}
	}
	title("new since the day before", len(s.Newest))
	for _, n := range s.Newest {
		item("- ", n)
	}
	title("what costs most", len(s.Costs))
	for i := range s.Costs {
		item("- ", s.Costs[i].text())
	}
	title(fmt.Sprintf("evidence, at %g %%", 100*s.Confidence), len(s.Evidence))
	for i := range s.Evidence {
		item("- ", s.Evidence[i].text())
	}
	return b.Flush()
}

func (r *Rate) text() string {
	mark := " "
	if r.Changed {
		mark = "*"
	}
	return fmt.Sprintf("%.1f%s", r.PerHour, mark)
}

func (c *Cost) text() string {
	s := fmt.Sprintf("%s: %s: %s of driving lost, %s", c.Kind, c.What, words.Lasting(c.Lost), words.Times(c.Times))
	if c.Driving > 0 {
		s += fmt.Sprintf(" in %.0f min of driving", c.Driving/60)
	}
	if c.P < 0.01 {
		return s + fmt.Sprintf("; more often than the rest, by chance with probability %.2g", c.P)
	}
	return s + "; no more often than chance brings"
}

func (e *Evidence) text() string {
	of := ""
	if e.Present {
		of = "under the present settings, "
	}
	s := fmt.Sprintf("%s%s: %d in %.1f h: at most %.2g an hour", of, e.What, e.N, e.Hours, e.AtMost)
	if e.More > 0 {
		return s + fmt.Sprintf("; %.1f h more without one to claim fewer than %g an hour", e.More, e.Limit)
	}
	return s + fmt.Sprintf("; fewer than %g an hour is shown", e.Limit)
}

// WriteJSON writes the season as one JSON object.
func (s *Season) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(s)
}
