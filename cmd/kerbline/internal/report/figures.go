package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/day"
	"kerbline/fusion/integrity"
	"kerbline/fusion/score"
	"kerbline/fusion/words"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// How states look.
var (
	verdictStyles = []*style{fusion.Usable: stFine, fusion.Coasting: stHalf, fusion.Unproven: stThin, fusion.Unusable: stGone}
	linkStyles    = []*style{corrections.Untapped: stBlank, corrections.Flowing: stFine, corrections.Late: stHalf,
		corrections.Sparse: stThin, corrections.Corrupt: stCrossed, corrections.Silent: stGone}
	qualityStyles = []*style{day.ClassNone: stGone, day.ClassOther: stThin, day.ClassFloat: stHalf, day.ClassFixed: stFine}

	// rankVerdicts are the verdicts by the ranks of a lap's cells.
	rankVerdicts = [...]fusion.Verdict{1: fusion.Usable, fusion.Coasting, fusion.Unproven, fusion.Unusable}
)

func verdictWord(v int) string { return fusion.Verdict(v).String() }
func linkWord(c int) string    { return corrections.Condition(c).String() }
func qualityWord(q int) string { return day.QualityClass(q).String() }

// worstOf returns the first state of the given order that holds time.
func worstOf(sec []float64, order ...int) (int, bool) {
	for _, k := range order {
		if sec[k] > 0 {
			return k, true
		}
	}
	return 0, false
}

func worstLink(b *day.Bin) (int, bool) {
	return worstOf(b.Link[:], int(corrections.Silent), int(corrections.Corrupt), int(corrections.Sparse), int(corrections.Late), int(corrections.Untapped), int(corrections.Flowing))
}

func worstQuality(b *day.Bin) (int, bool) {
	return worstOf(b.Quality[:], int(day.ClassNone), int(day.ClassOther), int(day.ClassFloat), int(day.ClassFixed))
}

const (
	leftRoom  = 42.0 // px for the scale
	rightRoom = 8.0
	axisLine  = 15.0 // px a row of times
)

// axisRoom returns the px for the times below a figure: local ones have a row of
// their own.
func axisRoom(s *day.Session) float64 {
	if s.Config.Zone().Known() {
		return 22 + axisLine
	}
	return 22
}

func newPlot(f *Figure, s *day.Session, y, h, top float64, unit string) *plot {
	f.spans(0, s.Length)
	return &plot{f: f, s: s, to: s.Length, step: s.Series.Step, x: leftRoom, y: y, w: f.W - leftRoom - rightRoom, h: h, top: top, unit: unit}
}

