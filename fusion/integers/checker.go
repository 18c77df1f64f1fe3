package integers

import (
	"math"

	"kerbline/fusion/carrier"
	"kerbline/fusion/lambda"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Limits of what is used. Our own choices where no source is named.
const (
	minSine     = 0.2588  // of the elevation: 15 degrees
	maxBaseAge  = 10.0    // s: beyond, satellite clocks blur the integers
	maxBaseline = 12_000. // m: beyond, the ionosphere does

	codeSigma  = 0.4    // m at the zenith, of one receiver in motion
	phaseSigma = 0.003  // m at the zenith, of one receiver in motion
	ionoAging  = 0.0003 // m/s at the zenith on L1: the base's epoch is older
	ionoPer    = 1.5e-6 // of the baseline at the zenith, on L1: 1.5 mm/km
	wetPer     = 0.5e-6 // of the baseline at the zenith
	minFixed   = 5      // satellites that a decision rests on
	searchGap  = 1.0    // s between two searches
	maxHeld    = 3.0    // s that a signal may be gone and its integer held

	maxSignals = 96
	maxGroups  = 12
	maxSats    = 48
)

// rule is how safe integers must be.
var rule = lambda.Rule{MaxFailure: 0.2, MaxLeft: 2, MinGroups: minFixed}

// Reason says why there is no opinion.
type Reason uint8

// Reasons, in the order in which they are looked for.
const (
	Decided      Reason = iota
	NoBase              // no observations of the base, or no coordinates of it
	BaseLate            // the base's last epoch is too old
	BaseFar             // the baseline is too long
	FewSignals          // too few satellites seen by both
	OneCarrier          // one system on one carrier: wrong integers fit as well
	Undecided           // the observations do not separate the integers
	Contradicted        // the phases do not fit the integers
)

var reasonWords = [...]string{"", "no observations of the base", "observations of the base too old", "baseline too long",
	"too few satellites seen by both", "one system on one carrier alone", "integers cannot be told apart", "phases do not fit the integers"}

// String returns the reason in words, "" when there is an opinion.
func (r Reason) String() string { return reasonWords[min(int(r), len(reasonWords)-1)] }

// Result is the rover's place after an epoch, by integers of our own.
type Result struct {
	Time     gnsstime.Time // of the place: the tag less the receiver's clock error
	Why      Reason        // Decided: the place below holds
	Position geodesy.ECEF  // of the rover's antenna
	Cov      [3][3]float64 // m^2, east-north-up
	Held     bool          // by integers of an earlier epoch that still fit
	Since    gnsstime.Time // tag of the epoch whose search gave them

	Satellites, Signals int     // that the place rests on
	Lanes               int     // combinations of integers that it rests on, 0: on all of them
	LeftOut             int     // satellites left out of the search
	Failure             float64 // rate at which bootstrapping would fail
	Ratio, Limit        float64 // of the squared norms, and what was allowed
	BaseAge             float64 // s
	Baseline            float64 // m
}

// Checker holds the base's last epoch and the integers found. Its zero value is
// ready; it allocates nothing after the first epochs.
type Checker struct {
	base struct {
		set   bool
		epoch observation.Epoch
		at    geodesy.ECEF
		count uint32 // epochs
		looks [satellite.NumIndices]look
	}
	lines   [satellite.NumIndices]uint8 // in sats, plus 1, of this epoch
	sats    [maxSats]line
	nsats   int
	items   [maxSignals]item
	n       int
	groups  [maxGroups]group
	ngroups int

	frame   geodesy.Frame
	partial lambda.Partial
	a, q    []float64
	of      []int // group of each ambiguity for partial fixing: its satellite
	at      []int // item of each ambiguity
	solver  solver
	part    lambda.Part // combinations decided
	inv     []float64   // inverse of q
	chol    []float64
	w       [3][]float64 // what the ambiguities say of the place
	held    holding
	values  [maxSats]float64
	smooths [satellite.NumIndices][bands]smooth
	result  Result
}

// line is a satellite seen by both.
type line struct {
	id            satellite.ID
	seen, up      bool
	rover, base   carrier.Sight
	common, delay float64 // m^2, see [Checker.errors]
}

// look is a satellite as the base saw it at an epoch, which serves several of the rover.
type look struct {
	count uint32
	lead  float64
	toe   gnsstime.Time
	issue int
	carrier.Sight
}

// item is one signal seen by both: the rover's less the base's.
type item struct {
	sat, group int
	signal     satellite.Signal // the rover's
	other      satellite.Signal // the base's
	wave       float64          // m, half of it while the half cycle is open
	gamma      float64          // (f1/f)^2
	code       float64          // m
	phase      float64          // m
	u          [3]float64
	sin        float64
	half       bool
	slip       bool    // reported by the rover
	lock       float64 // s, the rover's; NaN if not reported
	rank       int
	keep       bool
	badCode    bool
	averaged   float64 // s of codes in code

	fixed bool
	whole float64 // waves, against the group's reference
}

// group is the signals that share a clock: one signal of one system.
type group struct {
	system satellite.System
	signal satellite.Signal // the rover's
	other  satellite.Signal // the base's
	ref    int              // item
	count  int
}

// Reset forgets everything.
func (c *Checker) Reset() { *c = Checker{} }

// Base takes an epoch of the base and where its antenna is.
func (c *Checker) Base(e *observation.Epoch, at geodesy.ECEF) {
	if c.base.set {
		c.release(e)
	}
	obs := append(c.base.epoch.Obs[:0], e.Obs...)
	c.base.epoch = *e
	c.base.epoch.Obs = obs
	if c.base.set && c.base.at != at {
		c.held.n = 0
	}
	c.base.at, c.base.set = at, true
	c.base.count++
}

// Rover takes an epoch of the rover, whose antenna is near a place, to some tens of
// metres.
func (c *Checker) Rover(e *observation.Epoch, orbits *orbit.Store, near geodesy.ECEF) *Result {
	c.result = Result{Time: e.Time, BaseAge: math.NaN(), Baseline: math.NaN(), Failure: math.NaN(), Ratio: math.NaN(), Limit: math.NaN()}
	c.result.Why = c.decide(e, orbits, near)
	if c.result.Why == Contradicted {
		c.held.n = 0
	}
	return &c.result
}

func (c *Checker) decide(e *observation.Epoch, orbits *orbit.Store, near geodesy.ECEF) Reason {
	r := &c.result
	if !c.base.set {
		return NoBase
	}
	r.BaseAge = e.Time.Sub(c.base.epoch.Time)
	r.Baseline = near.Dist(c.base.at)
	switch {
	case math.Abs(r.BaseAge) > maxBaseAge:
		return BaseLate
	case !(r.Baseline < maxBaseline):
		return BaseFar
	}
	c.frame = geodesy.NewFrame(near.LLA())
	c.pair(e, orbits, near)
	if c.nsats < minFixed {
		return FewSignals
	}
	// Held integers first: they are tested at every epoch, and searched again only
	// where they do not cover what is seen.
	kept := c.recall(e.Time) && c.place(3) == Decided
	if kept {
		r.Held, r.Since = true, c.held.found
		if !c.uncovered() {
			return Decided
		}
	}
	if !c.held.searched.IsZero() && math.Abs(e.Time.Sub(c.held.searched)) < searchGap-0.01 {
		return c.keep(kept, Undecided)
	}
	c.held.searched = e.Time
	before := r.Position
	if why := c.search(); why != Decided {
		if why == Undecided && !kept && c.byLanes() == Decided {
			r.Held, r.Since = false, e.Time
			return Decided
		}
		return c.keep(kept, why)
	}
	found := *r
	if why := c.place(2); why != Decided {
		*r = found
		return c.keep(kept, why)
	}
	if kept && r.Position.Dist(before) > agree {
		return Contradicted
	}
	r.Held, r.Since = false, e.Time
	c.hold(e.Time)
	return Decided
}

// agree is how far in m the places by held and by new integers may be apart: less
// than any other integers would move it.
const agree = 0.06

// keep is the answer where a search did not help.
func (c *Checker) keep(kept bool, why Reason) Reason {
	if kept {
		return Decided
	}
	return why
}
