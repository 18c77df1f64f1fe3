package day

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"kerbline/fusion/words"
)

// width of the printed answer, columns.
const width = 96

// mark shows how a criterion came out, on paper as well.
func (r *Row) mark() string {
	switch {
	case r.State == Unseen:
		return "?"
	case r.State == Pass:
		return "+"
	case r.Effect == Warns:
		return "!"
	}
	return "X"
}

// Words parts the headline into what is written large, in capitals, and the rest.
// How firm a yes is belongs to what is large; that it is not of today is left out.
func (c *Check) Words() (big, rest string) {
	big = map[Answer]string{CannotSay: "cannot say", No: "no"}[c.Answer]
	if c.Answer.Drive() {
		if big = "yes"; strings.HasPrefix(c.Headline, "yes, provisional") {
			big = "yes, provisional"
		}
	}
	rest = strings.TrimPrefix(c.Headline, big)
	if c.NotToday != "" {
		rest = strings.TrimSuffix(rest, "; "+c.NotToday)
	}
	return strings.ToUpper(big), rest
}

// Write prints the answer for a person: the answer first, why, then every
// criterion, then what was not checked.
func (c *Check) Write(w io.Writer) error {
	out := bufio.NewWriter(w)
	big, rest := c.Words()
	if c.NotToday != "" {
		rest += "; " + c.NotToday
	}
	wrapItem(out, "map-based driving: ", big+rest)
	for _, s := range c.Sessions {
		fmt.Fprintf(out, "%s: %s, %s to %s, %s of driving\n", s.Name, s.Date(), s.Clock(0), s.Clock(s.Length), minutes(s.Driving))
	}
	for i := range c.LeftOut {
		l := &c.LeftOut[i]
		wrapItem(out, "left out: ", fmt.Sprintf("%s, %s of driving: %s; by itself: %s", l.Session.Name, minutes(l.Session.Driving), l.Why, l.Alone))
	}
	for _, n := range c.Notes {
		wrapItem(out, "note: ", n)
	}
	title := "why"
	if c.Answer.Drive() {
		title = "on what it rests"
	}
	writeReasons(out, title, c.Reasons)
	writeReasons(out, "cautions", c.Cautions)

	if len(c.Rows) > 0 {
		fmt.Fprintf(out, "\n%-42s%14s   %s\n", "criterion", "value", "limit")
	}
	for i := range c.Rows {
		r := &c.Rows[i]
		fmt.Fprintf(out, "%s %s%s   %s\n", r.mark(), pad(r.Name, 40), padLeft(r.ValueText(), 14), r.LimitText())
		wrap(out, "    ", r.Sure)
	}
	fmt.Fprintln(out, "\n+ within the limit   X stops or slows   ! a caution   ? nothing to judge by")
	writeThreats(out, c.Threats)
	fmt.Fprintln(out, "\nnot checked here, to be checked by people")
	for _, s := range c.Unchecked {
		wrapItem(out, "- ", s)
	}
	fmt.Fprintln(out)
	for _, s := range c.Rules {
		wrap(out, "", s)
	}
	return out.Flush()
}

func writeReasons(out io.Writer, title string, rs []Reason) {
	if len(rs) == 0 {
		return
	}
	fmt.Fprintf(out, "\n%s\n", title)
	for i, r := range rs {
		wrapItem(out, fmt.Sprintf("%d  ", i+1), r.What)
		wrap(out, "   ", r.Seen)
		if r.Do != "" {
			wrapItem(out, "   do: ", r.Do)
		}
	}
}

// writeThreats prints what could have misled on this day, and what watched for it.
func writeThreats(out io.Writer, ts []Threat) {
	if len(ts) == 0 {
		return
	}
	fmt.Fprintln(out, "\nwhat could have made a usable position wrong, and what watched for it on this day")
	for i := range ts {
		t := &ts[i]
		fmt.Fprintf(out, "%s %s %s\n", t.State.mark(), pad(t.Name, 56), t.State)
		wrap(out, "    ", t.Seen)
		wrapItem(out, "    left: ", t.Left)
	}
	fmt.Fprintln(out, "\n+ watched   ? partly   ! not covered")
}

func pad(s string, n int) string {
	return s + strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s)))
}

func padLeft(s string, n int) string {
	return strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s))) + s
}

// wrap prints text in lines that begin with indent.
func wrap(out io.Writer, indent, text string) {
	if text != "" {
		printLines(out, words.Wrap(indent, indent, text, width))
	}
}

// wrapItem prints text behind lead, further lines below its first word.
func wrapItem(out io.Writer, lead, text string) {
	printLines(out, words.Wrap(lead, strings.Repeat(" ", len(lead)), text, width))
}

func printLines(out io.Writer, lines []string) {
	for _, l := range lines {
		fmt.Fprintln(out, l)
	}
}

// number is a figure of the JSON output; unknown is null.
type number float64

// MarshalJSON implements [json.Marshaler].
func (n number) MarshalJSON() ([]byte, error) {
	if v := float64(n); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return json.Marshal(v)
	}
	return []byte("null"), nil
}

