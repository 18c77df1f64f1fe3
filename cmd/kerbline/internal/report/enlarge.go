package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/day"
	"kerbline/fusion/words"
	"kerbline/gnss/satellite"
)

// Part is what of a session is to be enlarged first: from one x to another.
type Part struct {
	Text     string // as it was asked for
	From, To float64
}

// Piece is a lap, or a minute where laps are not known, enlarged: where the car
// was with the ellipse of its error, and beside it levels, correction age and
// satellites over the same time.
type Piece struct {
	Title    string
	From, To float64 // x
	Chosen   bool    // it is what the page shows before anybody chooses
	Figures  []*Figure
	Larger   string // how many times larger than the map the ellipses are
}

const (
	maxPieces  = 24
	pieceW     = 352.0
	leastPiece = 5.0 // s
	minute     = 60.0
)

// pieces enlarges the laps of a session, or its minutes. Where there are more than
// the page can carry, those with the most time lost and the latest stay.
func pieces(in *Input) []Piece {
	s := in.Session
	if in.Trace == nil || len(in.Trace.Moments) == 0 {
		return nil
	}
	var list []Piece
	for i := range s.Lap.Laps {
		l := &s.Lap.Laps[i]
		if l.To-l.From >= leastPiece {
			list = append(list, Piece{Title: fmt.Sprintf("lap %d", i+1), From: l.From, To: l.To})
		}
	}
	if len(list) == 0 {
		for a := 0.0; a < s.Length; a += minute {
			if b := math.Min(a+minute, s.Length); b-a >= leastPiece {
				list = append(list, Piece{Title: fmt.Sprintf("minute %.0f", a/minute+1), From: a, To: b})
			}
		}
	}
	chosen := worstPiece(s, list)
	if p := in.Part; p != nil {
		at := slices.IndexFunc(list, func(q Piece) bool { return math.Abs(q.From-p.From)+math.Abs(q.To-p.To) < 1 })
		if at < 0 {
			at = len(list)
			list = append(list, Piece{Title: p.Text, From: math.Max(0, p.From), To: math.Min(s.Length, p.To)})
		}
		chosen = at
	}
	if chosen < 0 {
		return nil
	}
	list[chosen].Chosen = true
	list = fewer(s, list)
	for i := range list {
		list[i].draw(in)
	}
	return list
}

// lost returns the s of driving from a to b that were not usable.
func lost(s *day.Session, a, b float64) (sum float64) {
	for i := range s.Breaks {
		k := &s.Breaks[i]
		sum += math.Max(0, math.Min(b, k.To)-math.Max(a, k.From))
	}
	return sum
}

// worstPiece returns the piece with the most time lost, the last where none lost
// any; -1 for no piece.
func worstPiece(s *day.Session, list []Piece) int {
	best, most := len(list)-1, 0.0
	for i := range list {
		if l := lost(s, list[i].From, list[i].To); l > most {
			best, most = i, l
		}
	}
	if most == 0 && best > 0 && s.Lap.Length > 0 { // the last lap is seldom whole
		best--
	}
	return best
}

// fewer leaves what the page can carry, in the order of time.
func fewer(s *day.Session, list []Piece) []Piece {
	if len(list) <= maxPieces {
		return list
	}
	worth := func(p *Piece) float64 {
		if p.Chosen {
			return math.Inf(1)
		}
		return lost(s, p.From, p.To)
	}
	slices.SortStableFunc(list, func(a, b Piece) int {
		return cmp.Or(-cmp.Compare(worth(&a), worth(&b)), -cmp.Compare(a.From, b.From))
	})
	list = list[:maxPieces]
	slices.SortStableFunc(list, func(a, b Piece) int { return cmp.Compare(a.From, b.From) })
	return list
}

