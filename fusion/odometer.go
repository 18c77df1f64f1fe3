package fusion

import (
	"math"

	"kerbline/fusion/integrity"

	"gonum.org/v1/gonum/spatial/r3"
)

// odometer extrapolates the path from wheel speed, side slip and the gyro
// alone: no satellite position enters it but by way of biases, scale and slip,
// which a slow drift hardly moves. The filter's heading does follow a drift, so
// it counts only at the start of a comparison; from there the gyro turns. Where
// there are no wheels the odometer stands still and says nothing.
type odometer struct {
	path
	leg   r3.Vec  // m, ENU by the filter's heading, level, since path.t
	turn  float64 // rad, counter-clockwise, what the gyro has turned since the reset
	way   float64 // m, length of the path
	slide float64 // m·m/s², leftward acceleration along the path: what slip acts on
	lat   float64 // m/s², leftward acceleration at the last step, smoothed
	ok    bool    // no interval without wheel speed since the reset

	history[odoMark]
}

// path is the way since the reset in a frame that corrections of heading do not
// turn, with the moments that say what an error of heading on the way does to
// its end.
type path struct {
	run  int        // counts resets: paths of different runs cannot be compared
	t    float64    // host s
	p    r3.Vec     // m
	lead float64    // rad, from the frame to ENU
	sum  [2]float64 // m·s, integral of p
	sq   [3]float64 // m²·s, integral of xx, yy, xy
}

// odoMark is the odometer beside a fixed epoch.
type odoMark struct {
	path
	sighting
	spread     spread
	way, slide float64
}

func (o *odometer) reset() {
	o.path, o.leg, o.turn, o.way, o.slide, o.ok = path{run: o.run + 1, t: math.NaN()}, r3.Vec{}, 0, 0, 0, false
	o.clear()
}

// add carries the odometer over dt seconds, at the filter's forward speed v (m/s)
// and body rate w (rad/s, bias in it), that end where the filter stands; r is
// the rotation from body to world in their middle, by rows. The
// body turns into its own slip, so speed times yaw rate is the leftward
// acceleration but for Slip·v·(its change); over the path that share sums to
// Slip²·v² times the change.
func (o *odometer) add(m *Monitor, v float64, w r3.Vec, r *[9]float64, dt float64) {
	f, wheel := &m.nav.Filter, &m.nav.Wheels.Now
	v *= f.WheelScale
	if !(f.T-wheel.T < max(0.05, 2.5*m.nav.Wheels.Period)) || m.nav.Wheels.Refused > 0 || !(math.Abs(wheel.V-v) < 0.3+0.03*math.Abs(v)) {
		if o.ok {
			o.reset()
		}
		return
	}
	if !o.ok {
		o.lat = m.nav.Lat
	}
	o.ok = true
	v = m.nav.Wheels.At(f.T-dt/2) / f.WheelScale
	w = r3.Sub(w, f.GyroBias)
	lat := v * w.Z
	x, y := v*dt, -f.Slip*lat*v*dt+f.Slip*f.Slip*v*v*(m.nav.Lat-o.lat)
	o.leg.X += r[0]*x + r[1]*y
	o.leg.Y += r[3]*x + r[4]*y
	o.turn += (r[6]*w.X + r[7]*w.Y + r[8]*w.Z - f.Params.EarthRate.Z) * dt
	o.lat = m.nav.Lat
	o.way += math.Abs(v) * dt
	o.slide += lat * v * dt
}

// settle carries the path to an epoch at t, at which the filter points to yaw.
func (o *odometer) settle(t, yaw float64) {
	if !o.ok {
		return
	}
	lead := math.Remainder(yaw-o.turn, 2*math.Pi)
	if !math.IsNaN(o.t) {
		dt, x, y := t-o.t, o.p.X, o.p.Y
		o.sum[0] += x * dt
		o.sum[1] += y * dt
		o.sq[0] += x * x * dt
		o.sq[1] += y * y * dt
		o.sq[2] += x * y * dt
	}
	o.p = r3.Add(o.p, turned(o.leg, -lead))
	o.t, o.leg, o.lead = t, r3.Vec{}, lead
}

