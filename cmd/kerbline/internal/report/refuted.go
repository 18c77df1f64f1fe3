package report

import (
	"math"

	"kerbline/fusion/day"
)

// refutedGap is the longest time in s between two vectors that are joined by a line.
const refutedGap = 3.0

// refutedFigure is the vector from where our own integers have the antenna to the
// receiver's fix, over time: a row an axis, with the same scale either way from zero.
// nil where no fix was refuted.
func refutedFigure(s *day.Session, w float64) *Figure {
	if len(s.Refuted) == 0 {
		return nil
	}
	axes := [3]struct {
		name string
		of   func(*day.Refuted) float64
	}{
		{"east", func(r *day.Refuted) float64 { return r.Off.E }},
		{"north", func(r *day.Refuted) float64 { return r.Off.N }},
		{"up", func(r *day.Refuted) float64 { return r.Off.U }},
	}
	most := 0.1
	for i := range s.Refuted {
		for _, a := range axes {
			most = math.Max(most, math.Abs(a.of(&s.Refuted[i])))
		}
	}
	most = roundUp(most)
	const each = 62.0
	f := &Figure{Name: "refuted", W: w, H: 3*(each+26) + axisRoom(s), Says: "vector of refuted fixes over time, east, north and up"}
	for i, a := range axes {
		p := newPlot(f, s, 20+float64(i)*(each+26), each, 2*most, "m")
		f.rect(stGround, p.x, p.y, p.w, p.h)
		for _, v := range []float64{-most, 0, most} {
			f.line(stGrid, pt{p.x, p.up(v + most)}, pt{p.x + p.w, p.up(v + most)})
			f.text(p.x-5, p.up(v+most)+4, end, figures(v))
		}
		f.text(p.x, p.y-5, begin, a.name+" of where our own integers have the antenna, m").bold = true
		var pts []pt
		last := math.Inf(-1)
		flush := func() {
			if len(pts) == 1 { // a single one is still seen
				pts = append(pts, pts[0].plus(2, pt{1, 0}))
			}
			f.line(stLine, pts...)
			pts = nil
		}
		for k := range s.Refuted {
			r := &s.Refuted[k]
			if r.X-last > refutedGap {
				flush()
			}
			last = r.X
			pts = append(pts, pt{p.at(r.X), p.up(a.of(r) + most)})
		}
		flush()
		p.frame()
		if i == len(axes)-1 {
			p.times(p.y + p.h)
		}
	}
	return f
}

// refuted is what that figure shows.
func refuted(s *day.Session) Table {
	t := Table{Name: "refuted", Header: []string{"x_s", "utc_s", "east_m", "north_m", "up_m"}}
	for i := range s.Refuted {
		r := &s.Refuted[i]
		t.Rows = append(t.Rows, []string{cell(r.X, 3), cell(s.UTC(r.X), 3), cell(r.Off.E, 3), cell(r.Off.N, 3), cell(r.Off.U, 3)})
	}
	return t
}
