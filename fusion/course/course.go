// Package course holds the map: the centre line of the circuit with its half
// width, and answers where on the lap a position is.
//
// A course is read from GeoJSON (RFC 7946: WGS 84, [longitude, latitude] in
// degrees) by [Load], turned into local east-north-up metres by
// [Course.Bind], and asked by [Course.Locate]. Metres and radians; yaw is
// counter-clockwise from east; left of the driving direction, which is the
// order of the vertices, is positive. Everything is horizontal: heights are
// not looked at. Start at [Load].
package course

import (
	"fmt"
	"hash/fnv"
	"math"
	"sort"
	"strconv"

	"kerbline/gnss/geodesy"
)

// Course is one centre line. It is made by [Load] and not changed by anything
// but [Course.Bind], so bound it may be read from several goroutines.
type Course struct {
	name    string
	closed  bool
	lla     []geodesy.LLA
	hasH    bool      // every vertex came with a height
	half    []float64 // m at each vertex, NaN when the file gives none
	base    geodesy.ECEF
	hasBase bool
	bound   bool
	pts     []geodesy.ENU // the vertices in the bound frame
	segs    []segment
	length  float64 // m
}

// segment is one straight piece of the line with what Locate interpolates
// along it.
type segment struct {
	e, n      float64 // m, start
	ue, un    float64 // unit direction
	len       float64 // m
	s         float64 // m along the lap at the start
	yaw, dyaw float64 // rad: tangent at the start vertex, and its change to the next
	curv0     float64 // 1/m at the start vertex, left positive
	curv1     float64
	half0     float64 // m
	half1     float64
}

// Place is where on the course a position is.
type Place struct {
	S         float64 // m along the lap from the first vertex
	Cross     float64 // m left of the centre line
	Yaw       float64 // rad, driving direction here, counter-clockwise from east, (-π, π]
	HalfWidth float64 // m, NaN when the map gives none
	Curvature float64 // 1/m, left turns positive
	// OK says that the course is bound and the position is finite and on the
	// course or beside it: within twice the half width plus 5 m. With OK false
	// and a bound course the other fields still describe the nearest point.
	OK bool
}

// Length returns the length of the lap (closed) or of the line (open) in m.
func (c *Course) Length() float64 { return c.length }

// Closed reports whether the line is a lap.
func (c *Course) Closed() bool { return c.closed }

// Name returns the property "name" of the feature, or "".
func (c *Course) Name() string { return c.name }

// Fingerprint identifies a map: it is the same for the same line with the same
// widths, to a nanodegree and a millimetre.
func (c *Course) Fingerprint() string {
	h := fnv.New64a()
	for i, p := range c.lla {
		fmt.Fprintf(h, "%.9f %.9f %.3f\n", p.Lat/geodesy.Degree, p.Lon/geodesy.Degree, c.half[i])
	}
	fmt.Fprint(h, c.closed)
	return strconv.FormatUint(h.Sum64(), 16)
}

// Base returns where the base stood when the map was surveyed, and whether the file
// says so.
func (c *Course) Base() (geodesy.ECEF, bool) { return c.base, c.hasBase }

// Origin returns the first vertex; its height is 0 when the file gives none.
func (c *Course) Origin() geodesy.LLA { return c.lla[0] }

// Vertices returns the corners of the centre line in the bound frame (m), in
// driving order, the first not repeated at the end of a lap. The slice is the
// course's own: read only. Before Bind it is in a frame at the first vertex.
func (c *Course) Vertices() []geodesy.ENU { return c.pts }

// Bind puts the course into frame. Vertices without a height are taken at the
// height of the frame's origin.
func (c *Course) Bind(frame geodesy.Frame) {
	c.place(frame)
	c.bound = true
}

// window over which the curvature is taken, m to each side of a vertex: a
// surveyed line has vertices a metre apart with centimetres of noise, and
// turn angle over one spacing would be noise only.
const curvatureWindow = 2.5

// place computes the segments in frame.
func (c *Course) place(frame geodesy.Frame) {
	n := len(c.lla)
	c.pts = make([]geodesy.ENU, n)
	h := frame.Origin().H
	for i, p := range c.lla {
		if !c.hasH {
			p.H = h
		}
		c.pts[i] = frame.FromLLA(p)
	}
	m := n
	if !c.closed {
		m--
	}
	c.segs = make([]segment, m)
	c.length = 0
	for i := range c.segs {
		a, b := c.pts[i], c.pts[(i+1)%n]
		l := math.Hypot(b.E-a.E, b.N-a.N)
		c.segs[i] = segment{e: a.E, n: a.N, ue: (b.E - a.E) / l, un: (b.N - a.N) / l, len: l, s: c.length,
			half0: c.half[i], half1: c.half[(i+1)%n]}
		c.length += l
	}
	c.tangents()
}

