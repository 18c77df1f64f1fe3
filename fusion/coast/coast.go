// Package coast answers how many seconds would pass until some protection level
// reached its limit if no satellite were used from now on, at this speed and
// this curvature. It carries a copy of the filter ahead in coarse steps with the
// aids that remain (wheel speed and the tyres' side forces), so it is the
// filter's own covariance that says it, not an approximation of it.
//
// Metres, seconds, radians; axes and host times are those of
// [kerbline/fusion/navigation]. Start at [Budget.Update].
package coast

import (
	"math"

	"kerbline/fusion/course"
	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	firstStep = 0.5   // s, first steps; later a fifth of the time so far
	maxStep   = 0.5   // s, longest step: a bend is no more than a few of them
	mostTurn  = 0.3   // rad a step on a map: what is along before a bend is across behind it, and most within
	minStep   = 0.125 // s, shortest
	Horizon   = 20.0  // s, beyond which nothing is looked for
	every     = 1.0   // s between looks while GNSS is used
	everyLost = 0.5   // s while it is not
	usualOver = 30.0  // s over which the usual speed is taken
	bendTime  = 2.0   // s for which a bend goes on without a map
	newSpeed  = 1.0   // m/s of change after which a new look is taken
	slow      = 1.0   // m/s, below it the direction of the velocity says nothing
)

// Now is what the budget is asked for.
type Now struct {
	T       float64 // host s
	Used    bool    // GNSS is in use
	Speed   float64 // m/s, horizontal
	YawRate float64 // rad/s, left positive
	East    float64 // unit vector of the direction that levels are along and across
	North   float64

	Course  *course.Course // nil without one
	Station float64        // m along it
	Way     float64        // 1 in its direction, -1 against

	Unseen [3]float64 // m, m, rad: parts of the levels (lateral, along, heading) that no covariance holds
	Timing [3]float64 // likewise, the share of the time of validity
	Limit  [3]float64 // alert limits

	Since float64  // s since GNSS was used last
	Lost  bool     // the car coasts: the countdown runs
	Time  float64  // s, what the time of the position may be off: speed and turns ahead make it metres
	Room  Room     // what the map leaves beside the car
	Brake Handover // how long giving the car away takes
}

// Room is how the lateral limit follows from the half width of the track.
type Room struct{ Most, CarHalf, Margin float64 } // m

// Handover is what giving the car away takes: reaction and braking.
type Handover struct{ Reaction, Reactive, Brake float64 } // s, m/s, m/s²

// Budget is the answer with what it rests on. One look ahead costs some tens of
// microseconds, so it is taken once a second, more often while GNSS is not used,
// and at once when that begins or the speed changes.
type Budget struct {
	At    float64 // host s of the last look, NaN before the first
	Left  float64 // s, budget then
	Usual float64 // m/s, mean speed over about 30 s

	// Leave is the countdown: s until the car must be handed over, be it for the
	// levels or for the handover to end inside the budget. While the car coasts it
	// runs with time and never rises, so its end can be relied on.
	Leave float64

	brisk ahead // by a brisk look
	pace  pace

	k, kLevel, stall float64
	age              float64 // s since GNSS was used, at the last look
	last             float64 // host s at which it was used last, as of the last update
	whole            bool    // the horizon was reached first
	v                float64 // m/s at the last look
	used             bool    // GNSS was used then
	seen             float64 // host s of the last update, NaN before the first
	g                eskf.Filter
	p                [eskf.NErr][eskf.NErr]float64 // covariance of g carried to the time looked at
}

// Init makes the budget ready: k is the factor on sigma behind the budget, level
// that behind the levels, stall how long an epoch is waited for, s.
func (b *Budget) Init(k, level, stall float64) {
	b.k, b.kLevel, b.stall = k, level, stall
	b.Reset()
}

// Reset forgets the last look and the usual speed.
func (b *Budget) Reset() {
	b.At, b.seen, b.Usual, b.pace = math.NaN(), math.NaN(), 0, pace{}
	b.Leave = math.NaN()
}