func (p *Piece) draw(in *Input) {
	s, ms := in.Session, in.Trace.between(p.From, p.To)
	p.Title += fmt.Sprintf(": %s %s to %s, %s", s.TimeOfDay(p.From), s.Zone(), s.Clock(p.To), words.Lasting(p.To-p.From))
	place, larger := placeFigure(s, ms)
	p.Larger = larger
	for _, f := range []*Figure{place, levelFigure(s, p, ms, in.Settings.GNSS.MaxAge), skyFigure(s, p, ms)} {
		if f != nil {
			p.Figures = append(p.Figures, f)
		}
	}
}

// newWindow is newPlot for a piece.
func (p *Piece) newWindow(f *Figure, s *day.Session, ms []Moment, y, h, top float64, unit string) *plot {
	w := newPlot(f, s, y, h, top, unit)
	f.spans(p.From, p.To)
	w.from, w.to, w.step = p.From, p.To, 0.5
	if n := len(ms); n > 1 { // a long session keeps fewer moments
		w.step = math.Max(w.step, 2*(ms[n-1].X-ms[0].X)/float64(n-1))
	}
	return w
}

// spread joins a value of the moments into at most one range a px.
func (p *plot) spread(ms []Moment, of func(m *Moment) float64) []day.Range {
	out := make([]day.Range, int(p.w)+1)
	for i := range ms {
		out[int(p.at(ms[i].X)-p.x)].Add(of(&ms[i]))
	}
	return out
}

// verdictRow draws the verdicts of the moments.
func (p *plot) verdictRow(y, h float64, ms []Moment) {
	for i := 0; i < len(ms); {
		v, from := ms[i].Verdict, ms[i].X
		for i++; i < len(ms) && ms[i].Verdict == v; i++ {
		}
		to := p.to
		if i < len(ms) {
			to = ms[i].X
		}
		a, b := p.at(from), p.at(to)
		p.f.rect(verdictStyles[v], a, y, math.Max(b-a, 0.8), h).tip = v.String() + " from " + p.s.Clock(from)
	}
	p.f.line(stAxis, pt{p.x, y + h}, pt{p.x + p.w, y + h})
}

// levelFigure is verdict, lateral level and correction age of a piece.
func levelFigure(s *day.Session, p *Piece, ms []Moment, maxAge float64) *Figure {
	const high, low = 110.0, 70.0
	f := &Figure{Name: "enlarged_levels", W: pieceW, H: 20 + 18 + 24 + high + 24 + low + axisRoom(s), Says: "verdict, lateral protection level and correction age, enlarged"}
	w := p.newWindow(f, s, ms, 20+18+24, high, 1, "m")
	f.text(w.x, 14, begin, "verdict").bold = true
	w.verdictRow(20, 18, ms)
	limit := w.spread(ms, func(m *Moment) float64 { return float64(m.Limit) })
	level := w.spread(ms, func(m *Moment) float64 { return float64(m.Level) })
	if top := highest(limit); !math.IsNaN(top) {
		w.top = roundUp(1.5 * top)
	}
	w.ground("level across the track, limit dashed")
	w.band(stBand, level)
	w.trace(stLimit, limit, day.Range.Lo)
	if highest(level) > w.top {
		f.text(w.x+w.w-4, w.y+12, end, fmt.Sprintf("up to %s m", figures(highest(level))))
	}
	w.frame()
	a := p.newWindow(f, s, ms, w.y+high+24, low, 1, "s")
	age := a.spread(ms, func(m *Moment) float64 { return float64(m.Age) })
	a.top = roundUp(math.Max(1.2*maxAge, math.Min(above0(highest(age)), 4*maxAge)))
	a.ground("correction age, limit dashed")
	a.band(stBand, age)
	f.line(stLimit, pt{a.x, a.up(maxAge)}, pt{a.x + a.w, a.up(maxAge)})
	a.frame()
	a.times(a.y + a.h)
	return f
}

