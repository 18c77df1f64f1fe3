package integers

import (
	"math"
	"slices"

	"kerbline/fusion/carrier"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// shifted is how far in m all codes of a base may lead before its stream may have
// been re-referenced: codes and phases moved by a clock that the tag does not show.
const shifted = 30_000.0

// pair reduces what both receivers saw and subtracts the base from the rover.
func (c *Checker) pair(e *observation.Epoch, orbits *orbit.Store, near geodesy.ECEF) {
	clear(c.lines[:])
	c.n, c.nsats, c.ngroups = 0, 0, 0
	b := &c.base
	baseFrame := geodesy.NewFrame(b.at.LLA())
	zenithRover, zenithBase := carrier.ZenithDelay(near), carrier.ZenithDelay(b.at)
	lead := c.lead(&baseFrame, orbits)
	for i := range e.Obs {
		o := &e.Obs[i]
		if !usable(o) {
			continue
		}
		base := c.partner(o)
		if base == nil {
			continue
		}
		l := c.line(o.Sat)
		if l == nil {
			continue
		}
		if !l.seen {
			l.seen = true
			eph := orbits.Find(o.Sat, e.Time)
			if eph == nil {
				continue
			}
			l.rover = carrier.See(eph, e.Time, o.Code, near, &c.frame, zenithRover)
			l.base = c.atBase(eph, base.Code, lead, &baseFrame, zenithBase)
			l.up = l.rover.Sin >= minSine && l.base.Sin >= minSine
			c.errors(l)
		}
		if !l.up || c.n == maxSignals {
			continue
		}
		g := c.group(o.Sat.System, o.Signal, base.Signal)
		if g < 0 {
			continue
		}
		wave := o.Wavelength()
		ratio := 1575.42e6 / o.Hz
		c.groups[g].count++
		c.items[c.n] = item{
			sat: int(c.lines[o.Sat.Index()]) - 1, group: g, signal: o.Signal, other: base.Signal,
			wave: wave, gamma: ratio * ratio, u: l.rover.U, sin: l.rover.Sin,
			code:  (o.Code - l.rover.Model) - (base.Code - l.base.Model),
			phase: (o.Phase-base.Phase)*wave - l.rover.Model + l.base.Model,
			half:  o.HalfCycle || base.HalfCycle,
			lock:  o.Lock, slip: o.Slip,
		}
		if c.items[c.n].half {
			c.items[c.n].wave /= 2
		}
		c.average(&c.items[c.n], e.Time)
		c.n++
	}
	c.choose()
}

// atBase is the sight of a satellite from the base, at its last epoch.
func (c *Checker) atBase(eph *orbit.Ephemeris, code, lead float64, frame *geodesy.Frame, zenith float64) carrier.Sight {
	b := &c.base
	k := &b.looks[eph.Sat.Index()]
	if k.count != b.count || k.lead != lead || k.toe != eph.Toe || k.issue != eph.Issue {
		*k = look{b.count, lead, eph.Toe, eph.Issue, carrier.See(eph, b.epoch.Time, code-lead, b.at, frame, zenith)}
	}
	return k.Sight
}

// partner returns the base's observation of the same signal, or of another component of
// the same carrier: their phases are aligned to each other (RINEX 3.04, MSM), and a constant
// between the two receivers is the same for all satellites of the pair of signals.
func (c *Checker) partner(o *observation.Observation) *observation.Observation {
	if e := c.base.epoch.Find(o.Sat, o.Signal); e != nil && usable(e) {
		return e
	}
	for i := range c.base.epoch.Obs {
		if e := &c.base.epoch.Obs[i]; e.Sat == o.Sat && e.Signal.Band == o.Signal.Band && e.Hz == o.Hz && usable(e) {
			return e
		}
	}
	return nil
}

// usable reports whether a signal can decide anything.
func usable(o *observation.Observation) bool {
	switch o.Sat.System {
	case satellite.GLONASS, satellite.SBAS, satellite.NavIC:
		return false
	}
	return o.Sat.Valid() && o.Hz > 0 && finite(o.Code) && finite(o.Phase)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// lead returns by how much all codes of the base lead its tag, where that must be
// taken off before the time of transmission is computed. The known place of the
// base shows: the spread of code less range is the smaller one.
func (c *Checker) lead(frame *geodesy.Frame, orbits *orbit.Store) float64 {
	b := &c.base
	ahead := func(off float64) (mid, spread float64) {
		v := c.values[:0]
		var last satellite.ID
		for i := range b.epoch.Obs {
			o := &b.epoch.Obs[i]
			if o.Sat == last || !usable(o) || len(v) == cap(v) {
				continue
			}
			last = o.Sat
			if eph := orbits.Find(o.Sat, b.epoch.Time); eph != nil {
				if s := carrier.See(eph, b.epoch.Time, o.Code-off, b.at, frame, 2.3); s.Sin > minSine {
					v = append(v, o.Code-s.Model)
				}
			}
			if off == 0 && len(v) == 3 { // enough to see that it is not needed
				if m := v[1]; math.Abs(m) < shifted {
					return m, 0
				}
			}
		}
		if len(v) < 4 {
			return 0, math.Inf(1)
		}
		slices.Sort(v)
		mid = v[len(v)/2]
		for i := range v {
			v[i] = math.Abs(v[i] - mid)
		}
		slices.Sort(v)
		return mid, v[len(v)/2]
	}
	mid, spread := ahead(0)
	if math.Abs(mid) < shifted {
		return 0
	}
	if _, without := ahead(mid); without < 0.7*spread {
		return mid
	}
	return 0
}

// line returns the place of a satellite in this epoch, nil when all are taken.
func (c *Checker) line(id satellite.ID) *line {
	slot := &c.lines[id.Index()]
	if *slot == 0 {
		if c.nsats == maxSats {
			return nil
		}
		c.sats[c.nsats] = line{id: id}
		c.nsats++
		*slot = uint8(c.nsats)
	}
	return &c.sats[*slot-1]
}

// group returns the number of a signal's group, -1 when all are taken.
func (c *Checker) group(s satellite.System, sig, other satellite.Signal) int {
	for g := range c.ngroups {
		if k := &c.groups[g]; k.system == s && k.signal == sig && k.other == other {
			return g
		}
	}
	if c.ngroups == maxGroups {
		return -1
	}
	c.groups[c.ngroups] = group{system: s, signal: sig, other: other}
	c.ngroups++
	return c.ngroups - 1
}

// choose keeps two carriers of each satellite: those that most satellites of its
// system send, so that few clocks are to be estimated.
func (c *Checker) choose() {
	for i := range c.n {
		c.items[i].rank = c.rank(i)
	}
	for i := range c.n {
		it := &c.items[i]
		better, twin := 0, false
		for j := range c.n {
			o := &c.items[j]
			if o.sat != it.sat || j == i || o.rank < it.rank || o.rank == it.rank && j > i {
				continue
			}
			if o.signal.Band == it.signal.Band {
				twin = true
			} else {
				better++
			}
		}
		it.keep = !twin && better < 2
	}
	n := 0
	for i := range c.n {
		if c.items[i].keep {
			c.items[n] = c.items[i]
			n++
		}
	}
	c.n = n
	for g := range c.ngroups {
		c.groups[g].count = 0
	}
	for i := range c.n {
		c.groups[c.items[i].group].count++
	}
}

// rank orders the signals of a satellite: by how many share the clock, the first
// carrier before all, then the one farther from it.
func (c *Checker) rank(i int) int {
	it := &c.items[i]
	r := 10 * c.groups[it.group].count
	if it.signal.Band == '1' {
		r += 1000
	}
	if it.signal.Band == '5' {
		r++
	}
	return r
}

// bands is how many carriers of a satellite are averaged.
const bands = 10

// smooth is the mean of code less phase while both receivers track on: the noise of
// single codes and reflections in motion go down with time.
type smooth struct {
	signal, other satellite.Signal
	mean          float64 // m
	n             float64 // epochs
	first, last   gnsstime.Time
	lock          float64
	half          bool
}

const longest = 30.0 // s of a mean

// average replaces the item's code by its phase and the mean of their difference.
func (c *Checker) average(it *item, now gnsstime.Time) {
	s := &c.smooths[c.sats[it.sat].id.Index()][it.slot()]
	d := it.code - it.phase
	gap := now.Sub(s.last)
	goes := s.n > 0 && s.signal == it.signal && s.other == it.other && gap > 0 && gap <= maxHeld &&
		s.half == it.half && !it.slip && !(it.lock < s.lock) && !(it.lock < gap)
	if !goes {
		*s = smooth{signal: it.signal, other: it.other, first: now}
	}
	s.last, s.lock, s.half = now, it.lock, it.half
	it.averaged = now.Sub(s.first)
	if it.averaged <= longest {
		s.n++
	}
	it.averaged = math.Min(it.averaged, longest)
	s.mean += (d - s.mean) / s.n
	it.code = it.phase + s.mean
}

// slot is the place of an item among those of its satellite.
func (it *item) slot() int { return int(it.signal.Band-'0') % bands }

// codeVariance is that of the code in m^2: errors of the rover's last a second; half
// of all are the base's, which stands still, and last.
func (it *item) codeVariance() float64 {
	return codeSigma * codeSigma / (it.sin * it.sin) * (1/(1+it.averaged) + 1/(1+it.averaged/10))
}

// errors computes the variances in m^2 of what the signals of a satellite share: the
// troposphere along the baseline and the clock since the base's epoch in common, and
// the ionosphere's delay on L1.
func (c *Checker) errors(l *line) {
	age := math.Abs(c.result.BaseAge)
	clock := carrier.ClockDrift(l.id.System, age)
	wet := wetPer * c.result.Baseline * l.rover.Wet
	l.common = clock*clock + wet*wet
	d := (ionoPer*c.result.Baseline + ionoAging*age) * l.rover.Slant
	l.delay = d * d
}
