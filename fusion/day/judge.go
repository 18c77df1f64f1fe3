package day

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/fusion/score/bounds"
	"kerbline/fusion/words"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// Answer is the answer of the day check.
type Answer uint8

const (
	CannotSay   Answer = iota // too little is known for a no
	No                        // what was seen speaks against it
	YesBelow                  // below a speed
	Provisional               // nothing speaks against it, and too little was driven to be sure
	Yes
)

// String returns the word of the output.
func (a Answer) String() string {
	return [...]string{"cannot_say", "no", "yes_below", "yes_provisional", "yes"}[a]
}

// Meaning returns the answer as it is printed and what it means.
func (a Answer) Meaning() (word, meaning string) {
	d := degrees[a]
	return d.word, d.meaning
}

var degrees = [...]struct{ word, meaning string }{
	CannotSay:   {"cannot say", "too little was driven, or nothing goes with the day asked for"},
	No:          {"no", "what was seen speaks against it; the first reason is what to mend"},
	YesBelow:    {"yes, below V", "the speed cap was lower than the speed driven: stay below V"},
	Provisional: {"yes, provisional up to V", "nothing speaks against it, but the driving is too short to prove the accepted rates: how much more is said"},
	Yes:         {"yes, up to V", "the driving proves the accepted rates at the confidence asked for"},
}

// Drive reports whether a car may be driven on the map by this answer.
func (a Answer) Drive() bool { return a >= YesBelow }

// Effect is what a failed criterion means.
type Effect uint8

const (
	Stops   Effect = iota // the answer is no
	Slows                 // yes below a speed
	Warns                 // a caution
	Informs               // a figure without a limit
)

// String returns the word of the output.
func (e Effect) String() string { return [...]string{"stops", "slows", "warns", "informs"}[e] }

// State is how a criterion came out.
type State uint8

const (
	Pass State = iota
	Fail
	Unseen // nothing to judge by
)

// String returns the word of the output.
func (s State) String() string { return [...]string{"pass", "fail", "unseen"}[s] }

// Row is one criterion.
type Row struct {
	Key    string // stable: "usable"
	Name   string
	Value  float64 // NaN when unseen
	Limit  float64 // NaN without one
	Least  bool    // the limit is a least one
	Unit   string  // of Value and Limit; "share" prints as %
	Dec    int     // decimals
	State  State
	Effect Effect
	Sure   string // how sure, and where and when
}

// Rows are criteria in the order of the printout.
type Rows []Row

// Of returns the criterion called key, one that is unseen where there is none.
func (rs Rows) Of(key string) *Row {
	for i := range rs {
		if rs[i].Key == key {
			return &rs[i]
		}
	}
	return &Row{Value: math.NaN(), State: Unseen}
}

// Verdict says in one word how the criterion came out.
func (r *Row) Verdict() string {
	switch {
	case r.State == Unseen:
		return "unseen"
	case r.State == Pass && r.Effect == Informs:
		return "figure"
	case r.State == Pass:
		return "met"
	case r.Effect == Warns:
		return "caution"
	}
	return "not met"
}

// ValueText and LimitText print the figures of r with their unit.
func (r *Row) ValueText() string { return r.figure(r.Value) }

// LimitText prints the limit, "" without one.
func (r *Row) LimitText() string {
	if math.IsNaN(r.Limit) {
		return ""
	}
	word := "at most "
	if r.Least {
		word = "at least "
	}
	return word + r.figure(r.Limit)
}

func (r *Row) figure(v float64) string {
	if r.Unit == "share" {
		return percent(v)
	}
	return with(v, r.Dec, r.Unit)
}

// Reason is one of what decides the answer.
type Reason struct {
	What string // one sentence
	Seen string // the figures behind it
	Do   string // what to do about it, "" for reasons of a yes
}

// Check is the answer and what it rests on.
type Check struct {
	Answer    Answer
	Speed     float64 // m/s: fastest shown (yes), below which (yes_below), NaN (no)
	Firm      bool    // it would stand up to the confidence asked for
	More      float64 // s of driving without the event of MoreOf that make a yes firm, 0 where driving alone does not
	MoreOf    string  // "step", "handover", or what else is wanted
	Headline  string  // "yes, up to 11.3 m/s"
	Because   string  // one sentence
	Day       string  // of the recordings that count, "" without any
	NotToday  string  // "of 2026-11-27, not of today", "" where it is
	LeftOut   []LeftOut
	Notes     []string
	Reasons   []Reason
	Cautions  []Reason // criteria that failed without stopping
	Rows      Rows
	Threats   []Threat   // nil where nothing was usable
	Sessions  []*Session // that count
	Conf      float64
	Driving   float64 // s, all sessions
	Settled   float64
	Laps      int // whole ones
	Unchecked []string
	Rules     []string
}

