package navigation

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Reflections learns from a drive how far the slow error of fixed positions
// wanders, and how large their white noise is. A receiver's displacement less that by
// other sensors has a variance that grows with the time between two epochs (a
// variogram): what is there from one epoch to the next is white; what comes on top
// within a second is the slow error, and what the other sensors are off by. All of it
// may be the receiver's, and is no more than the sensor shows that shows least of it.
//
// For a first-order Gauss-Markov error of variance s² and time constant τ the variance
// of a difference over Δ is 2·s²·(1 - exp(-Δ/τ)).
type Reflections struct {
	ring [reflectRing]place // by dead reckoning, since the row began
	head int
	len  int
	at   float64 // host s of the newest epoch

	near, white variogram // white: as a factor on what is said of it
	far         [nRefs]variogram
}

// place is a residual displacement, m, at a host time, s.
type place struct{ t, e, n float64 }

// Displacement is a receiver's displacement over some time less that by another
// sensor; Over is 0 where there is none. Var is the variance that the sensor's own
// errors may have in it, east and north each, as far as they are bounded.
type Displacement struct{ Over, E, N, Var float64 } // s, m, m, m²

// The sensors that a receiver's displacement is compared with.
const (
	byFilter = iota // dead reckoning between epochs
	byWheels
	byVelocity // the receiver's own
	nRefs
)

// ReflectOver is the time over which a displacement is compared, s: long enough for
// the slow error, short enough for the other sensors.
const ReflectOver = 1.0

const (
	reflectRing   = 32
	reflectMemory = 120.0 // s
	reflectEpoch  = 0.3   // s between epochs at most: beyond, white and slow are not told apart
	reflectSpeed  = 1.5   // m/s: at rest reflections stand still too
	// reflectPrior is how many independent differences the prior is worth.
	reflectPrior = 30.0
	reflectDrift = 6.0 // s
	// From this mean of a difference, m and as a share of its 1 sigma, it is taken for
	// that of a drift: the mean over that time of reflections is a third of it.
	driftLeast = 0.005
	driftShare = 0.5
	// reflectClip bounds the square of a difference by the usual one: a step or a
	// drift is none of the reflections.
	reflectClip = 9.0
	// reflectFollowed is the share of the slow error's variance over a second that
	// dead reckoning does not show, for the filter's velocity follows it. Of generated
	// drives with 3-8 cm over 10-60 s.
	reflectFollowed = 0.5
	leastSlow       = 0.005 // m
	mostSlow        = 0.12  // m
	leastWhite      = 0.25  // factors on variances
	mostWhite       = 4.0
)

// reflectOthers is what of the bound of another sensor's variance may be its own. By
// wheels it was less than a tenth on generated drives within a second, for their bounds
// are made for longer; of the others more.
var reflectOthers = [nRefs]float64{byFilter: 0.3, byWheels: 0.05, byVelocity: 0.3}

// Break begins a new row: the epochs before belong to another fix, or the filter was
// set.
func (q *Reflections) Break() { q.len, q.at = 0, math.NaN() }

// Push takes the residual displacement d (m, ENU) of the dt seconds up to a fixed
// epoch at host time t, by dead reckoning with a velocity of variance vel, (m/s)², and those over about ReflectOver by wheels
// and by the reported velocity, of a car at speed v, m/s. said is the white variance
// of d, m², as receiver and settings have it; tau the time constant of the slow error.
func (q *Reflections) Push(t, dt float64, d r3.Vec, vel float64, said [2]float64, others [2]Displacement, v, tau float64) {
	if !(dt > 0 && dt < reflectEpoch) || math.Abs(v) < reflectSpeed {
		q.Break()
		return
	}
	a := 2 * dt / ReflectOver
	q.near.add(d.X, d.Y, a, dt, 0, 1, 4)
	q.white.add(d.X/math.Sqrt(said[0]), d.Y/math.Sqrt(said[1]), a, dt, 0, 1, 4)
	over := func(k int, x Displacement, shown float64) {
		if x.Over > 0 {
			q.far[k].add(x.E, x.N, 2*dt/x.Over, dt, x.Var, shown*2*(math.Exp(-dt/tau)-math.Exp(-x.Over/tau)), 1)
		}
	}
	own := q.reckon(t, dt, d)
	own.Var = vel * own.Over * own.Over
	over(byFilter, own, 1-reflectFollowed)
	over(byWheels, others[0], 1)
	over(byVelocity, others[1], 1)
}

