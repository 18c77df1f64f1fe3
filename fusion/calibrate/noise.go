package calibrate

import "math"

// Coefficient is one term of a noise model.
type Coefficient struct {
	Value, Sigma float64 // 0 ± Sigma where the curve does not show the term
}

// Noise is the noise model of one axis, the terms of IEEE Std 952. U is the
// unit of the samples: rad/s or m/s^2.
type Noise struct {
	Quantisation Coefficient // U·s
	White        Coefficient // U/√Hz: angle or velocity random walk
	Instability  Coefficient // U: bias instability, the height of the floor over 0.664
	Walk         Coefficient // U·√Hz, that is U/s/√Hz: rate random walk
	Ramp         Coefficient // U/s: drift, warming up
}

// nNoise is how many terms there are.
const nNoise = 5

// floorOf is the Allan variance of flicker noise of bias instability 1.
const floorOf = 2 * math.Ln2 / math.Pi

// underrated is how many times the spread of the coefficients is that of the
// fit's covariance, for averaging times share data and terms are chosen by them:
// simulated, 200 runs of five kinds of noise gave 1.2 to 2.3.
const underrated = 1.8

// basis returns the Allan variance at tau (s) of each term with coefficient 1.
func basis(tau float64) [nNoise]float64 {
	return [nNoise]float64{3 / (tau * tau), 1 / tau, floorOf, tau / 3, tau * tau / 2}
}

// dev returns the Allan deviation of the model at tau (s).
func (n *Noise) dev(tau float64) float64 {
	b, sum := basis(tau), 0.0
	for i, c := range n.terms() {
		sum += b[i] * c.Value * c.Value
	}
	return math.Sqrt(sum)
}

func (n *Noise) terms() [nNoise]*Coefficient {
	return [nNoise]*Coefficient{&n.Quantisation, &n.White, &n.Instability, &n.Walk, &n.Ramp}
}

// fitNoise returns the noise model whose Allan variance is closest to the
// curve: least squares with every squared coefficient zero or more, each point
// weighted by its degrees of freedom (the variance of a variance estimate of ν
// degrees is 2σ⁴/ν). Only averaging times a factor of two apart are taken:
// they are nearly independent.
func fitNoise(curve []AllanPoint) (n Noise) {
	var pts []AllanPoint
	for _, p := range curve {
		if p.Dev > 0 && (len(pts) == 0 || p.Tau > 1.99*pts[len(pts)-1].Tau) {
			pts = append(pts, p)
		}
	}
	if len(pts) == 0 {
		return n
	}
	ref := make([]float64, len(pts)) // variance that scales each residual
	for i, p := range pts {
		ref[i] = p.Dev * p.Dev
	}
	var x [nNoise]float64
	var sets int
	for range 4 { // weights from the curve, then from the model
		x, sets = nonNegative(pts, ref)
		for i, p := range pts {
			b := basis(p.Tau)
			v := 0.0
			for k := range x {
				v += b[k] * x[k]
			}
			// A single point far above the model must not drown the others.
			ref[i] = math.Max(v, 0.3*p.Dev*p.Dev)
		}
	}
	for k, c := range n.terms() {
		c.Value = math.Sqrt(x[k])
		// The variance of x[k] when it stands among the terms in use.
		v := underrated * underrated * variance(pts, ref, sets|1<<k, k)
		if x[k] > 0 {
			c.Sigma = math.Sqrt(v) / (2 * c.Value)
		}
		// Near zero the square root is no straight line: what may still hide there.
		c.Sigma = math.Min(orInf(c.Sigma), math.Sqrt(math.Sqrt(v)))
	}
	return n
}

func orInf(v float64) float64 {
	if v > 0 {
		return v
	}
	return math.Inf(1)
}

// nonNegative solves for the squared coefficients by trying every set of terms.
func nonNegative(pts []AllanPoint, ref []float64) (best [nNoise]float64, set int) {
	cost := math.Inf(1)
	for s := 1; s < 1<<nNoise; s++ {
		x, ok := solveSet(pts, ref, s)
		if !ok {
			continue
		}
		c := 0.0
		for i, p := range pts {
			b, r := basis(p.Tau), p.Dev*p.Dev
			for k := range x {
				r -= b[k] * x[k]
			}
			c += p.EDF / 2 * r * r / (ref[i] * ref[i])
		}
		// A term must earn its place.
		c += 2 * float64(bits(s))
		if c < cost {
			cost, best, set = c, x, s
		}
	}
	return best, set
}

func bits(s int) (n int) {
	for ; s > 0; s &= s - 1 {
		n++
	}
	return n
}

// normal returns the normal equations of the terms in set, those outside it
// replaced by x = 0.
func normal(pts []AllanPoint, ref []float64, set int) (a [nNoise][nNoise]float64, r [nNoise]float64) {
	for i, p := range pts {
		b := basis(p.Tau)
		w := p.EDF / 2 / (ref[i] * ref[i])
		for j := range b {
			for k := range b {
				a[j][k] += w * b[j] * b[k]
			}
			r[j] += w * b[j] * p.Dev * p.Dev
		}
	}
	for j := range a {
		if set&(1<<j) == 0 {
			r[j] = 0
			for k := range a {
				a[j][k], a[k][j] = 0, 0
			}
			a[j][j] = 1
		}
	}
	return a, r
}

func solveSet(pts []AllanPoint, ref []float64, set int) (x [nNoise]float64, ok bool) {
	if bits(set) > len(pts) {
		return x, false
	}
	a, r := normal(pts, ref, set)
	x, ok = solve5(a, r)
	for k := range x {
		if set&(1<<k) != 0 && !(x[k] > 0) {
			return x, false
		}
	}
	return x, ok
}

// variance returns the variance of squared coefficient k with the terms in set.
func variance(pts []AllanPoint, ref []float64, set, k int) float64 {
	a, _ := normal(pts, ref, set)
	var e [nNoise]float64
	e[k] = 1
	x, ok := solve5(a, e)
	if !ok || !(x[k] > 0) {
		return math.Inf(1)
	}
	return x[k]
}

// solve5 solves a·x = r for a symmetric positive definite a, scaled to a unit
// diagonal first: the terms differ by many powers of ten.
func solve5(a [nNoise][nNoise]float64, r [nNoise]float64) (x [nNoise]float64, ok bool) {
	var d [nNoise]float64
	for i := range d {
		if !(a[i][i] > 0) {
			return x, false
		}
		d[i] = 1 / math.Sqrt(a[i][i])
	}
	for i := range a {
		for j := range a {
			a[i][j] *= d[i] * d[j]
		}
		r[i] *= d[i]
	}
	for i := range a {
		if !(a[i][i] > 1e-10) {
			return x, false
		}
		for j := i + 1; j < nNoise; j++ {
			g := a[j][i] / a[i][i]
			for k := i; k < nNoise; k++ {
				a[j][k] -= g * a[i][k]
			}
			r[j] -= g * r[i]
		}
	}
	for i := nNoise - 1; i >= 0; i-- {
		v := r[i]
		for k := i + 1; k < nNoise; k++ {
			v -= a[i][k] * x[k]
		}
		x[i] = v / a[i][i]
	}
	for i := range x {
		x[i] *= d[i]
	}
	return x, true
}
