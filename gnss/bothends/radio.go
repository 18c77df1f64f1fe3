package bothends

import "math"

// Radio describes the correction radio. Zero values mean unknown.
type Radio struct {
	MHz       float64 // carrier frequency
	PowerDBm  float64 // transmitter power
	Gains     float64 // dBi, of both antennas together, cable losses taken off
	FloorDBm  float64 // receiver sensitivity
	Base, Car float64 // m, antenna heights above the ground
}

// Known reports whether a budget can be drawn up.
func (r *Radio) Known() bool {
	return r.MHz > 0 && r.FloorDBm < 0 && r.Base > 0 && r.Car > 0
}

// freeSpace returns the free-space basic transmission loss in dB over d m at f MHz:
// 32.4 + 20 log f + 20 log d(km), the form of Recommendation ITU-R P.525 (from memory).
func freeSpace(f, d float64) float64 {
	return 32.4 + 20*math.Log10(f) + 20*math.Log10(max(d, 1)/1000)
}

// fresnel returns the radius in m of the first Fresnel ellipsoid at f MHz at the
// distances d1 and d2 in m from the two ends: 550 sqrt(d1 d2 / ((d1 + d2) f)) with
// km and MHz, Recommendation ITU-R P.526-8, equation 3.
func fresnel(f, d1, d2 float64) float64 {
	if d1+d2 <= 0 {
		return 0
	}
	return 550 * math.Sqrt(d1/1000*d2/1000/((d1+d2)/1000*f))
}

// clearance is the share of the first Fresnel zone that must be free of the ground
// (common practice, no source; a knife edge there costs next to nothing).
const clearance = 0.6

// Budget returns, over level ground, the margin in dB at d m, and whether the ground
// leaves 0.6 of the first Fresnel zone free everywhere. Where it does not, the loss is
// at least that over a plane, 40 log d - 20 log(h1 h2), the textbook's two-ray limit.
func (r *Radio) Budget(d float64) (margin float64, sight bool) {
	if !r.Known() || !(d > 0) {
		return math.NaN(), false
	}
	loss := freeSpace(r.MHz, d)
	sight = true
	const steps = 64
	for i := 1; i < steps; i++ {
		x := d * float64(i) / steps
		height := r.Base + (r.Car-r.Base)*x/d
		if height < clearance*fresnel(r.MHz, x, d-x) {
			sight = false
			break
		}
	}
	if !sight {
		loss = max(loss, 40*math.Log10(d)-20*math.Log10(r.Base*r.Car))
	}
	return r.PowerDBm + r.Gains - loss - r.FloorDBm, sight
}

// Reach returns the distance in m up to which the ground leaves the first Fresnel
// zone free by 0.6, searched to 20 km.
func (r *Radio) Reach() float64 {
	if !r.Known() {
		return math.NaN()
	}
	lo, hi := 1.0, 20e3
	if _, ok := r.Budget(hi); ok {
		return hi
	}
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if _, ok := r.Budget(mid); ok {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}