// unchecked lists what no recording shows and people must check.
var unchecked = []string{
	"emergency stop: tried from standing and from driving, on the car and by radio",
	"marshals: in place, briefed on a car without a driver, with a way to stop it",
	"weather: rain, fog and low sun change grip and sensors, not this answer",
	"tyres and brakes: pressures, temperatures and wear as when the limits were set",
	"map survey: kerbs, walls and anything moved since the map was made",
	"range sensor and reactive driving: the fallback itself is not tested here",
}

// rules lists the cautions that go with every answer.
var rules = []string{
	"This is advice only. Kerbline is no safety device and has not been certified as one.",
	"Keep the emergency stop and the marshals independent of everything judged here.",
	"Test at low speed first, then raise it in steps below the speed given here.",
	"The event's rules and the local electrical, radio and safety codes come first.",
	"Practise under licence first: on a closed circuit, with a licensed person in charge.",
}

// Judge answers from those of the sessions that can be counted together, and says
// which it left out. The newest one's settings hold the limits.
func Judge(sessions []*Session, ask Ask) *Check {
	in, out := choose(sessions, ask)
	c := &Check{LeftOut: out, Sessions: in, Speed: math.NaN(), Unchecked: unchecked, Rules: rules, Notes: notes(in, ask)}
	if len(in) == 0 {
		c.nothing(ask)
		return c
	}
	newest := in[len(in)-1]
	c.Day, c.NotToday = newest.Day(), newest.today(ask)
	j := &judge{cfg: newest.Config, lim: &newest.Config.Day, ss: in}
	j.sum()
	j.rows()
	c.Rows, c.Conf, c.Driving, c.Settled, c.Laps = j.out, j.lim.Confidence, j.driving, j.settled, len(j.whole)
	c.Threats = j.threats()
	j.answer(c)
	return c
}

// judge works out one check.
type judge struct {
	cfg *fusion.Config
	lim *fusion.Day
	ss  []*Session
	out Rows

	driving, settled, fixed float64
	byV                     [numVerdicts]float64
	steps                   int // jumps and drifts
	handovers, outages      int
	distance                float64
	whole                   []*Lap // whole laps of settled driving
	grid                    *LapGrid
	caps                    capHistogram
	overCap                 float64
	live                    bool // some of it is verdict lines only
}

// untold is how sure one is of what verdict lines do not say.
const untold = "verdict lines do not say"

func (j *judge) sum() {
	for _, s := range j.ss {
		j.live = j.live || s.Live
		j.driving += s.Driving
		j.settled += s.Settled
		j.fixed += s.FixedS
		j.overCap += s.OverCap
		j.distance += s.Distance
		for v := range j.byV {
			j.byV[v] += s.ByV[v]
		}
		for i := range j.caps {
			j.caps[i] += s.caps[i]
		}
		j.steps += s.NJumps + s.NDrifts
		j.handovers += s.Handovers()
		j.outages += s.NOut
		for i := range s.Lap.Laps {
			if l := &s.Lap.Laps[i]; l.Whole && l.Settled {
				j.whole = append(j.whole, l)
			}
		}
		j.merge(&s.Lap)
	}
}

// merge adds the places of a session driven on the same map.
func (j *judge) merge(g *LapGrid) {
	switch {
	case g.Length == 0:
	case j.grid == nil:
		j.grid = &LapGrid{Length: g.Length, Step: g.Step, Places: slices.Clone(g.Places)}
	case len(g.Places) == len(j.grid.Places):
		for i := range g.Places {
			a, b := &j.grid.Places[i], &g.Places[i]
			a.Passes += b.Passes
			a.Good += b.Good
			a.Fixed += b.Fixed
			for v := range a.Sec {
				a.Sec[v] += b.Sec[v]
			}
			for k := range a.Ratio {
				a.Ratio[k].join(b.Ratio[k])
			}
			a.Cap.Join(b.Cap)
			a.Speed.Join(b.Speed)
			a.Budget.Join(b.Budget)
		}
	}
}

