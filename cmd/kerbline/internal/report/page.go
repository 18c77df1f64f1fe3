package report

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"

	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion/course"
	"kerbline/fusion/day"
	"kerbline/fusion/score"
	"kerbline/fusion/score/bounds"
	"kerbline/fusion/words"
)

// Input is one recording and what it was judged with.
type Input struct {
	Session  *day.Session
	Course   *course.Course // nil without a map
	Settings settings.File
	Trace    *Trace // nil: nothing is enlarged
	Part     *Part  // what is enlarged first; nil leaves it to the page
}

// Page is the report of one or several recordings.
type Page struct {
	Check  *day.Check // of the recordings that count together
	Sheets []*Sheet   // the newest first
	Trends []Trend    // the oldest first; empty for a single recording

	Changed  string // settings that differ from the defaults
	Settings string // all of them
	Versions []string
}

// Sheet is the figures and lists of one recording.
type Sheet struct {
	*day.Session
	ID      string // unique on the page and among files
	Check   *day.Check
	Wide    map[string]*Figure // by name
	Narrow  map[string]*Figure
	Diagram []*Figure
	Pieces  []Piece // enlarged
	tables  []Table
}

// figureNames lists the figures in the order of the page.
var figureNames = []string{"map", "laps", "verdict", "protection", "link", "receiver", "refuted", "ahead", "skyline"}

// mapW is the width of the map, px.
const mapW = 370.0

// New makes the page of the inputs, in whatever order they come. What counts
// together for the answer is the day check's own rule.
func New(inputs []Input, ask day.Ask) (*Page, error) {
	in := slices.Clone(inputs)
	slices.SortStableFunc(in, func(a, b Input) int { return cmp.Compare(a.Session.UTCStart, b.Session.UTCStart) })
	if len(in) == 0 {
		return nil, fmt.Errorf("report: no recordings, want at least one")
	}
	p := &Page{}
	used := map[string]int{}
	for i := range in {
		s := newSheet(&in[i])
		s.ID = fileName(s.Name)
		if used[s.ID]++; used[s.ID] > 1 {
			s.ID += fmt.Sprintf("_%d", used[s.ID])
		}
		p.Sheets = append(p.Sheets, s)
	}
	if len(p.Sheets) > 1 {
		p.Trends = trends(p.Sheets)
	}
	slices.Reverse(p.Sheets)
	newest := in[len(in)-1]
	sessions := make([]*day.Session, len(in))
	for i := range in {
		sessions[i] = in[i].Session
	}
	p.Check = day.Judge(sessions, ask)
	var b bytes.Buffer
	if err := settings.PrintChanged(&b, &newest.Settings); err != nil {
		return nil, err
	}
	p.Changed = strings.TrimSpace(b.String())
	b.Reset()
	if err := settings.Print(&b, &newest.Settings); err != nil {
		return nil, err
	}
	p.Settings = strings.TrimSpace(b.String())
	p.Versions = append([]string{version.String(), version.Toolchain()}, version.Modules()...)
	return p, nil
}

func newSheet(in *Input) *Sheet {
	s := &Sheet{Session: in.Session, Check: day.Judge([]*day.Session{in.Session}, day.Ask{}), Wide: map[string]*Figure{}, Narrow: map[string]*Figure{}}
	for _, k := range []struct {
		w    float64
		figs map[string]*Figure
	}{{wideW, s.Wide}, {narrowW, s.Narrow}} {
		for _, f := range []*Figure{
			mapFigure(s.Session, in.Course, min(k.w, mapW), &in.Settings.Day), lapsFigure(s.Session, k.w), verdictFigure(s.Session, k.w), protectionFigure(s.Session, k.w),
			linkFigure(s.Session, k.w, in.Settings.GNSS.MaxAge), receiverFigure(s.Session, k.w), refutedFigure(s.Session, k.w), aheadFigure(s.Session, k.w), skylineFigure(s.Session, k.w),
		} {
			if f != nil {
				k.figs[f.Name] = f
			}
		}
	}
	if s.Score != nil {
		for a := range score.NumAxes {
			if f := integrityFigure(s.Score, a, 300); f != nil {
				s.Diagram = append(s.Diagram, f)
			}
		}
	}
	s.Pieces = pieces(in)
	s.tables = tables(s.Session, s.Check)
	return s
}