// Update returns the budget, s, and whether no limit is reached within the
// horizon.
func (b *Budget) Update(d *navigation.Driver, now *Now) (left float64, whole bool) {
	if dt := now.T - b.seen; dt > 0 && dt < 1 {
		b.Usual += dt / usualOver * (now.Speed - b.Usual)
		b.pace.learn(now.Speed, now.YawRate, dt)
		b.Leave -= dt
	}
	b.seen = now.T
	wait := every
	switch {
	case !now.Used:
		wait = everyLost
	case b.Left == 0: // a level was beyond its limit: fixes bring it back in no time
		wait = 0
	}
	since := now.T - b.At
	if !(since < wait-1e-6) || now.Used != b.used || math.Abs(now.Speed-b.v) > newSpeed {
		was := math.Inf(1)
		if !now.Used && !b.used {
			was = b.Left - since // once it counts down it does not rise again
		}
		b.brisk = b.look(d, now, true)
		usual := b.look(d, now, false)
		b.Left, b.whole = usual.likely.budget.at, usual.whole()
		if was < b.Left {
			b.Left, b.whole = math.Max(0, was), false
		}
		b.At, b.v, b.used, b.age = now.T, now.Speed, now.Used, now.Since
		since = 0
	}
	b.count(now)
	if !now.Used { // time runs while nothing is used
		return math.Max(0, b.Left-since), b.whole
	}
	return b.Left, b.whole
}

// count works out the countdown. The time foreseen counts from the last use of
// GNSS, so that it does not step when that is missed. What is said at first is sure;
// it is taken back where not even what is likely lasts as long, and it is never more
// than was said since GNSS was used last.
func (b *Budget) count(now *Now) {
	gone := now.T - b.At
	if now.Used {
		gone = now.Since - b.age
	}
	left := func(r *reach, v float64) float64 {
		h := &now.Brake
		return math.Min(r.levels.at, r.budget.at-integrity.Handover(v, h.Reaction, h.Reactive, h.Brake)) - gone
	}
	last := now.T - now.Since
	anew := math.IsNaN(b.Leave) || now.Used && (last > b.last+1e-6 || now.Since > every/2) // or phases lead
	b.last = last
	sure := left(&b.brisk.sure, math.Max(now.Speed, b.pace.top))
	switch {
	case now.Lost && !math.IsNaN(b.Leave):
		b.Leave = math.Min(b.Leave, left(&b.brisk.likely, now.Speed))
	case anew:
		b.Leave = sure
	default:
		b.Leave = math.Min(b.Leave, sure)
	}
}

// look carries a copy of the filter ahead until a limit is reached, as the
// monitor would really coast: the filter falls behind now by up to the stall it
// waits for, and its covariance is carried over that lag in one step. Where
// there is a map the turns are those of the road ahead. Speed is the present or
// the usual one, whichever is larger: a slow bend promises nothing for the
// straight behind it. A brisk look goes on as fast as the car has been seen to: no
// faster than its top speed, its pull and what its tyres hold in the bends ahead.
func (b *Budget) look(d *navigation.Driver, now *Now, brisk bool) (a ahead) {
	d.Filter.Flush()
	g := &b.g
	*g = d.Filter
	g.Params.CovEvery = 1
	if !brisk && b.Usual > now.Speed && now.Speed > slow {
		g.Vel = r3.Scale(b.Usual/now.Speed, g.Vel)
	}
	lag := now.T - d.Filter.T
	way := now.road(lag)
	d.CovNow(&b.p, now.T)
	e, n := now.East, now.North
	wheels := d.Wheels.Fresh(now.T)
	a = ahead{likely: newReach(1), sure: newReach(sureSigma)}
	dt := 0.0
	for t := 0.0; ; t += dt {
		l := now.levels(d, b, g, &way, e, n)
		a.likely.look(&l, b, t, dt)
		a.sure.look(&l, b, t, dt)
		if a.likely.budget.at < Horizon || t >= Horizon {
			return a
		}
		dt = way.within(min(max(firstStep, t/5), maxStep), math.Hypot(g.Vel.X, g.Vel.Y))
		was := lag
		lag = max(lag, min(lag+dt, b.stall))
		v, gain := math.Hypot(g.Vel.X, g.Vel.Y), 0.0 // m/s², forward
		if brisk && v > slow {
			faster := b.pace.ahead(v, dt, &way)
			g.Vel = r3.Scale(faster/v, g.Vel)
			gain, v = math.Max((faster-v)/dt, -b.pace.grip), faster // tyres brake as they hold in bends
		}
		if step := dt - (lag - was); step > 1e-3 {
			w, f := way.drive(g, v, step)
			d.NoiseAt(g, w, r3.Add(f, r3.Vec{X: gain}))
			g.Predict(w, f, step)
			d.Aid(g, w.Z, gain, step, wheels)
		}
		rest := way // the filter does not go this part
		w, f := rest.drive(g, v, lag)
		d.NoiseAt(g, w, r3.Add(f, r3.Vec{X: gain}))
		e, n = rest.direction()
		g.CovAhead(&b.p, w, f, lag)
	}
}

