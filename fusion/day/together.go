package day

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"

	"kerbline/fusion"
	"kerbline/gnss/geodesy"
)

// Ask is for which day an answer is wanted.
type Ask struct {
	Day string    // "2026-11-28"; empty takes the day of the newest recording
	Now time.Time // the computer's time, zero where it is not known
}

// LeftOut is a recording that does not count, and why.
type LeftOut struct {
	Session *Session
	Why     string
	Alone   string // its own answer, and why where it is a no
}

// apart returns why b cannot be counted together with a, empty where it can: both
// must be of one day, one track, one base and one set of settings, and neither may
// be the other once more.
func (a *Session) apart(b *Session) string {
	if d, e := a.Day(), b.Day(); d != e {
		return fmt.Sprintf("it is of %s, the others of %s", e, d)
	}
	if a.sameTime(b) {
		return "it was recorded at the same time as " + a.Name + ", which counts"
	}
	if why := a.otherTrack(b); why != "" {
		return why
	}
	if why := a.otherBase(b); why != "" {
		return why
	}
	if keys := Differing(a.Config, b.Config); len(keys) > 0 {
		return "its settings differ: " + list(keys, 4)
	}
	return ""
}

// choose sorts the sessions into those that count together and those that do
// not. What counts is what goes with the newest of the day asked for.
func choose(sessions []*Session, ask Ask) (in []*Session, out []LeftOut) {
	byAge := slices.Clone(sessions)
	slices.SortStableFunc(byAge, func(a, b *Session) int { return cmp.Compare(b.UTCStart, a.UTCStart) })
	for _, s := range byAge {
		switch {
		case s.Lines == 0:
			out = append(out, LeftOut{Session: s, Why: "it holds nothing that could be judged"})
			continue
		case ask.Day != "" && s.Day() != ask.Day:
			out = append(out, LeftOut{Session: s, Why: fmt.Sprintf("it is of %s, asked for is %s", s.Day(), ask.Day)})
			continue
		}
		at := slices.IndexFunc(in, func(a *Session) bool { return a.apart(s) != "" })
		if at < 0 {
			in = append(in, s)
			continue
		}
		if a := in[at]; a.sameTime(s) && a.alone().Answer != No && s.alone().Answer == No {
			in[at], s = s, a // of two that cannot both count, what speaks against driving does
		}
		out = append(out, LeftOut{Session: s, Why: in[at].apart(s)})
	}
	for i := range out {
		out[i].Alone = out[i].Session.alone().inShort()
	}
	slices.Reverse(in)
	return in, out
}

// alone judges the session by itself.
func (s *Session) alone() *Check {
	j := &judge{cfg: s.Config, lim: &s.Config.Day, ss: []*Session{s}}
	j.sum()
	j.rows()
	c := &Check{Rows: j.out}
	j.answer(c)
	return c
}

// inShort is the headline, of a no its first reason too.
func (c *Check) inShort() string {
	if c.Answer == No {
		return c.Headline + ", " + c.Because
	}
	return c.Headline
}

// Day returns the civil day of the session where it was driven. Without a time
// zone in the settings that is the day of the mean sun there, so that an evening
// is not cut where the day of UTC ends.
func (s *Session) Day() string { return s.local().Format(time.DateOnly) }

// Hour returns the hour of that day at which the session began.
func (s *Session) Hour() int { return s.local().Hour() }

// local returns the start by the clock of the place.
func (s *Session) local() time.Time {
	if z := s.Config.Zone(); z.Known() {
		return z.At(s.UTCStart)
	}
	t := s.UTCStart
	if len(s.Track.Points) > 0 {
		t += 3600 * math.Round(s.Track.Frame.Origin().Lon/(15*geodesy.Degree))
	}
	return at(t)
}

// Middle returns the middle of what was driven, false where nothing was.
func (s *Session) Middle() (p geodesy.LLA, ok bool) {
	n := float64(len(s.Track.Points))
	if n == 0 {
		return p, false
	}
	var m geodesy.ENU
	for i := range s.Track.Points {
		m.E += s.Track.Points[i].E / n
		m.N += s.Track.Points[i].N / n
	}
	return s.Track.Frame.ToLLA(m), true
}

// sameTime reports whether the sessions overlap: one car is in one place. Clocks
// of different kinds are not compared.
func (a *Session) sameTime(b *Session) bool {
	const most = 1.0 // s
	from := math.Max(a.UTCStart, b.UTCStart)
	to := math.Min(a.UTCStart+a.Length, b.UTCStart+b.Length)
	return a.UTCKnown == b.UTCKnown && to-from > most
}

const (
	sameLine  = 30.0 // m: driven places nearer than this are one place, with a track's width and a float position
	sameShare = 0.5  // of the places of the shorter drive
)

// otherTrack says that b was driven elsewhere or on another map.
func (a *Session) otherTrack(b *Session) string {
	p, q := a.Track.Points, b.Track.Points
	if len(p) > 0 && len(q) > 0 {
		if share, far := near(&a.Track, &b.Track); share < sameShare {
			if far > 1000 {
				return fmt.Sprintf("it was driven on another track, %s km away", num(far/1000, 1))
			}
			return fmt.Sprintf("it was driven on another track: %s of what was driven there lies within %s m of the other", percent(share), num(sameLine, 0))
		}
	}
	if a.Map != "" && b.Map != "" && a.Map != b.Map {
		return "its map is another"
	}
	return ""
}

