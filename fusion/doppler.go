package fusion

import (
	"math"

	"kerbline/fusion/integrity"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// doppler extrapolates the path from the velocity the receiver reports. It
// comes of the Doppler shift, which no ambiguity and no base enters: what moves
// a position slowly does not move it. Between epochs the filter's velocity
// carries the path, whose errors the next reported one takes off again, so a
// filter that follows a drift does not bend it.
type doppler struct {
	run int     // counts resets: paths of different runs cannot be compared
	t   float64 // host s of the last epoch, NaN before the first
	p   r3.Vec  // m, ENU, since the reset
	leg r3.Vec  // m, ENU, by the filter since the last epoch
	acc r3.Vec  // m/s², ENU, gravity in it, at the last epoch
	fit velocityFit
	history[dopplerMark]
}

// dopplerMark is the path beside a fixed epoch.
type dopplerMark struct {
	run int
	t   float64 // host s
	p   r3.Vec  // m, ENU
	acc r3.Vec  // m/s², ENU, gravity in it
	sighting
}

func (o *doppler) init() {
	o.fit.init()
	o.reset()
}

func (o *doppler) reset() {
	o.run++
	o.t, o.p, o.leg = math.NaN(), r3.Vec{}, r3.Vec{}
	o.clear()
}

// add carries the path over dt seconds that end where the filter stands.
func (o *doppler) add(m *Monitor, dt float64) { o.leg = r3.Add(o.leg, r3.Scale(dt, m.nav.Filter.Vel)) }

// settle carries the path to an epoch at t, before the filter learns from it.
// Without a velocity it begins anew.
func (o *doppler) settle(m *Monitor, e *gnss.Epoch, t float64) {
	const (
		slow = 0.5 // m/s, below it the course is noise
		wild = 1.0 // m/s off the filter's: no velocity of this car
		gap  = 0.5 // s between epochs that a velocity may stand for
	)
	if !(e.Speed > slow) || math.IsNaN(e.Course) || !m.rcv.precise {
		o.reset()
		return
	}
	f := &m.nav.Filter
	o.acc = f.ToWorld(r3.Sub(m.nav.Force, f.AccBias))
	r := r3.Sub(r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course), Z: f.Vel.Z}, f.Vel)
	dt := t - o.t
	if !(dt > 0 && dt < gap) || math.Hypot(r.X, r.Y) > wild {
		o.reset()
		o.t = t
		return
	}
	o.p = r3.Add(o.p, r3.Add(o.leg, r3.Scale(dt, r)))
	o.t, o.leg = t, r3.Vec{}
	if !math.IsNaN(m.trust.good) {
		arm := f.ToWorld(r3.Cross(r3.Sub(m.nav.Rate, f.GyroBias), m.nav.Lever))
		o.fit.add(r, arm, o.acc, m.cfg.GNSS.SpeedSigma)
	}
}

// note remembers a fixed epoch to which the path was settled.
func (o *doppler) note(now *sighting) {
	if !math.IsNaN(o.t) {
		o.put(o.t, &dopplerMark{run: o.run, t: o.t, p: o.p, acc: o.acc, sighting: *now})
	}
}

// compare returns the receiver's displacement since mark a less that by its
// velocity, m, east and north, and its covariance.
func (o *doppler) compare(m *Monitor, a *dopplerMark, now *sighting) (y integrity.Vec3, c integrity.Sym3) {
	// What a velocity may be off for long, m/s: 15 s of a real receiver's summed
	// up to its positions within 0.05 m, once the lag was taken off.
	const steady = 0.01
	dt := o.t - a.t
	share, lag, v := o.fit.solve()
	arm, dv := r3.Sub(now.arm, a.arm), r3.Sub(now.v, a.v)
	d := r3.Sub(o.p, a.p)
	d = r3.Sub(d, r3.Scale(share, arm))
	d = r3.Add(d, r3.Scale(lag, dv))
	// Smoothing delays by a spread of times. Half their mean square, which moves
	// the position by the acceleration, is lag²/2 for a plain delay, lag² for an
	// exponential; the change of acceleration on the way is left to the noise.
	second, shape := 0.75*lag*lag, 0.5*lag*lag
	da := r3.Sub(o.acc, a.acc)
	d = r3.Sub(d, r3.Scale(second, da))
	e := r3.Sub(now.since(&a.sighting), d)
	y = integrity.Vec3{e.X, e.Y}
	s, ch := m.cfg.GNSS.SpeedSigma, m.nav.Filter.Params.CorrSigmaH
	iso := s*s*m.rcv.period*dt + steady*steady*dt*dt + ch*ch*renewed(dt, m.nav.Filter.Params.CorrTime)
	g, h := [2][2]float64{{arm.X, -dv.X}, {arm.Y, -dv.Y}}, [2]float64{da.X, da.Y}
	for i := range 2 {
		for j := range 2 {
			c[i][j] = shape*shape*h[i]*h[j] + g[i][0]*g[j][0]*v.xx + (g[i][0]*g[j][1]+g[i][1]*g[j][0])*v.xz + g[i][1]*g[j][1]*v.zz
		}
		c[i][i] += iso + now.white[i] + a.white[i]
	}
	return y, c
}

// velocityFit learns what the receiver calls its velocity, for they differ: of
// which point of the car, and smoothed for how long,
//
//	v = v_body + share·(ω × lever) - lag·a
//
// by least squares from the differences to the filter's.
type velocityFit struct{ normal }

func (q *velocityFit) init() {
	// Any point from the body's origin to the antenna, and as much smoothing as
	// makes a velocity late by 0.15 s, 1 sigma. A walking receiver's was 0.14 s.
	const share, lag = 0.5, 0.15
	q.normal = normal{xx: 1 / (share * share), zz: 1 / (lag * lag), xy: 0.5 / (share * share)}
}

// add takes the reported velocity less the filter's, r, with 1 sigma, m/s, the
// lever arm's velocity and the specific force, all ENU.
func (q *velocityFit) add(r, arm, acc r3.Vec, sigma float64) {
	w := 1 / (sigma * sigma)
	q.normal.add(w, arm.X, -acc.X, r.X)
	q.normal.add(w, arm.Y, -acc.Y, r.Y)
}

// solve returns share, lag in s, and their covariance: twice what least squares
// says, for the differences are not white, and what may change on the way.
func (q *velocityFit) solve() (share, lag float64, v normal) {
	const (
		coloured  = 4.0
		shareWalk = 0.05
		lagWalk   = 0.01 // s
	)
	share, lag, _, _ = q.normal.solve()
	det := q.xx*q.zz - q.xz*q.xz
	return share, lag, normal{
		xx: coloured*q.zz/det + shareWalk*shareWalk,
		xz: -coloured * q.xz / det,
		zz: coloured*q.xx/det + lagWalk*lagWalk,
	}
}
