package day

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/score/bounds"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/words"
)

// maxReasons is how many reasons are told: more than three are not acted on.
const maxReasons = 3

// answer decides from the rows and says why.
func (j *judge) answer(c *Check) {
	stops, slows := j.failing(Stops), j.failing(Slows)
	top := j.topSpeed()
	switch {
	case j.settled == 0 || len(stops) > 0 && !slices.ContainsFunc(stops, func(r *Row) bool { return !unshown(r) }):
		c.Answer = CannotSay
		c.Reasons = j.whyNot(stops)
		c.Headline = "cannot say: " + j.missing(stops)
	case len(stops) > 0 || j.byV[fusion.Usable] == 0:
		c.Answer = No
		c.Reasons = j.whyNot(stops)
		c.Headline = "no"
	default:
		j.firmness(c)
		j.yes(c, top, len(slows) > 0)
		c.Reasons = j.why()
	}
	j.cautions(c)
	if n := len(c.Cautions); n > 0 && c.Answer.Drive() {
		c.Headline += ", with " + plural(n, "caution")
	}
	if c.NotToday != "" {
		c.Headline += "; " + c.NotToday
	}
	if len(c.Reasons) > 0 {
		c.Because = c.Reasons[0].What
	}
}

// nothing is the answer to a list of which nothing counts.
func (c *Check) nothing(ask Ask) {
	what := "no recording was given"
	switch {
	case ask.Day != "":
		what = "none of " + plural(len(c.LeftOut), "recording") + " is of " + ask.Day
	case len(c.LeftOut) > 0:
		what = "no recording holds anything that could be judged"
	}
	c.Answer, c.Headline, c.Because = CannotSay, "cannot say: "+what, what
	c.Reasons = []Reason{{What: what, Seen: "there is nothing to judge by", Do: "record a drive with receiver and inertial sensor on, and give that recording"}}
}

// shown are the criteria that fail for want of driving alone.
var shown = []string{"driven", "coverage", "map_base"}

// unshown reports whether a criterion fails only for want of something to judge by.
func unshown(r *Row) bool {
	return slices.Contains(shown, r.Key) && (r.Key != "map_base" || math.IsNaN(r.Value))
}

// missing says in a few words what an answer waits for.
func (j *judge) missing(stops []*Row) string {
	if j.driving == 0 {
		return "no driving was seen"
	}
	if j.settled == 0 {
		return "too little driving, " + lasting(j.driving)
	}
	r := stops[0]
	if r.Key == "map_base" {
		return j.mapWords(r)
	}
	return fmt.Sprintf("%s %s, must be %s", r.Name, r.ValueText(), r.LimitText())
}

// firmness says whether what was driven proves the rates that are accepted, and
// what is missing where it does not.
func (j *judge) firmness(c *Check) {
	h := j.driving / 3600
	for _, k := range []struct {
		of    string
		n     int
		limit float64
	}{{"step", j.steps, j.lim.Jumps}, {"handover", j.handovers, j.lim.Handovers}} {
		if more := 3600 * bounds.MoreExposure(k.n, h, k.limit, j.lim.Confidence); more > c.More {
			c.More, c.MoreOf = more, k.of
		}
	}
	switch {
	case c.More > 0:
	case j.live:
		c.MoreOf = "verdict lines do not say all: judge a recording"
	case j.grid == nil:
		c.MoreOf = "give the map (--course)"
	case j.out.Of("repeat").State == Unseen:
		c.MoreOf = "two whole laps on the map"
	default:
		c.Firm = true
	}
}

