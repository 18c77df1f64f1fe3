package carrier

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Limits of what is used. Our own choice where no source is named.
const (
	minSine   = 0.1736 // of the elevation: 10 degrees
	maxGap    = 3.0    // s without a phase that its arc survives
	maxFaulty = 4      // satellites left out of one solution
)

// Missed is the factor on the deviation of a solution without a faulty satellite:
// 1e-3, two-sided. With one fault in a hundred times that phases carry (our own
// assumption, no source) that is the levels' 1e-5.
const Missed = 3.29

// Lack says why there is no displacement.
type Lack uint8

// Reasons in the order in which they are looked for.
const (
	None         Lack = iota
	NoAnchor          // no position to start from, or every phase slipped since
	NoEphemeris       // orbits of too few satellites
	FewPhases         // too few satellites with a phase that goes on
	Inconsistent      // phases contradict each other
	Slipping          // phases break too often to be believed
)

var lackWords = [...]string{"", "no anchor", "ephemerides missing", "too few continuous phases", "phases contradict each other", "phases slip too often"}

// String returns the reason in words, "" for none.
func (l Lack) String() string { return lackWords[min(int(l), len(lackWords)-1)] }

// State is what the phases say after an epoch.
type State struct {
	Time  gnsstime.Time // of the position: the tag less the receiver's clock error
	Clock float64       // s, receiver's clock less GPS time, good to 50 ns; NaN when unknown

	// Lack is None when the position is carried from the anchor.
	Lack Lack
	Age  float64 // s since the anchor at which the position was known
	// Position of the antenna; displacement and covariance since the anchor,
	// east-north-up, without the anchor's own. Bias is how far apart it is from the
	// solution without the satellite whose fault would do most, horizontally and up,
	// and Sub the deviation of that solution: Bias + Missed·Sub bounds the error.
	Position     geodesy.ECEF
	Displacement [3]float64
	Cov          [3][3]float64
	Bias, Sub    [2]float64

	// Rate is the velocity in m/s since the last epoch; RateLack None when it is known.
	Rate     [3]float64
	RateCov  [3][3]float64
	RateLack Lack

	Satellites int // in the displacement
	Systems    int
	Dual       int // satellites of them with two carriers
	Slips      int // phases of the epoch before that do not go on
	LeftOut    int // satellites left out by their residuals
	Held       int // phases that are carried from the anchor, or may be again
	Seen       int // phases that could be carried from here on
	Back       int // of Held, continued at this epoch: its displacement is without them
}

// track is one carrier of a satellite.
type track struct {
	signal  satellite.Signal
	hz      float64
	seen    gnsstime.Time // last phase
	phase   float64       // cycles
	doppler float64
	lock    float64
	half    bool

	now      bool    // observed at this epoch
	goes     bool    // on without a slip since it was last seen
	recent   bool    // the same, and seen at the epoch before
	turned   float64 // cycles more than Doppler says since the epoch before
	y        float64 // m, phase less the model, at the last solution
	yTime    gnsstime.Time
	yBefore  gnsstime.Time // yTime before this epoch
	last     float64       // the same at the epoch before
	anchored bool
	ref      float64 // y at the anchor

	// What is kept of an arc that ended, to tell by how many cycles it goes on.
	kept   bool
	doubt  bool          // it ended by a test of ours, not by what the receiver reports
	left   float64       // m, y less ref when it was last anchored
	leftAt gnsstime.Time // and when that was
	marks  [maxMarks]mark
}

// body is one satellite.
type body struct {
	id     satellite.ID
	eph    orbit.Ephemeris
	known  bool // eph is set
	seen   gnsstime.Time
	code   float64       // m
	barred gnsstime.Time // not carried from until then
	ahead  float64       // m, code less the model: the receiver's clock, in the main
	offers [2]struct {
		rank int
		obs  observation.Observation
	}

	up bool // observed at this epoch over the mask
	Sight
	wetRef float64 // the same at the anchor
	tracks [2]track
}

