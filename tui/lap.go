package tui

import (
	"fmt"
	"math"

	"kerbline/gnss/geodesy"
)

// revisit is the time in s after which a place is seen anew: what a later pass
// says there replaces what an earlier one said; within one pass the worst stays.
const revisit = 8.0

// trailGlyph is how the map shows a look where the car was. Good stretches
// are the plain dotted line, everything else has its own letter.
func (m look) trailGlyph() rune {
	switch m {
	case lookSlow:
		return '='
	case lookCoast:
		return 'o'
	case lookUnsure:
		return '?'
	}
	return 'x'
}

// severity orders looks for the map.
var severity = [...]int{lookGood: 0, lookSlow: 1, lookCoast: 2, lookUnsure: 3, lookBad: 4, lookVoid: 5}

// drawLap draws the course, where the verdict was what, and the car into a
// rectangle. North is up. Each cell holds 2 by 4 dots.
func drawLap(c *Canvas, x0, y0, w, h int, v *View) {
	if w < 6 || h < 3 {
		return
	}
	car := v.Snap.HasPos && v.Snap.Pos.Valid()
	if len(v.Course) == 0 && len(v.Trail) == 0 && !car {
		c.put(x0, y0+h/2, w, text(Label, "no map, no position yet"))
		return
	}
	var origin geodesy.LLA
	switch {
	case len(v.Course) > 0:
		origin = v.Course[0]
	case len(v.Trail) > 0:
		origin = v.Trail[0].Pos
	default:
		origin = v.Snap.Pos
	}
	k := math.Cos(origin.Lat)
	flat := func(p geodesy.LLA) (e, n float64) {
		return (p.Lon - origin.Lon) * geodesy.A * k, (p.Lat - origin.Lat) * geodesy.A
	}
	minE, maxE, minN, maxN := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	grow := func(p geodesy.LLA) {
		e, n := flat(p)
		// A fix thrown across the globe must not shrink the lap to a dot.
		if math.Abs(e) > 2e4 || math.Abs(n) > 2e4 || !p.Valid() {
			return
		}
		minE, maxE, minN, maxN = min(minE, e), max(maxE, e), min(minN, n), max(maxN, n)
	}
	for _, p := range v.Course {
		grow(p)
	}
	if len(v.Course) == 0 {
		for i := range v.Trail {
			grow(v.Trail[i].Pos)
		}
	}
	if car {
		grow(v.Snap.Pos)
	}
	if minE > maxE {
		c.put(x0, y0+h/2, w, text(Label, "no position that can be drawn"))
		return
	}
	foot := h - 1 // the row of the scale
	if h < 8 {
		foot = h
	}
	dw, dh := w*2-2, foot*4-2
	span := max(maxE-minE, 20)
	high := max(maxN-minN, 20)
	scale := min(float64(dw-1)/span, float64(dh-1)/high) // dots a metre
	cx, cy := (minE+maxE)/2, (minN+maxN)/2
	dot := func(p geodesy.LLA) (x, y int, ok bool) {
		e, n := flat(p)
		fx := float64(w) + (e-cx)*scale
		fy := float64(foot*2) - (n-cy)*scale
		if !(fx >= 0 && fy >= 0 && fx < float64(w*2) && fy < float64(h*4)) {
			return 0, 0, false
		}
		return int(fx), int(fy), true
	}

	type mark struct {
		dots uint8   // braille dots of the course
		way  uint8   // and of the trail
		seen bool    // the car was here
		m    look    // what the verdict was
		t    float64 // when, last
	}
	cells := make([]mark, w*h)
	set := func(x, y int) *mark {
		q := &cells[(y/4)*w+x/2]
		q.dots |= brailleDot(x%2, y%4)
		return q
	}
	// Course: straight pieces between the vertices.
	n := len(v.Course)
	last := n - 1
	if v.Closed {
		last = n
	}
	for i := range last {
		a, b := v.Course[i], v.Course[(i+1)%n]
		steps := int(min(flatDist(a, b)*scale*1.5, 4000)) + 1
		for j := range steps {
			f := float64(j) / float64(steps)
			if x, y, ok := dot(geodesy.LLA{Lat: a.Lat + f*(b.Lat-a.Lat), Lon: a.Lon + f*(b.Lon-a.Lon)}); ok {
				set(x, y)
			}
		}
	}
	// Of the trail only the last lap: marks of an earlier one, a metre beside it,
	// would stay in the cells next to the line.
	from, driven := 0, 0.0
	for i := len(v.Trail) - 1; i > 0; i-- {
		driven += flatDist(v.Trail[i].Pos, v.Trail[i-1].Pos)
		if driven > v.Snap.LapLength && v.Snap.LapLength > 0 {
			from = i
			break
		}
	}
	for _, p := range v.Trail[from:] {
		x, y, ok := dot(p.Pos)
		if !ok {
			continue
		}
		q := &cells[(y/4)*w+x/2]
		q.way |= brailleDot(x%2, y%4)
		m := p.look()
		if !q.seen || p.T-q.t > revisit || severity[m] > severity[q.m] {
			q.m = m
		}
		q.seen, q.t = true, p.T
	}
	for i := range cells {
		q := &cells[i]
		x, y := x0+i%w, y0+i/w
		switch {
		case q.seen && q.m != lookGood:
			c.Set(x, y, q.m.trailGlyph(), textStyles[q.m])
		case q.seen && q.dots != 0:
			c.Set(x, y, 0x2800+rune(q.dots), Good)
		case q.seen: // driven beside the course line, or there is none
			c.Set(x, y, 0x2800+rune(q.way), Good)
		case q.dots != 0:
			c.Set(x, y, 0x2800+rune(q.dots), Rule)
		}
	}
	if n > 0 {
		if x, y, ok := dot(v.Course[0]); ok {
			c.Set(x0+x/2, y0+y/4, 'S', Strong)
		}
	}
	if car {
		if x, y, ok := dot(v.Snap.Pos); ok {
			c.Set(x0+x/2, y0+y/4, carGlyph(v), Alarm)
		}
	}
	// A round length that the eye can lay beside the lap.
	length := roundLength(float64(w) / 3 * 2 / scale)
	cellsLong := int(math.Round(length * scale / 2))
	if foot < h && cellsLong >= 2 && cellsLong < w-8 {
		s := fmt.Sprintf("%g m", length)
		c.Text(x0+w-cellsLong-1-len(s), y0+foot, Label, s)
		for i := range cellsLong {
			c.Set(x0+w-cellsLong+i, y0+foot, '─', Label)
		}
	}
}