// join adds the values behind o (without their spread).
func (m *Mean) join(o Mean) {
	if n := m.N + o.N; n > 0 {
		if o.N > 0 && (m.N == 0 || o.Max > m.Max) {
			m.Max = o.Max
		}
		m.Avg = (m.Avg*float64(m.N) + o.Avg*float64(o.N)) / float64(n)
		m.N = n
	}
}

// add appends the criterion called key, with how sure its value is.
func (j *judge) add(key string, value, limit float64, sure string) *Row {
	c := criteria[key]
	r := Row{Key: key, Name: c.name, Value: value, Limit: limit, Least: c.least, Unit: c.unit, Dec: c.dec, Effect: c.effect, Sure: sure}
	switch {
	case math.IsNaN(value):
		r.State = Unseen
	case math.IsNaN(limit):
		r.Effect = Informs
	case c.least && !(value >= limit), !c.least && !(value <= limit):
		r.State = Fail
	}
	j.out = append(j.out, r)
	return &j.out[len(j.out)-1]
}

// most returns the largest value of the sessions, NaN where none has one, and
// the session that has it.
func (j *judge) most(of func(*Session) float64) (v float64, s *Session) {
	v = math.NaN()
	for _, c := range j.ss {
		if x := of(c); !(x <= v) && !math.IsNaN(x) {
			v, s = x, c
		}
	}
	return v, s
}

// total adds up a count of the sessions.
func (j *judge) total(of func(*Session) int) (n int) {
	for _, s := range j.ss {
		n += of(s)
	}
	return n
}

// rate says how sure a count over driving is.
func (j *judge) rate(n int, limit float64) string {
	h := j.driving / 3600
	if !(h > 0) {
		return "never drove"
	}
	conf := j.lim.Confidence
	seen := "none"
	if n > 0 {
		seen = fmt.Sprint(n)
	}
	s := fmt.Sprintf("%s in %s of driving: at most %s an hour at %s", seen, minutes(j.driving), three(bounds.PoissonUpper(n, conf)/h), confText(conf))
	if limit > 0 {
		if more := bounds.MoreExposure(n, h, limit, conf); more > 0 {
			s += fmt.Sprintf("; to claim fewer than %s an hour, drive %s more without one", plain(limit), minutes(3600*more))
		} else {
			s += fmt.Sprintf("; fewer than %s an hour is shown", plain(limit))
		}
	}
	return s
}

// minutes returns a duration as the bounds are spoken of: "24 min", "5.7 min".
func minutes(s float64) string {
	switch m := s / 60; {
	case math.IsNaN(m):
		return words.Dash
	case m < 10:
		return num(m, 1) + " min"
	case m < 120:
		return num(m, 0) + " min"
	default:
		return num(m/60, 1) + " h"
	}
}

// three returns v with about two to three figures.
func three(v float64) string {
	switch {
	case v < 10:
		return num(v, 1)
	default:
		return num(v, 0)
	}
}

