package phasecheck

import (
	"math"

	"kerbline/fusion/carrier"
	"kerbline/fusion/integers"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
)

const (
	pairWithin  = 0.03 // s: fix and phases of one epoch
	anchorEvery = 30.0 // s after which the path is anchored anew while fixes are proven
	anchorAfter = 1.0  // s without a proven fix, after which it is where the outage began
	anchorUntil = 2.5  // s of them, until when that is near enough
	anchorLevel = 0.2  // m, beyond which that does not wait for phases that are hidden
	keepSets    = 3    // ephemerides a satellite
	fixes       = 8    // that wait for their phases
)

// Fix is a position of the receiver's antenna.
type Fix struct {
	Time   gnsstime.Time
	At     geodesy.ECEF
	White  [2]float64 // m^2 of one axis, horizontally and up: new in each epoch
	Shared [2]float64 // m, deviations of what stays for tens of seconds
	Fixed  bool       // passes the fix gate
	Proven bool       // and is what the position in use rests on
}

// State is what phases and fixes say after an epoch of observations.
type State struct {
	Time gnsstime.Time // of what is said
	Path carrier.State

	// Lack is None when the position is carried.
	Lack     carrier.Lack
	Position geodesy.ECEF
	Cov      [3][3]float64 // m^2, of it, east-north-up
	Sigma    [2]float64    // m, deviations horizontally (the larger axis) and up that levels are made of: wider
	Level    [2]float64    // m, what one faulty satellite adds inside; infinite when unknown
	Age      float64       // s since the last proven fix

	Drift Drift

	// Integers is the place by integers of our own; Opinion what it says of the last
	// fix, Off the vector from there to the fix, Judged the time of that fix.
	Integers integers.Result
	Opinion  integers.Opinion
	Off      geodesy.ENU
	Judged   gnsstime.Time
}

// Check follows one receiver. Its zero value is ready; it allocates nothing after the
// first minutes.
type Check struct {
	orbits   orbit.Store
	path     carrier.Path
	integers integers.Checker
	frame    geodesy.Frame
	framed   bool
	heard    bool

	ring   [fixes]Fix
	newest int
	paired bool // the last epoch has met its fix

	known  bool          // the offset is known
	b      [3]float64    // m, fix less path
	v      [3]float64    // m^2, by the path's widened variances
	own    [3]float64    // m^2, by what they are
	shared [2]float64    // m
	grown  [3]float64    // m^2, of the path when the offset was last estimated
	proven gnsstime.Time // last proven fix
	placed gnsstime.Time // last anchor of the path

	drift    drifts
	spreads  [len(spans)]float64
	spreadAt gnsstime.Time
	state    State
}

// Heard reports whether there were observations at all.
func (c *Check) Heard() bool { return c.heard }

// State returns what is known after the last epoch of observations.
func (c *Check) State() *State { return &c.state }

// Reset forgets all but the orbits.
func (c *Check) Reset() { *c = Check{orbits: c.orbits} }

// Ephemeris takes a set.
func (c *Check) Ephemeris(e *orbit.Ephemeris) {
	c.orbits.Keep = keepSets
	c.orbits.Add(e)
}

// Base takes an epoch of the base and where it says that its antenna is.
func (c *Check) Base(e *observation.Epoch, at geodesy.ECEF) { c.integers.Base(e, at) }

// Rover takes an epoch of the rover's observations; near is where its antenna is, to
// some tens of metres.
func (c *Check) Rover(e *observation.Epoch, near geodesy.ECEF) *State {
	if !c.framed {
		c.frame, c.framed = geodesy.NewFrame(near.LLA()), true
	}
	c.heard, c.paired = true, false
	st := &c.state
	st.Path = *c.path.Observe(e, &c.orbits, near)
	st.Integers = *c.integers.Rover(e, &c.orbits, near)
	st.Time = st.Path.Time
	if st.Path.Lack == carrier.NoAnchor {
		c.known = false
		c.Believe() // nothing is left that shows a drift
	}
	c.outage()
	c.describe()
	for i := range c.ring {
		if f := &c.ring[i]; !f.Time.IsZero() && math.Abs(f.Time.Sub(st.Time)) < pairWithin {
			c.pair(f)
			break
		}
	}
	return st
}

// Believe ends a drift that alarms, for the fixes are right all the same: those to come
// are compared with each other only.
func (c *Check) Believe() {
	c.drift.forget()
	c.state.Drift = Drift{}
}

// Fix takes a fix of the receiver.
func (c *Check) Fix(f *Fix) {
	c.ring[c.newest] = *f
	c.newest = (c.newest + 1) % fixes
	if c.heard && !c.paired && math.Abs(f.Time.Sub(c.state.Time)) < pairWithin {
		c.pair(f)
	}
}

