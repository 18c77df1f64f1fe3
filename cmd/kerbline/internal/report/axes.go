package report

import (
	"math"
	"slices"
	"strconv"
	"time"

	"kerbline/fusion/day"
)

// wide and narrow are the two widths that figures are drawn at, px: for
// screens and paper, and for a phone. Words keep their size in both.
const (
	wideW   = 900.0
	narrowW = 370.0
)

// plot is a part of a figure with a time axis below and a scale at its left.
type plot struct {
	f          *Figure
	s          *day.Session
	from, to   float64 // s, x at the left and right edge
	step       float64 // s from value to value
	x, y, w, h float64 // px, of the part inside the axes
	top        float64 // value at the upper edge; the lower edge is 0
	unit       string
}

// at returns the px of x s.
func (p *plot) at(x float64) float64 {
	if p.to <= p.from {
		return p.x
	}
	return p.x + p.w*math.Min(1, math.Max(0, (x-p.from)/(p.to-p.from)))
}

// up returns the px of value v; what is beyond the scale stays at its edge.
func (p *plot) up(v float64) float64 {
	return p.y + p.h*(1-math.Min(1, math.Max(0, v/p.top)))
}

// columns joins the bins of a figure into at most one range a px, times scale.
func (p *plot) columns(q day.Quantity, scale float64) []day.Range {
	out := make([]day.Range, int(p.w)+1)
	for i := range p.s.Series.Bins {
		c, r := &out[int(p.at(p.mid(i))-p.x)], p.s.Series.Bins[i].Of[q]
		c.Add(r.Lo() * scale)
		c.Add(r.Hi() * scale)
	}
	return out
}

// mid returns the middle of bin i in s.
func (p *plot) mid(i int) float64 { return (float64(i) + 0.5) * p.s.Series.Step }

// gap is how many empty columns there may be between bins, which are wider than
// a px in a short session.
func (p *plot) gap() int { return int(p.w*p.step/math.Max(p.to-p.from, 1e-9)) + 2 }

// band draws the span of a figure over time. Bins wider than a px leave empty
// columns between them, which break nothing.
func (p *plot) band(s *style, cols []day.Range) {
	gap := p.gap()
	var top, bottom []pt
	last := -1
	flush := func() {
		if len(top) == 1 { // a single column is still seen
			q := top[0]
			top = append(top, pt{q.x + 1, q.y})
			bottom = append(bottom, pt{q.x + 1, bottom[0].y})
		}
		if len(top) > 0 {
			slices.Reverse(bottom)
			p.f.area(s, append(top, bottom...)...)
		}
		top, bottom = nil, nil
	}
	for i, c := range cols {
		if math.IsNaN(c.Lo()) {
			continue
		}
		if last >= 0 && i-last > gap {
			flush()
		}
		last = i
		x := p.x + float64(i)
		top = append(top, pt{x, p.up(c.Hi())})
		bottom = append(bottom, pt{x, p.up(c.Lo())})
	}
	flush()
}

// trace draws one edge of a figure over time as a line.
func (p *plot) trace(s *style, cols []day.Range, edge func(day.Range) float64) {
	gap := p.gap()
	var pts []pt
	last := -1
	for i, c := range cols {
		v := edge(c)
		if math.IsNaN(v) {
			continue
		}
		if last >= 0 && i-last > gap {
			p.f.line(s, pts...)
			pts = nil
		}
		last = i
		q := pt{p.x + float64(i), p.up(v)}
		if n := len(pts); n > 1 && pts[n-1].y == q.y && pts[n-2].y == q.y {
			pts[n-1] = q // a level stretch needs its ends only
			continue
		}
		pts = append(pts, q)
	}
	p.f.line(s, pts...)
}

// ground draws the frame, the scale with its unit, and a name.
func (p *plot) ground(name string) {
	f := p.f
	f.rect(stGround, p.x, p.y, p.w, p.h)
	for _, v := range steps(p.top, int(math.Max(2, p.h/34))) {
		y := p.up(v)
		f.line(stGrid, pt{p.x, y}, pt{p.x + p.w, y})
		f.text(p.x-5, y+4, end, strconv.FormatFloat(v, 'g', 4, 64))
	}
	f.text(p.x, p.y-5, begin, name+", "+p.unit).bold = true
}

// frame draws the axes over what was drawn.
func (p *plot) frame() {
	p.f.line(stAxis, pt{p.x, p.y}, pt{p.x, p.y + p.h}, pt{p.x + p.w, p.y + p.h})
}

// steps returns round values from 0 to top, about n of them.
func steps(top float64, n int) []float64 {
	if !(top > 0) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(top/float64(n))))
	for _, k := range []float64{1, 2, 5, 10} {
		if top/(step*k) <= float64(n) {
			step *= k
			break
		}
	}
	var out []float64
	for i := 0; float64(i)*step <= top*1.0001; i++ {
		out = append(out, float64(i)*step)
	}
	return out
}

// timeSteps are the distances that marks of a time axis may have, s.
var timeSteps = []float64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400}

// times draws the time axis below y: round times of day, with the zone, and below
// them the local ones where the settings say where.
func (p *plot) times(y float64) {
	f, s := p.f, p.s
	n := math.Max(2, math.Floor(p.w/95))
	step := timeSteps[len(timeSteps)-1]
	for _, d := range timeSteps {
		if (p.to-p.from)/d <= n {
			step = d
			break
		}
	}
	form := "15:04:05"
	if step >= 60 {
		form = "15:04"
	}
	zone, local := s.Zone(), s.Config.Zone()
	edge := p.x + p.w - wide(zone) - 12
	if local.Known() {
		edge = math.Min(edge, p.x+p.w-wide(local.Letters(s.UTCStart))-12)
		f.text(p.x+p.w, y+16+axisLine, end, local.Letters(s.UTCStart))
	}
	for u := math.Ceil(s.UTC(p.from)/step) * step; u <= s.UTC(p.to); u += step {
		x := p.at(u - s.UTCStart)
		f.line(stAxis, pt{x, y}, pt{x, y + 4})
		if label := time.Unix(int64(u), 0).UTC().Format(form); x+wide(label)/2 < edge && x-wide(label)/2 > p.x-30 {
			f.text(x, y+16, middle, label)
			if local.Known() {
				f.text(x, y+16+axisLine, middle, local.At(u).Format(form))
			}
		}
	}
	f.text(p.x+p.w, y+16, end, zone)
}

// strip draws a row of time in which each bin shows the worst it holds.
func (p *plot) strip(y, h float64, pick func(b *day.Bin) (state int, ok bool), styles []*style, word func(state int) string) {
	bins := p.s.Series.Bins
	for i := 0; i < len(bins); {
		state, ok := pick(&bins[i])
		from := i
		for i++; i < len(bins); i++ {
			if st, o := pick(&bins[i]); st != state || o != ok {
				break
			}
		}
		if !ok {
			continue
		}
		a, b := p.at(float64(from)*p.s.Series.Step), p.at(float64(i)*p.s.Series.Step)
		p.f.rect(styles[state], a, y, math.Max(b-a, 0.8), h).tip = word(state) + " from " + p.s.Clock(float64(from)*p.s.Series.Step)
	}
	p.f.line(stAxis, pt{p.x, y + h}, pt{p.x + p.w, y + h})
}

// roundUp returns a round value at or above v.
func roundUp(v float64) float64 {
	if !(v > 0) {
		return 1
	}
	e := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10} {
		if v <= e*k*1.0001 {
			return e * k
		}
	}
	return 10 * e
}