// plain returns a setting as it was written.
func plain(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func confText(conf float64) string {
	return num(100*conf, map[bool]int{true: 0, false: 2}[conf*100 == math.Trunc(conf*100)]) + " %"
}

// rows works out every criterion.
func (j *judge) rows() {
	j.drivenRows()
	j.baseRows()
	j.mapRow()
	j.availabilityRows()
	j.faultRows()
	j.qualityRows()
	j.inputRows()
	j.receptionRows()
	j.phaseRows()
}

func (j *judge) drivenRows() {
	lim := j.lim
	sure := fmt.Sprintf("%s, %s km", plural(len(j.whole), "whole lap"), num(j.distance/1000, 1))
	if len(j.ss) > 1 {
		sure += fmt.Sprintf(", in %s", plural(len(j.ss), "recording"))
	}
	j.add("driven", j.settled/60, lim.LeastDriving/60, sure)
	g := j.grid
	if g == nil {
		j.add("coverage", math.NaN(), lim.Coverage, "without a map nothing is known by place").Effect = Warns
		return
	}
	n := g.Seen(lim.LeastPasses)
	sure = fmt.Sprintf("%d of %d places of %s m driven at least %d times", n, len(g.Places), num(g.Step, 1), lim.LeastPasses)
	if where := g.stretches(func(p *Place) bool { return p.Passes < lim.LeastPasses }); where != "" {
		sure += "; unseen: " + where
	}
	j.add("coverage", float64(n)/float64(len(g.Places)), lim.Coverage, sure)
}

// stretches lists the places that pick takes as "0-35 m, 120-125 m", at most
// four of them.
func (g *LapGrid) stretches(pick func(*Place) bool) string {
	var out []string
	more := 0
	for i := 0; i < len(g.Places); i++ {
		if !pick(&g.Places[i]) {
			continue
		}
		from := i
		for i+1 < len(g.Places) && pick(&g.Places[i+1]) {
			i++
		}
		if len(out) == 4 {
			more++
			continue
		}
		out = append(out, fmt.Sprintf("%.0f-%.0f m", float64(from)*g.Step, float64(i+1)*g.Step))
	}
	if more > 0 {
		out = append(out, fmt.Sprintf("%d more stretches", more))
	}
	return strings.Join(out, ", ")
}

func (j *judge) baseRows() {
	worst, at := corrections.BaseUnheard, ""
	var ids []int
	for _, s := range j.ss {
		if baseRank[s.Base] > baseRank[worst] {
			worst = s.Base
		}
		if at == "" && !math.IsNaN(s.BaseAt) {
			at = s.Clock(s.BaseAt)
		}
		for _, id := range s.Stations {
			if !slices.Contains(ids, id) {
				ids = append(ids, id)
			}
		}
	}
	off, _ := j.most(func(s *Session) float64 { return s.BaseOff })
	e, sure := Stops, baseSure[worst]
	switch {
	case worst == corrections.BaseUnheard && j.live:
		off, e, sure = math.NaN(), Informs, "verdict lines name the base only when it is wrong, and none did"
	case worst == corrections.BaseUnheard:
		off, e = math.NaN(), Warns
	case worst == corrections.BaseElsewhere:
		sure += at
	}
	r := j.add("base", off, j.cfg.Base.Tolerance, sure)
	r.Effect = e
	if worst == corrections.BaseUnconfirmed || worst == corrections.BaseElsewhere {
		r.State = Fail
	}
	if worst == corrections.BaseFirstHeard {
		j.add("survey", 0, 1, "put its coordinates into [base] ecef_m, so that a moved tripod is seen before the first lap")
	}
	if len(ids) == 0 {
		j.add("station", math.NaN(), 0, "no station id was reported")
		return
	}
	want, seen, strange := j.cfg.Base.Station, "heard "+strings.Trim(fmt.Sprint(ids), "[]"), len(ids)-1
	if want >= 0 {
		seen += fmt.Sprintf(", expected %d", want)
		strange = len(slices.DeleteFunc(ids, func(id int) bool { return id == want }))
	}
	j.add("station", float64(strange), 0, seen)
}

// baseSure says how sure one is of the base, by its worst state.
var baseSure = [...]string{
	corrections.BaseUnheard:     "its coordinates were never heard: tap the corrections",
	corrections.BaseAsSurveyed:  "as surveyed whenever it was heard",
	corrections.BaseFirstHeard:  "not surveyed: the first one heard was taken as the reference",
	corrections.BaseElsewhere:   "elsewhere from ",
	corrections.BaseUnconfirmed: "another station id was heard and never its coordinates",
}

func (j *judge) availabilityRows() {
	lim := j.lim
	j.add("fixed", j.fixed/j.settled, lim.Fixed, "of "+minutes(j.settled)+" of settled driving")
	j.add("usable", j.byV[fusion.Usable]/j.settled, lim.Usable, j.perLap())
	if j.grid != nil {
		j.worstPlace(j.grid)
		j.protection(j.grid)
	}
	share, sure := math.NaN(), "never usable while driving"
	if u := j.byV[fusion.Usable]; u > 0 {
		share = 1 - j.overCap/u
		sure = fmt.Sprintf("fastest %s m/s; the cap was at least %s m/s for %s of the time", down(j.topSpeed()), down(j.caps.quantile(1-lim.Usable)), percent(lim.Usable))
		if low, s := j.most(func(s *Session) float64 { return -s.LowCap }); s != nil {
			sure += fmt.Sprintf(", lowest %s m/s %s", down(-low), place(s.LowCapWhere))
		}
	}
	j.add("speed", share, lim.Usable, strings.TrimSpace(sure))
}

// perLap says how sure the usable share is, lap by lap.
func (j *judge) perLap() string {
	if len(j.whole) == 0 {
		return "no whole lap"
	}
	lo, full := math.Inf(1), 0
	for _, l := range j.whole {
		u := l.Usable()
		lo = math.Min(lo, u)
		if u == 1 {
			full++
		}
	}
	// One-sided: the share of laps that are not usable throughout.
	up := bounds.BinomialUpper(len(j.whole)-full, len(j.whole), j.lim.Confidence)
	return fmt.Sprintf("worst lap %s; throughout in %d of %d laps: in at least %s of laps at %s",
		percent(lo), full, len(j.whole), percent(1-up), confText(j.lim.Confidence))
}

// worstPlace is the place that was usable in the smallest share of its passes.
func (j *judge) worstPlace(g *LapGrid) {
	lim := j.lim
	// A single bad pass is no bad place.
	bad := func(p *Place) bool {
		return p.Passes >= lim.LeastPasses && p.Passes-p.Good >= 2 && float64(p.Good)/float64(p.Passes) < lim.Place
	}
	worst, at := math.NaN(), 0
	for i := range g.Places {
		p := &g.Places[i]
		u := float64(p.Good) / float64(p.Passes)
		if p.Passes >= lim.LeastPasses && (!(u >= worst) || u == worst && p.Passes < g.Places[at].Passes) {
			worst, at = u, i
		}
	}
	sure, where := "no place was driven often enough", g.stretches(bad)
	if !math.IsNaN(worst) {
		p := &g.Places[at]
		lo, hi := bounds.BinomialInterval(p.Good, p.Passes, lim.Confidence)
		sure = fmt.Sprintf("%d of %d passes %s: %s to %s at %s", p.Good, p.Passes, place(g.middle(at)), percent(lo), percent(hi), confText(lim.Confidence))
		if worst == 1 {
			sure = fmt.Sprintf("usable in every pass of every place; fewest: %d passes %s, usable in %s to %s of passes at %s", p.Passes, place(g.middle(at)), percent(lo), percent(hi), confText(lim.Confidence))
		}
		if where != "" {
			sure += "; bad: " + where
		}
	}
	if r := j.add("place", worst, lim.Place, sure); where == "" && r.State == Fail {
		r.State = Pass
		r.Sure += "; a single bad pass does not count against a place"
	}
}

// protection is the protection levels against their limits by place.
func (j *judge) protection(g *LapGrid) {
	worst, at, axis := math.NaN(), 0, 0
	for i := range g.Places {
		for k := range numAxes {
			if r := g.Places[i].Ratio[k].Value(); r > worst || math.IsNaN(worst) && !math.IsNaN(r) {
				worst, at, axis = r, i, k
			}
		}
	}
	sure := "no fix was in use while driving on the map"
	if !math.IsNaN(worst) {
		sure = fmt.Sprintf("share of its limit, mean of the passes, widest: %s %s; %d places", score.Axis(axis), place(g.middle(at)), len(g.Places))
	}
	j.add("protection", worst, 1, sure)
}

func (j *judge) topSpeed() float64 {
	top, _ := j.most(func(s *Session) float64 { return s.TopSpeed })
	return top
}

func (j *judge) faultRows() {
	lim := j.lim
	perHour := func(key string, n int, limit float64) *Row {
		v := math.NaN()
		if h := j.driving / 3600; h > 0 {
			v = float64(n) / h
		}
		return j.add(key, v, limit, j.rate(n, limit))
	}
	r := perHour("jumps", j.steps, lim.Jumps)
	lo, hi := math.Inf(1), 0.0
	for _, s := range j.ss {
		for _, p := range s.Jumps {
			if !p.Back && p.Size > 0 {
				lo, hi = math.Min(lo, p.Size), math.Max(hi, p.Size)
			}
		}
	}
	if hi > 0 && j.steps > 0 {
		r.Sure += fmt.Sprintf("; steps of %s to %s m", num(lo, 2), num(hi, 2))
	}
	perHour("handovers", j.handovers, lim.Handovers)
	j.longest()
	if j.live {
		j.add("outages", math.NaN(), lim.Outages, untold)
	} else {
		perHour("outages", j.outages, lim.Outages)
	}
	sure := "the receiver reported no correction age while fixed"
	age, s := j.most(func(s *Session) float64 { return s.MaxAge })
	if s != nil {
		sure = "at " + s.Clock(s.MaxAgeX)
	}
	j.add("age", age, lim.AgeShare*j.cfg.GNSS.MaxAge, sure)
}

// longest compares the longest break with the coast budget at its start. A
// break beyond the budget means a handover; how many of those are accepted is
// its own criterion, so this one stops only together with it.
func (j *judge) longest() {
	var b *Break
	var of *Session
	for _, s := range j.ss {
		for i := range s.Breaks {
			if x := &s.Breaks[i]; !math.IsNaN(x.Coast) && (b == nil || x.Lost > b.Lost) {
				b, of = x, s
			}
		}
	}
	if b == nil {
		v := 0.0
		if j.byV[fusion.Usable] == 0 {
			v = math.NaN()
		}
		j.add("longest", v, math.NaN(), "never lost once usable").Effect = Informs
		return
	}
	sure := strings.TrimSpace(fmt.Sprintf("from %s %s; the limit is the coast budget there; %s", of.Clock(b.From), place(b.Where), words.OfCause(b.Cause).Was))
	stops := j.out.Of("handovers").State == Fail
	r := j.add("longest", b.Lost, b.Coast, sure)
	if stops {
		r.Effect = Stops
	}
	if !math.IsNaN(b.Handover) { // the budget was shorter than it had seemed
		r.State = Fail
		r.Sure += "; handed over to reactive driving after " + lasting(b.Handover-b.From)
	}
}

func (j *judge) qualityRows() {
	lim := j.lim
	// Repeatability: each lap against those before.
	var m2, worst float64
	n := 0
	for _, l := range j.whole {
		if d := l.Shift(); !math.IsNaN(d) {
			m2 += d * d
			worst = math.Max(worst, d)
			n++
		}
	}
	rms, sure := math.NaN(), "fewer than two whole laps on the map"
	if n > 0 {
		rms = math.Sqrt(m2 / float64(n))
		// rms^2/sigma^2 of 2n components is chi-square.
		k := 2 * float64(n)
		up := rms * math.Sqrt(k/distuv.ChiSquared{K: k}.Quantile(1-lim.Confidence))
		sure = fmt.Sprintf("%s against those before, largest %s m; at most %s m at %s", plural(n, "lap"), num(worst, 3), num(up, 3), confText(lim.Confidence))
	}
	r := j.add("repeat", rms, lim.Repeat, sure)
	if n > 0 && r.State == Fail {
		k := 2 * float64(n)
		if least := rms * math.Sqrt(k/distuv.ChiSquared{K: k}.Quantile(lim.Confidence)); least <= lim.Repeat {
			r.Effect = Warns // it may be chance
		}
	}
	j.lever()

	var rest Rest
	for _, s := range j.ss {
		rest.N += s.Rest.N
		rest.Span += s.Rest.Span
		rest.sum += s.Rest.sum
		rest.free += s.Rest.free
	}
	sure = "never stood still with a fixed position for long enough"
	if j.live {
		sure = untold
	}
	if !math.IsNaN(rest.rms()) {
		sure = fmt.Sprintf("%d fixed epochs in %s at rest; slower errors do not show in that time", rest.N, lasting(rest.Span))
	}
	j.add("rest", rest.rms(), lim.Rest, sure)
	j.truth()
}

// lever compares where the drive itself has the antenna with what the levels
// hold: a body origin that is further off than its level is misleading all day.
func (j *judge) lever() {
	worst, effect := math.NaN(), Stops
	sure := "the drive did not show it"
	if j.live {
		sure = untold
	}
	beyond := distuv.UnitNormal.Quantile(j.lim.Confidence)
	for _, s := range j.ss {
		for i := range s.LeverOff {
			off, sigma, level := math.Abs(s.LeverOff[i]), s.LeverSigma[i], s.level[i].Value()
			share := off / level
			if math.IsInf(sigma, 0) || math.IsNaN(share) || share <= worst {
				continue
			}
			worst, effect = share, Stops
			if off-beyond*sigma <= level {
				effect = Warns // it may be chance
			}
			axis := [2]string{"forward", "left"}[i]
			sure = fmt.Sprintf("%s m %s of where the settings have it, known to %s m (1 sigma); the level there is %s m", num(s.LeverOff[i], 2), axis, num(sigma, 2), num(level, 2))
		}
	}
	j.add("lever", worst, 1, sure).Effect = effect
}

// truth is what only a reference trajectory shows.
func (j *judge) truth() {
	var runs int
	var bad, judged float64
	for _, s := range j.ss {
		if r := s.Score; r != nil {
			runs += r.MisleadingRuns
			bad += r.MisleadingSeconds
			judged += r.UsableJudged
		}
	}
	if judged == 0 {
		return
	}
	j.add("misleading", bad, 0,
		fmt.Sprintf("%d times in %s usable: at most %s an hour at %s", runs, minutes(judged),
			three(bounds.PoissonUpper(runs, j.lim.Confidence)/(judged/3600)), confText(j.lim.Confidence)))
}

func (j *judge) inputRows() {
	lim := j.lim
	fix, _ := j.most(func(s *Session) float64 { return s.FirstFix - s.FirstEpoch })
	sure := "from the first epoch"
	switch {
	case math.IsNaN(fix):
		sure = "never fixed"
	case fix == 0:
		sure = "fixed when the recording began: not shown"
	}
	j.add("first_fix", fix, lim.FirstFix, sure)
	usable, _ := j.most(func(s *Session) float64 { return math.Max(0, s.FirstUsable-s.Moved) })
	sure = "from moving off"
	if math.IsNaN(usable) {
		sure = "never usable"
	}
	j.add("first_usable", usable, lim.FirstUsable, sure)

	lat, _ := j.most(func(s *Session) float64 { return s.Latency })
	sure = "instant described to arrival"
	if sig, s := j.most(func(s *Session) float64 { return s.LatencySig }); s != nil {
		sure += fmt.Sprintf(", known to %s ms (1 sigma)", num(1000*sig, 0))
	}
	if late := j.events(fusion.EventLate); late > 0 {
		sure += fmt.Sprintf("; late %s", times(late))
	}
	if busy := j.events(fusion.EventComputer); busy > 0 {
		sure += fmt.Sprintf("; this computer was late %s", times(busy))
	}
	j.add("latency", 1000*lat, 1000*lim.Latency, sure)
	link, _ := j.most(func(s *Session) float64 { return s.LinkUsual })
	sure = "usual, measured to arrival"
	switch {
	case j.live:
		link, sure = math.NaN(), untold
	case math.IsNaN(link):
		sure = "not tapped"
	}
	j.add("link_latency", link, j.cfg.Link.LateAfter, sure)
	j.imuRows()
}

// events counts the events of a kind.
func (j *judge) events(k fusion.EventKind) int {
	return j.total(func(s *Session) int { return s.Count(k) })
}

func (j *judge) imuRows() {
	lim := j.lim
	imu := j.settingRows()
	if !imu {
		return
	}
	rate, _ := j.most(func(s *Session) float64 { return s.IMURate })
	j.add("imu_gaps", float64(j.events(fusion.EventIMUGap)), 0, fmt.Sprintf("longer than %s s, at %s Hz", num(j.cfg.IMU.Gap, 2), num(rate, 0)))
	noise, s := j.most(func(s *Session) float64 { return s.AccNoise })
	sure := "never at rest"
	if s != nil {
		rest := 0.0
		for _, s := range j.ss {
			rest += s.RestS
		}
		sure = fmt.Sprintf("%s against %s m/s^2/sqrt(Hz) in the settings, %s at rest", num(noise, 5), num(j.cfg.IMU.Acc, 5), lasting(rest))
	}
	j.add("imu_noise", noise/j.cfg.IMU.Acc, lim.IMURatio, sure)
	gb, _ := j.most(func(s *Session) float64 { return s.GyroBias })
	ab, _ := j.most(func(s *Session) float64 { return s.AccBias })
	ratio := math.NaN()
	sure = "no bias was estimated"
	if !math.IsNaN(gb) && !math.IsNaN(ab) {
		ratio = math.Max(gb/j.cfg.IMU.GyroBias, ab/j.cfg.IMU.AccBias)
		sure = fmt.Sprintf("gyro %s deg/s, accelerometer %s m/s^2, largest axis", num(gb/geodesy.Degree, 2), num(ab, 3))
	}
	j.add("imu_bias", ratio, lim.IMURatio, sure)
	j.add("clock", float64(j.events(fusion.EventClock)), 0, "each makes the filter start again")
}
