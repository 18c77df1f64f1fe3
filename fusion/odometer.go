package fusion

import (
	"math"

	"kerbline/fusion/integrity"

	"gonum.org/v1/gonum/spatial/r3"
)

// odometer extrapolates the path from wheel speed, side slip and the filter's
// attitude alone: no satellite position enters it but by way of heading, scale
// and slip, which a slow drift hardly moves. Where there are no wheels it
// stands still and says nothing.
type odometer struct {
	p     r3.Vec  // m, ENU, since the last reset
	way   float64 // m, length of the path
	slide float64 // m·m/s², leftward acceleration along the path: what slip acts on
	lat   float64 // m/s², leftward acceleration at the last step, smoothed
	ok    bool    // no interval without wheel speed since the reset

	ring    [odoRing]odoMark
	head, n int
}

// odoMark is the odometer beside a fixed epoch.
type odoMark struct {
	t          float64 // host s
	p, z       r3.Vec  // m, ENU: odometer; body origin by the receiver
	v          r3.Vec  // m/s, ENU
	lat        float64 // s, the latency by which the epoch was placed in time
	spread     spread
	way, slide float64
	white      [3]float64
}

const odoRing = 512 // epochs: 20 s at 25 Hz

func (o *odometer) reset() { o.p, o.way, o.slide, o.ok, o.head, o.n = r3.Vec{}, 0, 0, false, 0, 0 }

// add carries the odometer over dt seconds, at the filter's forward speed v (m/s)
// and yaw rate wz (rad/s, bias in it), that end where the filter stands. The
// body turns into its own slip, so speed times yaw rate is the leftward
// acceleration but for Slip·v·(its change); over the path that share sums to
// Slip²·v² times the change.
func (o *odometer) add(m *Monitor, v, wz, dt float64) {
	f, w := &m.f, &m.whl.now
	v *= f.WheelScale
	if !(f.T-w.t < max(0.05, 2.5*m.whl.period)) || m.whl.refused > 0 || !(math.Abs(w.v-v) < 0.3+0.03*math.Abs(v)) {
		if o.ok {
			o.reset()
		}
		return
	}
	if !o.ok {
		o.lat = m.lat1
	}
	o.ok = true
	v = m.whl.at(f.T-dt/2) / f.WheelScale
	lat := v * (wz - f.GyroBias.Z)
	o.p = r3.Add(o.p, f.ToWorld(r3.Vec{X: v * dt, Y: -f.Slip*lat*v*dt + f.Slip*f.Slip*v*v*(m.lat1-o.lat)}))
	o.lat = m.lat1
	o.way += math.Abs(v) * dt
	o.slide += lat * v * dt
}

// mark notes a fixed epoch: body origin z by the receiver, velocity v.
func (o *odometer) mark(t float64, z, v r3.Vec, lat float64, white [3]float64, s *spread) {
	if !o.ok {
		return
	}
	o.ring[o.head] = odoMark{t: t, p: o.p, z: z, v: v, lat: lat, spread: *s, way: o.way, slide: o.slide, white: white}
	o.head = (o.head + 1) % odoRing
	o.n = min(o.n+1, odoRing)
}

// before returns the mark about span seconds before t, nil when it does not
// reach back that far.
func (o *odometer) before(t, span float64) *odoMark {
	lo, hi := 0, o.n // age in marks: 0 is the newest
	for lo < hi {
		mid := (lo + hi) / 2
		if o.at(mid).t > t-span {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == o.n {
		return nil
	}
	return o.at(lo)
}

func (o *odometer) at(age int) *odoMark { return &o.ring[(o.head-1-age+2*odoRing)%odoRing] }

// spread are the errors of the odometer that grow with the path.
type spread struct {
	scale, yaw, slip float64 // 1 sigma: share, rad, rad/(m/s²)
	wheel            float64 // m/√m, white noise of wheel speed over the path
	ch               float64 // m, slow error of the receiver, 1 sigma each axis
	tau              float64 // s, its time constant
	lat              float64 // s, latency
}

// compare returns the receiver's displacement since mark a less the
// odometer's, m, east and north, and its covariance.
func (o *odometer) compare(a *odoMark, t float64, z, v r3.Vec, lat float64, white [3]float64, s *spread) (y integrity.Vec3, c integrity.Sym3) {
	d := r3.Sub(o.p, a.p)
	e := r3.Sub(r3.Sub(z, a.z), d)
	e = r3.Sub(e, r3.Scale(lat-a.lat, a.v)) // placed in time by different latencies
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
	iso := slip*slip*slide*slide + s.wheel*s.wheel*way + 2*s.ch*s.ch*(1-math.Exp(-(t-a.t)/s.tau))
	c[0][0] = along*ux*ux + across*uy*uy + iso + white[0] + a.white[0]
	c[1][1] = along*uy*uy + across*ux*ux + iso + white[1] + a.white[1]
	c[0][1] = (along - across) * ux * uy
	dv := r3.Sub(v, a.v)
	late := math.Max(s.lat, old.lat)
	c[0][0] += late * late * dv.X * dv.X
	c[1][1] += late * late * dv.Y * dv.Y
	c[0][1] += late * late * dv.X * dv.Y
	c[1][0] = c[0][1]
	return y, c
}