// above0 is x, 0 where it is not known.
func above0(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// highest returns the largest value of cols.
func highest(cols []day.Range) float64 {
	var r day.Range
	for _, c := range cols {
		r.Join(c)
	}
	return r.Hi()
}

// verdictFigure is the verdict over time, above speed and speed cap.
func verdictFigure(s *day.Session, w float64) *Figure {
	f := &Figure{Name: "verdict", W: w, H: 20 + 26 + 26 + 110 + axisRoom(s),
		Says: "verdict over time, with speed and speed cap"}
	p := newPlot(f, s, 20+26+26, 110, 1, "m/s")
	f.text(p.x, 14, begin, "verdict").bold = true
	p.strip(20, 26, (*day.Bin).Worst, verdictStyles, verdictWord)
	speed := p.columns(day.Speed, 1)
	limit := p.columns(day.Cap, 1)
	// The cap may be far beyond what was driven: the speed is what matters.
	p.top = roundUp(math.Max(1, math.Min(2.2*highest(speed), math.Max(highest(speed), highest(limit)))))
	p.ground("speed (line) and lowest speed cap (dashed)")
	p.band(stBand, speed)
	p.trace(stLimit, limit, day.Range.Lo)
	p.frame()
	p.times(p.y + p.h)
	return f
}

// axisWords name the protection levels.
var axisWords = [3]struct {
	name, unit string
	scale      float64
}{{"across the track", "m", 1}, {"along the track", "m", 1}, {"heading", "deg", 1 / geodesy.Degree}}

// protectionFigure is protection level and error against the alert limit.
func protectionFigure(s *day.Session, w float64) *Figure {
	const each = 96.0
	f := &Figure{Name: "protection", W: w, H: 3*(each+26) + axisRoom(s),
		Says: "protection levels and errors against their alert limits over time"}
	for i, a := range axisWords {
		p := newPlot(f, s, 20+float64(i)*(each+26), each, 1, a.unit)
		al := p.columns(day.AL.At(score.Axis(i)), a.scale)
		pl := p.columns(day.PL.At(score.Axis(i)), a.scale)
		err := p.columns(day.Err.At(score.Axis(i)), a.scale)
		if top := highest(al); !math.IsNaN(top) {
			p.top = roundUp(1.5 * top)
		}
		p.ground(a.name)
		p.band(stErr, err)
		p.band(stBand, pl)
		p.trace(stLimit, al, day.Range.Lo)
		if highest(pl) > p.top {
			f.text(p.x+p.w-4, p.y+12, end, fmt.Sprintf("up to %s %s", figures(highest(pl)), a.unit))
		}
		p.frame()
		if i == len(axisWords)-1 {
			p.times(p.y + p.h)
		}
	}
	return f
}

// figures returns v with three figures.
func figures(v float64) string {
	switch {
	case math.IsNaN(v):
		return "—"
	case math.Abs(v) >= 100:
		return fmt.Sprintf("%.0f", v)
	case math.Abs(v) >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

// linkFigure is the correction age above the link's condition and its outages.
func linkFigure(s *day.Session, w, maxAge float64) *Figure {
	lane, rows := lanes(s.Outages)
	f := &Figure{Name: "link", W: w, H: 20 + 110 + 24 + 20 + 24 + float64(max(rows, 1))*20 + axisRoom(s),
		Says: "correction age, condition of the correction link and its outages over time"}
	p := newPlot(f, s, 20, 110, 1, "s")
	age := p.columns(day.Age, 1)
	p.top = roundUp(math.Max(1.2*maxAge, math.Min(above0(highest(age)), 4*maxAge)))
	p.ground("correction age, limit dashed")
	p.band(stBand, age)
	f.line(stLimit, pt{p.x, p.up(maxAge)}, pt{p.x + p.w, p.up(maxAge)})
	p.frame()
	y := p.y + p.h + 20
	f.text(p.x, y-4, begin, "link").bold = true
	p.strip(y, 20, worstLink, linkStyles, linkWord)
	y += 20 + 20
	f.text(p.x, y-4, begin, "outages by number").bold = true
	if len(s.Outages) == 0 {
		f.text(p.x+wide("outages by number")+14, y-4, begin, "none")
	}
	for i := range s.Outages {
		o := &s.Outages[i]
		a, b := p.at(o.From), p.at(o.To)
		yy := y + float64(lane[i])*20
		f.rect(stBar, a, yy, math.Max(b-a, 2), 16).tip = caused(o.Cause)
		label := fmt.Sprintf("%d %s", i+1, strings.ReplaceAll(o.Cause, "_", " "))
		switch {
		case wide(label) < b-a-6:
			f.text(a+4, yy+12, begin, label)
		case b+wide(label)+6 < p.x+p.w:
			f.text(b+4, yy+12, begin, label)
		default:
			f.text(a-4, yy+12, end, label)
		}
	}
	p.times(y + float64(max(rows, 1))*20)
	return f
}

// lanes returns the row of each outage, so that those side by side do not cover
// one another, and how many rows there are: at most four.
func lanes(os []day.Outage) (lane []int, rows int) {
	var until [4]float64
	for i := range os {
		k := 0
		for k < len(until)-1 && until[k] > os[i].From {
			k++
		}
		until[k] = os[i].To
		lane, rows = append(lane, k), max(rows, k+1)
	}
	return lane, rows
}

// receiverFigure is the quality over time, above satellites and C/N0.
func receiverFigure(s *day.Session, w float64) *Figure {
	f := &Figure{Name: "receiver", W: w, H: 20 + 20 + 26 + 84 + axisRoom(s), Says: "fix quality, satellites used and signal strength over time"}
	p := newPlot(f, s, 20+20+26, 84, 1, "number")
	f.text(p.x, 14, begin, "quality").bold = true
	p.strip(20, 20, worstQuality, qualityStyles, qualityWord)
	sats := p.columns(day.Sats, 1)
	cn0 := p.columns(day.CN0, 1)
	name := "satellites used"
	p.top = roundUp(math.Max(12, above0(highest(sats))))
	if top := highest(cn0); !math.IsNaN(top) {
		p.top = roundUp(math.Max(p.top, top))
		name, p.unit = "satellites used (dark), mean C/N0 (light)", "number and dB-Hz"
	}
	p.ground(name)
	p.band(stSoft, cn0)
	p.band(stBand, sats)
	p.frame()
	p.times(p.y + p.h)
	return f
}

// lapsFigure is every lap as a row, from the line at the left round to it at
// the right: what broke when (which row) and where (which column).
func lapsFigure(s *day.Session, w float64) *Figure {
	g := &s.Lap
	if g.Length == 0 || len(g.Laps) == 0 {
		return nil
	}
	n := float64(len(g.Laps))
	h := math.Min(22, math.Max(2.5, 420/n))
	f := &Figure{Name: "laps", W: w, H: 24 + n*h + 40, Says: "every lap as a row by place, with the worst verdict at each place"}
	left := 74.0
	pw := w - left - rightRoom
	top := 22.0
	f.text(left, 13, begin, "lap began, "+s.Zone()+"; place along the lap, m").bold = true
	f.rect(stGround, left, top, pw, n*h)
	gap := 1.5
	if h < 8 {
		gap = 0.3
	}
	every := int(math.Ceil(15 / h))
	for i := range g.Laps {
		l := &g.Laps[i]
		y := top + float64(i)*h
		for k := 0; k < len(l.Cells); {
			r, from := l.Cells[k], k
			for k++; k < len(l.Cells) && l.Cells[k] == r; k++ {
			}
			if r == 0 {
				continue
			}
			v := rankVerdicts[r]
			a, b := left+pw*float64(from)*g.Step/g.Length, left+pw*float64(k)*g.Step/g.Length
			f.rect(verdictStyles[v], a, y, b-a, h-gap).tip = fmt.Sprintf("%s, lap %d, %.0f to %.0f m", v, i+1, float64(from)*g.Step, float64(k)*g.Step)
		}
		if i%every == 0 {
			f.text(left-6, y+h/2+4, end, s.TimeOfDay(l.From))
		}
	}
	// Steps of the receiver stand where they happened.
	for i := range s.Jumps {
		j := &s.Jumps[i]
		if k := s.LapAt(j.X); k >= 0 && !math.IsNaN(j.Where) && !j.Back {
			c := pt{left + pw*j.Where/g.Length, top + (float64(k)+0.5)*h - gap/2}
			r := math.Min(6, math.Max(3, h/2-1))
			f.area(stMark, pt{c.x, c.y - r}, pt{c.x + r, c.y}, pt{c.x, c.y + r}, pt{c.x - r, c.y}).tip = fmt.Sprintf("step of %.2f m", j.Size)
		}
	}
	y := top + n*h
	f.line(stAxis, pt{left, y}, pt{left + pw, y})
	for _, v := range steps(g.Length, int(pw/70)) {
		x := left + pw*v/g.Length
		f.line(stAxis, pt{x, y}, pt{x, y + 4})
		f.text(x, y+16, middle, fmt.Sprintf("%.0f", v))
	}
	f.text(left+pw, y+32, end, fmt.Sprintf("m along the lap of %.0f m", g.Length))
	return f
}

// mapFigure is the lap seen from above: each place by the share of passes that
// were usable throughout. Without a map it is the driven line.
func mapFigure(s *day.Session, crs *course.Course, w float64, limits *fusion.Day) *Figure {
	if crs == nil || s.Lap.Length == 0 {
		return trackFigure(s, w)
	}
	frame := geodesy.NewFrame(crs.Origin())
	crs.Bind(frame)
	g := &s.Lap
	pts := crs.Vertices()
	m := newMap("map", w, func(add func(e, n float64)) {
		for _, p := range pts {
			add(p.E, p.N)
		}
	}, 14)
	m.f.Says = "the lap from above, each place by how often it was usable"
	for i := 0; i < len(g.Places); {
		st, word := placeLook(&g.Places[i], limits)
		first := i
		var left, right []pt
		for ; i < len(g.Places); i++ {
			if next, _ := placeLook(&g.Places[i], limits); next != st {
				break
			}
			for k := range 4 {
				c, side := m.at(crs, math.Min((float64(i)+float64(k)/3)*g.Step, g.Length*(1-1e-9)))
				left, right = append(left, c.plus(m.band/2, side)), append(right, c.plus(-m.band/2, side))
			}
		}
		slices.Reverse(right)
		m.f.area(st, append(left, right...)...).tip = fmt.Sprintf("%.0f to %.0f m: %s", float64(first)*g.Step, float64(i)*g.Step, word)
	}
	// The line where laps begin, and the way round.
	c, side := m.at(crs, 0)
	r := m.band/2 + 6
	m.f.line(stLine, c.plus(r, side), c.plus(-r, side))
	m.f.text(c.x+side.x*(r+9), c.y+side.y*(r+9)+4, middle, "0 m").bold = true
	for _, v := range steps(g.Length*0.93, 6) {
		if v == 0 {
			continue
		}
		c, side := m.at(crs, v)
		r := m.band/2 + 3
		m.f.line(stAxis, c.plus(m.band/2, side), c.plus(r, side))
		m.f.text(c.x+side.x*(r+12), c.y+side.y*(r+9)+4, middle, fmt.Sprintf("%.0f", v))
	}
	q, side := m.at(crs, math.Min(18/m.scale, g.Length/12))
	q = q.plus(-(m.band/2 + 8), side) // right of the track
	dx, dy := -side.y, side.x
	m.f.area(stArrow, pt{q.x + 7*dx, q.y + 7*dy}, pt{q.x - 4*dx - 5*dy, q.y - 4*dy + 5*dx}, pt{q.x - 4*dx + 5*dy, q.y - 4*dy - 5*dx})
	// Where it broke, numbered as in the list of what broke; beside the track
	// where one would cover another.
	var marks []pt
	for i := range s.Breaks {
		b := &s.Breaks[i]
		if math.IsNaN(b.Where) || len(marks) == maxMarks {
			continue
		}
		on, side := m.at(crs, b.Where)
		c := on
		for _, off := range [...]float64{0, 20, -20, 40, -40} {
			c = on.plus(off, side)
			if !slices.ContainsFunc(marks, func(q pt) bool { return math.Hypot(q.x-c.x, q.y-c.y) < 18 }) {
				break
			}
		}
		marks = append(marks, c)
		m.f.line(stAxis, on, c)
		m.f.circle(stMark, c, 8.5).tip = b.Cause
		m.f.text(c.x, c.y+4, middle, fmt.Sprint(i+1)).bold = true
	}
	m.scaleBar()
	return m.f
}

// maxMarks is how many breaks are numbered on the map.
const maxMarks = 12

// placeLook is how a place came out over all its passes.
func placeLook(p *day.Place, limits *fusion.Day) (*style, string) {
	u := float64(p.Good) / float64(p.Passes)
	switch {
	case p.Passes < limits.LeastPasses:
		return stBlank, "unseen"
	case p.Good == p.Passes:
		return stFine, "good"
	case u >= limits.Place || p.Passes-p.Good < 2:
		return stHalf, "mostly good"
	}
	return stGone, "bad"
}

// trackFigure is the driven line by verdict.
func trackFigure(s *day.Session, w float64) *Figure {
	if len(s.Track.Points) < 2 {
		return nil
	}
	m := newMap("map", w, func(add func(e, n float64)) {
		for i := range s.Track.Points {
			add(s.Track.Points[i].E, s.Track.Points[i].N)
		}
	}, 8)
	m.f.Says = "the driven line from above, by verdict"
	// The worse is drawn over the better.
	for _, v := range []fusion.Verdict{fusion.Usable, fusion.Coasting, fusion.Unproven, fusion.Unusable} {
		for i := 1; i < len(s.Track.Points); i++ {
			b := &s.Track.Points[i]
			if b.Cut || fusion.Verdict(b.Verdict) != v {
				continue
			}
			// The whole stretch at once, so that no seams show.
			first := i - 1
			for i+1 < len(s.Track.Points) && !s.Track.Points[i+1].Cut && s.Track.Points[i+1].Verdict == b.Verdict && i-first < 100 {
				i++
			}
			m.f.area(verdictStyles[v], m.ribbon(s.Track.Points[first:i+1])...)
		}
	}
	m.scaleBar()
	return m.f
}

// sheet is a map: east is right, north is up.
type sheet struct {
	f      *Figure
	e, n   float64 // m, at the middle
	scale  float64 // px a m
	cx, cy float64 // px, the middle
	band   float64 // px, width of the line
}

func newMap(name string, w float64, each func(add func(e, n float64)), band float64) *sheet {
	var e, n day.Range
	each(func(x, y float64) { e.Add(x); n.Add(y) })
	pad := band/2 + 34
	long, high := math.Max(1, e.Hi()-e.Lo()), math.Max(1, n.Hi()-n.Lo())
	h := math.Min(1.05*w, math.Max(0.55*w, high/long*(w-2*pad)+2*pad+30))
	m := &sheet{f: &Figure{Name: name, W: w, H: h}, e: (e.Lo() + e.Hi()) / 2, n: (n.Lo() + n.Hi()) / 2, band: band}
	m.scale = math.Min((w-2*pad)/long, (h-30-2*pad)/high)
	m.cx, m.cy = w/2, (h-30)/2
	return m
}

func (m *sheet) px(e, n float64) pt {
	return pt{m.cx + (e-m.e)*m.scale, m.cy - (n-m.n)*m.scale}
}

// at returns the place s m along the course, and the unit vector to the left of
// the travel there.
func (m *sheet) at(crs *course.Course, s float64) (c, left pt) {
	place, at := crs.At(s)
	sin, cos := math.Sincos(place.Yaw)
	return m.px(at.E, at.N), pt{-sin, -cos}
}

// ribbon returns the outline of a line as wide as the band.
func (m *sheet) ribbon(line []day.Point) []pt {
	var left, right []pt
	for i := range line {
		a, b := &line[max(0, i-1)], &line[min(len(line)-1, i+1)]
		de, dn := b.E-a.E, b.N-a.N
		l := math.Hypot(de, dn)
		if l == 0 {
			continue
		}
		c := m.px(line[i].E, line[i].N)
		x, y := dn/l*m.band/2, de/l*m.band/2
		left = append(left, pt{c.x - x, c.y - y})
		right = append(right, pt{c.x + x, c.y + y})
	}
	slices.Reverse(right)
	return append(left, right...)
}

// scaleBar draws the scale and north.
func (m *sheet) scaleBar() {
	f := m.f
	d := steps(0.35*f.W/m.scale, 2)
	length := d[len(d)-1]
	x, y := 12.0, f.H-12
	f.line(stLine, pt{x, y - 5}, pt{x, y}, pt{x + length*m.scale, y}, pt{x + length*m.scale, y - 5})
	f.text(x+length*m.scale+6, y+1, begin, fmt.Sprintf("%.0f m", length))
	c := pt{f.W - 20, f.H - 26}
	f.area(stArrow, pt{c.x, c.y - 12}, pt{c.x + 6, c.y + 8}, pt{c.x, c.y + 4}, pt{c.x - 6, c.y + 8})
	f.text(c.x, c.y+22, middle, "N").bold = true
}

// integrityFigure is the integrity diagram of one axis: every line with a
// reference by its error and its protection level, both as shares of the limit.
func integrityFigure(r *score.Result, axis score.Axis, w float64) *Figure {
	d := &r.Axes[axis].Diagram
	total := 0
	for _, n := range d.Regions {
		total += n
	}
	if total == 0 {
		return nil
	}
	left, top := 40.0, 26.0
	side := w - left - rightRoom
	f := &Figure{Name: "integrity_" + axis.String(), W: w, H: top + side + 38,
		Says: fmt.Sprintf("integrity diagram, %s: %d of %d lines hazardously misleading", axis, d.Regions[integrity.Hazardous], total)}
	f.text(left, 14, begin, axisWords[axis].name).bold = true
	f.rect(stGround, left, top, side, side)
	cell := side / score.DiagramCells
	for i := range d.Cells {
		for j, n := range d.Cells[i] {
			if n == 0 {
				continue
			}
			k := min(len(shades)-1, int(math.Log10(float64(n))*2))
			f.rect(shades[k], left+float64(i)*cell, top+side-float64(j+1)*cell, cell, cell).tip = words.Plural(int(n), "line")
		}
	}
	one := side / 2
	f.line(stLimit, pt{left + one, top}, pt{left + one, top + side})
	f.line(stLimit, pt{left, top + one}, pt{left + side, top + one})
	f.line(stAxis, pt{left, top + side}, pt{left + side, top})
	f.line(stAxis, pt{left, top}, pt{left, top + side}, pt{left + side, top + side})
	for k, word := range []string{"0", "1", "2+"} {
		f.text(left+float64(k)*one, top+side+15, middle, word)
		f.text(left-5, top+side-float64(k)*one+4, end, word)
	}
	f.text(left+side/2, top+side+32, middle, "error / limit")
	f.text(left+4, top+14, begin, "protection level / limit")
	// Words stand where few lines fall: errors are mostly far below the limit.
	label := func(x, y float64, reg integrity.Region, word string) {
		for i, t := range []string{word, words.Plural(int(d.Regions[reg]), "line")} {
			o := f.text(left+x*one, top+y*one+14*float64(i), middle, t)
			o.halo, o.bold = true, i == 1
		}
	}
	label(0.62, 1.1, integrity.Nominal, "nominal")
	label(0.72, 1.86, integrity.Misleading, "misleading")
	label(1.5, 1.4, integrity.Hazardous, "hazardous")
	label(0.62, 0.5, integrity.Unavailable, "unavailable")
	return f
}