type reasonJSON struct {
	What string `json:"what"`
	Seen string `json:"seen"`
	Do   string `json:"do,omitempty"`
}

type rowJSON struct {
	Key    string `json:"key"`
	Name   string `json:"name"`
	Value  number `json:"value"`
	Limit  number `json:"limit"`
	Kind   string `json:"limit_kind"` // "least" or "most"
	Unit   string `json:"unit"`       // "share" is 0 to 1
	State  string `json:"state"`
	Effect string `json:"effect"`
	Sure   string `json:"sure"`
}

type sessionJSON struct {
	Name      string `json:"name"`
	From      number `json:"from_utc_s"`
	Length    number `json:"length_s"`
	UTCKnown  bool   `json:"utc_from_receiver"`
	Driving   number `json:"driving_s"`
	Settled   number `json:"settled_s"`
	Laps      int    `json:"laps"`
	Usable    number `json:"usable_share"`
	Fixed     number `json:"fixed_share"`
	Jumps     int    `json:"jumps"`
	Outages   int    `json:"correction_outages"`
	Handovers int    `json:"handovers"`
	TopSpeed  number `json:"top_speed_mps"`
}

type threatJSON struct {
	Key   string `json:"threat"`
	Name  string `json:"name"`
	State string `json:"state"` // watched, partly, not covered
	Seen  string `json:"seen"`
	Left  string `json:"left"`
}

type leftOutJSON struct {
	Name    string `json:"name"`
	Driving number `json:"driving_s"`
	Why     string `json:"why"`
	Alone   string `json:"by_itself"`
}

type checkJSON struct {
	Answer    string        `json:"answer"` // yes, yes_provisional, yes_below, no, cannot_say
	Firm      bool          `json:"firm"`
	More      number        `json:"more_s"` // driving that makes a yes firm
	Speed     number        `json:"speed_mps"`
	NotShown  bool          `json:"not_shown_yet"`
	Day       string        `json:"day"`
	Today     bool          `json:"of_the_day_asked"`
	LeftOut   []leftOutJSON `json:"left_out"`
	Notes     []string      `json:"notes"`
	Headline  string        `json:"headline"`
	Reasons   []reasonJSON  `json:"reasons"`
	Cautions  []reasonJSON  `json:"cautions"`
	Conf      number        `json:"confidence"`
	Criteria  []rowJSON     `json:"criteria"`
	Threats   []threatJSON  `json:"threats"`
	Sessions  []sessionJSON `json:"recordings"`
	Unchecked []string      `json:"not_checked"`
	Rules     []string      `json:"rules"`
}

// WriteJSON writes the answer as one JSON object.
func (c *Check) WriteJSON(w io.Writer) error {
	reasons := func(rs []Reason) []reasonJSON {
		out := make([]reasonJSON, len(rs))
		for i, r := range rs {
			out[i] = reasonJSON(r)
		}
		return out
	}
	o := checkJSON{Answer: c.Answer.String(), Firm: c.Firm, More: number(c.More), Speed: number(c.Speed), NotShown: c.Answer == CannotSay, Headline: c.Headline,
		Reasons: reasons(c.Reasons), Cautions: reasons(c.Cautions), Conf: number(c.Conf), Unchecked: c.Unchecked, Rules: c.Rules,
		Day: c.Day, Today: c.Day != "" && c.NotToday == "", LeftOut: make([]leftOutJSON, len(c.LeftOut)), Notes: append([]string{}, c.Notes...)}
	for i := range c.LeftOut {
		l := &c.LeftOut[i]
		o.LeftOut[i] = leftOutJSON{l.Session.Name, number(l.Session.Driving), l.Why, l.Alone}
	}
	for i := range c.Rows {
		r := &c.Rows[i]
		kind := "most"
		if r.Least {
			kind = "least"
		}
		o.Criteria = append(o.Criteria, rowJSON{r.Key, r.Name, number(r.Value), number(r.Limit), kind, r.Unit, r.State.String(), r.Effect.String(), r.Sure})
	}
	for i := range c.Threats {
		t := &c.Threats[i]
		o.Threats = append(o.Threats, threatJSON{t.Key, t.Name, t.State.String(), t.Seen, t.Left})
	}
	for _, s := range c.Sessions {
		o.Sessions = append(o.Sessions, sessionJSON{s.Name, number(s.UTCStart), number(s.Length), s.UTCKnown, number(s.Driving), number(s.Settled), s.WholeLaps(),
			number(s.UsableShare()), number(s.FixedShare()), s.NJumps, s.NOut, s.Handovers(), number(s.TopSpeed)})
	}
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(o)
}

// WholeLaps counts the whole laps of settled driving.
func (s *Session) WholeLaps() int {
	n := 0
	for i := range s.Lap.Laps {
		if l := &s.Lap.Laps[i]; l.Whole && l.Settled {
			n++
		}
	}
	return n
}