// skyFigure is the satellites of a piece: a row a constellation, its height the
// number received.
func skyFigure(s *day.Session, p *Piece, ms []Moment) *Figure {
	var most [satellite.NSystems]int8
	all, used := 0, 0
	for i := range ms {
		n := 0
		for k, c := range ms[i].Sats {
			most[k] = max(most[k], c)
			n += max(0, int(c))
		}
		all, used = max(all, n), max(used, int(ms[i].Used))
	}
	var rows []satellite.System
	for k := range satellite.NSystems {
		if most[k] > 0 {
			rows = append(rows, k)
		}
	}
	const total = 62.0
	name, of := "satellites received", (*Moment).total
	if len(rows) == 0 {
		if used == 0 {
			return nil
		}
		name, of, all = "satellites used; no GSV: by constellation not known", (*Moment).used, used
	}
	each := math.Min(46, 190/float64(max(1, len(rows))))
	f := &Figure{Name: "enlarged_sky", W: pieceW, H: 20 + total + 20 + float64(len(rows))*each + axisRoom(s), Says: "satellites by constellation, enlarged"}
	sum := p.newWindow(f, s, ms, 20, total, roundUp(float64(all)), "number")
	sum.ground(name)
	sum.band(stBand, sum.spread(ms, of))
	sum.frame()
	if len(rows) == 0 {
		f.H -= 20
		sum.times(sum.y + total)
		return f
	}
	y := 20 + total + 20
	f.text(sum.x, y-5, begin, "of them by constellation, most at the right").bold = true
	for _, k := range rows {
		w := p.newWindow(f, s, ms, y, each-4, float64(most[k]), "")
		f.rect(stGround, w.x, y, w.w, each-4)
		// Steps, filled down to the row's foot: what is missing is white.
		for i := 0; i < len(ms); {
			n, from := ms[i].Sats[k], ms[i].X
			known := ms[i].Sats[0] >= 0
			for i++; i < len(ms) && ms[i].Sats[k] == n && (ms[i].Sats[0] >= 0) == known && ms[i].X-ms[i-1].X < 2; i++ {
			}
			if n <= 0 || !known {
				continue
			}
			to := ms[i-1].X
			if i < len(ms) && ms[i].X-to < 2 {
				to = ms[i].X
			}
			a, b := w.at(from), w.at(to)
			f.rect(stErr, a, w.up(float64(n)), math.Max(b-a, 0.8), y+w.h-w.up(float64(n))).tip = fmt.Sprintf("%s: %d from %s", k, n, s.Clock(from))
		}
		o := f.text(w.x+4, y+13, begin, k.String())
		o.halo = true
		o = f.text(w.x+w.w-4, y+13, end, fmt.Sprint(most[k]))
		o.halo = true
		w.frame()
		y += each
	}
	sum.times(y)
	return f
}

// total returns the satellites of all constellations, NaN where unknown.
func (m *Moment) total() float64 {
	if m.Sats[0] < 0 {
		return math.NaN()
	}
	n := 0
	for _, c := range m.Sats {
		n += int(c)
	}
	return float64(n)
}

// used returns what the receiver used, NaN where it said nothing.
func (m *Moment) used() float64 {
	if m.Used < 0 {
		return math.NaN()
	}
	return float64(m.Used)
}

// k95 stretches a 1 sigma ellipse to one that holds 95 % of a two-dimensional normal
// error: the root of the 95 % quantile of chi-square with 2 degrees of freedom,
// -2 ln 0.05.
var k95 = math.Sqrt(-2 * math.Log(0.05))

const (
	ellipseRoom = 22.0 // px of the way from ellipse to ellipse
	ellipseSize = 9.0  // px, half its length, of the middle one at most
)