// reckon sums residual displacements of dead reckoning.
func (q *Reflections) reckon(t, dt float64, d r3.Vec) (x Displacement) {
	put := func(p place) {
		q.ring[q.head] = p
		q.head = (q.head + 1) % reflectRing
		q.len = min(q.len+1, reflectRing)
	}
	back := func(age int) *place { return &q.ring[(q.head+2*reflectRing-1-age)%reflectRing] }
	if q.len == 0 || !(math.Abs(t-dt-q.at) < 0.2*dt) {
		q.len = 0
		put(place{t: t - dt})
	}
	last := *back(0)
	put(place{t, last.e + d.X, last.n + d.Y})
	q.at = t
	for age := 1; age < q.len; age++ {
		if o := back(age); t-o.t > 0.99*ReflectOver || age == reflectRing-1 {
			return Displacement{Over: t - o.t, E: last.e + d.X - o.e, N: last.n + d.Y - o.n}
		}
	}
	return x
}

// Sigma returns the 1 sigma of the slow error, m, where prior is believed before
// anything was seen. Each sensor says an interval: all that it shows is the slow error,
// or what is left of it without its own. The prior moves into what all of them allow.
func (q *Reflections) Sigma(prior float64) float64 {
	lo, hi, weight := 0.0, math.Inf(1), 0.0
	for i := range q.far {
		if f := &q.far[i]; f.weight > q.near.weight/4 {
			shown := math.Max(0, f.mean-q.near.mean)
			hi = math.Min(hi, shown/f.share)
			lo = math.Max(lo, (shown-reflectOthers[i]*f.others)/f.share)
			weight = math.Max(weight, f.weight)
		}
	}
	if weight == 0 {
		return prior
	}
	v := math.Min(hi, math.Max(lo, prior*prior))
	v = (reflectPrior*prior*prior + weight*v) / (reflectPrior + weight)
	return math.Max(leastSlow, math.Min(mostSlow, math.Sqrt(v)))
}

// White returns the factor on the white variances that receiver and settings say, 1
// where nothing was seen.
func (q *Reflections) White() float64 {
	w := &q.white
	f := (reflectPrior + w.weight*w.mean) / (reflectPrior + w.weight)
	return math.Max(leastWhite, math.Min(mostWhite, f))
}

// variogram is the mean square of a difference, both axes.
type variogram struct {
	weight float64 // independent differences so far, forgotten over reflectMemory
	mean   float64
	share  float64 // mean of that of a slow variance which is in it
	others float64 // mean of the bound of the other sensor's variance
	e, n   float64 // recent mean of the difference: one way for long is a drift, no reflections
	seen   float64 // s over which that mean is
}

// add takes a difference, e and n, which is as much as count independent ones, dt
// seconds after the one before; clip is a factor on what is usual.
func (q *variogram) add(e, n, count, dt, others, share, clip float64) {
	q.seen = math.Min(q.seen+dt, reflectDrift)
	e, n = e-q.e, n-q.n
	k := dt / q.seen
	q.e, q.n = q.e+k*e, q.n+k*n
	if q.weight > reflectPrior/2 && math.Hypot(q.e, q.n) > driftLeast+driftShare*math.Sqrt(q.mean) {
		return
	}
	q.weight = q.weight*(1-dt/reflectMemory) + count
	a := count / q.weight
	most := clip * reflectClip * q.mean
	if q.weight < reflectPrior/2 {
		most = math.Inf(1)
	}
	q.mean += a / 2 * (math.Min(e*e, most) - q.mean)
	q.mean += a / 2 * (math.Min(n*n, most) - q.mean)
	q.share += a * (share - q.share)
	q.others += a * (others - q.others)
}
