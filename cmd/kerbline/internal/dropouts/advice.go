package dropouts

import (
	"fmt"
	"slices"

	"kerbline/gnss/corrections"
)

// sure is the probability below which a pattern is not put down to chance.
const sure = 0.01

// advise says what the outages together point at, and what to do about it: what
// one outage alone does not show.
func (r *Report) advise() (out []Finding) {
	add := func(holds bool, seen, do string) {
		if holds {
			out = append(out, Finding{seen, do})
		}
	}
	if r.Loss != nil {
		p, near, far, middle := r.Loss.grows()
		add(p < sure, fmt.Sprintf("loss grows with distance: %d gaps beyond %.0f m from the base, %d nearer, in equal shares of what was sent; chance does so with probability %.2g", far, middle, near, p),
			"raise the base's antenna or move it towards the far end; check the radio's power and its antenna on the car")
	}
	v := &r.Recurrence
	add(v.Place.known(), fmt.Sprintf("loss gathers around %.0f m along the lap: %d of %d events", float64(v.Place), v.PlaceN, v.Events),
		"look what stands between that place and the base; move or raise either antenna until they see one another there")
	add(v.Period.known(), fmt.Sprintf("loss comes every %.1f s", float64(v.Period)),
		"look for what acts at that period at either end: another radio, a program, power saving; change its period and see whether the loss follows")
	if n, what := r.onlyOne(); n > 0 {
		add(true, fmt.Sprintf("only %s is missing, in %d of %d outages", what, n, len(r.Outages)),
			"look at the base's list of messages and their rates; check that all of them fit the radio's data rate")
	}
	restarts := 0
	for i := range r.Outages {
		if r.Outages[i].Cause == corrections.BaseRestarted.String() {
			restarts++
		}
	}
	add(restarts > 0, fmt.Sprintf("the base began anew in %d of %d outages", restarts, len(r.Outages)),
		"look for a dip of its power: battery, plug, generator; give the base a supply of its own")
	return out
}

// onlyOne returns how many outages lacked one and the same message or
// constellation and nothing else, and its name.
func (r *Report) onlyOne() (n int, what string) {
	counts := map[string]int{}
	var names []string
	for i := range r.Outages {
		o := &r.Outages[i]
		if o.Cause != corrections.LinkSparse.String() {
			continue
		}
		name := ""
		switch v := &o.Evidence; {
		case len(v.Lost) == 1 && len(v.Stopped) == 0:
			name = "the observations of " + v.Lost[0]
		case len(v.Stopped) == 1 && len(v.Lost) == 0:
			name = fmt.Sprintf("message %d", v.Stopped[0])
		default:
			continue
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
		counts[name]++
	}
	if len(names) == 1 {
		return counts[names[0]], names[0]
	}
	return 0, ""
}

// advice writes what the outages together point at.
func (r *Report) advice(p *page) {
	for i, f := range r.Advice {
		if i == 0 {
			p.linef("\nwhat the evidence says")
		}
		p.wrap("- ", 2, f.Seen)
		p.wrap("  do: ", 6, f.Do)
	}
}
