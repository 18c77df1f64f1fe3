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
	"kerbline/fusion/navigation"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	firstStep = 0.5  // s, first steps; later a fifth of the time so far
	maxStep   = 0.5  // s, longest step: a bend is no more than a few of them
	Horizon   = 20.0 // s, beyond which nothing is looked for
	every     = 1.0  // s between looks while GNSS is used
	everyLost = 0.5  // s while it is not
	usualOver = 30.0 // s over which the usual speed is taken
	bendTime  = 2.0  // s for which a bend goes on, where no map tells
	newSpeed  = 1.0  // m/s of change after which a new look is taken
	slow      = 1.0  // m/s, below it the direction of the velocity says nothing
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
}

// Budget is the answer with what it rests on. One look ahead costs some tens of
// microseconds, so it is taken once a second, more often while GNSS is not used,
// and at once when that begins or the speed changes.
type Budget struct {
	At    float64 // host s of the last look, NaN before the first
	Left  float64 // s, budget then
	Usual float64 // m/s, mean speed over about 30 s

	k, stall float64
	whole    bool    // the horizon was reached first
	v        float64 // m/s at the last look
	used     bool    // GNSS was used then
	seen     float64 // host s of the last update, NaN before the first
	g        eskf.Filter
	p        [eskf.NErr][eskf.NErr]float64 // covariance of g carried to the time looked at
}

// Init makes the budget ready: k is the factor on sigma behind the levels, stall
// how long an epoch is waited for, s.
func (b *Budget) Init(k, stall float64) {
	b.k, b.stall = k, stall
	b.Reset()
}

// Reset forgets the last look and the usual speed.
func (b *Budget) Reset() { b.At, b.seen, b.Usual = math.NaN(), math.NaN(), 0 }

// Update returns the budget, s, and whether no limit is reached within the
// horizon.
func (b *Budget) Update(d *navigation.Driver, now *Now) (left float64, whole bool) {
	if dt := now.T - b.seen; dt > 0 && dt < 1 {
		b.Usual += dt / usualOver * (now.Speed - b.Usual)
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
		b.look(d, now)
		if was < b.Left {
			b.Left, b.whole = math.Max(0, was), false
		}
		b.At, b.v, b.used = now.T, now.Speed, now.Used
		since = 0
	}
	if !now.Used { // time runs while nothing is used
		return math.Max(0, b.Left-since), b.whole
	}
	return b.Left, b.whole
}

// look carries a copy of the filter ahead until a limit is reached, as the
// monitor would really coast: the filter falls behind now by up to the stall it
// waits for, and its covariance is carried over that lag in one step. Where
// there is a map the turns are those of the road ahead. Speed is the present or
// the usual one, whichever is larger: a slow bend promises nothing for the
// straight behind it.
func (b *Budget) look(d *navigation.Driver, now *Now) {
	d.Filter.Flush()
	g := &b.g
	*g = d.Filter
	g.Params.CovEvery = 1
	if b.Usual > now.Speed && now.Speed > slow {
		g.Vel = r3.Scale(b.Usual/now.Speed, g.Vel)
	}
	lag := now.T - d.Filter.T
	way := now.road(lag)
	d.CovNow(&b.p, now.T)
	e, n := now.East, now.North
	wheels := d.Wheels.Fresh(now.T)
	b.Left, b.whole = 0, false
	before, dt := 0.0, 0.0
	for t := 0.0; ; t += dt {
		over := now.over(d, b.k, g, &b.p, e, n)
		if over >= 0 {
			if t > 0 && over > before { // linear between the two looks
				b.Left = t - dt*over/(over-before)
			}
			return
		}
		if t >= Horizon {
			b.Left, b.whole = Horizon, true
			return
		}
		before = over
		dt = min(max(firstStep, t/5), maxStep)
		was := lag
		lag = max(lag, min(lag+dt, b.stall))
		v := math.Hypot(g.Vel.X, g.Vel.Y)
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

// road is what lies ahead of the car: the course, or without one a bend like
// the present.
type road struct {
	crs  *course.Course // nil without one
	at   float64        // m along it
	way  float64        // 1 in its direction, -1 against
	yaw  float64        // rad, direction of travel
	rate float64        // rad/s, without a course
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
	w = r3.Add(g.GyroBias, g.ToBody(r3.Vec{Z: rate}))
	f = r3.Add(g.AccBias, r3.Vec{Y: v * rate, Z: g.Params.Gravity})
	return w, f
}

func (r *road) direction() (e, n float64) {
	n, e = math.Sincos(r.yaw)
	return e, n
}

// over returns by how much the worst protection level of covariance p is over
// its limit, as a share of it; negative while all are inside.
func (n *Now) over(d *navigation.Driver, k float64, g *eskf.Filter, p *[eskf.NErr][eskf.NErr]float64, east, north float64) float64 {
	worst := math.Inf(-1)
	for i, v := range [3]float64{d.Along(&g.State, p, -north, east), d.Along(&g.State, p, east, north), d.YawVariance(&g.State, p)} {
		worst = math.Max(worst, (k*math.Sqrt(math.Max(0, v))+n.Unseen[i]+n.Timing[i])/n.Limit[i]-1)
	}
	if math.IsNaN(worst) {
		return math.Inf(1)
	}
	return worst
}
