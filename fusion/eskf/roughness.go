package eskf

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Roughness estimates the density of a sensor's noise at the frequencies that
// matter to dead reckoning from what it says on the move: the means of blocks
// of samples, differenced twice so that the motion itself drops out. A block
// mean over T of noise with density n has variance n²/T, its second difference
// 6·n²/T. Vibration is seldom white, so the difference of single samples would
// not do. The zero value is ready.
type Roughness struct {
	n      int
	sum    r3.Vec
	m1, m2 r3.Vec // the two block means before
	blocks int
	n2     float64 // density squared, one axis
}

const roughBlock = 8 // samples

// Restart begins a new row of blocks: what lies between is no noise.
func (q *Roughness) Restart() { q.n, q.blocks, q.sum = 0, 0, r3.Vec{} }

// Push takes the next sample, period seconds after the one before.
func (q *Roughness) Push(x r3.Vec, period float64) {
	q.sum = r3.Add(q.sum, x)
	if q.n++; q.n < roughBlock {
		return
	}
	mean := r3.Scale(1.0/roughBlock, q.sum)
	q.n, q.sum = 0, r3.Vec{}
	if q.blocks++; q.blocks > 2 {
		d := r3.Add(r3.Sub(mean, r3.Scale(2, q.m1)), q.m2)
		v := r3.Norm2(d) / 3 * roughBlock * period / 6
		q.n2 += 0.03 * (v - q.n2) // about a second
	}
	q.m2, q.m1 = q.m1, mean
}

// Density returns a noise density that covers the configured one and what the
// motion shows, in the unit of the samples over √Hz.
func (q *Roughness) Density(configured float64) float64 {
	return math.Sqrt(configured*configured + q.n2)
}
