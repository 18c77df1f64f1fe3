package tui

import (
	"fmt"
	"math"

	"kerbline/fusion/words"
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

// chart is the lap on a rectangle of w by h cells of 2 by 4 dots each, north up.
type chart struct {
	w, h   int
	foot   int // the row of the scale, h where there is no room for one
	origin geodesy.LLA
	e, n   float64 // m from the origin, the middle
	scale  float64 // dots a metre
	cells  []lapCell
}

// lapCell is what one cell of the chart holds.
type lapCell struct {
	dots   uint8   // braille dots of the course
	driven uint8   // and of the trail
	seen   bool    // the car was here
	l      look    // what the verdict was
	t      float64 // when, last
}

// flat returns p in m east and north of the origin.
func (k *chart) flat(p geodesy.LLA) (e, n float64) {
	return (p.Lon - k.origin.Lon) * geodesy.A * math.Cos(k.origin.Lat), (p.Lat - k.origin.Lat) * geodesy.A
}

// newChart fits course, trail and car into the rectangle; ok is false where
// nothing of them can be drawn.
func newChart(w, h int, v *View, car bool) (k *chart, ok bool) {
	k = &chart{w: w, h: h, foot: h - 1, cells: make([]lapCell, w*h)}
	if h < 8 {
		k.foot = h
	}
	var all []geodesy.LLA
	switch {
	case len(v.Course) > 0:
		all = v.Course
	default:
		for i := range v.Trail {
			all = append(all, v.Trail[i].Pos)
		}
	}
	if car {
		all = append(all[:len(all):len(all)], v.Snap.Pos)
	}
	if len(all) == 0 {
		return k, false
	}
	k.origin = all[0]
	minE, maxE, minN, maxN := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, p := range all {
		e, n := k.flat(p)
		// A fix thrown across the globe must not shrink the lap to a dot.
		if math.Abs(e) > 2e4 || math.Abs(n) > 2e4 || !p.Valid() {
			continue
		}
		minE, maxE, minN, maxN = min(minE, e), max(maxE, e), min(minN, n), max(maxN, n)
	}
	k.scale = min(float64(w*2-3)/max(maxE-minE, 20), float64(k.foot*4-3)/max(maxN-minN, 20))
	k.e, k.n = (minE+maxE)/2, (minN+maxN)/2
	return k, minE <= maxE
}

// dot returns the dot of p, where it lies in the rectangle.
func (k *chart) dot(p geodesy.LLA) (x, y int, ok bool) {
	e, n := k.flat(p)
	fx := float64(k.w) + (e-k.e)*k.scale
	fy := float64(k.foot*2) - (n-k.n)*k.scale
	if !(fx >= 0 && fy >= 0 && fx < float64(k.w*2) && fy < float64(k.h*4)) {
		return 0, 0, false
	}
	return int(fx), int(fy), true
}

// course marks straight pieces between the vertices.
func (k *chart) course(v *View) {
	n := len(v.Course)
	last := n - 1
	if v.Closed {
		last = n
	}
	for i := range last {
		a, b := v.Course[i], v.Course[(i+1)%n]
		steps := int(min(flatDist(a, b)*k.scale*1.5, 4000)) + 1
		for j := range steps {
			f := float64(j) / float64(steps)
			if x, y, ok := k.dot(geodesy.LLA{Lat: a.Lat + f*(b.Lat-a.Lat), Lon: a.Lon + f*(b.Lon-a.Lon)}); ok {
				k.cells[(y/4)*k.w+x/2].dots |= brailleDot(x%2, y%4)
			}
		}
	}
}

// trail marks where the verdict was what: of the last lap only, since marks of
// an earlier one, a metre beside it, would stay in the cells next to the line.
func (k *chart) trail(v *View) {
	from, driven := 0, 0.0
	for i := len(v.Trail) - 1; i > 0; i-- {
		driven += flatDist(v.Trail[i].Pos, v.Trail[i-1].Pos)
		if driven > v.Snap.LapLength && v.Snap.LapLength > 0 {
			from = i
			break
		}
	}
	for _, p := range v.Trail[from:] {
		x, y, ok := k.dot(p.Pos)
		if !ok {
			continue
		}
		q := &k.cells[(y/4)*k.w+x/2]
		q.driven |= brailleDot(x%2, y%4)
		if l := p.look(); !q.seen || p.T-q.t > revisit || severity[l] > severity[q.l] {
			q.l = l
		}
		q.seen, q.t = true, p.T
	}
}

// drawLap draws the course, where the verdict was what, and the car into a
// rectangle.
func drawLap(c *Canvas, x0, y0, w, h int, v *View) {
	if w < 6 || h < 3 {
		return
	}
	car := v.Snap.HasPos && v.Snap.Pos.Valid()
	if len(v.Course) == 0 && len(v.Trail) == 0 && !car {
		c.put(x0, y0+h/2, w, text(Label, "no map, no position yet"))
		return
	}
	k, ok := newChart(w, h, v, car)
	if !ok {
		c.put(x0, y0+h/2, w, text(Label, "no position that can be drawn"))
		return
	}
	k.course(v)
	k.trail(v)
	for i := range k.cells {
		q := &k.cells[i]
		x, y := x0+i%w, y0+i/w
		switch {
		case q.seen && q.l != lookGood:
			c.Set(x, y, q.l.trailGlyph(), textStyles[q.l])
		case q.seen && q.dots != 0:
			c.Set(x, y, 0x2800+rune(q.dots), Good)
		case q.seen: // driven beside the course line, or there is none
			c.Set(x, y, 0x2800+rune(q.driven), Good)
		case q.dots != 0:
			c.Set(x, y, 0x2800+rune(q.dots), Rule)
		}
	}
	mark := func(p geodesy.LLA, r rune, s Style) {
		if x, y, ok := k.dot(p); ok {
			c.Set(x0+x/2, y0+y/4, r, s)
		}
	}
	if len(v.Course) > 0 {
		mark(v.Course[0], 'S', Strong)
	}
	if car {
		mark(v.Snap.Pos, carGlyph(v), Alarm)
	}
	// A round length to compare with the lap.
	length := roundLength(float64(w) / 3 * 2 / k.scale)
	cellsLong := int(math.Round(length * k.scale / 2))
	if k.foot < h && cellsLong >= 2 && cellsLong < w-8 {
		s := fmt.Sprintf("%g m", length)
		c.Text(x0+w-cellsLong-1-len(s), y0+k.foot, Label, s)
		for i := range cellsLong {
			c.Set(x0+w-cellsLong+i, y0+k.foot, '─', Label)
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
	if !known(v.Snap.Yaw) || !(v.Snap.Speed > words.Walking) {
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
