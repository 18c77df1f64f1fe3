package calibrate

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
)

// prior is how far the parameters may be from where the search begins, 1
// sigma: wide, only to keep what the recording does not show where it was.
var prior = params{2, 2, 2, 0.1, 0.2, 0.1, 0.05, 0.01, 1}

// step is how far each is moved for its derivative. The latency moves epochs past
// wheel samples, so it moves by little.
var step = params{1e-3, 1e-3, 1e-3, 1e-6, 1e-4, 1e-4, 1e-5, 1e-5, 1e-3}

const (
	memory  = 30   // s, how long errors may be related
	maxIter = 12   // of the search
	refits  = 4    // of them fit the noise as well
	stamps  = 1e-3 // s, 1 sigma of what the settings say of the latency of IMU and wheel
	tick    = 5e-4 // s, 1 sigma of the host times of epochs: whole milliseconds, the lowest of many
	tyre    = 5e-5 // how much warmth and load change the scale of a wheel at the least
	shift   = 1e-6 // s, for the derivative by those
)

// stages are how much noise is added while the parameters are still far off.
var stages = [...]loosen{{0.5, 0.3, 0.5}, {0.05, 0.05, 0.1}, {}}

// estimate is where the search ended.
type estimate struct {
	x       params
	cov     [nPar][nPar]float64
	perIMU  params // change of each with a later time of the inertial samples, per s
	used    int    // epochs
	settled bool
	axes    string // what is wrong with the gyro's axes, in words; put right since
	begin   eskf.State
	end     eskf.Filter
}

// sigma returns the standard deviation of parameter p.
func (est *estimate) sigma(p int) float64 { return math.Sqrt(est.cov[p][p]) }

// jacobian is the derivative of the whitened innovations by each parameter, nil
// for those that are held.
type jacobian [nPar][]float64

// estimate finds the parameters under which the innovations are smallest:
// Gauss-Newton on the whitened innovations, with wide priors about where the
// search begins. progress may be nil.
func (d *drive) estimate(r *reading, progress func(done, total int)) estimate {
	a := d.rec.Lever
	x0 := params{a[0], a[1], a[2], d.rec.GNSS.Latency}
	if !math.IsNaN(r.latency) {
		x0[pLatency] = r.latency
	}
	var free [nPar]bool
	for p := range free {
		free[p] = p != pScale || len(d.rec.Wheel) > 0
	}
	d.listAids(&x0)
	est := estimate{x: x0, axes: d.gyroAxes(&x0)}
	var bases [2]trace
	var base *trace
	var moved trace
	done := 0
	tell := func() {
		if done++; progress != nil {
			progress(min(done, maxIter*(nPar+1)), maxIter*(nPar+1))
		}
	}
	for it := 0; it < maxIter && !est.settled; it++ {
		l := stages[min(it, len(stages)-1)]
		x := est.x
		fits := it - len(stages) + 1 // noise fitted so far
		// Once the noise is fitted the same observations count to the end: a gate
		// that opens and shuts would keep the search from settling.
		before := base
		if fits <= refits {
			before = nil
		}
		base = &bases[it%2]
		d.pass(&x, l, before, base, true)
		tell()
		res, at := d.residuals(base, base)
		// The derivative of the innovations from base to what x and d are now.
		change := func(y *params, by float64) []float64 {
			d.pass(y, l, base, &moved, false)
			v, _ := d.residuals(base, &moved)
			for i := range v {
				v[i] = (v[i] - res[i]) / by
			}
			return v
		}
		var jac jacobian
		for p := range nPar {
			if tell(); free[p] {
				y := x
				y[p] += step[p]
				jac[p] = change(&y, step[p])
			}
		}
		a, b := normalEquations(&jac, res, &x, &x0)
		inv, ok := invert(a)
		if !ok {
			return est
		}
		est.settled = fits >= refits
		for p := range nPar {
			dx := 0.0
			for q := range nPar {
				dx += inv[p][q] * b[q]
			}
			est.settled = est.settled && math.Abs(dx) < 0.1*math.Sqrt(inv[p][p])
			est.x[p] += dx
		}
		if est.settled || it == maxIter-1 {
			est.cov = spread(&inv, &jac, res, at)
			d.late = shift
			late := change(&x, shift)
			d.late = 0
			est.considerStamps(&inv, &jac, late)
			break
		}
		if fits >= 0 && fits < refits {
			d.refit(base)
		}
	}
	for i := range d.rec.Epochs {
		if base.obs[i].n > 0 {
			est.used++
		}
	}
	d.start(&est.x)
	est.begin, est.end = d.nav.Filter.State, base.end
	return est
}

