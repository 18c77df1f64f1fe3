package season

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"kerbline/fusion/day"
	"kerbline/fusion/score/bounds"
	"kerbline/fusion/words"
)

// Season is what all digests together show.
type Season struct {
	Recordings int        `json:"recordings"`
	Twice      []string   `json:"left_out"` // recorded at the same time as one that counts
	Days       []Day      `json:"days"`     // the oldest first
	Newest     []string   `json:"newest"`   // what is new since the day before, in words
	Costs      []Cost     `json:"costs"`    // what costs most, one of each kind
	Evidence   []Evidence `json:"evidence"` // towards each bound
	Confidence float64    `json:"confidence"`
}

// Day is one day of driving.
type Day struct {
	Day        string   `json:"day"`
	Recordings int      `json:"recordings"`
	Driving    float64  `json:"driving_s"`
	Usable     float64  `json:"usable_share"`
	Steps      Rate     `json:"steps"`
	Handovers  Rate     `json:"handovers"`
	Outages    Rate     `json:"outages"`
	Changes    []string `json:"changes"` // against the recording before, in words
	Answers    []string `json:"answers"` // of its recordings, each once
}

// Rate is a count over driving; Changed says that it differs from the day before
// beyond chance.
type Rate struct {
	N       int     `json:"n"`
	PerHour float64 `json:"per_hour"`
	Changed bool    `json:"changed"`
}

// Cost is where driving is lost most, of one kind of place or circumstance.
type Cost struct {
	Kind    string  `json:"kind"` // place, base, receiver, settings, hour
	What    string  `json:"what"`
	Lost    float64 `json:"lost_s"`
	Driving float64 `json:"driving_s"` // there; 0 for a place
	Times   int     `json:"times"`
	P       float64 `json:"p"` // that the rest loses as often; 1 where it cannot be said
}

// Evidence is how far the driving has come towards one accepted rate.
type Evidence struct {
	What    string  `json:"what"`
	N       int     `json:"n"`
	Hours   float64 `json:"hours"`
	AtMost  float64 `json:"at_most_per_hour"`
	Limit   float64 `json:"limit_per_hour"`
	More    float64 `json:"more_hours"` // without another until the limit is shown
	Present bool    `json:"present_settings_only"`
}

// chance is the probability below which two rates are called different.
const chance = 0.05

// Sum puts the digests together; nil for none.
func Sum(ds []*Digest) *Season {
	if len(ds) == 0 {
		return nil
	}
	ds, twice := once(sorted(ds))
	newest := ds[len(ds)-1]
	s := &Season{Recordings: len(ds), Confidence: newest.Settings.Day.Confidence, Newest: []string{}, Costs: []Cost{}, Twice: twice}
	var before *Digest
	for i := 0; i < len(ds); {
		n := i
		for n < len(ds) && ds[n].Day == ds[i].Day {
			n++
		}
		s.day(ds[i:n], before)
		before = ds[n-1]
		i = n
	}
	s.newest()
	s.costs(ds)
	s.evidence(ds, newest)
	return s
}

// once leaves out what was recorded at the same time as another: one car is in one
// place, so it is the same drive again. Of two, the one that lost more counts.
func once(ds []*Digest) (out []*Digest, twice []string) {
	const most = 1.0 // s
	twice = []string{}
	for _, d := range ds {
		n := len(out)
		if n == 0 || !(out[n-1].From+out[n-1].Length-d.From > most) {
			out = append(out, d)
			continue
		}
		if d.Settled-d.Usable > out[n-1].Settled-out[n-1].Usable || d.Steps > out[n-1].Steps {
			out[n-1], d = d, out[n-1]
		}
		twice = append(twice, fmt.Sprintf("%s: recorded at the same time as %s", d.Name, out[n-1].Name))
	}
	return out, twice
}

