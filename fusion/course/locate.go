package course

import (
	"math"

	"kerbline/gnss/geodesy"
)

const (
	// beside is how far from the line, beyond twice the half width, a position
	// still counts as beside the course, m.
	beside = 5.0
	// verge is how far beyond the half width continuity is still believed
	// without looking at the rest of the course, m.
	verge = 1.0
	// better is how much nearer another part of the course must then be to be
	// taken instead, m.
	better = 3.0
	// bump is how far the walk along the line goes on while the line leads
	// away from the position, m: past a kink, not round a hairpin.
	bump = 3.0
	// widthUnknown stands in for a half width the map does not give, m.
	widthUnknown = 5.0
)

// Locate returns where p is. It allocates nothing.
//
// hint carries continuity from call to call: start it at -1 and pass the same
// variable each time; it then holds a segment number. From it the search walks
// along the line while that leads nearer, so where the course passes close to
// itself the answer stays on the part the car is on. Only when that answer is
// off the course by more than 1 m is the whole line looked at, and another
// part taken if it is nearer by 3 m. With a nil hint the whole line is searched.
func (c *Course) Locate(p geodesy.ENU, hint *int) Place {
	if !c.bound || math.IsNaN(p.E+p.N) || math.IsInf(p.E+p.N, 0) {
		return nowhere()
	}
	var best int
	var t, d2 float64
	if hint != nil && *hint >= 0 && *hint < len(c.segs) {
		best, t, d2 = c.near(p, *hint)
		if d := math.Sqrt(d2); d > c.width(best)+verge {
			if i, u, g2 := c.search(p, 0, len(c.segs)); math.Sqrt(g2)+better < d {
				best, t, d2 = i, u, g2
			}
		}
	} else {
		best, t, d2 = c.search(p, 0, len(c.segs))
	}
	if hint != nil {
		*hint = best
	}
	g := &c.segs[best]
	pl := c.interpolate(best, t)
	// The sign comes from the smooth tangent: at a corner the nearest point is
	// the vertex itself, and neither chord alone separates left from right.
	sin, cos := math.Sincos(pl.Yaw)
	e, n := p.E-(g.e+t*g.ue), p.N-(g.n+t*g.un)
	pl.Cross = math.Copysign(math.Sqrt(d2), cos*n-sin*e)
	pl.OK = math.Sqrt(d2) <= 2*c.width(best)+beside
	return pl
}

// width is the larger half width of segment i, m.
func (c *Course) width(i int) float64 {
	w := math.Max(c.segs[i].half0, c.segs[i].half1)
	if math.IsNaN(w) {
		return widthUnknown
	}
	return w
}

// near walks from segment hint both ways.
func (c *Course) near(p geodesy.ENU, hint int) (best int, t, d2 float64) {
	best, t, d2 = c.search(p, hint, hint+1)
	n := len(c.segs)
	for _, step := range [2]int{1, -1} {
		i, away := hint, 0.0
		for k := 1; k < n && away <= bump; k++ {
			i += step
			if i < 0 || i >= n {
				if !c.closed {
					break
				}
				i = (i + n) % n
			}
			if j, u, q2 := c.search(p, i, i+1); q2 < d2 {
				best, t, d2 = j, u, q2
				away = 0
			} else {
				away += c.segs[i].len
			}
		}
	}
	return best, t, d2
}

// search returns the nearest of the segments [from, to): its number, the way
// along it and the squared distance to p.
func (c *Course) search(p geodesy.ENU, from, to int) (best int, t, d2 float64) {
	best, d2 = from, math.Inf(1)
	for i := from; i < to; i++ {
		g := &c.segs[i]
		e, n := p.E-g.e, p.N-g.n
		u := e*g.ue + n*g.un
		if u < 0 {
			u = 0
		} else if u > g.len {
			u = g.len
		}
		e -= u * g.ue
		n -= u * g.un
		if q := e*e + n*n; q < d2 {
			best, t, d2 = i, u, q
		}
	}
	return best, t, d2
}
