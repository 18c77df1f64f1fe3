package corrections

import (
	"math"
	"slices"
)

// Recurrence says whether outages and near misses come back, and how surely:
// each P is the probability of a pattern at least as strong by chance.
type Recurrence struct {
	Events int // outages and near misses looked at

	// Period in s between events, NaN when none is found. The test: with events
	// at random times (a Poisson process) a gap is within 10 % of the median
	// gap with probability 2^-0.9 - 2^-1.1; PeriodP is the binomial tail for
	// the gaps that are, the median itself left out.
	Period  float64
	PeriodN int // gaps within 10 %
	PeriodP float64

	// Place in m along the lap around which events gather, NaN when none does.
	// The test: the chance that an event falls into a stretch of 20 m is the
	// share of all time spent there; PlaceP is the binomial tail for the others
	// to join the first one in its stretch, times the number of events (the
	// stretches tried).
	Place  float64
	PlaceN int // events in the stretch
	PlaceP float64
}

const (
	recurP    = 0.01 // patterns likelier than this by chance are not reported
	stretch   = 20.0 // m
	placeBins = 512
	maxEvents = 64
	apart     = 10.0 // s: nearer ones are one event
)

// recur remembers where and when things went wrong, and where the car was.
type recur struct {
	at, place [maxEvents]float64
	n         int
	spent     [placeBins]float64 // s in each part of the lap
	total     float64
	lap       float64 // m
}

// spend notes dt seconds at s m along the lap.
func (r *recur) spend(s, lap, dt float64) {
	if !(s >= 0) || !(lap > 0) {
		return
	}
	if lap != r.lap {
		r.lap, r.total = lap, 0
		clear(r.spent[:])
	}
	r.spent[min(int(s/lap*placeBins), placeBins-1)] += dt
	r.total += dt
}

// add notes an event at host time t and s m along the lap (NaN: unknown).
func (r *recur) add(t, s float64) {
	if math.IsNaN(t) || r.n > 0 && math.Abs(t-r.at[r.n-1]) < apart {
		return
	}
	if r.n == maxEvents {
		copy(r.at[:], r.at[1:])
		copy(r.place[:], r.place[1:])
		r.n--
	}
	r.at[r.n], r.place[r.n] = t, s
	r.n++
}

// share returns the share of all time spent in the stretch that begins at s.
func (r *recur) share(s float64) float64 {
	if r.total == 0 {
		return 1
	}
	bin := r.lap / placeBins
	first := int(s / bin)
	sum := 0.0
	for k := range int(math.Ceil(stretch/bin)) + 1 {
		sum += r.spent[(first+k)%placeBins]
	}
	return sum / r.total
}

// test looks for a period and a place.
func (r *recur) test() Recurrence {
	nan := math.NaN()
	out := Recurrence{Events: r.n, Period: nan, PeriodP: nan, Place: nan, PlaceP: nan}

	if r.n >= 4 {
		var buf [maxEvents]float64
		at := buf[:copy(buf[:], r.at[:r.n])]
		slices.Sort(at)
		var gbuf [maxEvents]float64
		gaps := gbuf[:0]
		for i := 1; i < len(at); i++ {
			gaps = append(gaps, at[i]-at[i-1])
		}
		slices.Sort(gaps)
		mid := gaps[len(gaps)/2]
		near := 0
		for _, g := range gaps {
			if math.Abs(g-mid) <= 0.1*mid {
				near++
			}
		}
		p := binomialTail(len(gaps)-1, near-1, math.Exp2(-0.9)-math.Exp2(-1.1))
		if near >= 3 && p < recurP {
			out.Period, out.PeriodN, out.PeriodP = mid, near, p
		}
	}

	if !(r.lap > stretch) {
		return out
	}
	known := 0
	for _, s := range r.place[:r.n] {
		if s >= 0 {
			known++
		}
	}
	best := recurP
	for _, s := range r.place[:r.n] {
		if !(s >= 0) {
			continue
		}
		n, sum := 0, 0.0
		for _, o := range r.place[:r.n] {
			if d := math.Mod(o-s+r.lap, r.lap); d < stretch {
				n++
				sum += d
			}
		}
		if n < 3 {
			continue
		}
		if p := min(1, float64(known)*binomialTail(known-1, n-1, r.share(s))); p < best {
			best = p
			out.Place, out.PlaceN, out.PlaceP = math.Mod(s+sum/float64(n), r.lap), n, p
		}
	}
	return out
}

// binomialTail is the probability of at least k successes in n trials of
// probability p each.
func binomialTail(n, k int, p float64) float64 {
	if k <= 0 || p >= 1 {
		return 1
	}
	if p <= 0 {
		return 0
	}
	sum := 0.0
	for i := k; i <= n; i++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(i + 1))
		c, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(a - b - c + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
	}
	return min(1, sum)
}