// near returns the share of the points of the shorter line that lie near the
// other, and how far apart the middles are, m.
func near(a, b *Track) (share, apart float64) {
	if len(b.Points) > len(a.Points) {
		a, b = b, a
	}
	type cell struct{ e, n int32 }
	at := func(e, n float64) cell {
		return cell{int32(math.Floor(e / sameLine)), int32(math.Floor(n / sameLine))}
	}
	cells := map[cell]bool{}
	var ae, an, be, bn float64
	for i := range a.Points {
		p := &a.Points[i]
		c := at(p.E, p.N)
		for de := int32(-1); de <= 1; de++ {
			for dn := int32(-1); dn <= 1; dn++ {
				cells[cell{c.e + de, c.n + dn}] = true
			}
		}
		ae, an = ae+p.E, an+p.N
	}
	hit := 0
	for i := range b.Points {
		p := a.Frame.FromLLA(b.Frame.ToLLA(geodesy.ENU{E: b.Points[i].E, N: b.Points[i].N}))
		be, bn = be+p.E, bn+p.N
		if math.Abs(p.E) < 1e8 && math.Abs(p.N) < 1e8 && cells[at(p.E, p.N)] {
			hit++
		}
	}
	na, nb := float64(len(a.Points)), float64(len(b.Points))
	return float64(hit) / nb, math.Hypot(ae/na-be/nb, an/na-bn/nb)
}

// otherBase says that b had its corrections from another base or from one that
// stood elsewhere. What was not heard tells nothing apart.
func (a *Session) otherBase(b *Session) string {
	if a.HasBase && b.HasBase {
		if d := a.BaseFirst.Dist(b.BaseFirst); d > a.Config.Base.Tolerance {
			return fmt.Sprintf("its base stood elsewhere, by %s", with(d, 2, "m"))
		}
		return ""
	}
	if len(a.Stations) > 0 && len(b.Stations) > 0 && !slices.ContainsFunc(b.Stations, func(id int) bool { return slices.Contains(a.Stations, id) }) {
		return fmt.Sprintf("its base had station id %d, that of the others %d", b.Stations[0], a.Stations[0])
	}
	return ""
}

// countedApart lists the settings that decide whether recordings count together:
// all that the monitor judges by. How tables are read changes nothing of what was
// read, and the day's own limits are those of the newest recording.
func countedApart(key string) bool {
	section, _, _ := strings.Cut(key, ".")
	switch section {
	case "vehicle", "limits", "base", "gnss", "imu", "wheel", "tests", "link":
		return true
	}
	return false
}

// ofTheDay are the limits of the day check.
func ofTheDay(key string) bool { return strings.HasPrefix(key, "day.") }

// Differing lists the settings that the monitor judges by and that are not the same
// in a and b.
func Differing(a, b *fusion.Config) []string { return differing(a, b, countedApart) }

// differing lists the keys in which the settings differ, of those that counts
// takes.
func differing(a, b *fusion.Config, counts func(key string) bool) (keys []string) {
	var walk func(name string, x, y reflect.Value)
	walk = func(name string, x, y reflect.Value) {
		if x.Kind() != reflect.Struct {
			if counts(name) && !reflect.DeepEqual(x.Interface(), y.Interface()) {
				keys = append(keys, name)
			}
			return
		}
		for i := range x.NumField() {
			f := x.Type().Field(i)
			if !f.IsExported() {
				continue
			}
			sub := name
			if tag := f.Tag.Get("toml"); tag != "" && tag != "-" {
				sub = strings.TrimPrefix(name+"."+tag, ".")
			}
			walk(sub, x.Field(i), y.Field(i))
		}
	}
	walk("", reflect.ValueOf(*a), reflect.ValueOf(*b))
	return keys
}

// list joins at most n words and says how many more there are.
func list(ws []string, n int) string {
	if len(ws) <= n {
		return strings.Join(ws, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(ws[:n], ", "), len(ws)-n)
}

// notes says what of the list of recordings a reader must know.
func notes(in []*Session, ask Ask) (out []string) {
	if len(in) == 0 {
		return nil
	}
	newest := in[len(in)-1]
	for _, s := range in {
		if keys := differing(newest.Config, s.Config, ofTheDay); len(keys) > 0 {
			out = append(out, fmt.Sprintf("%s has other limits for the day (%s); those of %s count", s.Name, list(keys, 4), newest.Name))
		}
		if s.Taken != "" {
			out = append(out, fmt.Sprintf("%s was judged with settings taken for that run alone: %s; kerbline setup writes what is to stay", s.Name, s.Taken))
		}
		if !s.UTCKnown {
			out = append(out, s.Name+": the day is that of the computer's clock, the receiver sent none")
		}
	}
	if text := newest.AheadText(); text != "" {
		out = append(out, text)
	}
	return out
}

// today says how the day of the recordings stands to the computer's date, empty
// where it is today or nobody asked.
func (s *Session) today(ask Ask) string {
	if ask.Day != "" || ask.Now.IsZero() {
		return ""
	}
	u := ask.Now.Unix()
	now := *s
	now.UTCStart = float64(u)
	if d := now.Day(); d != s.Day() {
		return fmt.Sprintf("of %s, not of today", s.Day())
	}
	return ""
}
