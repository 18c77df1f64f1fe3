package eskf

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Roughness estimates the density of a sensor's noise at the frequencies that
// matter to dead reckoning from what it reads on the move. It looks at bands an
// octave apart, from some 5 to 35 Hz whatever the rate of the samples: fourth
// differences of samples that are smoothed and thinned out by two time and again
// with the weights 1 6 15 20 15 6 1, of which a vibration leaves next to nothing in the
// bands below its own.
//
// White noise, as of vibration folded down by sampling, has the same density in
// every band. The car's own motion, steering and road, is in the lowest ones, a
// vibration that the sensor resolves in its own; neither adds up in dead reckoning,
// so the band that shows least counts. The zero value is ready.
type Roughness struct {
	bands [roughLevels]band
	n2    [roughBands]r3.Vec  // density squared by band, each axis
	count [roughBands]float64 // values that it is the mean of
	first int                 // level of the highest band
}

const (
	roughBands  = 4
	roughLevels = 9     // up to 5 kHz
	roughStep   = 0.010 // s between the values of the highest band
	roughMemory = 3.0   // s
	roughLook   = 64    // samples after which the usual period is looked at again
	// roughLow is the variance that the least of the bands shows of white noise, of
	// simulations at 50 Hz to 1 kHz.
	roughLow = 0.85
)

// band holds the newest values of one level, each half as many as of the one before.
type band struct {
	ring [2 * taps]r3.Vec // each value twice, so that the newest lie in a row
	n    int              // values since the start
}

func (b *band) add(x r3.Vec) {
	i := b.n % taps
	b.ring[i], b.ring[i+taps] = x, x
	b.n++
}

// newest returns the values, oldest first.
func (b *band) newest() *[taps]r3.Vec { return (*[taps]r3.Vec)(b.ring[b.n%taps:]) }

// roughGain is the variance of a fourth difference at each level where that of
// samples is 1.
var roughGain = func() (g [roughLevels]float64) {
	kernel := []float64{1, -4, 6, -4, 1}
	for i := range g {
		for _, x := range kernel {
			g[i] += x * x
		}
		wide := make([]float64, 2*len(kernel)-2+taps) // of thinned values
		for j, x := range kernel {
			for k, w := range smooth {
				wide[2*j+k] += w * x
			}
		}
		kernel = wide
	}
	return g
}()

const taps = 7 // of the smoothing

var smooth = [taps]float64{1. / 64, 6. / 64, 15. / 64, 20. / 64, 15. / 64, 6. / 64, 1. / 64}

// Restart begins a new row of samples: what lies between is no noise.
func (q *Roughness) Restart() {
	for i := range q.bands {
		q.bands[i].n = 0
	}
}

// Push takes the next sample, period seconds after the one before.
func (q *Roughness) Push(x r3.Vec, period float64) {
	if q.bands[0].n%roughLook == 0 && period > 0 {
		q.first = max(0, min(roughLevels-roughBands, int(math.Round(math.Log2(roughStep/period)))))
	}
	for level := 0; ; level++ {
		b := &q.bands[level]
		b.add(x)
		if i := level - q.first; i >= 0 && b.n >= 5 {
			q.learn(i, b.rough(), period/roughGain[level], period*float64(int(1)<<level))
		}
		if level == q.first+roughBands-1 || b.n < taps || b.n%2 == 0 {
			return
		}
		x = b.smoothed()
	}
}

// smoothed returns the mean of the values.
func (b *band) smoothed() r3.Vec {
	x := b.newest()
	m := func(a, b, c, d, e, f, g float64) float64 { return ((a + g) + 6*(b+f) + 15*(c+e) + 20*d) / 64 }
	return r3.Vec{
		X: m(x[0].X, x[1].X, x[2].X, x[3].X, x[4].X, x[5].X, x[6].X),
		Y: m(x[0].Y, x[1].Y, x[2].Y, x[3].Y, x[4].Y, x[5].Y, x[6].Y),
		Z: m(x[0].Z, x[1].Z, x[2].Z, x[3].Z, x[4].Z, x[5].Z, x[6].Z),
	}
}

// rough returns the fourth difference of the newest values.
func (b *band) rough() r3.Vec {
	d := func(a, b, c, d, e float64) float64 { return a + e - 4*(b+d) + 6*c }
	x := (*[5]r3.Vec)(b.newest()[taps-5:])
	return r3.Vec{
		X: d(x[0].X, x[1].X, x[2].X, x[3].X, x[4].X),
		Y: d(x[0].Y, x[1].Y, x[2].Y, x[3].Y, x[4].Y),
		Z: d(x[0].Z, x[1].Z, x[2].Z, x[3].Z, x[4].Z),
	}
}

// learn takes second difference d of a band, step seconds after the one before; k
// makes of its square a density.
func (q *Roughness) learn(i int, d r3.Vec, k, step float64) {
	n := &q.n2[i]
	a := step / roughMemory
	if q.count[i] < roughMemory/step {
		q.count[i]++
		a = 1 / q.count[i]
	}
	n.X += a * (k*d.X*d.X - n.X)
	n.Y += a * (k*d.Y*d.Y - n.Y)
	n.Z += a * (k*d.Z*d.Z - n.Z)
}

// Density returns, along each axis, a noise density that covers the configured
// one and what the motion shows, in the unit of the samples over √Hz. Axes
// differ: a body pitches over a road ten times as much as it yaws.
func (q *Roughness) Density(configured float64) r3.Vec {
	least := q.n2[0]
	for _, n := range q.n2[1:] {
		least = r3.Vec{X: min(least.X, n.X), Y: min(least.Y, n.Y), Z: min(least.Z, n.Z)}
	}
	of := func(n2 float64) float64 { return math.Sqrt(max(configured*configured, n2/roughLow)) }
	return r3.Vec{X: of(least.X), Y: of(least.Y), Z: of(least.Z)}
}