// yes words a yes by its degree.
func (j *judge) yes(c *Check, top float64, slow bool) {
	wait := ""
	switch {
	case c.Firm:
	case c.More > 0:
		wait = fmt.Sprintf("%s more without a %s to make it firm", upMinutes(c.More), c.MoreOf)
	default:
		wait = c.MoreOf + " to make it firm"
	}
	switch {
	case slow:
		c.Answer, c.Speed = YesBelow, math.Min(top, j.caps.quantile(1-j.lim.Usable))
		c.Headline = fmt.Sprintf("yes, below %s m/s", down(c.Speed))
		if wait != "" {
			c.Headline = fmt.Sprintf("yes, provisional below %s m/s: %s", down(c.Speed), wait)
		}
	case wait != "":
		c.Answer, c.Speed = Provisional, top
		c.Headline = fmt.Sprintf("yes, provisional up to %s m/s: %s", down(top), wait)
	default:
		c.Answer, c.Speed = Yes, top
		c.Headline = fmt.Sprintf("yes, up to %s m/s", down(top))
	}
}

// upMinutes rounds up to whole minutes: what is asked for is enough.
func upMinutes(s float64) string {
	m := math.Ceil(s/60 - 1e-9)
	if m < 120 {
		return num(m, 0) + " min"
	}
	return words.Up(m/60, 1) + " h"
}

// cautions are the criteria that failed without stopping, or were not seen though
// they are wanted.
func (j *judge) cautions(c *Check) {
	for i := range j.out {
		r := &j.out[i]
		if r.Effect != Warns || !c.Answer.Drive() && (r.Key == "outages" || r.Key == "longest") { // the reasons tell of them
			continue
		}
		if r.State == Fail || r.State == Unseen && slices.Contains(wanted, r.Key) {
			at := len(c.Cautions)
			if r.Key == "inputs" { // it may be why the others failed
				at = 0
			}
			c.Cautions = slices.Insert(c.Cautions, at, j.caution(r))
		}
	}
}

// wanted are the criteria that are missed when there was nothing to judge by.
var wanted = []string{"coverage", "base"}

// SpeedText is the speed of a yes, rounded towards the safe side.
func (c *Check) SpeedText() string { return down(c.Speed) + " m/s" }

func (j *judge) failing(e Effect) (rows []*Row) {
	for i := range j.out {
		if r := &j.out[i]; r.State == Fail && r.Effect == e {
			rows = append(rows, r)
		}
	}
	return rows
}

// group is all breaks of one cause.
type group struct {
	cause   string
	n       int
	lost    float64 // s of driving
	longest *Break
	of      *Session
	handed  int
}

// groups puts the breaks together by cause, the costliest first.
func (j *judge) groups() []group {
	var gs []group
	for _, s := range j.ss {
		for i := range s.Breaks {
			b := &s.Breaks[i]
			k := slices.IndexFunc(gs, func(g group) bool { return g.cause == b.Cause })
			if k < 0 {
				gs = append(gs, group{cause: b.Cause})
				k = len(gs) - 1
			}
			g := &gs[k]
			g.n++
			g.lost += b.Lost
			if !math.IsNaN(b.Handover) {
				g.handed++
			}
			if g.longest == nil || b.Lost > g.longest.Lost {
				g.longest, g.of = b, s
			}
		}
	}
	rank := func(g *group) int { // what must be mended before anything else counts
		switch g.cause {
		case "base_moved", "base-moved":
			return 0
		}
		if _, ok := j.behind(g.cause); ok {
			return 1
		}
		return 2
	}
	slices.SortStableFunc(gs, func(a, b group) int { return cmp.Or(rank(&a)-rank(&b), cmp.Compare(b.lost, a.lost)) })
	return gs
}

// byBreaks are the criteria that a break explains.
var byBreaks = []string{"fixed", "usable", "place", "handovers", "longest", "jumps", "base", "units"}