// turned returns v turned counter-clockwise about up by a.
func turned(v r3.Vec, a float64) r3.Vec {
	sin, cos := math.Sincos(a)
	return r3.Vec{X: cos*v.X - sin*v.Y, Y: sin*v.X + cos*v.Y, Z: v.Z}
}

// note remembers a fixed epoch to which the path was settled.
func (o *odometer) note(now *sighting, s *spread) {
	if o.ok {
		o.put(o.t, &odoMark{path: o.path, sighting: *now, spread: *s, way: o.way, slide: o.slide})
	}
}

// spread are the errors of the odometer that grow with the path.
type spread struct {
	scale, yaw, slip float64 // 1 sigma: share, rad, rad/(m/s²)
	wheel            float64 // m/√m, white noise of wheel speed over the path
	ch               float64 // m, slow error of the receiver, 1 sigma each axis
	tau              float64 // s, its time constant
	lat              float64 // s, latency
	bias             float64 // rad/s, of the gyro about up
	walk             float64 // rad/√s, of its angle
}

// compare returns the receiver's displacement since mark a less the
// odometer's, m, east and north, and its covariance. The path was settled to
// the epoch.
func (o *odometer) compare(a *odoMark, now *sighting, s *spread) (y integrity.Vec3, c integrity.Sym3) {
	d := turned(r3.Sub(o.p, a.p), a.lead)
	e := r3.Sub(now.since(&a.sighting), d)
	y = integrity.Vec3{e.X, e.Y}
	way, slide := o.way-a.way, o.slide-a.slide
	// Along the chord scale errors, across it heading errors; slip and white
	// noise wherever the path pointed.
	d.Z = 0
	chord := r3.Norm(d)
	var ux, uy float64
	if chord > 0 {
		ux, uy = d.X/chord, d.Y/chord
	}
	// Scale, heading and slip were learned on the way: what they were worth at
	// its start counts.
	old := &a.spread
	scale, yaw, slip := math.Max(s.scale, old.scale), math.Max(s.yaw, old.yaw), math.Max(s.slip, old.slip)
	along := scale * scale * chord * chord
	across := yaw * yaw * chord * chord
	iso := slip*slip*slide*slide + s.wheel*s.wheel*way + s.ch*s.ch*renewed(o.t-a.t, s.tau)
	hx, hy, hxy := o.astray(a, old.bias, s.walk)
	c[0][0] = along*ux*ux + across*uy*uy + hx + iso + now.white[0] + a.white[0]
	c[1][1] = along*uy*uy + across*ux*ux + hy + iso + now.white[1] + a.white[1]
	c[0][1] = (along-across)*ux*uy + hxy
	dv := r3.Sub(now.v, a.v)
	late := math.Max(s.lat, old.lat)
	c[0][0] += late * late * dv.X * dv.X
	c[1][1] += late * late * dv.Y * dv.Y
	c[0][1] += late * late * dv.X * dv.Y
	c[1][0] = c[0][1]
	return y, c
}

// astray returns what the gyro adds to the covariance since mark a, m², east,
// north and mixed: a rate error r at time s on the way moves the end by
// r × (end - p(s)), so a steady bias does by the first moment of the path about
// its end, a random walk by the second.
func (o *odometer) astray(a *odoMark, bias, walk float64) (e, n, en float64) {
	dt := o.t - a.t
	x, y := o.p.X, o.p.Y
	sx, sy := o.sum[0]-a.sum[0], o.sum[1]-a.sum[1]
	mx, my := dt*x-sx, dt*y-sy
	qx := dt*x*x - 2*x*sx + o.sq[0] - a.sq[0]
	qy := dt*y*y - 2*y*sy + o.sq[1] - a.sq[1]
	qxy := dt*x*y - x*sy - y*sx + o.sq[2] - a.sq[2]
	b, w := bias*bias, walk*walk
	xx, yy, xy := b*my*my+w*qy, b*mx*mx+w*qx, -(b*mx*my + w*qxy)
	sin, cos := math.Sincos(a.lead)
	return cos*cos*xx - 2*cos*sin*xy + sin*sin*yy,
		sin*sin*xx + 2*cos*sin*xy + cos*cos*yy,
		cos*sin*(xx-yy) + (cos*cos-sin*sin)*xy
}
