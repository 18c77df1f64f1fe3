// Package excerpt chooses the part of a recording that output is about: a lap, or
// from one time to another.
//
// The monitor always runs from the beginning, so what is said of the part is what
// a run of the whole says of it; only what is written is chosen. x is s from the
// first record of the recording, going on where the host clock is set back. Start
// at [Choice] and [Tracker].
package excerpt

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fusion"
	"kerbline/fusion/civil"
	"kerbline/fusion/day"
	"kerbline/fusion/words"
)

// around is how long before and after the time of --at is chosen, s.
const around = 30.0

// Help says how a part is named.
const Help = `--lap takes a lap as screen and report count them. --at is the minute around a
time, --from and --to are its ends; a time is seconds since the start of the
recording, or a time of day: 09:02:18 is UTC, 11:02:18@local that of the setting
time_zone, 11:02:18@Europe/Berlin that of a zone. The monitor runs over the whole
recording all the same: verdicts are those of the whole, only what is shown of it is
chosen.`

// Choice is what a person asked for, as flags give it.
type Choice struct {
	At, From, To string
	Lap          int
}

// Flags adds the flags; does is what becomes of the part: "write only".
func (c *Choice) Flags(f *pflag.FlagSet, does string) {
	f.StringVar(&c.At, "at", "", does+" the minute around this time: s since the start, or 09:02:18 (UTC), 11:02:18@local")
	f.StringVar(&c.From, "from", "", does+" what is later than this time")
	f.StringVar(&c.To, "to", "", does+" what is earlier than this time")
	f.IntVar(&c.Lap, "lap", 0, does+" this lap, counted from 1")
}

// Given reports whether a part was asked for.
func (c *Choice) Given() bool { return *c != Choice{} }

// Check returns what is wrong with the choice by itself.
func (c *Choice) Check() error {
	n := 0
	for _, b := range []bool{c.At != "", c.From != "" || c.To != "", c.Lap != 0} {
		if b {
			n++
		}
	}
	switch {
	case n > 1:
		return fmt.Errorf("--at, --lap and --from with --to name a part each, want one of them")
	case c.Lap < 0:
		return fmt.Errorf("--lap %d, want a lap counted from 1", c.Lap)
	}
	for _, s := range []string{c.At, c.From, c.To} {
		if _, err := parse(s, civil.Zone{}); s != "" && err != nil {
			return err
		}
	}
	return nil
}

// instant is a time as it was written.
type instant struct {
	text  string
	since float64    // s from the start, NaN for a time of day
	tod   float64    // s after midnight
	zone  civil.Zone // of the time of day, none for UTC
}

var timeOfDay = regexp.MustCompile(`^([0-9]{1,2}):([0-9]{2})(?::([0-9]{2}(?:\.[0-9]+)?))?$`)

// parse reads a time. home is the zone of the settings.
func parse(s string, home civil.Zone) (instant, error) {
	bad := fmt.Errorf("%q is no time, want seconds since the start (312.5) or a time of day (09:02:18, 11:02:18@local, 11:02:18@Europe/Berlin)", s)
	if v, err := strconv.ParseFloat(s, 64); err == nil {
		if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
			return instant{}, bad
		}
		return instant{text: s, since: v}, nil
	}
	clock, zone, _ := strings.Cut(s, "@")
	clock, utc := strings.CutSuffix(clock, "Z")
	if utc && zone != "" {
		return instant{}, bad
	}
	m := timeOfDay.FindStringSubmatch(clock)
	if m == nil {
		return instant{}, bad
	}
	h, _ := strconv.Atoi(m[1])
	min, _ := strconv.Atoi(m[2])
	sec, _ := strconv.ParseFloat(m[3], 64) // 0 where there is none
	if h > 23 || min > 59 || sec >= 60 {
		return instant{}, bad
	}
	in := instant{text: s, since: math.NaN(), tod: float64(h*3600+min*60) + sec}
	switch {
	case zone == "local":
		in.zone = home
	case zone != "" && !strings.EqualFold(zone, "utc"):
		z, err := civil.Load(zone)
		if err != nil {
			return instant{}, fmt.Errorf("%q: %w", s, err)
		}
		in.zone = z
	}
	return in, nil
}

// Part is a choice put to a recording.
type Part struct {
	Lap      int     // 0 where times are chosen
	From, To float64 // x
	choice   Choice
	utc      float64 // Unix s of x = 0
	length   float64 // s
	zone     civil.Zone
}

// Of finds the part of rec that the choice names; nil where none was asked for.
// Times of day count from the first epoch that has one; without any, from the
// computer's clock.
func (c *Choice) Of(rec *recording.Recording, cfg *fusion.Config) (*Part, error) {
	if !c.Given() {
		return nil, nil
	}
	from, to := rec.Span()
	p := &Part{Lap: c.Lap, To: math.Inf(1), choice: *c, utc: from, length: to - from, zone: cfg.Zone()}
	if c.Lap != 0 {
		return p, nil
	}
	local := func(s string) bool { return strings.HasSuffix(s, "@local") }
	if !p.zone.Known() && (local(c.At) || local(c.From) || local(c.To)) {
		return nil, fmt.Errorf("@local needs the setting time_zone, want it set (--set time_zone=Europe/Berlin) or the zone named (11:02:18@Europe/Berlin)")
	}
	var err error
	if p.utc, err = begins(rec, cfg); err != nil {
		return nil, err
	}
	at := func(s string) (float64, error) {
		in, err := parse(s, p.zone)
		if err != nil {
			return 0, err
		}
		return p.place(&in), nil
	}
	switch {
	case c.At != "":
		x, err := at(c.At)
		if err != nil {
			return nil, err
		}
		p.From, p.To = x-around, x+around
		if x < 0 || x > p.length {
			return nil, p.outside()
		}
	default:
		if c.From != "" {
			if p.From, err = at(c.From); err != nil {
				return nil, err
			}
		}
		if c.To != "" {
			if p.To, err = at(c.To); err != nil {
				return nil, err
			}
		}
	}
	if p.From > p.length || p.To < 0 {
		return nil, p.outside()
	}
	if p.To <= p.From {
		return nil, fmt.Errorf("--to %s is not later than --from %s", c.To, c.From)
	}
	return p, nil
}

