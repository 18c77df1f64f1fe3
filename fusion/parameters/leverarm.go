package parameters

import (
	"kerbline/fusion/integrity"

	"gonum.org/v1/gonum/spatial/r3"
)

// leverFit estimates how far the antenna is from where the settings have it,
// forward and left. An antenna that is elsewhere by δl moves by (R₂-R₁)·δl
// more than it should while the car turns from R₁ to R₂, whatever the position
// is.
type leverFit struct {
	ok   bool
	r    [3][3]float64    // attitude at the epoch before
	sum  integrity.Normal // Σ over all displacements
	mean integrity.Normal // the share of the means of blocks in it
	rows int
	n    int     // rows in the open block
	w    float64 // Σ 1/σ² in it
	// Σ of the two columns of A and of d in it, over σ², east and north.
	x, z, y [2]float64
}

// leverRows is how many displacements make a block: three seconds at 10 Hz, in
// which a bend turns the car and a drift goes on as it was.
const leverRows = 30

// add takes one displacement of the receiver less that of the filter, d (m,
// ENU), with 1 sigma (m), to the attitude r.
func (l *leverFit) add(d r3.Vec, r [3][3]float64, sigma float64) {
	if l.ok {
		w := 1 / (sigma * sigma)
		for i, y := range [2]float64{d.X, d.Y} {
			x, z := r[i][0]-l.r[i][0], r[i][1]-l.r[i][1]
			l.sum.Add(w, x, z, y)
			l.x[i] += w * x
			l.z[i] += w * z
			l.y[i] += w * y
		}
		l.w += w
		l.rows++
		if l.n++; l.n == leverRows {
			l.mean = l.means()
			l.n, l.w, l.x, l.z, l.y = 0, 0, [2]float64{}, [2]float64{}, [2]float64{}
		}
	}
	l.r, l.ok = r, true
}

// means returns the share of the means, the open block included.
func (l *leverFit) means() integrity.Normal {
	q := l.mean
	if l.n > 0 {
		for i := range 2 {
			q.Add(1/l.w, l.x[i], l.z[i], l.y[i])
		}
	}
	return q
}

// solve returns the offset, forward and left, m, and its 1 sigma.
func (l *leverFit) solve() (x, y, sx, sy float64) { return l.sum.Solve() }

// steady is solve for a position that may drift: that moves all displacements
// of a block alike, so only what differs from their mean counts.
func (l *leverFit) steady() (x, y, sx, sy float64) {
	q, m := l.sum, l.means()
	q.Sub(&m)
	return q.Solve()
}