// pair compares the fix with the phases of its epoch.
func (c *Check) pair(f *Fix) {
	c.paired = true
	st := &c.state
	// The fix, moved to the time of the phases.
	z := c.frame.FromECEF(f.At)
	dt := st.Time.Sub(f.Time)
	at := [3]float64{z.E, z.N, z.U}
	if st.Path.RateLack == carrier.None {
		for i := range 3 {
			at[i] += st.Path.Rate[i] * dt
		}
	}
	moved := c.frame.ToECEF(geodesy.ENU{E: at[0], N: at[1], U: at[2]})
	if f.Fixed {
		sh := math.Sqrt(f.White[0] + f.Shared[0]*f.Shared[0])
		su := math.Sqrt(f.White[1] + f.Shared[1]*f.Shared[1])
		st.Opinion, st.Off = st.Integers.Judge(moved, [2]float64{sh, su})
	} else {
		st.Opinion, st.Off = integers.None, geodesy.ENU{}
	}
	st.Judged = f.Time
	if st.Path.Lack == carrier.None && f.Fixed {
		p := c.pathENU()
		e := [3]float64{at[0] - p[0], at[1] - p[1], at[2] - p[2]}
		was := st.Drift.Alarm
		st.Drift = c.drift.push(st.Time, e, c.grownNow(), f.White[0]+f.Shared[0]*f.Shared[0], c.spread())
		switch {
		case st.Drift.Alarm && !was && c.known:
			c.takeBack()
		case f.Proven && !st.Drift.Alarm:
			c.estimate(e, f)
		}
	}
	if st.Drift.Alarm && st.Opinion == integers.Confirmed && math.Hypot(st.Off.E, st.Off.N) > st.Drift.Threshold/2 {
		// It has moved: as near as what ends the alarm is near enough, not more.
		st.Opinion = integers.None
	}
	if f.Proven && !st.Drift.Alarm {
		c.place(moved, f)
	}
	c.describe()
}

// place anchors the path: to the fix where it has none, else now and then where it is
// with the offset in it, in sight of most phases. Not more often: phases are weighed
// for the time since the anchor, and what grows with time is small in some seconds.
func (c *Check) place(fix geodesy.ECEF, f *Fix) {
	st := &c.state
	if st.Path.Lack == carrier.None && c.known && !(st.Time.Sub(c.placed) >= anchorEvery && c.whole()) {
		return
	}
	if st.Path.Lack == carrier.None && c.known {
		c.again()
	} else {
		c.drift.forget()
		c.b, c.v = [3]float64{}, [3]float64{f.White[0], f.White[0], f.White[1]}
		c.own = c.v
		c.anchor(fix)
	}
	c.proven, c.shared = st.Time, f.Shared
}

// whole reports whether most phases are in sight, and the position is by all of those
// that are carried: what it is uncertain by where the path is anchored stays.
func (c *Check) whole() bool {
	p := &c.state.Path
	return p.Seen >= p.Held && p.Back == 0
}

// again anchors the path where it is, with the offset in it: its errors since the
// last anchor are over, those of the offset stay.
func (c *Check) again() {
	p := c.pathENU()
	at := c.frame.ToECEF(geodesy.ENU{E: p[0] + c.b[0], N: p[1] + c.b[1], U: p[2] + c.b[2]})
	g := c.grownNow()
	c.drift.shift(c.b, g)
	for i, grew := range c.since(&g) {
		c.v[i] += grew
		c.own[i] += grew / (wide * wide)
	}
	c.anchor(at)
}

// since returns what the path, whose variance is g by now, gathered since the offset
// was estimated, m^2.
func (c *Check) since(g *[3]float64) (v [3]float64) {
	for i := range v {
		v[i] = math.Max(0, g[i]-c.grown[i])
	}
	return v
}

func (c *Check) anchor(at geodesy.ECEF) {
	c.path.Anchor(at)
	c.state.Path = *c.path.State()
	c.known = true
	c.b, c.grown = [3]float64{}, [3]float64{}
	c.placed = c.state.Time
}

// outage anchors the path where the last proven fix was, if none has come since: what
// one faulty satellite did before was seen in the fixes.
func (c *Check) outage() {
	st := &c.state
	since := st.Time.Sub(c.proven)
	if st.Path.Lack != carrier.None || !c.known || st.Drift.Alarm || since <= anchorAfter+pairWithin || since > anchorUntil || c.placed.Sub(c.proven) >= 0 {
		return
	}
	if c.whole() || st.Level[0] > anchorLevel {
		c.again()
	}
}