// Path follows one antenna. Its zero value is ready.
type Path struct {
	place [satellite.NumIndices]uint8 // in sats, plus 1
	sats  [maxSats]body
	n     int

	frame  geodesy.Frame
	anchor struct {
		set  bool
		time gnsstime.Time // of the known position
		from gnsstime.Time // of the epoch that the arcs refer to
		at   [3]float64    // displacement there
		sol  solution      // from the known position to that epoch
	}
	time     gnsstime.Time // tag of the last epoch
	at       [3]float64    // displacement of the last epoch in the frame
	from     [3]float64    // at the epoch before
	has      bool          // at and rate are solved
	blind    int           // satellites observed whose orbit is not known
	orbits   *orbit.Store
	rate     [3]float64
	before   gnsstime.Time // tag of the epoch before
	clockWas float64       // s, receiver's clock at the epoch before
	last     solution      // since the known position
	good     solution      // the same when the position was last given
	goodAt   gnsstime.Time
	breaks   float64 // share of the phases that break at an epoch, on average
	carried  bool    // last is that of the last epoch
	rateSol  solution
	losses   [maxMarks]loss // of arcs since the anchor
	linked   int            // links of the last solution since one, or looked ahead
	uneven   float64        // m/s at the zenith, measured change of the ionosphere from satellite to satellite
	looked   float64        // s since the anchor at which it was last looked ahead
	values   [maxSats]float64
	links    [maxSats]link
	solver   solver
	clocks   [maxGroups]struct {
		system satellite.System
		band   byte
	}
	state State
}

// State returns what the last epoch said.
func (p *Path) State() *State { return &p.state }

// Reset forgets everything.
func (p *Path) Reset() { *p = Path{} }

// Observe takes the next epoch of the antenna. near is where it is, to some metres;
// it is used only while the path has no position of its own.
func (p *Path) Observe(e *observation.Epoch, orbits *orbit.Store, near geodesy.ECEF) *State {
	dt := e.Time.Sub(p.time)
	if p.time.IsZero() || dt <= 0 || dt > maxGap {
		p.breakAll()
		dt = 0
	}
	p.time = e.Time
	p.state = State{Time: e.Time, Clock: math.NaN(), Lack: NoAnchor, RateLack: NoAnchor}
	p.orbits = orbits
	p.predict(dt, near)
	p.gather(e)
	p.look(p.position())
	p.readClock()
	p.slips(dt)
	if dt > 0 {
		p.solveRate(dt)
	}
	p.solveAnchored()
	p.settle(dt)
	return &p.state
}

// predict puts the linearization point where the antenna should be now.
func (p *Path) predict(dt float64, near geodesy.ECEF) {
	p.from = p.at
	if p.has {
		for i := range 3 {
			p.at[i] += p.rate[i] * dt
		}
		return
	}
	if p.frame == (geodesy.Frame{}) {
		p.frame = geodesy.NewFrame(near.LLA())
	}
	d := p.frame.FromECEF(near)
	p.at = [3]float64{d.E, d.N, d.U}
}

func (p *Path) position() geodesy.ECEF {
	return p.frame.ToECEF(geodesy.ENU{E: p.at[0], N: p.at[1], U: p.at[2]})
}

// Anchor says that the antenna was at a position at the last epoch: the
// displacement counts from there. The phases' own position moves there too.
func (p *Path) Anchor(at geodesy.ECEF) {
	if p.time.IsZero() {
		return
	}
	// The newest orbits, and the model moved there: the differences to come refer to both.
	zenith := ZenithDelay(at)
	for i := range p.n {
		if b := &p.sats[i]; b.up {
			p.renew(b, zenith)
		}
	}
	d := p.frame.FromECEF(at)
	move := [3]float64{d.E - p.at[0], d.N - p.at[1], d.U - p.at[2]}
	p.shift(move)
	p.has = true
	p.anchor.set = true
	p.anchor.time, p.anchor.from = p.time, p.time
	p.anchor.at = p.at
	p.anchor.sol, p.last, p.good, p.goodAt = solution{}, solution{}, solution{}, p.time
	p.carried, p.looked = true, 0
	p.forgetLosses()
	for i := range p.n {
		b := &p.sats[i]
		b.wetRef = b.Wet
		for j := range b.tracks {
			t := &b.tracks[j]
			t.anchored = t.now && b.up && b.barred.Sub(p.time) <= 0
			t.ref = t.y
			t.keep(p.time)
		}
	}
	st := &p.state
	st.Lack, st.Age = None, 0
	st.count(p)
	p.conclude()
}