// ahead is what a look found: how long the levels hold if they grow as is likely,
// and as is sure.
type ahead struct{ likely, sure reach }

// whole reports whether the budget reaches the horizon.
func (a *ahead) whole() bool { return a.likely.budget.at >= Horizon }

// sureSigma is the factor on sigma with which a level foreseen is relied on: how a car
// will turn, brake and pull, and on which line, is known no better. Common practice, no
// source.
const sureSigma = 1.3

// reach is how long the levels hold with a factor on their sigma.
type reach struct {
	factor         float64
	budget, levels crossing // at the risk of the budget; at that of the levels
}

func newReach(factor float64) reach {
	none := crossing{at: Horizon}
	return reach{factor, none, none}
}

// look takes the levels t s ahead, dt after those before.
func (r *reach) look(l *levels, b *Budget, t, dt float64) {
	r.budget.look(l.over(r.factor*b.k), t, dt)
	r.levels.look(l.over(r.factor*b.kLevel), t, dt)
}

// crossing is when what grows first passes zero.
type crossing struct{ at, before float64 } // s, Horizon until then; its value at the look before

func (c *crossing) look(over, t, dt float64) {
	if over >= 0 && c.at >= Horizon {
		c.at = 0
		if t > 0 { // linear between the two looks
			c.at = t - dt*over/(over-c.before)
		}
	}
	c.before = over
}

// pace is how the car has been driven of late.
type pace struct {
	top  float64 // m/s, fastest
	grip float64 // m/s², sideways
	pull float64 // m/s², forward

	v, rate   float64    // smoothed speed and yaw rate
	most, old [3]float64 // of the three, in the present span and in the one before
	age       float64    // s of the present span
}

const (
	paceOver = 60.0 // s: the fastest of one to two such spans counts, so that a lap is in it whole
	paceHold = 0.5  // s over which speed and turning are smoothed
)

// learn takes speed and yaw rate of now, dt s after the last.
func (p *pace) learn(v, rate, dt float64) {
	k := dt / (dt + paceHold)
	was := p.v
	p.v += k * (v - p.v)
	p.rate += k * (rate - p.rate)
	if p.age += dt; p.age > paceOver {
		p.old, p.most, p.age = p.most, [3]float64{}, 0
	}
	for i, x := range [3]float64{v, p.v * math.Abs(p.rate), (p.v - was) / dt} {
		p.most[i] = math.Max(p.most[i], x)
	}
	p.top, p.grip, p.pull = math.Max(p.most[0], p.old[0]), math.Max(p.most[1], p.old[1]), math.Max(p.most[2], p.old[2])
}

// ahead returns the speed after dt s on the road, having gone at v.
func (p *pace) ahead(v, dt float64, way *road) float64 {
	turn := math.Abs(way.rate) / math.Max(v, slow) // 1/m
	if way.crs != nil {
		pl, _ := way.crs.At(way.at)
		turn = math.Abs(pl.Curvature)
	}
	most := p.top
	if turn > 0 {
		most = math.Min(most, math.Sqrt(p.grip/turn))
	}
	return math.Max(math.Min(most, v+p.pull*dt), slow)
}