// fileName keeps what is harmless in a file name.
func fileName(name string) string {
	s := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '_'
	}, name)
	if s == "" {
		return "recording"
	}
	return s
}

// Each calls do for every figure, with the name of its file without extension.
func (p *Page) Each(do func(name string, f *Figure) error) error {
	for _, s := range p.Sheets {
		for _, n := range figureNames {
			if f := s.Wide[n]; f != nil {
				if err := do(p.file(s, n), f); err != nil {
					return err
				}
			}
		}
		figs := s.Diagram
		for i := range s.Pieces {
			if s.Pieces[i].Chosen {
				figs = slices.Concat(figs, s.Pieces[i].Figures)
			}
		}
		for _, f := range figs {
			if err := do(p.file(s, f.Name), f); err != nil {
				return err
			}
		}
	}
	return nil
}

// EachTable calls do for the data of every recording, with the name of its file
// without extension.
func (p *Page) EachTable(do func(name string, t *Table) error) error {
	for _, s := range p.Sheets {
		for i := range s.tables {
			if err := do(p.file(s, s.tables[i].Name), &s.tables[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// file puts the recording into a name where there are several.
func (p *Page) file(s *Sheet, name string) string {
	if len(p.Sheets) > 1 {
		return s.ID + "_" + name
	}
	return name
}

// Trend is one recording in the comparison.
type Trend struct {
	Name, When, Answer string
	Class              string
	Cells              []TrendCell
}

// TrendCell is one figure of it; Changed says that the rate differs from that
// of the recording before beyond chance.
type TrendCell struct {
	Text    string
	Changed bool
}

// trendColumns names the cells.
var trendColumns = []string{"driving, min", "whole laps", "usable, %", "fixed, %", "steps and drifts, an hour", "handovers, an hour", "outages, an hour",
	"longest not usable, s", "highest age, s", "lap shift, m", "top speed, m/s", "lowest cap, m/s"}

// chance is the probability below which two rates are called different.
const chance = 0.05

func trends(sheets []*Sheet) []Trend {
	var out []Trend
	for i, s := range sheets {
		t := Trend{Name: s.Name, When: s.Date() + " " + s.Clock(0), Answer: s.Check.Headline, Class: s.Check.Answer.String()}
		add := func(v float64, dec int) { t.Cells = append(t.Cells, TrendCell{Text: words.Num(v, dec)}) }
		rate := func(n func(*day.Session) int) {
			c := TrendCell{Text: words.Num(float64(n(s.Session))/s.Hours(), 1)}
			if i > 0 {
				b := sheets[i-1]
				c.Changed = bounds.SameRate(n(b.Session), b.Hours(), n(s.Session), s.Hours()) < chance
			}
			t.Cells = append(t.Cells, c)
		}
		add(s.Driving/60, 1)
		add(float64(s.WholeLaps()), 0)
		add(100*s.UsableShare(), 1)
		add(100*s.FixedShare(), 1)
		rate(func(s *day.Session) int { return s.NJumps + s.NDrifts })
		rate((*day.Session).Handovers)
		rate(func(s *day.Session) int { return s.NOut })
		add(s.Check.Rows.Of("longest").Value, 1)
		add(s.MaxAge, 1)
		add(s.Check.Rows.Of("repeat").Value, 3)
		add(math.Floor(10*s.TopSpeed)/10, 1) // towards the safe side
		add(math.Floor(10*s.LowCap)/10, 1)
		out = append(out, t)
	}
	return out
}

// shortList is how many breaks the first screen lists.
const shortList = 6

// breakList is the first N breaks of a sheet.
type breakList struct {
	Sheet *Sheet
	N     int
}

var unitGap = regexp.MustCompile(`([0-9]) (%|m/s|ms|m|s|min|h|km|Hz|deg|an hour)\b`)

// keepUnits puts a space that does not break between a number and its unit.
func keepUnits(s string) string {
	return strings.ReplaceAll(unitGap.ReplaceAllString(s, "$1\u00a0$2"), " %", "\u00a0%")
}

//go:embed page.html
var pageHTML string

//go:embed page.js
var pageJS string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"css":      styleSheet,
	"script":   func() template.JS { return template.JS(pageJS) },
	"patterns": patterns,
	"both":     both,
	"svg":      func(f *Figure) template.HTML { return f.svg("") },
	"key":      key,
	"num":      words.Num,
	"said":     said,
	"upper1":   func(s string) string { return strings.ToUpper(s[:1]) + s[1:] },
	"div":      func(a, b float64) float64 { return a / b },
	"inc":      func(i int) int { return i + 1 },
	"columns":  func() []string { return trendColumns },
	"caused":   caused,
	"label":    func(cause string) string { return strings.NewReplacer("_", " ", "-", " ").Replace(cause) },
	"nb":       keepUnits,
	"short":    func() int { return shortList },
	"list":     func(s *Sheet, n int) breakList { return breakList{s, n} },
	"unit":     words.EventUnit,
	"kind":     func(k any) string { return strings.ReplaceAll(fmt.Sprint(k), "_", " ") },
	"word":     func(c *day.Check) string { w, _ := c.Words(); return w },
	"rest": func(c *day.Check) string {
		_, r := c.Words()
		return strings.TrimLeft(r, ",:; ")
	},
	"first": func(n int, bs []day.Break) []day.Break { return bs[:min(n, len(bs))] },
}).Parse(pageHTML))

// caused says a cause of an outage in words that begin a line.
func caused(cause string) string {
	w := words.OfCause(cause).Was
	return strings.ToUpper(w[:1]) + w[1:]
}

// said is a verdict with the words that the screen says of it.
func said(verdict string) string {
	var ws []string
	for _, c := range words.Calls {
		if c.Verdict.String() == verdict && !slices.Contains(ws, c.Word) {
			ws = append(ws, c.Word)
		}
	}
	return verdict + " (" + strings.Join(ws, ", ") + ")"
}

// both returns a figure at both widths; the page shows the one that fits.
func both(s *Sheet, name string) template.HTML {
	w, n := s.Wide[name], s.Narrow[name]
	if w == nil {
		return ""
	}
	if w.W == n.W || name == "map" {
		return w.svg("")
	}
	return w.svg("wide") + n.svg("narrow")
}

// key returns a swatch of a style with its word.
func key(name, word string) template.HTML {
	return template.HTML(fmt.Sprintf(`<span class="key"><svg width="26" height="13"><rect class="%s" width="26" height="13"/></svg> %s</span>`, name, template.HTMLEscapeString(word)))
}

// Write writes the page.
func (p *Page) Write(w io.Writer) error {
	var b bytes.Buffer
	if err := page.Execute(&b, p); err != nil {
		return err
	}
	_, err := b.WriteTo(w)
	return err
}

// Countdown says how the countdown did over the session.
func (s *Sheet) Countdown() string {
	n, early, late := 0, 0, 0
	for i := range s.Breaks {
		b := &s.Breaks[i]
		if d := b.Said - b.Counted(); !math.IsNaN(d) {
			n++
			if d > 0.3 {
				early++
			} else if d < -0.3 {
				late++
			}
		}
	}
	if n == 0 {
		return "No countdown ran to its end here."
	}
	return fmt.Sprintf("Of %s that ran to the end %d ended more than 0.3 s early, %d late.", words.Plural(n, "countdown"), early, late)
}

// Carried says how long dead reckoning carried a break, in s.
func (s *Sheet) Carried(b day.Break) string {
	if math.IsNaN(b.Handover) {
		if math.IsNaN(b.Coast) {
			return "—"
		}
		return "to the end"
	}
	return words.Num(b.Handover-b.From, 1)
}