// rejoinFor is for how long in s the position may have been without phases that carry
// it, before dead reckoning says too little.
const rejoinFor = 5.0

// Rejoin says where the antenna was at the last epoch by dead reckoning since the last
// position that was given; v is what that adds to its variance, m^2 of one axis,
// horizontally and up. What was gathered until then stays, and all phases in sight go on from
// here. It reports false where the phases themselves bridge the time better.
func (p *Path) Rejoin(at geodesy.ECEF, v [2]float64) bool {
	gap := p.time.Sub(p.goodAt)
	if !p.anchor.set || gap <= 0 || gap > rejoinFor || p.inSight() < minCarried {
		return false
	}
	sol := p.good
	for i := range 3 {
		sol.p[i][i] += v[i/2]
	}
	for i := range sol.by {
		for a := range 2 {
			sol.by[i].v[a] += v[a]
		}
	}
	if sol.worst(); p.state.Lack == None && !(sol.level() < bridgeBetter*p.last.level()) {
		return false
	}
	d := p.frame.FromECEF(at)
	p.shift([3]float64{d.E - p.at[0], d.N - p.at[1], d.U - p.at[2]})
	p.has, p.carried = true, true
	p.last = sol
	p.handOver(true)
	for i := range p.n {
		b := &p.sats[i]
		for j := range b.tracks { // those that began with this epoch too
			t := &b.tracks[j]
			t.anchored = t.now && b.up && b.barred.Sub(p.time) <= 0
			t.keep(p.time)
		}
	}
	st := &p.state
	st.Lack, st.Age = None, p.time.Sub(p.anchor.time)
	st.count(p)
	p.conclude()
	return st.Lack == None
}

// inSight counts the satellites that could be carried from here on.
func (p *Path) inSight() (n int) {
	for i := range p.n {
		if b := &p.sats[i]; b.up && b.barred.Sub(p.time) <= 0 && (b.tracks[0].now || b.tracks[1].now) {
			n++
		}
	}
	return n
}

// renew goes over to the newest ephemeris of a satellite in view.
func (p *Path) renew(b *body, zenith float64) {
	set := p.orbits.Find(b.id, p.time)
	if set == nil || *set == b.eph {
		return
	}
	b.eph = *set
	p.see(b, p.position(), zenith)
	for j := range b.tracks {
		if t := &b.tracks[j]; t.now {
			t.y = t.phase*b.wave(j) - b.Model
		}
	}
}

// shift moves the linearization point of this epoch.
func (p *Path) shift(d [3]float64) {
	for i := range 3 {
		p.at[i] += d[i]
	}
	for i := range p.n {
		b := &p.sats[i]
		if !b.up {
			continue
		}
		for j := range b.tracks {
			if t := &b.tracks[j]; t.now {
				t.y += b.U[0]*d[0] + b.U[1]*d[1] + b.U[2]*d[2]
			}
		}
	}
}

// breakAll ends every arc.
func (p *Path) breakAll() {
	for i := range p.n {
		for j := range p.sats[i].tracks {
			t := &p.sats[i].tracks[j]
			t.goes, t.anchored, t.now, t.kept = false, false, false, false
		}
	}
	p.anchor.set, p.has, p.carried, p.goodAt = false, false, false, gnsstime.Time{}
}