// day adds one day's recordings; before is the last one before them.
func (s *Season) day(ds []*Digest, before *Digest) {
	d := Day{Day: ds[0].Day, Recordings: len(ds), Changes: []string{}, Answers: []string{}}
	var settled, usable float64
	for _, x := range ds {
		d.Driving += x.Driving
		settled += x.Settled
		usable += x.Usable
		d.Steps.N += x.Steps
		d.Handovers.N += x.Handovers
		d.Outages.N += x.Outages
		if !slices.Contains(d.Answers, x.Answer) {
			d.Answers = append(d.Answers, x.Answer)
		}
		d.Changes = append(d.Changes, changes(before, x)...)
		before = x
	}
	if settled > 0 {
		d.Usable = usable / settled
	}
	var last *Day
	if n := len(s.Days); n > 0 {
		last = &s.Days[n-1]
	}
	for _, k := range []func(*Day) *Rate{func(d *Day) *Rate { return &d.Steps }, func(d *Day) *Rate { return &d.Handovers }, func(d *Day) *Rate { return &d.Outages }} {
		r := k(&d)
		if d.Driving > 0 {
			r.PerHour = float64(r.N) / (d.Driving / 3600)
		}
		if last != nil && last.Driving > 0 && d.Driving > 0 {
			r.Changed = bounds.SameRate(k(last).N, last.Driving, r.N, d.Driving) < chance
		}
	}
	s.Days = append(s.Days, d)
}

// changes says in words what of b is another than of a, which may be nil.
func changes(a, b *Digest) (out []string) {
	if a == nil {
		return nil
	}
	say := func(format string, args ...any) { out = append(out, b.Name+": "+fmt.Sprintf(format, args...)) }
	if keys := day.Differing(a.Settings, b.Settings); len(keys) > 0 {
		say("settings changed: %s", strings.Join(keys[:min(len(keys), 4)], ", "))
	}
	if a.Map != b.Map {
		say("another map")
	}
	if a.HasBase && b.HasBase {
		if off := a.Base.Dist(b.Base); off > b.Settings.Base.Tolerance {
			say("the base stands elsewhere, by %s", words.With(off, 2, "m"))
		}
	}
	if a.Rate > 0 && b.Rate > 0 && a.Rate != b.Rate {
		say("the receiver sends %.0f Hz, before %.0f Hz", b.Rate, a.Rate)
	}
	return out
}

// newest says what the last day has that the one before had not.
func (s *Season) newest() {
	n := len(s.Days)
	if n < 2 {
		return
	}
	was, now := &s.Days[n-2], &s.Days[n-1]
	s.Newest = append(s.Newest, fmt.Sprintf("%s: %s, %.0f min of driving", now.Day, words.Plural(now.Recordings, "recording"), now.Driving/60))
	for _, k := range []struct {
		name     string
		was, now *Rate
	}{{"steps and drifts", &was.Steps, &now.Steps}, {"handovers", &was.Handovers, &now.Handovers}, {"correction outages", &was.Outages, &now.Outages}} {
		if k.now.Changed {
			word := "more"
			if k.now.PerHour < k.was.PerHour {
				word = "fewer"
			}
			s.Newest = append(s.Newest, fmt.Sprintf("%s %s than on %s, beyond chance: %.1f an hour, before %.1f", word, k.name, was.Day, k.now.PerHour, k.was.PerHour))
		}
	}
	s.Newest = append(s.Newest, now.Changes...)
}

// placeLength is the length of a stretch of the lap that costs are put down to, m.
const placeLength = 20.0

// bucket is what one place or circumstance cost.
type bucket struct {
	what          string
	lost, driving float64
	times         int
}