// Rejoin says where dead reckoning has the antenna at the last epoch, over the time in
// which too few phases went on: v is what that adds to the variance, m^2 of one axis,
// horizontally and up. It reports whether the position is carried on from there.
func (c *Check) Rejoin(at geodesy.ECEF, v [2]float64) bool {
	if !c.known {
		return false
	}
	z := c.frame.FromECEF(at)
	if !c.path.Rejoin(c.frame.ToECEF(geodesy.ENU{E: z.E - c.b[0], N: z.N - c.b[1], U: z.U - c.b[2]}), v) {
		return false
	}
	c.state.Path = *c.path.State()
	if !c.drift.alarm { // which goes on: what dead reckoning adds is in the path's variance
		c.drift.forget()
	}
	c.describe()
	return true
}

// estimate averages the offset: what the path gathered since adds to its variance,
// and the fix's own noise is averaged.
func (c *Check) estimate(e [3]float64, f *Fix) {
	if !c.known {
		return
	}
	g := c.grownNow()
	for i, grew := range c.since(&g) {
		r := f.White[0]
		if i == 2 {
			r = f.White[1]
		}
		c.v[i] += grew
		k := c.v[i] / (c.v[i] + r)
		c.b[i] += k * (e[i] - c.b[i])
		c.v[i] *= 1 - k
		c.own[i] = (1-k)*(1-k)*(c.own[i]+grew/(wide*wide)) + k*k*r
	}
	c.grown, c.proven, c.shared = g, c.state.Time, f.Shared
}

// takeBack sets the offset to what it was before a drift that the fixes made.
func (c *Check) takeBack() {
	r := &c.drift.ref
	g := c.grownNow()
	v := c.drift.base*wide*wide + math.Max(g[0], g[1]) - r.v*wide*wide + r.spread/r.n
	for i := range 3 {
		c.b[i] = r.off[i] - c.drift.moved[i]
		c.v[i] = math.Max(c.v[i], v)
		c.own[i] = math.Max(c.own[i], v)
	}
	c.grown = g
	c.proven = c.drift.start.Add(r.at)
}

func (c *Check) pathENU() [3]float64 {
	p := c.frame.FromECEF(c.state.Path.Position)
	return [3]float64{p.E, p.N, p.U}
}

// grownNow is the variance of the path since its anchor, m^2.
func (c *Check) grownNow() (g [3]float64) {
	for i := range 3 {
		g[i] = c.state.Path.Cov[i][i]
	}
	return g
}

// spread is what the phases may be off over the spans of the drift test, m^2: errors
// that grow with time do not begin anew at each anchor. It is looked at once a second.
func (c *Check) spread() *[len(spans)]float64 {
	if math.Abs(c.state.Time.Sub(c.spreadAt)) >= 1 {
		c.spreadAt = c.state.Time
		for i, span := range spans {
			c.spreads[i] = c.path.Spread((span.from + span.to) / 2)
		}
	}
	return &c.spreads
}

// describe fills in the carried position.
func (c *Check) describe() {
	st := &c.state
	st.Lack = st.Path.Lack
	if st.Lack == carrier.None && !c.known {
		st.Lack = carrier.NoAnchor
	}
	st.Age = math.NaN()
	if c.known {
		st.Age = st.Time.Sub(c.proven)
	}
	if st.Lack != carrier.None {
		return
	}
	p := c.pathENU()
	st.Position = c.frame.ToECEF(geodesy.ENU{E: p[0] + c.b[0], N: p[1] + c.b[1], U: p[2] + c.b[2]})
	// What the path gathered since the offset was estimated, the offset's own error,
	// and what all fixes share.
	g := c.grownNow()
	var v [3]float64
	gathered := c.since(&g)
	for i, grew := range gathered {
		v[i] = c.v[i] + grew
		for j := range 3 {
			if st.Cov[i][j] = 0; g[i]*g[j] > 0 { // of the path's, what it gathered since
				st.Cov[i][j] = st.Path.Cov[i][j] / (wide * wide) * math.Sqrt(grew*gathered[j]/(g[i]*g[j]))
			}
		}
		st.Cov[i][i] += c.own[i] + c.shared[i/2]*c.shared[i/2]
	}
	h := math.Max(v[0], v[1]) + c.shared[0]*c.shared[0]
	u := v[2] + c.shared[1]*c.shared[1]
	st.Sigma = [2]float64{math.Sqrt(h), math.Sqrt(u)}
	anchor := [2]float64{math.Sqrt(math.Max(c.v[0], c.v[1]) + c.shared[0]*c.shared[0]), math.Sqrt(c.v[2] + c.shared[1]*c.shared[1])}
	for i := range 2 {
		st.Level[i] = st.Path.Bias[i] + carrier.Missed*math.Hypot(st.Path.Sub[i], anchor[i])
	}
}
