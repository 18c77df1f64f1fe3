package day

import (
	"math"
	"strings"
	"testing"
	"time"

	"kerbline/fusion"
	"kerbline/gnss/corrections"
)

// recorded is a clean drive of some seconds that begins after another time, with
// what set changes of it before and touch of every line.
func recorded(name string, after, seconds float64, set func(*drive), touch func(d *drive, s *fusion.Snapshot)) *Session {
	d := newDrive(10)
	d.t += after
	if set != nil {
		set(d)
	}
	d.c = NewCollector(name, &d.settings, nil)
	d.c.OnMap("loop")
	d.run(seconds, func(s *fusion.Snapshot) {
		if touch != nil {
			touch(d, s)
		}
	})
	return d.c.Session()
}

const (
	hour   = 3600.0
	oneDay = 24 * hour
)

// Lists of recordings as people give them, and the answers they must get: what
// does not belong together is left out with its reason, never counted in silence.
func TestMixedLists(t *testing.T) {
	clean := func(name string, after, seconds float64) *Session { return recorded(name, after, seconds, nil, nil) }
	moved := func(lat, lon float64) func(*drive) { return func(d *drive) { d.lat, d.lon = lat, lon } }
	steps := func(d *drive, s *fusion.Snapshot) {
		if d.n%300 == 299 {
			d.c.Add(nil, []fusion.Event{{T: s.T, Kind: fusion.EventJump, Cause: "step", Size: 0.6, Where: s.Station}})
		}
	}
	unheard := func(id int) func(d *drive, s *fusion.Snapshot) {
		return func(_ *drive, s *fusion.Snapshot) {
			s.Link.Base, s.Epoch.Station = corrections.BaseUnheard, id
		}
	}
	today := time.UnixMilli(int64(host0 * 1000))
	noMap := recorded("a", 0, 2*hour, nil, func(_ *drive, s *fusion.Snapshot) { s.HasCourse = false })
	noMap.Map = ""
	for _, tt := range []struct {
		name    string
		list    []*Session
		ask     Ask
		want    string // the headline
		counted string
		leftOut string // name: part of the reason
		note    string
	}{
		{name: "one short drive", list: []*Session{clean("a", 0, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "a"},
		{name: "one long drive", list: []*Session{clean("a", 0, 95*60)}, want: "yes, up to 10.0 m/s", counted: "a"},
		{name: "too short a drive", list: []*Session{clean("a", 0, 120)}, want: "cannot say: settled driving 1.7 min, must be at least 4.0 min", counted: "a"},
		{name: "two of one morning", list: []*Session{clean("b", hour, 360), clean("a", 0, 360)},
			want: "yes, provisional up to 10.0 m/s: 78 min more without a step to make it firm", counted: "a b"},
		{name: "yesterday and today", list: []*Session{clean("old", -oneDay, 360), clean("new", 0, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "new", leftOut: "old: it is of 2026-10-06, the others of 2026-10-07"},
		{name: "yesterday asked for", list: []*Session{clean("old", -oneDay, 360), clean("new", 0, 360)}, ask: Ask{Day: "2026-10-06", Now: today},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "old", leftOut: "new: it is of 2026-10-07, asked for is 2026-10-06"},
		{name: "a day without recordings", list: []*Session{clean("a", 0, 360), clean("b", hour, 360)}, ask: Ask{Day: "2026-10-09"},
			want: "cannot say: none of 2 recordings is of 2026-10-09", leftOut: "b: it is of 2026-10-07"},
		{name: "nothing of today", list: []*Session{clean("a", -oneDay, 360)}, ask: Ask{Now: today},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm; of 2026-10-06, not of today", counted: "a"},
		{name: "two tracks far apart", list: []*Session{clean("home", 0, 360), recorded("away", hour, 360, moved(48.2, 11), nil)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "away", leftOut: "home: it was driven on another track, 22."},
		{name: "two loops of one ground", list: []*Session{recorded("north", 0, 360, moved(48.002, 11), nil), clean("south", hour, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "south", leftOut: "north: it was driven on another track: 0.0 % of what was driven there"},
		{name: "one ground, two maps", list: []*Session{clean("a", hour, 360), func() *Session { s := clean("b", 0, 360); s.Map = "chicane"; return s }()},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "a", leftOut: "b: its map is another"},
		{name: "the base put up anew", list: []*Session{recorded("before", 0, 360, func(d *drive) { d.base.X += 0.4 }, nil), clean("after", hour, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "after", leftOut: "before: its base stood elsewhere, by 0.40 m"},
		{name: "another base, no tap", list: []*Session{recorded("a", 0, 360, nil, unheard(5)), recorded("b", hour, 360, nil, unheard(7))},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm, with 1 caution", counted: "b", leftOut: "a: its base had station id 5, that of the others 7"},
		{name: "other settings", list: []*Session{recorded("a", 0, 360, func(d *drive) { d.settings.Limits.Lateral, d.settings.Vehicle.Antenna[0] = 0.8, 0.3 }, nil), clean("b", hour, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "b", leftOut: "a: its settings differ: vehicle.antenna_m, limits.lateral_m"},
		{name: "other limits of the day", list: []*Session{recorded("a", 0, 360, func(d *drive) { d.settings.Day.Usable = 0.5 }, nil), clean("b", hour, 360)},
			want: "yes, provisional up to 10.0 m/s: 78 min more without a step to make it firm", counted: "a b", note: "a has other limits for the day (day.usable_share); those of b count"},
		{name: "one recording twice", list: []*Session{clean("run", 0, 360), clean("copy", 0, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "run", leftOut: "copy: it was recorded at the same time as run, which counts"},
		{name: "two at once, one with steps", list: []*Session{clean("a", 0, 360), recorded("b", 60, 300, nil, steps), clean("c", hour, 360)}, want: "no", counted: "b c",
			leftOut: "a: it was recorded at the same time as b"},
		{name: "a clean one and one with steps", list: []*Session{clean("a", 0, 360), recorded("b", hour, 360, nil, steps)}, want: "no", counted: "a b"},
		{name: "steps, then mended yesterday", list: []*Session{recorded("bad", -oneDay, 360, nil, steps), clean("good", 0, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "good", leftOut: "bad: it is of"},
		{name: "an empty one beside", list: []*Session{NewCollector("empty", &newDrive(0).settings, nil).Session(), clean("a", 0, 360)},
			want: "yes, provisional up to 10.0 m/s: 84 min more without a step to make it firm", counted: "a", leftOut: "empty: it holds nothing"},
		// Five in the afternoon of one day, 8 h west of Greenwich: UTC has midnight between them.
		{name: "an afternoon far west", list: []*Session{recorded("a", 14.5*hour, 360, moved(48, -120), nil), recorded("b", 15.5*hour, 360, moved(48, -120), nil)},
			want: "yes, provisional up to 10.0 m/s: 78 min more without a step to make it firm", counted: "a b"},
		{name: "no map", list: []*Session{noMap}, want: "yes, provisional up to 10.0 m/s: give the map (--course) to make it firm, with 1 caution", counted: "a"},
		{name: "slow places", list: []*Session{recorded("a", 0, 2*hour, nil, func(d *drive, s *fusion.Snapshot) {
			if d.n%5 == 0 {
				s.SpeedCap = 8
			}
		})}, want: "yes, below 8.0 m/s", counted: "a"},
		{name: "none at all", want: "cannot say: no recording was given"},
	} {
		c := Judge(tt.list, tt.ask)
		var names []string
		for _, s := range c.Sessions {
			names = append(names, s.Name)
		}
		out := ""
		for _, l := range c.LeftOut {
			out += l.Session.Name + ": " + l.Why + "\n"
		}
		if c.Headline != tt.want || strings.Join(names, " ") != tt.counted || !strings.Contains(out, tt.leftOut) || tt.leftOut == "" && out != "" {
			t.Errorf("%s: %q counting %q, left out %q; want %q counting %q, left out %q", tt.name, c.Headline, names, out, tt.want, tt.counted, tt.leftOut)
		}
		if got := strings.Join(c.Notes, "\n"); got != tt.note {
			t.Errorf("%s: notes %q, want %q", tt.name, got, tt.note)
		}
		if !c.Answer.Drive() != (c.Answer == No || c.Answer == CannotSay) || len(c.Reasons) == 0 || c.Because == "" {
			t.Errorf("%s: %v without a reason", tt.name, c.Answer)
		}
		var b strings.Builder
		if err := c.Write(&b); err != nil || !strings.HasPrefix(b.String(), "map-based driving: "+map[Answer]string{CannotSay: "CANNOT SAY", No: "NO", YesBelow: "YES", Provisional: "YES, PROVISIONAL", Yes: "YES"}[c.Answer]) {
			t.Errorf("%s: %v, %.80q", tt.name, err, b.String())
		}
		if c.Answer == Yes && !c.Firm || c.Answer == Provisional && c.Firm {
			t.Errorf("%s: %v, firm %v", tt.name, c.Answer, c.Firm)
		}
	}
}

// The order in which recordings are given decides nothing.
func TestOrderOfTheList(t *testing.T) {
	a, b := recorded("a", 0, 120, nil, nil), recorded("b", hour, 120, nil, nil)
	c := recorded("c", -oneDay, 120, nil, nil)
	want := ""
	for _, l := range [][]*Session{{a, b, c}, {c, b, a}, {b, c, a}} {
		var w strings.Builder
		if err := Judge(l, Ask{}).Write(&w); err != nil {
			t.Fatal(err)
		}
		if want == "" {
			want = w.String()
		}
		if w.String() != want {
			t.Errorf("another order, another answer:\n%s\n%s", w.String(), want)
		}
	}
}

// A lap shift and a lever arm beyond chance stop; within chance they are cautions.
func TestShiftAndLeverDecide(t *testing.T) {
	lever := func(off, sigma float64) func(*drive, *fusion.Snapshot) {
		return func(_ *drive, s *fusion.Snapshot) {
			s.LeverOff, s.LeverSigma = [2]float64{off, 0}, [2]float64{sigma, sigma}
		}
	}
	side := func(m float64) func(*drive, *fusion.Snapshot) {
		return func(d *drive, s *fusion.Snapshot) { // every other lap stands m further north
			if int(float64(d.n)*0.1*d.v/round)%2 == 1 {
				s.Cross += m * math.Cos(s.CourseYaw)
			}
		}
	}
	for _, tt := range []struct {
		name   string
		touch  func(*drive, *fusion.Snapshot)
		key    string
		effect Effect
		state  State
		answer Answer
	}{
		{"antenna where it should be", lever(0.05, 0.02), "lever", Warns, Pass, Provisional},
		{"antenna off beyond its level", lever(0.4, 0.02), "lever", Stops, Fail, No},
		{"perhaps beyond", lever(0.27, 0.05), "lever", Warns, Fail, Provisional},
		{"laps shifted", side(0.5), "repeat", Stops, Fail, No},
		{"laps as one", side(0.02), "repeat", Stops, Pass, Provisional},
	} {
		c := Judge([]*Session{recorded("a", 0, 400, nil, tt.touch)}, Ask{})
		if r := row(t, c, tt.key); r.State != tt.state || r.Effect != tt.effect || c.Answer != tt.answer {
			t.Errorf("%s: %s, %v %v (%s %s), want %v, %v %v", tt.name, c.Headline, r.State, r.Effect, r.ValueText(), r.Sure, tt.answer, tt.state, tt.effect)
		}
	}
}