// road is what lies ahead of the car: the course, or without one a bend like
// the present.
type road struct {
	crs  *course.Course // nil without one
	at   float64        // m along it
	way  float64        // 1 in its direction, -1 against
	yaw  float64        // rad, direction of travel
	rate float64        // rad/s, without a course

	turning float64 // rad/s, over the last step
}

// road starts where the filter stands, lag seconds ago.
func (n *Now) road(lag float64) road {
	if n.Course == nil {
		return road{yaw: math.Atan2(n.North, n.East) - n.YawRate*lag, rate: n.YawRate}
	}
	r := road{crs: n.Course, way: n.Way, at: n.Station - n.Way*n.Speed*lag}
	pl, _ := r.crs.At(r.at)
	r.yaw = pl.Yaw
	return r
}

// within shortens a step of dt seconds at speed v to one in which the map turns by
// mostTurn.
func (r *road) within(dt, v float64) float64 {
	if r.crs == nil {
		return dt
	}
	for ; dt > minStep; dt /= 2 {
		if pl, _ := r.crs.At(r.at + r.way*v*dt); math.Abs(math.Remainder(pl.Yaw-r.yaw, 2*math.Pi)) < mostTurn {
			break
		}
	}
	return dt
}

// drive moves on by dt seconds at speed v and returns what the sensors of g
// would read on the way, biases in it.
func (r *road) drive(g *eskf.Filter, v, dt float64) (w, f r3.Vec) {
	rate := r.rate
	if r.crs != nil {
		r.at += r.way * v * dt
		pl, _ := r.crs.At(r.at)
		rate = 0
		if dt > 1e-3 {
			rate = math.Remainder(pl.Yaw-r.yaw, 2*math.Pi) / dt
		}
		r.yaw = pl.Yaw
	} else {
		r.yaw += rate * dt
		r.rate *= math.Exp(-dt / bendTime)
	}
	r.turning = rate
	w = r3.Add(g.GyroBias, g.ToBody(r3.Vec{Z: rate}))
	f = r3.Add(g.AccBias, r3.Vec{Y: v * rate, Z: g.Params.Gravity})
	return w, f
}

func (r *road) direction() (e, n float64) {
	n, e = math.Sincos(r.yaw)
	return e, n
}

// levels is what the protection levels ahead consist of: lateral, along, heading.
type levels struct{ sigma, rest, limit [3]float64 }

// levels returns those of the covariance carried ahead.
func (n *Now) levels(d *navigation.Driver, b *Budget, g *eskf.Filter, way *road, east, north float64) (l levels) {
	p := &b.p
	l.limit, l.rest = n.Limit, n.Timing
	if way.crs != nil {
		pl, _ := way.crs.At(way.at)
		l.limit[0] = integrity.LateralLimit(n.Room.Most, pl.HalfWidth, n.Room.CarHalf, n.Room.Margin)
	}
	v := math.Hypot(g.Vel.X, g.Vel.Y)
	l.rest[0] = math.Max(l.rest[0], v*math.Abs(way.turning)*n.Time)
	l.rest[1] = math.Max(l.rest[1], v*n.Time)
	c := integrity.Sym3(d.OriginCov(&g.State, p))
	for i, v := range [3]float64{c.Along(-north, east), c.Along(east, north), d.YawVariance(&g.State, p)} {
		l.sigma[i] = math.Sqrt(math.Max(0, v))
		l.rest[i] += n.Unseen[i]
	}
	return l
}

// over returns by how much the worst level with k sigma is over its limit, as a share
// of it; negative while all are inside.
func (l *levels) over(k float64) float64 {
	worst := math.Inf(-1)
	for i, s := range l.sigma {
		worst = math.Max(worst, (k*s+l.rest[i])/l.limit[i]-1)
	}
	if math.IsNaN(worst) {
		return math.Inf(1)
	}
	return worst
}
