package dropouts

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"kerbline/fusion/words"
)

const width = 80 // columns

// page writes lines for a person.
type page struct{ b strings.Builder }

func (p *page) linef(format string, args ...any) {
	p.b.WriteString(strings.TrimRight(fmt.Sprintf(format, args...), " "))
	p.b.WriteByte('\n')
}

// entry writes a named entry, its text wrapped beside the name.
func (p *page) entry(name, format string, args ...any) {
	const indent = 12
	p.wrap(fmt.Sprintf("%-*s", indent, name), indent, fmt.Sprintf(format, args...))
}

// wrap writes text in lines of at most width columns, the first behind lead,
// the others indented.
func (p *page) wrap(lead string, indent int, text string) {
	for _, l := range words.Wrap(lead, strings.Repeat(" ", indent), text, width) {
		p.linef("%s", l)
	}
}

// seconds writes x with digits decimals and its unit, "unknown" for NaN.
func (x num) say(digits int, unit string) string {
	if !x.known() {
		return "unknown"
	}
	return fmt.Sprintf("%.*f%s", digits, float64(x), unit)
}

func clock(unix num, layout string) string {
	return time.UnixMilli(int64(math.Round(float64(unix) * 1000))).UTC().Format(layout)
}

// Write writes the report for a person, in 80 columns.
func (r *Report) Write(w io.Writer) error {
	p := &page{}
	r.head(p)
	if len(r.Timeline.Link) > 0 {
		r.timeline(p)
	}
	r.outages(p)
	r.strips(p)
	r.advice(p)
	r.bothEnds(p)
	r.types(p)
	r.stationList(p)
	r.reception(p)
	for i, m := range r.Missing {
		if i == 0 {
			p.linef("\nnot known")
		}
		p.wrap("- ", 2, m)
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

// clock returns the time of day at host time t: UTC where that is known, else
// what the host clock shows.
func (r *Report) clock(t num) (unix num, zone string) {
	switch {
	case r.HostMinusUTC.known():
		return t - r.HostMinusUTC, "UTC"
	case !r.Link.Timed:
		return t, "UTC" // made up from the epochs, about half a second late
	}
	return t, "host"
}

func (r *Report) head(p *page) {
	start, zone := r.clock(r.From)
	if r.Link.Tapped && !r.Link.Timed && r.Receiver.Epochs == 0 {
		p.entry("recording", "%s from %s UTC, the date not known", r.Span.say(1, " s"), clock(start, "15:04:05"))
	} else {
		local := ""
		if zone == "UTC" && r.zone.Known() {
			local = " (" + r.zone.Beside(float64(start), "2006-01-02 15:04:05") + ")"
		}
		p.entry("recording", "%s from %s %s%s", r.Span.say(1, " s"), clock(start, "2006-01-02 15:04:05"), zone, local)
	}
	if r.Damage != "" {
		p.entry("damage", "the recording %s", r.Damage)
	}
	if r.Part != nil {
		a, zone := r.clock(r.Part.From)
		b, _ := r.clock(r.Part.To)
		p.entry("part", "%s: %s to %s %s. The timeline, and the outages one by one, are of it; all else is of the whole recording", r.Part.Text, clock(a, "15:04:05"), clock(b, "15:04:05"), zone)
	}
	l := &r.Link
	if l.Tapped {
		text := fmt.Sprintf("%s bytes/s; %d frames, %d with a wrong checksum; %d bytes outside frames", l.Rate.say(0, ""), l.Frames, l.CRC, l.Junk)
		if l.Timed {
			text += fmt.Sprintf("; longest silence %s", l.Silence.say(1, " s"))
		}
		p.entry("link", "%s", text)
		for _, j := range l.Refused {
			if len(l.Refused) == 1 && l.CRC > 0 {
				break // it is said already
			}
			p.entry("", "%d bytes: %s", j.Bytes, j.Reason)
		}
		var sys []string
		for _, s := range l.Systems {
			t := fmt.Sprintf("%s %s", s.Name, s.Sats.say(1, ""))
			if s.Share < 0.95 {
				t += fmt.Sprintf(" (in %.0f %% of the epochs)", 100*float64(s.Share))
			}
			sys = append(sys, t)
		}
		if len(sys) > 0 {
			p.entry("epochs", "%d, one every %s; satellites a constellation: %s", l.Epochs, l.Interval.say(1, " s"), strings.Join(sys, ", "))
		}
		if l.LatencyMax.known() {
			from := ""
			if !l.LatencyTied {
				from = ", beyond the least one heard"
			}
			p.entry("latency", "usually %s, at most %s%s", l.LatencyUse.say(2, " s"), l.LatencyMax.say(2, " s"), from)
		}
	} else {
		p.entry("link", "not recorded")
	}
	r.base(p)
	if v := &r.Receiver; v.Epochs > 0 {
		var q []string
		for _, s := range v.Qualities {
			q = append(q, fmt.Sprintf("%s %.1f %%", s.Quality, 100*float64(s.Share)))
		}
		p.entry("receiver", "%d epochs, %s; %s; longest silence %s", v.Epochs, v.Rate.say(1, " Hz"), strings.Join(q, ", "), v.Longest.say(1, " s"))
		if v.AgeMax.known() {
			p.entry("", "correction age usually %s, at most %s; station%s", v.AgeUsual.say(1, " s"), v.AgeMax.say(1, " s"), ids(v.Stations))
		}
	}
	for _, x := range l.Rollovers {
		p.entry("rollover", "%s %s turned over at %s (%d ms to %d ms): so it should, no fault", x.System, x.Unit, x.At.say(1, " s"), x.From, x.To)
	}
	if r.all == 0 {
		p.entry("outages", "none; near misses %d", r.NearMisses)
	} else {
		p.entry("outages", "%d, %s in all; near misses %d%s", r.all, r.allLength.say(1, " s"), r.NearMisses, r.Recurrence.short())
	}
	if !l.Timed || r.Receiver.Epochs == 0 {
		for i, g := range l.Gaps {
			if i == 5 {
				break
			}
			p.entry("gap", "%s from epoch to epoch at %s", g.Length.say(1, " s"), g.At.say(1, " s"))
		}
	}
}

func ids(n []int) string {
	if len(n) == 0 {
		return " not reported"
	}
	var b strings.Builder
	if len(n) > 1 {
		b.WriteByte('s')
	}
	for _, id := range n {
		fmt.Fprintf(&b, " %d", id)
	}
	return b.String()
}

func (r *Report) base(p *page) {
	b := &r.Base
	if !r.Link.Tapped {
		return
	}
	text := "station not reported"
	if b.ID >= 0 {
		text = fmt.Sprintf("station %d", b.ID)
	}
	switch {
	case b.State == "unheard":
		text += ", no coordinates sent"
	case b.State == "unconfirmed":
		text += ", its coordinates not sent yet"
	default:
		against := "the first heard"
		if b.Surveyed {
			against = "the surveyed ones"
		}
		text += fmt.Sprintf(", coordinates %s from %s (tolerance %s)", b.Off.say(3, " m"), against, b.Tolerance.say(3, " m"))
	}
	if b.Nearest.known() {
		text += fmt.Sprintf("; %s to %s from the car", b.Nearest.say(0, " m"), b.Farthest.say(0, " m"))
	}
	p.entry("base", "%s", text)
	for i := range b.Changes {
		c := &b.Changes[i]
		if i == 8 {
			p.entry("", "and %d more changes", len(b.Changes)-i)
			break
		}
		p.entry("", "at %s %s", c.At.say(1, " s"), c.Text)
	}
}

func (r *Report) timeline(p *page) {
	step := scale(len(r.Timeline.Link))
	p.linef("\ntimeline, one mark is %d s, the worst of it", step)
	if r.Link.Tapped {
		p.linef("  link    . flowing  l late  s sparse  x corrupt  _ silent  ? not tapped")
	}
	if r.Receiver.Epochs > 0 {
		p.linef("  fix     4 fixed  5 float  2 differential  1 single  0 none  - no epoch")
	}
	start, zone := r.clock(r.From)
	local := zone == "UTC" && r.zone.Known()
	if p.linef("%5s %-8s", "s", zone); local {
		p.linef("%5s %-8s", "", r.zone.Letters(float64(start)))
	}
	for _, w := range r.rows(step) {
		t, _ := r.clock(r.From + num(w.from))
		lead, below := fmt.Sprintf("%5d %8s", w.from, clock(t, "15:04:05")), ""
		if local {
			below = r.zone.At(float64(t)).Format("15:04:05")
		}
		say := func(holds bool, name string, marks []byte) {
			if holds {
				p.linef("%s %-4s %s", lead, name, marks)
				lead, below = fmt.Sprintf("%5s %8s", "", below), ""
			}
		}
		say(r.Link.Tapped, "link", w.link)
		say(r.Receiver.Epochs > 0, "fix", w.fix)
		say(w.any, "out", w.outages)
		if below != "" { // the row has no other line
			p.linef("%5s %8s", "", below)
		}
	}
}

func (r *Report) outages(p *page) {
	for i := range r.Outages {
		if i == 0 {
			p.linef("\noutages")
		}
		text := r.Outages[i].Text
		if x := r.Outages[i].Cost; x != nil {
			text = strings.TrimRight(text, " ") + " " + x.Text
		}
		p.wrap(string(r.letters[i])+"  ", 3, text)
	}
	p.linef("")
	p.entry("recurs", "%s", r.Recurrence.Text)
}

// words says whether outages come back.
func (v *Recurrence) words() string {
	var out []string
	if v.Period.known() {
		out = append(out, fmt.Sprintf("every %s: %d gaps between outages and near misses agree within 10 %%; random times do so with probability %.2g", v.Period.say(1, " s"), v.PeriodN, float64(v.PeriodP)))
	}
	if v.Place.known() {
		out = append(out, fmt.Sprintf("around %s along the lap: %d of %d outages and near misses within 20 m; by the time spent there, so many fall there with probability %.2g", v.Place.say(0, " m"), v.PlaceN, v.Events, float64(v.PlaceP)))
	}
	switch {
	case len(out) > 0:
		return strings.Join(out, "; ")
	case v.Events < 3:
		return fmt.Sprintf("too few to tell: outages and near misses %d, a place needs 3, a period 4", v.Events)
	}
	return fmt.Sprintf("no: of %d outages and near misses, no period and no place is one that chance brings with probability below 0.01", v.Events)
}

// short is what the summary says of it, "" where nothing recurs.
func (v *Recurrence) short() (s string) {
	if v.Period.known() {
		s += "; every " + v.Period.say(1, " s")
	}
	if v.Place.known() {
		s += "; around " + v.Place.say(0, " m") + " along the lap"
	}
	return s
}

// reception writes what rover and base receive, and what was found in it.
func (r *Report) reception(p *page) {
	for i, t := range r.Reception {
		if i == 0 {
			p.linef("\nobservations")
		}
		p.wrap("- ", 2, t)
	}
	for i, f := range r.Findings {
		if i == 0 {
			p.linef("\nfound in them")
		}
		p.wrap("- ", 2, f.Seen+": "+f.Do)
	}
}

func (r *Report) types(p *page) {
	if len(r.Types) == 0 {
		return
	}
	p.linef("\n%4s %6s %6s %6s %5s  %s", "type", "count", "rate/s", "gap s", "bytes", "holds")
	for _, t := range r.Types {
		holds := t.Holds
		if holds == "" {
			holds = "(not known here)"
		}
		rate := "-"
		if t.Rate.known() {
			rate = t.Rate.say(2, "")
		}
		p.linef("%4d %6d %6s %6s %5s  %s", t.Number, t.Count, rate, t.Gap.say(1, ""), t.Size.say(0, ""), holds)
	}
}

func (r *Report) stationList(p *page) {
	if len(r.Stations) < 2 && r.Receiver.Epochs > 0 {
		return
	}
	for i := range r.Stations {
		s := &r.Stations[i]
		if i == 0 {
			p.linef("\n%3s %5s %8s %8s %7s  %s", "no", "id", "from s", "to s", "frames", "coordinates")
		}
		where := "not sent"
		if s.X.known() {
			where = fmt.Sprintf("%.7f, %.7f, %.1f m", float64(s.Lat), float64(s.Lon), float64(s.H))
		}
		p.linef("%3d %5d %8s %8s %7d  %s", i+1, s.ID, s.First.say(0, ""), s.Last.say(0, ""), s.Frames, where)
	}
	for i, d := range r.Distances {
		if i == 0 {
			p.linef("distances between them")
		}
		unit, x := "m", float64(d.Metres)
		if x >= 10_000 {
			unit, x = "km", x/1000
		}
		p.linef("    %d to %d: %.3f %s", d.From, d.To, x, unit)
	}
}