// placeFigure is where the car was, with ellipses of its error. It also says how many
// times larger than the map they are drawn.
func placeFigure(s *day.Session, ms []Moment) (*Figure, string) {
	var at []Moment
	for i := range ms {
		if !math.IsNaN(float64(ms[i].E)) {
			at = append(at, ms[i])
		}
	}
	if len(at) < 2 {
		return nil, ""
	}
	m := newMap("enlarged_place", pieceW, func(add func(e, n float64)) {
		for i := range at {
			add(float64(at[i].E), float64(at[i].N))
		}
	}, 6)
	f := m.f
	f.Says = "the way of the car with the ellipses of its error"
	line := make([]pt, len(at))
	for i := range at {
		line[i] = m.px(float64(at[i].E), float64(at[i].N))
	}
	f.line(stTrack, thin(line)...)
	times := larger(at, m.scale)
	last, lastX := pt{math.Inf(-1), 0}, math.Inf(-1)
	for i := range at {
		c := line[i]
		if d := math.Hypot(c.x-last.x, c.y-last.y); d < ellipseRoom && (d < 2 || at[i].Verdict == fusion.Usable || at[i].X-lastX < 1) {
			continue
		}
		last, lastX = c, at[i].X
		out := ellipse(c, &at[i], times*m.scale)
		o := f.area(verdictStyles[at[i].Verdict], out...)
		o.tip = fmt.Sprintf("%s, %s: 95 %% within %.3f m along, %.3f m across", at[i].Verdict, s.Clock(at[i].X), k95*float64(at[i].Along), k95*float64(at[i].Across))
		f.line(stAxis, append(out, out[0])...)
	}
	c := line[0]
	f.circle(stArrow, c, 3)
	o := f.text(c.x, c.y-8, middle, s.TimeOfDay(at[0].X))
	o.halo = true
	m.scaleBar()
	f.data = way(at, line)
	return f, words.Num(times, 0)
}

// larger returns by how much ellipses are to be enlarged, so that they are seen at
// scale px a m: a round number.
func larger(at []Moment, scale float64) float64 {
	var half []float64
	for i := range at {
		if r := k95 * math.Max(float64(at[i].Along), float64(at[i].Across)); r > 0 {
			half = append(half, r)
		}
	}
	if len(half) == 0 {
		return 1
	}
	slices.Sort(half)
	best := 1.0
	for _, k := range []float64{2, 5, 10, 20, 50, 100, 200, 500} {
		if k*scale*half[len(half)/2] <= ellipseSize {
			best = k
		}
	}
	return best
}

// ellipse returns the outline of the 95 % ellipse of m about c, px a m of error.
func ellipse(c pt, m *Moment, scale float64) []pt {
	sd, cd := math.Sincos(float64(m.Dir))
	var out []pt
	for i := range 20 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 20)
		a, b := k95*scale*math.Min(float64(m.Along), 5)*cos, k95*scale*math.Min(float64(m.Across), 5)*sin
		out = append(out, pt{c.x + a*cd - b*sd, c.y - a*sd - b*cd})
	}
	return out
}

// thin leaves out points nearer than half a px to the one before.
func thin(line []pt) []pt {
	out := line[:1:1]
	for _, p := range line[1:] {
		if q := out[len(out)-1]; math.Hypot(p.x-q.x, p.y-q.y) >= 0.5 {
			out = append(out, p)
		}
	}
	return out
}

// way tells the page's script where the car was when: x and px, every half second.
func way(at []Moment, line []pt) string {
	var b strings.Builder
	last := math.Inf(-1)
	for i := range at {
		if at[i].X-last < 0.5 {
			continue
		}
		last = at[i].X
		fmt.Fprintf(&b, "%.1f,%s,%s ", at[i].X, px(line[i].x), px(line[i].y))
	}
	return ` data-way="` + strings.TrimSpace(b.String()) + `"`
}

// Ahead returns how far local time is ahead of UTC, s, and what it is called; "" where
// the settings name no zone.
func (s *Sheet) Ahead() (out struct {
	Seconds int
	Letters string
}) {
	if z := s.Config.Zone(); z.Known() {
		_, out.Seconds = z.At(s.UTCStart).Zone()
		out.Letters = z.Letters(s.UTCStart)
	}
	return out
}
