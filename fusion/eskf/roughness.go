package eskf

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Roughness estimates the density of a sensor's noise at the frequencies that
// matter to dead reckoning from what it says on the move: the means of blockMeans
// of samples, differenced twice so that the motion itself drops out. A block
// mean over T of noise with density n has variance n²/T, its second difference
// 6·n²/T.
//
// White noise, as of vibration folded down by sampling, shows the same density
// whatever the length of the blocks. Vibration that the sensor resolves shows
// less in longer ones, the car's own motion more; neither adds up in dead
// reckoning, so of two lengths the one that shows less counts. The zero value is
// ready.
type Roughness struct {
	short, long blockMeans
}

const (
	shortBlock = 2 // samples
	longBlock  = 8
)

// Restart begins a new row of blocks: what lies between is no noise.
func (q *Roughness) Restart() {
	q.short.restart()
	q.long.restart()
}

// Push takes the next sample, period seconds after the one before.
func (q *Roughness) Push(x r3.Vec, period float64) {
	q.short.push(x, period, shortBlock)
	q.long.push(x, period, longBlock)
}

// Density returns, along each axis, a noise density that covers the configured
// one and what the motion shows, in the unit of the samples over √Hz. Axes
// differ: a body pitches over a road ten times as much as it yaws.
func (q *Roughness) Density(configured float64) r3.Vec {
	of := func(a, b float64) float64 { return math.Sqrt(configured*configured + min(a, b)) }
	a, b := q.short.n2, q.long.n2
	return r3.Vec{X: of(a.X, b.X), Y: of(a.Y, b.Y), Z: of(a.Z, b.Z)}
}

// blockMeans are the means of blocks of one length.
type blockMeans struct {
	n      int
	sum    r3.Vec
	m1, m2 r3.Vec // the two means before
	row    int
	n2     r3.Vec // density squared, each axis
}

func (q *blockMeans) restart() { q.n, q.row, q.sum = 0, 0, r3.Vec{} }

func (q *blockMeans) push(x r3.Vec, period float64, length int) {
	q.sum = r3.Add(q.sum, x)
	if q.n++; q.n < length {
		return
	}
	mean := r3.Scale(1/float64(length), q.sum)
	q.n, q.sum = 0, r3.Vec{}
	if q.row++; q.row > 2 {
		const memory = 256 // samples
		d := r3.Add(r3.Sub(mean, r3.Scale(2, q.m1)), q.m2)
		k, a := float64(length)*period/6, float64(length)/memory
		v := r3.Vec{X: k * d.X * d.X, Y: k * d.Y * d.Y, Z: k * d.Z * d.Z}
		q.n2 = r3.Add(q.n2, r3.Scale(a, r3.Sub(v, q.n2)))
	}
	q.m2, q.m1 = q.m1, mean
}