// brailleDot returns the bit of dot (x, y) of a braille cell, x 0-1, y 0-3
// (Unicode block U+2800).
func brailleDot(x, y int) uint8 {
	return [2][4]uint8{{0x01, 0x02, 0x04, 0x40}, {0x08, 0x10, 0x20, 0x80}}[x][y]
}

// carGlyph is an arrow along the car's heading when that is known and it moves.
func carGlyph(v *View) rune {
	if !known(v.Snap.Yaw) || !(v.Snap.Speed > walking) {
		return '◆'
	}
	return []rune("→↗↑↖←↙↓↘")[int(math.Round(v.Snap.Yaw/(math.Pi/4)))&7]
}

// roundLength returns the largest of 1, 2, 5 times a power of ten not above x.
func roundLength(x float64) float64 {
	if !(x > 0) {
		return 0
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	switch f := x / p; {
	case f >= 5:
		return 5 * p
	case f >= 2:
		return 2 * p
	}
	return p
}

// lapLegend explains the map in one line of at most w cells.
func lapLegend(w int) line {
	l := text(Good, "⠒ map").put(Slow, "  = map_slow").put(Coast, "  o coasting").put(Unsure, "  ? unproven").put(Bad, "  x unusable")
	if w >= 75 {
		l = l.put(Plain, "  S start  ").put(Alarm, "◆").put(Plain, " car")
	}
	return l
}