// misfit returns how badly the parameters explain the drive, with the noise
// that the search begins with.
func (d *drive) misfit(x *params) float64 {
	var t trace
	d.pass(x, stages[0], nil, &t, false)
	return t.misfit
}

// gyroAxes tries whether the drive is explained decidedly better with the gyro's
// horizontal axes negative or exchanged, which gravity and course cannot show. It
// returns what is wrong in words, "" for nothing, and turns the samples right.
func (d *drive) gyroAxes(x *params) (what string) {
	// A likelihood ratio of e^-50, misfits being twice the logarithm: not by chance.
	best, as := d.misfit(x)-100, -1
	turns := [...]struct {
		what string
		of   func(w r3.Vec) r3.Vec
	}{
		{"gyro: its forward axis is negative", func(w r3.Vec) r3.Vec { return r3.Vec{X: -w.X, Y: w.Y, Z: w.Z} }},
		{"gyro: its left axis is negative", func(w r3.Vec) r3.Vec { return r3.Vec{X: w.X, Y: -w.Y, Z: w.Z} }},
		{"gyro: its forward and left axes are negative", func(w r3.Vec) r3.Vec { return r3.Vec{X: -w.X, Y: -w.Y, Z: w.Z} }},
		{"gyro: its forward and left axes are exchanged", func(w r3.Vec) r3.Vec { return r3.Vec{X: w.Y, Y: w.X, Z: w.Z} }},
	}
	imu, rest := d.rec.IMU, d.restW
	turned := make([]navigation.Sample, len(imu))
	for i := range turns {
		for k, s := range imu {
			s.W = turns[i].of(s.W)
			turned[k] = s
		}
		d.rec.IMU, d.restW = turned, turns[i].of(rest)
		if m := d.misfit(x); m < best {
			best, as = m, i
		}
	}
	d.rec.IMU, d.restW = imu, rest
	if as < 0 {
		return ""
	}
	for k := range imu {
		imu[k].W = turns[as].of(imu[k].W)
	}
	d.restW = turns[as].of(rest)
	return turns[as].what + ": the drive is explained far better that way; the accelerometer's are right"
}

// normalEquations returns Σ JᵀJ + P⁻¹ and -Σ Jᵀe - P⁻¹·(x - x0), P the prior.
func normalEquations(jac *jacobian, res []float64, x, x0 *params) (a [nPar][nPar]float64, b params) {
	for p := range nPar {
		if jac[p] == nil {
			a[p][p] = 1
			continue
		}
		w := 1 / (prior[p] * prior[p])
		a[p][p] = w
		b[p] = -w * (x[p] - x0[p])
		for i, v := range jac[p] {
			b[p] -= v * res[i]
		}
		for q := 0; q <= p; q++ {
			s := 0.0
			for i, v := range jac[q] {
				s += jac[p][i] * v
			}
			a[p][q] += s
			a[q][p] = a[p][q]
		}
	}
	return a, b
}

// refit brings the noise of each kind of observation to the size that its
// innovations have.
func (d *drive) refit(t *trace) {
	var sum, n fit
	for i := range t.obs {
		w := &t.obs[i]
		y := w.solve(w.y)
		k := i - len(d.rec.Epochs)
		switch {
		case w.n == 0:
		case k < 0:
			for j := range w.n {
				sum.pos += y[j] * y[j]
				n.pos++
			}
		case k%2 == 0:
			sum.wheel += y[0] * y[0]
			n.wheel++
		default:
			sum.side += y[0] * y[0]
			n.side++
			sum.up += y[1] * y[1]
			n.up++
		}
	}
	scale := func(f *float64, sum, n, least float64) {
		if n > 100 {
			*f = math.Max(least, math.Min(5, *f*math.Sqrt(sum/n)))
		}
	}
	scale(&d.fit.pos, sum.pos, n.pos, 0.4)
	scale(&d.fit.wheel, sum.wheel, n.wheel, 0.5)
	scale(&d.fit.side, sum.side, n.side, slideTrust)
	scale(&d.fit.up, sum.up, n.up, slideTrust)
}