// tangents gives each vertex the tangent of the circle through it and its
// neighbours, and from these the curvature.
func (c *Course) tangents() {
	n, m := len(c.pts), len(c.segs)
	dir := func(i int) float64 { return math.Atan2(c.segs[i].un, c.segs[i].ue) }
	yaw := make([]float64, n)
	for i := range yaw {
		switch {
		case !c.closed && i == 0:
			yaw[i] = dir(0)
		case !c.closed && i == n-1:
			yaw[i] = dir(m - 1)
		default:
			in := (i - 1 + m) % m
			a, turn := dir(in), wrap(dir(i%m)-dir(in))
			l1, l2 := c.segs[in].len, c.segs[i%m].len
			// The tangent leans towards the shorter chord, whose direction is
			// nearer to it.
			yaw[i] = a + turn*l1/(l1+l2)
		}
	}
	// Unwrapped along the line, so that differences over a window are turns.
	unwrapped := make([]float64, m+1)
	unwrapped[0] = yaw[0]
	for i := range c.segs {
		d := wrap(yaw[(i+1)%n] - yaw[i])
		c.segs[i].yaw, c.segs[i].dyaw = yaw[i], d
		unwrapped[i+1] = unwrapped[i] + d
	}
	turning := unwrapped[m] - unwrapped[0] // of one lap
	at := func(s float64) float64 {
		lap := 0.0
		if c.closed {
			lap = math.Floor(s / c.length)
			s -= lap * c.length
		}
		i := c.segmentAt(s)
		u := math.Min(math.Max((s-c.segs[i].s)/c.segs[i].len, 0), 1)
		return unwrapped[i] + u*c.segs[i].dyaw + lap*turning
	}
	for i := range m + 1 {
		s := c.length
		if i < m {
			s = c.segs[i].s
		}
		a, b := s-curvatureWindow, s+curvatureWindow
		if !c.closed {
			a, b = math.Max(a, 0), math.Min(b, c.length)
		}
		k := (at(b) - at(a)) / (b - a)
		if i < m {
			c.segs[i].curv0 = k
		}
		if i > 0 {
			c.segs[i-1].curv1 = k
		}
	}
}

// segmentAt returns the segment that holds s, clamped to the line.
func (c *Course) segmentAt(s float64) int {
	i := sort.Search(len(c.segs), func(i int) bool { return c.segs[i].s > s }) - 1
	return max(i, 0)
}

// At returns the place on the centre line s metres along the lap and its
// position in the bound frame (U of the nearer vertex). Beyond its ends a lap
// goes round; an open line is clamped.
func (c *Course) At(s float64) (Place, geodesy.ENU) {
	if !c.bound || math.IsNaN(s) || math.IsInf(s, 0) {
		return nowhere(), geodesy.ENU{}
	}
	if c.closed {
		s -= math.Floor(s/c.length) * c.length
	}
	s = math.Min(math.Max(s, 0), c.length)
	i := c.segmentAt(s)
	g := &c.segs[i]
	t := math.Min(s-g.s, g.len)
	pl := c.interpolate(i, t)
	pl.OK = true
	v := i
	if t > g.len/2 {
		v = (i + 1) % len(c.pts)
	}
	return pl, geodesy.ENU{E: g.e + t*g.ue, N: g.n + t*g.un, U: c.pts[v].U}
}

// interpolate fills a Place t metres along segment i.
func (c *Course) interpolate(i int, t float64) Place {
	g := &c.segs[i]
	u := t / g.len
	s := g.s + t
	if c.closed && s >= c.length {
		s -= c.length
	}
	return Place{
		S:         s,
		Yaw:       wrap(g.yaw + u*g.dyaw),
		HalfWidth: g.half0 + u*(g.half1-g.half0),
		Curvature: g.curv0 + u*(g.curv1-g.curv0),
	}
}

func nowhere() Place {
	nan := math.NaN()
	return Place{S: nan, Cross: nan, Yaw: nan, HalfWidth: nan, Curvature: nan}
}

// wrap brings an angle into (-π, π].
func wrap(a float64) float64 {
	a = math.Remainder(a, 2*math.Pi)
	if a <= -math.Pi {
		a = math.Pi
	}
	return a
}
