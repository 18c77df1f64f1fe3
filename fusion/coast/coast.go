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

	// Levels is the time, from the last look, until a level at its own risk
	// reaches its limit: it comes before the budget's end, whose risk is larger.
	Levels float64
	// Leave is the countdown: s until the car must be handed over, be it for the
	// levels or for the handover to end inside the budget. While the car coasts it
	// runs with time and never rises, so its end can be relied on.
	Leave float64

	brisk float64 // s, budget by a brisk look
	pace  pace

	k, kLevel, stall float64
	age              float64 // s since GNSS was used, at the last look
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
	b.Leave, b.Levels = math.NaN(), math.NaN()
}

// Update returns the budget, s, and whether no limit is reached within the
// horizon.
func (b *Budget) Update(d *navigation.Driver, now *Now) (left float64, whole bool) {
	if dt := now.T - b.seen; dt > 0 && dt < 1 {
		b.Usual += dt / usualOver * (now.Speed - b.Usual)
		b.pace.learn(now.Speed, now.YawRate, dt)
		if now.Lost {
			b.Leave -= dt
		}
	}
	b.seen = now.T
	wait := every
	if !now.Used {
		wait = everyLost
	}
	since := now.T - b.At
	if !(since < wait-1e-6) || now.Used != b.used || math.Abs(now.Speed-b.v) > newSpeed {
		was := math.Inf(1)
		if !now.Used && !b.used {
			was = b.Left - since // once it counts down it does not rise again
		}
		brisk := b.look(d, now, true)
		b.brisk = brisk.budget
		b.Levels = brisk.levels
		usual := b.look(d, now, false)
		b.Left, b.whole = usual.budget, usual.whole
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

// sureShare is the share of the time foreseen that is relied on: how fast the car
// goes on, and how its levels grow with that, is not known.
const sureShare = 0.55

// count works out the countdown. The time foreseen counts from the last use of
// GNSS, so that it does not step when that is missed.
func (b *Budget) count(now *Now) {
	gone := now.T - b.At
	if now.Used {
		gone = now.Since - b.age
	}
	h := &now.Brake
	left := func(share, v float64) float64 {
		return share*math.Min(b.Levels, b.brisk-integrity.Handover(v, h.Reaction, h.Reactive, h.Brake)) - gone
	}
	if !now.Lost || math.IsNaN(b.Leave) {
		b.Leave = left(sureShare, math.Max(now.Speed, b.pace.top))
	} else if least := left(1, now.Speed); least < b.Leave { // what was kept back is used up
		b.Leave = least
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
	a.levels = math.Inf(1)
	before, beforeLevel, dt := 0.0, 0.0, 0.0
	for t := 0.0; ; t += dt {
		over, level := now.over(d, b, g, &way, e, n)
		if level >= 0 && math.IsInf(a.levels, 1) {
			a.levels = 0
			if t > 0 && level > beforeLevel {
				a.levels = t - dt*level/(level-beforeLevel)
			}
		}
		beforeLevel = level
		if over >= 0 {
			if t > 0 && over > before { // linear between the two looks
				a.budget = t - dt*over/(over-before)
			}
			return a
		}
		if t >= Horizon {
			a.budget, a.whole = Horizon, true
			a.levels = math.Min(a.levels, Horizon)
			return a
		}
		before = over
		dt = way.within(min(max(firstStep, t/5), maxStep), math.Hypot(g.Vel.X, g.Vel.Y))
		was := lag
		lag = max(lag, min(lag+dt, b.stall))
		v := math.Hypot(g.Vel.X, g.Vel.Y)
		if brisk && v > slow {
			faster := b.pace.ahead(v, dt, &way)
			g.Vel = r3.Scale(faster/v, g.Vel)
			v = faster
		}
		if step := dt - (lag - was); step > 1e-3 {
			w, f := way.drive(g, v, step)
			g.Predict(w, f, step)
			d.Aid(g, w.Z, step, wheels)
		}
		rest := way // the filter does not go this part
		w, f := rest.drive(g, v, lag)
		e, n = rest.direction()
		g.CovAhead(&b.p, w, f, lag)
	}
}

// ahead is what a look found: s until the budget's end, whether the horizon came
// first, s until a level at its own risk reaches its limit.
type ahead struct {
	budget, levels float64
	whole          bool
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

// over returns by how much the worst bound of the covariance carried ahead is over
// its limit, as a share of it, at the risk of the budget and at that of the levels;
// negative while all are inside.
func (n *Now) over(d *navigation.Driver, b *Budget, g *eskf.Filter, way *road, east, north float64) (budget, level float64) {
	budget, level = math.Inf(-1), math.Inf(-1)
	p, limit, timing := &b.p, n.Limit, n.Timing
	if way.crs != nil {
		pl, _ := way.crs.At(way.at)
		limit[0] = integrity.LateralLimit(n.Room.Most, pl.HalfWidth, n.Room.CarHalf, n.Room.Margin)
	}
	v := math.Hypot(g.Vel.X, g.Vel.Y)
	timing[0] = math.Max(timing[0], v*math.Abs(way.turning)*n.Time)
	timing[1] = math.Max(timing[1], v*n.Time)
	c := integrity.Sym3(d.OriginCov(&g.State, p))
	for i, v := range [3]float64{c.Along(-north, east), c.Along(east, north), d.YawVariance(&g.State, p)} {
		sigma, rest := math.Sqrt(math.Max(0, v)), n.Unseen[i]+timing[i]
		budget = math.Max(budget, (b.k*sigma+rest)/limit[i]-1)
		level = math.Max(level, (b.kLevel*sigma+rest)/limit[i]-1)
	}
	if math.IsNaN(budget) || math.IsNaN(level) {
		return math.Inf(1), math.Inf(1)
	}
	return budget, level
}