// costs finds what costs most of each kind.
func (s *Season) costs(ds []*Digest) {
	kinds := []struct {
		kind string
		of   func(d *Digest) string // "" for unknown
	}{
		{"base", func(d *Digest) string {
			if !d.HasBase {
				return ""
			}
			p := d.Base.LLA()
			return fmt.Sprintf("base at %.6f, %.6f deg", p.Lat*180/math.Pi, p.Lon*180/math.Pi)
		}},
		{"receiver", func(d *Digest) string {
			if d.Rate == 0 {
				return ""
			}
			return fmt.Sprintf("receiver at %.0f Hz", d.Rate)
		}},
		{"settings", func(d *Digest) string { return d.settingsName(ds[len(ds)-1]) }},
		{"hour", func(d *Digest) string { return fmt.Sprintf("%02d:00 to %02d:59 where it was driven", d.Hour, d.Hour) }},
	}
	if c, ok := worstPlace(ds); ok {
		s.Costs = append(s.Costs, c)
	}
	for _, k := range kinds {
		var bs []*bucket
		all := bucket{}
		for _, d := range ds {
			what := k.of(d)
			if what == "" || d.Driving == 0 {
				continue
			}
			i := slices.IndexFunc(bs, func(b *bucket) bool { return b.what == what })
			if i < 0 {
				bs = append(bs, &bucket{what: what})
				i = len(bs) - 1
			}
			for _, b := range []*bucket{bs[i], &all} {
				b.driving += d.Driving
				b.times += len(d.Losses)
				for _, l := range d.Losses {
					b.lost += l.Lost
				}
			}
		}
		if len(bs) < 2 || all.lost == 0 {
			continue // nothing to compare with
		}
		w := slices.MaxFunc(bs, func(a, b *bucket) int { return compare(a.lost/a.driving, b.lost/b.driving) })
		p := bounds.SameRate(w.times, w.driving, all.times-w.times, all.driving-w.driving)
		s.Costs = append(s.Costs, Cost{Kind: k.kind, What: w.what, Lost: w.lost, Driving: w.driving, Times: w.times, P: p})
	}
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// settingsName names the settings of d by how they differ from those of the newest
// recording.
func (d *Digest) settingsName(newest *Digest) string {
	keys := day.Differing(d.Settings, newest.Settings)
	if len(keys) == 0 {
		return "present settings"
	}
	return "settings with another " + strings.Join(keys[:min(len(keys), 3)], ", ")
}

// worstPlace finds the stretch of a lap at which most driving was lost. That
// places are lost alike often is tested against all stretches, which are tried.
func worstPlace(ds []*Digest) (c Cost, ok bool) {
	type at struct {
		course string
		i      int
	}
	lost := map[at]*bucket{}
	laps := map[string]float64{}
	total := map[string]int{}
	var order []at
	for _, d := range ds {
		if d.Lap == 0 {
			continue
		}
		laps[d.Map] = d.Lap
		for _, l := range d.Losses {
			if l.Where < 0 {
				continue
			}
			k := at{d.Map, int(l.Where / placeLength)}
			if lost[k] == nil {
				lost[k] = &bucket{}
				order = append(order, k)
			}
			lost[k].lost += l.Lost
			lost[k].times++
			total[d.Map]++
		}
	}
	if len(order) == 0 {
		return c, false
	}
	k := slices.MaxFunc(order, func(a, b at) int { return compare(lost[a].lost, lost[b].lost) })
	b := lost[k]
	stretches := math.Ceil(laps[k.course] / placeLength)
	p := 1.0
	if n := total[k.course]; n > 0 && stretches > 1 {
		p = math.Min(1, stretches*tail(b.times, n, 1/stretches))
	}
	return Cost{Kind: "place", What: fmt.Sprintf("%d-%d m of the lap", k.i*int(placeLength), (k.i+1)*int(placeLength)), Lost: b.lost, Times: b.times, P: p}, true
}

// tail is the probability of k or more of n, each with probability p.
func tail(k, n int, p float64) float64 {
	sum, term := 0.0, math.Pow(1-p, float64(n))
	for i := 0; i <= n; i++ {
		if i >= k {
			sum += term
		}
		term *= float64(n-i) / float64(i+1) * p / (1 - p)
	}
	return sum
}

// evidence says how far the driving has come towards the accepted rates, over all
// recordings and over those that were judged with the present settings.
func (s *Season) evidence(ds []*Digest, newest *Digest) {
	lim := &newest.Settings.Day
	for _, present := range []bool{false, true} {
		var steps, handovers, outages, misleading int
		var driving, judged float64
		used := 0
		for _, d := range ds {
			if present && len(day.Differing(d.Settings, newest.Settings)) > 0 {
				continue
			}
			used++
			steps += d.Steps
			handovers += d.Handovers
			outages += d.Outages
			misleading += d.Misleading
			driving += d.Driving
			judged += d.Judged
		}
		if present && used == len(ds) {
			return // the same again
		}
		for _, k := range []struct {
			what  string
			n     int
			over  float64
			limit float64
		}{{"steps and drifts while fixed", steps, driving, lim.Jumps}, {"handovers", handovers, driving, lim.Handovers},
			{"correction outages", outages, driving, lim.Outages}, {"misleading runs, by the truth", misleading, judged, 1}} {
			h := k.over / 3600
			if !(h > 0) {
				continue
			}
			s.Evidence = append(s.Evidence, Evidence{What: k.what, N: k.n, Hours: h, AtMost: bounds.PoissonUpper(k.n, s.Confidence) / h,
				Limit: k.limit, More: bounds.MoreExposure(k.n, h, k.limit, s.Confidence), Present: present})
		}
	}
}