// whyNot turns failed criteria into what to mend: the causes of the breaks
// first, then what no break explains.
func (j *judge) whyNot(stops []*Row) []Reason {
	var out []Reason
	unexplained := map[string]bool{}
	explained := false
	for _, r := range stops {
		unexplained[r.Key] = true
		explained = explained || slices.Contains(byBreaks, r.Key)
	}
	if explained {
		for _, g := range j.groups() {
			out = append(out, j.reasonOf(&g))
			switch g.cause {
			case causeJump:
				delete(unexplained, "jumps")
			case "base_moved", "base-moved", "base-unconfirmed":
				delete(unexplained, "base")
				delete(unexplained, "jumps") // the step that the move is
			}
			if symptoms.ByCode(g.cause) != symptoms.None {
				delete(unexplained, "units")
			}
			for _, k := range []string{"fixed", "usable", "place", "handovers", "longest"} {
				delete(unexplained, k)
			}
		}
	}
	var first []Reason // worse than anything that was merely lost
	for _, r := range stops {
		if !unexplained[r.Key] {
			continue
		}
		reason := Reason{What: fmt.Sprintf("%s: %s, must be %s", r.Name, r.ValueText(), r.LimitText()), Seen: r.Sure, Do: criteria[r.Key].do}
		switch r.Key {
		case "base", "units", "misleading", "map_base":
			switch r.Key {
			case "map_base":
				reason.What = j.mapWords(r)
			case "base":
				reason.What = j.baseWords(r)
			case "units":
				if f, ok := j.first(true); ok {
					reason = symptomReason(&f, "")
				} else {
					reason.What = words.OfReason("settings").Was
				}
			}
			first = append(first, reason)
		default:
			out = append(out, reason)
		}
	}
	out = append(first, out...)
	if len(out) == 0 {
		out = append(out, Reason{What: "the position was never usable while driving", Seen: "there is nothing to judge by", Do: "drive with receiver and inertial sensor on"})
	}
	// What follows from these shows how much they cost.
	for _, r := range stops {
		if len(out) > 0 && len(out) < maxReasons && !unexplained[r.Key] && slices.Contains(costs, r.Key) {
			out = append(out, Reason{What: fmt.Sprintf("%s: %s, must be %s", r.Name, r.ValueText(), r.LimitText()), Seen: "it follows from the above; " + r.Sure})
		}
	}
	return out[:min(len(out), maxReasons)]
}

// costs are the criteria that say what breaks cost.
var costs = []string{"usable", "handovers", "jumps", "place"}

func (j *judge) baseWords(r *Row) string {
	if id, other := j.otherStation(); other {
		return fmt.Sprintf("the corrections come from station %d, and base.station is %d: another base, or set base.station = %d", id, j.cfg.Base.Station, id)
	}
	if math.IsNaN(r.Value) || r.Value <= r.Limit {
		return "the base is not confirmed: " + r.Sure
	}
	return fmt.Sprintf("the base is not where it was surveyed: off by %s, may be %s", r.ValueText(), r.LimitText())
}

func (j *judge) mapWords(r *Row) string {
	if math.IsNaN(r.Value) {
		return "nothing shows that the map fits today's base"
	}
	return fmt.Sprintf("the map does not fit today's base: %s from where the base of its survey stood, may be %s", r.ValueText(), r.LimitText())
}

// otherStation returns the only station that was heard, where the settings expect
// another.
func (j *judge) otherStation() (id int, other bool) {
	id = -1
	for _, s := range j.ss {
		for _, n := range s.Stations {
			if id >= 0 && n != id {
				return id, false
			}
			id = n
		}
	}
	return id, id >= 0 && j.cfg.Base.Station >= 0 && id != j.cfg.Base.Station
}

