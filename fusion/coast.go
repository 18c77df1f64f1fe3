package fusion

import (
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
)

// coastBudget answers how many seconds would pass until some protection level
// reached its limit if no satellite were used from now on, at this speed and
// this curvature. It carries a copy of the filter ahead in coarse steps with
// the aids that remain (wheel speed and grip where there are wheels), so it is
// the filter's own covariance that says it, not an approximation of it.
//
// One look ahead costs some tens of microseconds, so it is taken once a second,
// more often while GNSS is not used, and at once when that begins or the speed
// changes.
type coastBudget struct {
	at    float64 // host s of the last look, NaN before the first
	left  float64 // s, budget then
	whole bool    // the horizon was reached first
	v     float64 // m/s then
	used  bool    // GNSS was used then
	g     eskf.Filter
}

const (
	coastStep    = 0.5  // s
	coastHorizon = 20.0 // s
	coastEvery   = 1.0  // s between looks while GNSS is used
	coastBusy    = 0.5  // s while it is not
)

func (c *coastBudget) reset() { c.at = math.NaN() }

func (c *coastBudget) update(m *Monitor, s *Snapshot) {
	used := m.now-m.trust.used < 0.5
	every := coastEvery
	if !used {
		every = coastBusy
	}
	since := m.now - c.at
	if !(since < every-1e-6) || used != c.used || math.Abs(s.Speed-c.v) > 1 {
		c.look(m, s)
		c.at, c.v, c.used = m.now, s.Speed, used
		since = 0
	}
	s.Coast, s.CoastMax = c.left, c.whole
	if !used { // time runs while nothing is used
		s.Coast = math.Max(0, c.left-since)
	}
}

// look carries a copy ahead until a limit is reached.
func (c *coastBudget) look(m *Monitor, s *Snapshot) {
	p := &m.pred
	g := &c.g
	*g = eskf.Filter{State: p.s, P: p.p, Params: m.f.Params}
	g.Params.CovEvery = 1
	wheel := m.whl.fresh(m.now)
	e, n := m.predDirection(s)
	turn := s.YawRate * coastStep
	// Mean motion: what the samples of the last tenth of a second averaged.
	w, f := m.imu.wMean, m.imu.fMean
	c.left, c.whole = 0, false
	before := 0.0
	for t := 0.0; ; t += coastStep {
		over := m.overLimit(s, g, e, n)
		if over >= 0 {
			if t > 0 && over > before { // linear between the two looks
				c.left = t - coastStep*over/(over-before)
			}
			return
		}
		if t >= coastHorizon {
			c.left, c.whole = coastHorizon, true
			return
		}
		before = over
		g.Predict(w, f, coastStep)
		if wheel {
			m.coastAid(g)
		}
		sin, cos := math.Sincos(turn)
		e, n = e*cos-n*sin, e*sin+n*cos
	}
}

// coastAid applies what wheels would say over one step, without innovation:
// only the covariance learns.
func (m *Monitor) coastAid(g *eskf.Filter) {
	w := &m.cfg.Wheel
	v := g.ToBody(g.Vel).X
	share := wheelEvery / coastStep
	r := w.Sigma + w.SigmaRel*math.Abs(v)
	o := g.Wheel(v*g.WheelScale, r*r*share)
	g.Apply(&o)
	if math.Abs(v) < 1 {
		return
	}
	lat := v * (m.imu.wMean.Z - g.GyroBias.Z)
	r = w.SideSigma + w.SideLat*math.Abs(lat)
	o = g.Side(r*r*share, w.SideSigma*w.SideSigma*4*share, lat)
	o.Y = [3]float64{}
	g.Apply(&o)
}

// overLimit returns by how much the worst protection level of g is over its
// limit, as a share of it; negative while all are inside.
func (m *Monitor) overLimit(s *Snapshot, g *eskf.Filter, e, n float64) float64 {
	var c integrity.Sym3
	for i := range 3 {
		for j := range 3 {
			c[i][j] = g.P[eskf.IPos+i][eskf.IPos+j]
		}
	}
	k := m.kCoast
	lat := (k*math.Sqrt(math.Max(0, c.Along(-n, e)))+s.PLLat.Step+s.PLLat.Timing)/s.ALLat - 1
	lon := (k*math.Sqrt(math.Max(0, c.Along(e, n)))+s.PLLon.Step+s.PLLon.Timing)/s.ALLon - 1
	u := g.R()[2]
	vy := 0.0
	for i := range 3 {
		for j := range 3 {
			vy += u[i] * u[j] * g.P[eskf.IAtt+i][eskf.IAtt+j]
		}
	}
	yaw := (k*math.Sqrt(math.Max(0, vy))+s.PLYaw.Timing)/s.ALYaw - 1
	w := math.Max(lat, math.Max(lon, yaw))
	if math.IsNaN(w) {
		return math.Inf(1)
	}
	return w
}