// place returns the x of an instant: of a time of day the one nearest to the
// recording.
func (p *Part) place(in *instant) float64 {
	if !math.IsNaN(in.since) {
		return in.since
	}
	best, far := 0.0, math.Inf(1)
	for _, day := range []float64{0, -86400, 86400} {
		x := in.zone.Unix(p.utc+day, in.tod) - p.utc
		if d := math.Max(0, math.Max(-x, x-p.length)); d < far {
			best, far = x, d
		}
	}
	return best
}

// outside says where the recording is.
func (p *Part) outside() error {
	say := func(x float64) string {
		s := (civil.Zone{}).At(p.utc + x).Format(time.TimeOnly)
		if l := p.zone.Beside(p.utc+x, time.TimeOnly); l != "" {
			s += " UTC (" + l + ")"
		} else {
			s += " UTC"
		}
		return s
	}
	return NotThere(fmt.Sprintf("%s is outside the recording, which goes from %s to %s, %s", &p.choice, say(0), say(p.length), words.Lasting(p.length)))
}

// String is the choice as it was written.
func (c *Choice) String() string {
	switch {
	case c.Lap != 0:
		return fmt.Sprintf("lap %d", c.Lap)
	case c.At != "":
		return "the minute around " + c.At
	case c.From == "":
		return "everything before " + c.To
	case c.To == "":
		return "everything after " + c.From
	}
	return c.From + " to " + c.To
}

// Begin returns where the part begins, x; 0 without a part.
func (p *Part) Begin() float64 {
	if p == nil {
		return 0
	}
	return math.Max(0, p.From)
}

// String is the choice as it was written.
func (p *Part) String() string { return p.choice.String() }

// begins returns the UTC of the first record, Unix s: by the first epoch that has
// a time, else by the computer's clock.
func begins(rec *recording.Recording, cfg *fusion.Config) (float64, error) {
	from, _ := rec.Span()
	feed, err := rec.Feed(*cfg)
	if err != nil {
		return 0, err
	}
	defer feed.Close()
	for {
		batch, err := feed.Next()
		for i := range batch {
			m := &batch[i]
			if m.Kind == fusion.KindEpoch && m.Epoch != nil && !math.IsNaN(m.Epoch.UTC) {
				return m.Epoch.UTC - (m.Epoch.Arrival - from - cfg.GNSS.Latency), nil
			}
		}
		if err != nil { // the end, or what the run itself will say
			return from, nil
		}
	}
}

// Tracker follows a run and says what of it belongs to the part.
type Tracker struct {
	part  *Part
	laps  *day.Collector // counts laps as the report does; nil where times are chosen
	shift float64        // x = T + shift
	last  float64
	began bool

	a, b float64 // host Unix s of the first and the last line chosen, NaN before
	in   bool
}

// NewTracker returns a tracker for a run over rec.
func (p *Part) NewTracker(rec *recording.Recording, cfg *fusion.Config) *Tracker {
	from, _ := rec.Span()
	t := &Tracker{part: p, shift: -from, a: math.NaN(), b: math.NaN()}
	if p.Lap != 0 {
		t.laps = day.NewCollector("", cfg, nil)
	}
	return t
}

// Line takes the line of a step and reports whether it belongs to the part.
func (t *Tracker) Line(s *fusion.Snapshot) bool {
	if t.began && s.T < t.last { // the clock was set back
		t.shift += t.last - s.T + 0.1
	}
	t.began, t.last = true, s.T
	x := s.T + t.shift
	t.in = x >= t.part.From && x < t.part.To
	if t.laps != nil {
		t.laps.Add(s, nil)
		t.in = t.laps.Lap() == t.part.Lap
	}
	if t.in {
		if t.b = s.T; math.IsNaN(t.a) {
			t.a = s.T
		}
	}
	return t.in
}

// Event reports whether an event belongs to the part as far as it has come: some of
// it happened then.
func (t *Tracker) Event(e *fusion.Event) bool {
	end := e.T
	if !math.IsNaN(e.End) {
		end = e.End
	}
	const line = 0.11 // s: what leads to a line happened up to a line's interval before
	return end >= t.a-line && (t.in || e.T <= t.b)
}

// NotThere is the error of a part that a recording does not have.
type NotThere string

func (e NotThere) Error() string { return string(e) }

// Span returns the host times of the first and the last line chosen, Unix s. It is
// a [NotThere] where there was none: the lap was not driven.
func (t *Tracker) Span() (from, to float64, err error) {
	if math.IsNaN(t.a) {
		if t.laps == nil {
			return 0, 0, t.part.outside()
		}
		n := t.laps.Lap()
		if n == 0 {
			return 0, 0, NotThere(fmt.Sprintf("--lap %d: laps are not known here, they need a map and a position on it; want --at, --from or --to", t.part.Lap))
		}
		return 0, 0, NotThere(fmt.Sprintf("--lap %d was not driven: the recording has %s, the last unfinished", t.part.Lap, words.Plural(n, "lap")))
	}
	return t.a, t.b, nil
}