// residuals returns the innovations of t whitened by the covariances of base,
// and the second each belongs to. An observation that fell off the end of t
// counts as unmoved.
func (d *drive) residuals(base, t *trace) (e []float64, at []int) {
	for i := range base.obs {
		w := &base.obs[i]
		if w.n == 0 {
			continue
		}
		when := 0.0
		if i < len(d.rec.Epochs) {
			when = d.rec.Epochs[i].T
		} else {
			when = d.aids[(i-len(d.rec.Epochs))/2].t
		}
		o := &t.obs[i]
		if o.n == 0 {
			o = w
		}
		y := w.solve(o.y)
		for k := range w.n {
			e = append(e, y[k])
			at = append(at, int(when))
		}
	}
	return e, at
}

// spread returns the covariance, widened to what the scores themselves show.
// Whitened innovations should be unrelated; where they are not - errors that
// last longer than the filter thinks, tyres that slip otherwise than the model -
// the covariance of the estimate is A⁻¹·B·A⁻¹ with B the long-run covariance of
// the scores (Newey and West 1987, Bartlett weights). The larger variance counts.
func spread(inv *[nPar][nPar]float64, jac *jacobian, res []float64, at []int) [nPar][nPar]float64 {
	lo, hi := math.MaxInt, math.MinInt
	for _, s := range at {
		lo, hi = min(lo, s), max(hi, s)
	}
	cov := *inv
	if len(at) == 0 {
		return cov
	}
	g := make([]params, hi-lo+1) // scores by second
	for p := range jac {
		for i, v := range jac[p] {
			g[at[i]-lo][p] += v * res[i]
		}
	}
	var b [nPar][nPar]float64
	for lag := 0; lag <= memory && lag < len(g); lag++ {
		w := 1 - float64(lag)/(memory+1)
		for i := lag; i < len(g); i++ {
			for p := range nPar {
				for q := range nPar {
					v := w * g[i][p] * g[i-lag][q]
					b[p][q] += v
					if lag > 0 {
						b[q][p] += v
					}
				}
			}
		}
	}
	for p := range nPar {
		v := 0.0
		for i := range nPar {
			for j := range nPar {
				v += inv[p][i] * b[i][j] * inv[j][p]
			}
		}
		cov[p][p] = math.Max(inv[p][p], v)
	}
	return cov
}

// considerStamps adds what the times of the sensors may be off. late is the
// derivative of the innovations by a later time of the wheel samples, per s. Later
// inertial samples are the same as earlier wheel samples and epochs.
func (est *estimate) considerStamps(inv *[nPar][nPar]float64, jac *jacobian, late []float64) {
	var b params
	for p := range jac {
		for i, v := range jac[p] {
			b[p] -= v * late[i]
		}
	}
	for p := range nPar {
		wheel := 0.0
		for q := range nPar {
			wheel += inv[p][q] * b[q]
		}
		est.perIMU[p] = -wheel
		if p == pLatency {
			est.perIMU[p]--
		}
		est.cov[p][p] += stamps * stamps * (wheel*wheel + est.perIMU[p]*est.perIMU[p])
	}
	est.cov[pLatency][pLatency] += tick * tick
	est.cov[pScale][pScale] += tyre * tyre
}

// invert returns the inverse of a symmetric positive definite matrix, scaled to
// a unit diagonal first.
func invert(a [nPar][nPar]float64) (x [nPar][nPar]float64, ok bool) {
	var s params
	for i := range s {
		if !(a[i][i] > 0) {
			return x, false
		}
		s[i] = 1 / math.Sqrt(a[i][i])
	}
	unit := mat.NewSymDense(nPar, nil)
	for i := range s {
		for j := range i + 1 {
			unit.SetSym(i, j, a[i][j]*s[i]*s[j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(unit) || c.Cond() > 1e12 || c.InverseTo(unit) != nil {
		return x, false
	}
	for i := range x {
		for j := range x {
			x[i][j] = unit.At(i, j) * s[i] * s[j]
		}
	}
	return x, true
}