// reasonOf tells one cause of breaks.
func (j *judge) reasonOf(g *group) Reason {
	found := words.OfCause(g.cause)
	if g.cause == "base_moved" || g.cause == "base-moved" {
		if r := j.out.Of("base"); r.State == Fail {
			found.Was = j.baseWords(r)
		}
	}
	b := g.longest
	var seen strings.Builder
	fmt.Fprintf(&seen, "%s, %s of driving lost", times(g.n), lasting(g.lost))
	if g.n > 1 {
		fmt.Fprintf(&seen, "; longest %s", lasting(b.Lost))
	}
	fmt.Fprintf(&seen, " from %s", g.of.Clock(b.From))
	if p := place(b.Where); p != "" {
		seen.WriteString(" " + p)
	}
	switch {
	case math.IsNaN(b.Coast):
		seen.WriteString("; it was not usable before either")
	case !math.IsNaN(b.Handover):
		fmt.Fprintf(&seen, ", where dead reckoning carried it for %s (coast budget %s): %s", lasting(b.Handover-b.From), lasting(b.Coast), b.Why)
	default:
		fmt.Fprintf(&seen, ", which dead reckoning carried to the end (coast budget %s)", lasting(b.Coast))
	}
	if g.handed > 0 {
		fmt.Fprintf(&seen, "; the car was handed over to reactive driving %s", times(g.handed))
	}
	if f, ok := j.behind(g.cause); ok {
		return symptomReason(&f, seen.String())
	}
	return Reason{What: found.Was, Seen: seen.String(), Do: found.Do}
}

// why says what a yes rests on.
func (j *judge) why() []Reason {
	var out []Reason
	u, h := j.out.Of("usable"), j.out.Of("handovers")
	out = append(out, Reason{
		What: fmt.Sprintf("usable in %s of %s of driving, over %s", u.ValueText(), minutes(j.settled), plural(len(j.whole), "whole lap")),
		Seen: u.Sure})
	jr := j.out.Of("jumps")
	what := "no step of a fixed position, no handover"
	if j.steps+j.handovers > 0 {
		what = fmt.Sprintf("%s and %s, within what is accepted", plural(j.steps, "step or drift"), plural(j.handovers, "handover"))
	}
	seen := "steps: " + jr.Sure
	if h.Sure != jr.Sure {
		seen += ". Handovers: " + h.Sure
	}
	out = append(out, Reason{What: what, Seen: seen})
	s := j.out.Of("speed")
	if s.State == Fail {
		out = slices.Insert(out, 0, Reason{
			What: fmt.Sprintf("the speed cap was below the speed driven for %s of usable driving", percent(1-s.Value)),
			Seen: s.Sure, Do: criteria["speed"].do})
	} else {
		out = append(out, Reason{What: "limits were met with room to spare at the speeds driven", Seen: s.Sure})
	}
	return out[:min(len(out), maxReasons)]
}

// caution turns a criterion that failed without stopping into words.
func (j *judge) caution(r *Row) Reason {
	c := Reason{What: fmt.Sprintf("%s: %s, should be %s", r.Name, r.ValueText(), r.LimitText()), Seen: r.Sure, Do: criteria[r.Key].do}
	switch r.Key {
	case "inputs":
		if f, ok := j.first(false); ok {
			return symptomReason(&f, "")
		}
	case "map_base":
		return Reason{What: "nothing shows that the map fits today's base", Seen: r.Sure, Do: criteria[r.Key].do}
	case "survey":
		return Reason{What: "the base is not surveyed", Seen: "the first one heard was taken as the reference", Do: r.Sure}
	case "base":
		return Reason{What: "the base was not heard", Seen: r.Sure, Do: "tap the correction bytes (--corrections)"}
	case "coverage":
		return Reason{What: "no map: nothing is known by place", Seen: "availability by place, coverage and lap-to-lap shift are not judged", Do: "give the map (--course)"}
	case "outages":
		causes := map[string]int{}
		var names []string
		for _, s := range j.ss {
			for i := range s.Outages {
				o := &s.Outages[i]
				if causes[o.Cause] == 0 {
					names = append(names, o.Cause)
				}
				causes[o.Cause]++
			}
		}
		var ws, dos []string
		for _, n := range names {
			found := words.OfCause(n)
			ws = append(ws, fmt.Sprintf("%s, %s (%s)", found.Was, times(causes[n]), n))
			dos = append(dos, found.Do)
		}
		c.What += ": " + strings.Join(ws, "; ")
		c.Do = strings.Join(dos, "; ")
	case "longest":
		if b := j.groups(); len(b) > 0 {
			c.Do = words.OfCause(b[0].cause).Do
		}
	}
	return c
}
