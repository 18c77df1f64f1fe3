package course

import (
	"math"

	"kerbline/gnss/geodesy"
)

const (
	heightCells = 8192 // cells kept: some 2 km of a lap driven at several places across it
	heightCell  = 2.0  // m, side of a cell
	heightProbe = 16   // cells looked at for a free one before a point is left out
	// heightAge is how long ago, s, a cell must have been driven for what it says
	// to be of another lap.
	heightAge = 10.0
	// heightNoise is the error of one height of a fixed receiver, m, 1 sigma.
	// RTK class statement, 2 cm, and body roll; common practice.
	heightNoise = 0.03
	// heightSlope is how steep a track is, 1 sigma; common practice, no source.
	heightSlope = 0.05
	// heightShare is the weight of a new difference in the spread between laps.
	heightShare = 0.02
	// heightMost is how many points a cell counts for at most: later ones still count.
	heightMost = 200.0
	// heightFirst is the spread between laps before it was seen, m.
	heightFirst = 0.08
)

// Heights are the heights of the antenna learned of a lap: what a receiver said
// where it was believed. A wrong fix shows in height more than in any other axis.
type Heights struct {
	cell   [heightCells]heightMean
	n      int
	spread float64 // m², mean square of a lap's heights less those of earlier laps, 0 before the first
}

// heightMean is the mean of what was learned in one cell.
type heightMean struct {
	key     int64   // 0 is a free cell
	n       float64 // points
	e, u, h float64 // m, east, north and up, means
	t       float64 // host s of the newest
}

func heightKey(e, n int64) int64 { return (e+1<<30)<<32 | (n + 1<<30) }

// find returns the cell of a key, nil where it is not known, or a free one when
// there is room and add asks for it.
func (q *Heights) find(key int64, add bool) *heightMean {
	i := uint64(key) * 0x9e3779b97f4a7c15 >> 32 // Fibonacci hashing
	for k := range uint64(heightProbe) {
		c := &q.cell[(i+k)%heightCells]
		switch {
		case c.key == key:
			return c
		case c.key == 0 && add && q.n < heightCells*3/4:
			q.n++
			c.key = key
			return c
		case c.key == 0:
			return nil
		}
	}
	return nil
}

// Learn takes the place of a believed antenna at host time t.
func (q *Heights) Learn(p geodesy.ENU, t float64) {
	if h, _, ok := q.at(p, t-heightAge); ok {
		d := p.U - h
		if q.spread == 0 {
			q.spread = heightFirst * heightFirst
		}
		q.spread += heightShare * (d*d - q.spread)
	}
	c := q.find(heightKey(int64(math.Floor(p.E/heightCell)), int64(math.Floor(p.N/heightCell))), true)
	if c == nil {
		return
	}
	c.n = math.Min(c.n+1, heightMost)
	c.e += (p.E - c.e) / c.n
	c.u += (p.N - c.u) / c.n
	c.h += (p.U - c.h) / c.n
	c.t = t
}

// At returns the height learned at the horizontal place p, m, and its 1 sigma;
// ok is false where too little is known.
func (q *Heights) At(p geodesy.ENU) (h, sigma float64, ok bool) {
	h, v, ok := q.at(p, math.Inf(1))
	s := q.spread
	if s == 0 {
		s = heightFirst * heightFirst
	}
	return h, math.Sqrt(v + s), ok
}

// at fits a plane through the cells about p that were last driven before a host
// time: a + b·east + c·north, least squares with slopes kept near nought. v is
// the variance of a that results from the points' noise and place.
func (q *Heights) at(p geodesy.ENU, before float64) (h, v float64, ok bool) {
	ce, cn := int64(math.Floor(p.E/heightCell)), int64(math.Floor(p.N/heightCell))
	var a [3][4]float64 // normal equations, augmented
	near := math.Inf(1)
	for i := int64(-1); i <= 1; i++ {
		for j := int64(-1); j <= 1; j++ {
			c := q.find(heightKey(ce+i, cn+j), false)
			if c == nil || c.n == 0 || !(c.t < before) {
				continue
			}
			x := [3]float64{1, c.e - p.E, c.u - p.N}
			near = math.Min(near, math.Hypot(x[1], x[2]))
			w := 1 / (heightNoise * heightNoise)
			for r := range 3 {
				for s := range 3 {
					a[r][s] += w * x[r] * x[s]
				}
				a[r][3] += w * x[r] * (c.h - p.U)
			}
		}
	}
	if !(near < heightCell) {
		return 0, 0, false
	}
	a[1][1] += 1 / (heightSlope * heightSlope)
	a[2][2] += 1 / (heightSlope * heightSlope)
	// Eliminate the slopes.
	for _, k := range [2]int{2, 1} {
		for r := range k {
			f := a[r][k] / a[k][k]
			for s := range 4 {
				a[r][s] -= f * a[k][s]
			}
		}
	}
	return p.U + a[0][3]/a[0][0], 1 / a[0][0], true
}
