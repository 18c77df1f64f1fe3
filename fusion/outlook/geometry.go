package outlook

import (
	"math"

	"kerbline/gnss/satellite"
)

// geometry sums lines of sight: the normal equations of a position with a clock for
// each constellation, the clocks eliminated.
type geometry struct {
	n   int
	of  [satellite.NSystems]int
	sum [satellite.NSystems][3]float64
	a   [3][3]float64
}

func (g *geometry) add(d *direction, system int) {
	se, ce := math.Sincos(d.el)
	sa, ca := math.Sincos(d.az)
	u := [3]float64{ce * sa, ce * ca, se}
	g.n++
	g.of[system]++
	for i := range 3 {
		g.sum[system][i] += u[i]
		for j := range 3 {
			g.a[i][j] += u[i] * u[j]
		}
	}
}

// systems counts the constellations that add something: one satellite goes into its
// own clock.
func (g *geometry) systems() (n int) {
	for _, k := range g.of {
		if k > 1 {
			n++
		}
	}
	return n
}

// hdop returns the horizontal dilution of precision, +Inf where the satellites give no
// position.
func (g *geometry) hdop() float64 {
	a := g.a
	for s, n := range g.of {
		if n == 0 {
			continue
		}
		for i := range 3 {
			for j := range 3 {
				a[i][j] -= g.sum[s][i] * g.sum[s][j] / float64(n)
			}
		}
	}
	minor := func(i, j, k, l int) float64 { return a[i][k]*a[j][l] - a[i][l]*a[j][k] }
	det := a[0][0]*minor(1, 2, 1, 2) - a[0][1]*minor(1, 2, 0, 2) + a[0][2]*minor(1, 2, 0, 1)
	if !(det > 1e-9) {
		return math.Inf(1)
	}
	ee, nn := minor(1, 2, 1, 2)/det, (a[0][0]*a[2][2]-a[0][2]*a[2][0])/det
	return math.Sqrt(ee + nn)
}
