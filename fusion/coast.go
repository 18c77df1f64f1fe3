package fusion

import (
	"math"

	"kerbline/fusion/course"
	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

// coastBudget answers how many seconds would pass until some protection level
// reached its limit if no satellite were used from now on, at this speed and
// this curvature. It carries a copy of the filter ahead in coarse steps with
// the aids that remain (wheel speed and grip where there are wheels), so it is
// the filter's own covariance that says it, not an approximation of it.
//
// One look ahead costs some tens of microseconds, so it is taken once a
// second, more often while GNSS is not used, and at once when that begins or
// the speed changes.
type coastBudget struct {
	at    float64 // host s of the last look, NaN before the first
	left  float64 // s, budget then
	whole bool    // the horizon was reached first
	v     float64 // m/s then
	used  bool    // GNSS was used then
	usual float64 // m/s, mean speed over about 30 s
	seen  float64 // host s of the last update, NaN before the first
	g     eskf.Filter
	p     [eskf.NErr][eskf.NErr]float64 // covariance of g carried to the time looked at
}

const (
	coastStep    = 0.5  // s, first steps; later a fifth of the way so far
	coastLeap    = 1.0  // s, longest step: a bend is no more than a few of them
	coastHorizon = 20.0 // s
	coastEvery   = 1.0  // s between looks while GNSS is used
	coastBusy    = 0.5  // s while it is not
	usualOver    = 30.0 // s over which the usual speed is taken
	bendTime     = 2.0  // s for which a bend goes on, where no map tells
)

func (c *coastBudget) reset() { c.at, c.seen, c.usual = math.NaN(), math.NaN(), 0 }

func (c *coastBudget) update(m *Monitor, s *Snapshot) {
	if dt := m.now - c.seen; dt > 0 && dt < 1 {
		c.usual += dt / usualOver * (s.Speed - c.usual)
	}
	c.seen = m.now
	used := m.now-m.trust.UsedAt < 0.5
	every := coastEvery
	if !used {
		every = coastBusy
	}
	since := m.now - c.at
	if !(since < every-1e-6) || used != c.used || math.Abs(s.Speed-c.v) > 1 {
		was := math.Inf(1)
		if !used && !c.used {
			was = c.left - since // once it counts down it does not rise again
		}
		c.look(m, s)
		if was < c.left {
			c.left, c.whole = math.Max(0, was), false
		}
		c.at, c.v, c.used = m.now, s.Speed, used
		since = 0
	}
	s.Coast, s.CoastMax = c.left, c.whole
	if !used { // time runs while nothing is used
		s.Coast = math.Max(0, c.left-since)
	}
}

// look carries a copy of the filter ahead until a limit is reached, as the
// monitor would really coast: the filter falls behind now by up to the stall it
// waits for, and its covariance is carried over that lag in one step. Where
// there is a map the turns are those of the road ahead. Speed is the present or
// the usual one, whichever is larger: a slow bend promises nothing for the
// straight behind it.
func (c *coastBudget) look(m *Monitor, s *Snapshot) {
	m.nav.Filter.Flush()
	g := &c.g
	*g = m.nav.Filter
	g.Params.CovEvery = 1
	if c.usual > s.Speed && s.Speed > 1 {
		g.Vel = r3.Scale(c.usual/s.Speed, g.Vel)
	}
	road := m.roadAhead(s)
	lag := m.now - m.nav.Filter.T
	m.nav.CovNow(&c.p, m.now)
	e, n := m.predDirection(s)
	c.left, c.whole = 0, false
	before, dt := 0.0, 0.0
	for t := 0.0; ; t += dt {
		over := m.overLimit(s, g, &c.p, e, n)
		if over >= 0 {
			if t > 0 && over > before { // linear between the two looks
				c.left = t - dt*over/(over-before)
			}
			return
		}
		if t >= coastHorizon {
			c.left, c.whole = coastHorizon, true
			return
		}
		before = over
		dt = min(max(coastStep, t/5), coastLeap)
		was := lag
		lag = max(lag, min(lag+dt, m.cfg.GNSS.Stall))
		v := math.Hypot(g.Vel.X, g.Vel.Y)
		if step := dt - (lag - was); step > 1e-3 {
			w, f := road.drive(g, v, step)
			g.Predict(w, f, step)
			m.nav.Aid(g, w.Z, step, m.nav.Wheels.Fresh(m.now))
		}
		rest := road // the filter does not go this part
		w, f := rest.drive(g, v, lag)
		e, n = rest.direction()
		g.CovAhead(&c.p, w, f, lag)
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

// roadAhead starts where the filter stands.
func (m *Monitor) roadAhead(s *Snapshot) road {
	lag := m.now - m.nav.Filter.T
	if !s.HasCourse {
		e, n := m.predDirection(s)
		return road{yaw: math.Atan2(n, e) - s.YawRate*lag, rate: s.YawRate}
	}
	r := road{crs: m.crs, way: 1}
	if s.Vel.E*math.Cos(s.CourseYaw)+s.Vel.N*math.Sin(s.CourseYaw) < 0 {
		r.way = -1
	}
	r.at = s.Station - r.way*s.Speed*lag
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

// overLimit returns by how much the worst protection level of covariance p is
// over its limit, as a share of it; negative while all are inside.
func (m *Monitor) overLimit(s *Snapshot, g *eskf.Filter, p *[eskf.NErr][eskf.NErr]float64, e, n float64) float64 {
	c := posCov(p)
	k := m.kCoast
	lat := (k*math.Sqrt(math.Max(0, c.Along(-n, e)))+s.PLLat.Unseen()+s.PLLat.Timing)/s.ALLat - 1
	lon := (k*math.Sqrt(math.Max(0, c.Along(e, n)))+s.PLLon.Unseen()+s.PLLon.Timing)/s.ALLon - 1
	yaw := (k*math.Sqrt(math.Max(0, g.YawVariance(p)))+s.PLYaw.Timing)/s.ALYaw - 1
	w := math.Max(lat, math.Max(lon, yaw))
	if math.IsNaN(w) {
		return math.Inf(1)
	}
	return w
}
