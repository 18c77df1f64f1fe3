package integrity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// WheelPath extrapolates the path from wheel speed, side slip and the gyro
// alone: no satellite position enters it but by way of biases, scale and slip,
// which a slow drift hardly moves. The filter's heading does follow a drift, so
// it counts only at the start of a comparison; from there the gyro turns. Where
// there are no wheels the path stands still and says nothing.
type WheelPath struct {
	path
	step      r3.Vec    // m, ENU by the filter's heading, level, since path.t
	turn      float64   // rad, counter-clockwise, what the gyro has turned since the reset
	travelled float64   // m, length of the path
	slide     [3]r3.Vec // by the filter's heading, ENU: what slip, bend and pull act on, since path.t; see path.slid
	lat       float64   // m/s², leftward acceleration at the last step, smoothed
	ok        bool      // no interval without wheel speed since the reset
	car       handling

	history[wheelMark]
}

// path is what was travelled since the reset in a frame that corrections of
// heading do not turn, with the moments that say what an error of heading on it
// does to its end.
type path struct {
	run   int        // counts resets: paths of different runs cannot be compared
	t     float64    // host s
	p     r3.Vec     // m
	slid  [3]r3.Vec  // what slip, bend and pull act on: leftward acceleration along the path, its cube (both to the left of the body), and the forward one; m·m/s², m·(m/s²)³, m·m/s²
	frame float64    // rad, from the frame to ENU
	sum   [2]float64 // m·s, integral of p
	sq    [3]float64 // m²·s, integral of xx, yy, xy
	yaw   float64    // rad, turned since the reset
	swing [2]float64 // m·rad, integral of p over the turning
}

// wheelMark is the path beside a fixed epoch.
type wheelMark struct {
	path
	EpochFix
	errors    PathError
	travelled float64
}

// WheelStep is one step of the filter, as the wheel path needs it.
type WheelStep struct {
	T, Dt     float64     // host s at its end; s
	Speed     float64     // m/s, forward, the filter's in its middle
	Rate      r3.Vec      // rad/s, body, bias removed
	Rot       *[9]float64 // body to world in its middle, by rows
	EarthRate float64     // rad/s about up
	Lateral   float64     // m/s², leftward, smoothed
	Pull      float64     // m/s², forward
	Slip      float64     // rad/(m/s²)
	Axle      float64     // m: the point that does not move sideways is so far behind the body origin
	Scale     float64     // wheel speed over speed

	WheelT  float64 // host s of the newest wheel speed at or before T
	Wheel   float64 // m/s, that
	Mid     float64 // m/s, wheel speed in the middle of the step
	Period  float64 // s, usual, of wheel speed
	Refused int     // wheel speeds the filter refused in a row
}

// Reset begins the path anew.
func (o *WheelPath) Reset() {
	o.path, o.step, o.turn, o.travelled, o.slide, o.ok = path{run: o.run + 1, t: math.NaN()}, r3.Vec{}, 0, 0, [3]r3.Vec{}, false
	o.clear()
}

// Wheel speed counts as missing after this long, s, or so many periods; and as
// slipping where it is this far from the filter's, m/s and as a share.
const (
	wheelHold    = 0.05
	wheelPeriods = 2.5
	slipSpeed    = 0.3
	slipShare    = 0.03
)

// Add carries the path over one step. The body turns into its own slip, so speed
// times yaw rate is the leftward acceleration but for Slip·v·(its change); over
// the path that share sums to Slip²·v² times the change. The body origin swings
// about the point that does not move sideways.
func (o *WheelPath) Add(s *WheelStep) {
	v := s.Speed * s.Scale
	if !(s.T-s.WheelT < max(wheelHold, wheelPeriods*s.Period)) || s.Refused > 0 || !(math.Abs(s.Wheel-v) < slipSpeed+slipShare*math.Abs(v)) {
		if o.ok {
			o.Reset()
		}
		return
	}
	if !o.ok {
		o.lat = s.Lateral
	}
	o.ok = true
	v = s.Mid / s.Scale
	w, r, dt := s.Rate, s.Rot, s.Dt
	lat := v * w.Z
	x, y := v*dt, (s.Axle*w.Z-s.Slip*lat*v)*dt+s.Slip*s.Slip*v*v*(s.Lateral-o.lat)
	o.step.X += r[0]*x + r[1]*y
	o.step.Y += r[3]*x + r[4]*y
	o.turn += (yawRate(r, w) - s.EarthRate) * dt
	o.lat = s.Lateral
	o.travelled += math.Abs(v) * dt
	for i, by := range [3]float64{lat, lat * lat * lat, s.Pull} {
		side := 1
		if i == 2 {
			side = 0
		}
		o.slide[i].X += r[side] * by * v * dt
		o.slide[i].Y += r[3+side] * by * v * dt
	}
}

// yawRate returns how fast the heading of a body with the rotation r to the world
// turns at the body rate w, rad/s. On a slope that is not the rate about up: a car
// that rolls into a banked bend there turns its nose.
//
//	yaw = atan2(r10, r00), dR/dt = [w]x R
func yawRate(r *[9]float64, w r3.Vec) float64 {
	x, y, z := r[0]*w.X+r[1]*w.Y+r[2]*w.Z, r[3]*w.X+r[4]*w.Y+r[5]*w.Z, r[6]*w.X+r[7]*w.Y+r[8]*w.Z
	return z - r[6]*(r[0]*x+r[3]*y)/(r[0]*r[0]+r[3]*r[3])
}

// Advance carries the path to an epoch at t, at which the filter points to yaw.
func (o *WheelPath) Advance(t, yaw float64) {
	if !o.ok {
		return
	}
	frame := math.Remainder(yaw-o.turn, 2*math.Pi)
	if !math.IsNaN(o.t) {
		dt, x, y := t-o.t, o.p.X, o.p.Y
		o.sum[0] += x * dt
		o.sum[1] += y * dt
		o.sq[0] += x * x * dt
		o.sq[1] += y * y * dt
		o.sq[2] += x * y * dt
		o.swing[0] += x * (o.turn - o.yaw)
		o.swing[1] += y * (o.turn - o.yaw)
	}
	o.yaw = o.turn
	o.p = r3.Add(o.p, turned(o.step, -frame))
	for i := range o.slid {
		o.slid[i] = r3.Add(o.slid[i], turned(o.slide[i], -frame))
	}
	o.t, o.step, o.slide, o.frame = t, r3.Vec{}, [3]r3.Vec{}, frame
}

// record remembers a fixed epoch to which the path was carried.
func (o *WheelPath) record(now *EpochFix, e *PathError) {
	if o.ok {
		k := o.markAt(now, e)
		o.put(o.t, &k)
	}
}

func (o *WheelPath) markAt(now *EpochFix, e *PathError) wheelMark {
	return wheelMark{path: o.path, EpochFix: *now, errors: *e, travelled: o.travelled}
}

// PathError are the errors of the wheel path that grow with it.
type PathError struct {
	Scale, Yaw     float64 // 1 sigma: share, rad
	Side           Side
	Wheel          float64 // m/√m, white noise of wheel speed over the path
	Corr, CorrTime float64 // m, slow error of the receiver, 1 sigma each axis; s, its time constant
	Latency        float64 // s
	GyroBias       float64 // rad/s, about up
	GyroWalk       float64 // rad/√s, of its angle
	GyroScale      float64 // share of its turn about up
}

// Side is the covariance of what says how the car moves sideways. Driving at one
// speed shows slip and axle together only: one makes up for the other.
type Side struct {
	Slip     float64 // (rad/(m/s²))²
	Axle     float64 // m²
	SlipAxle float64 // rad/(m/s²)·m
}

// compare returns the receiver's displacement since mark a less the
// wheels', m, east and north, and its covariance. The path was carried
// to the epoch.
func (o *WheelPath) compare(a *wheelMark, now *EpochFix, s *PathError) (y Vec3, c Sym3) {
	y, c = o.differ(a, now, s)
	h := o.acted(a)
	o.car.explain(&h, &y, &c)
	return y, c
}

// acted returns the displacement since mark a by a unit of slip, bend and pull, east
// and north: each takes off what it acts on.
func (o *WheelPath) acted(a *wheelMark) (h [3][2]float64) {
	for i := range h {
		d := turned(r3.Sub(a.slid[i], o.slid[i]), a.frame)
		h[i] = [2]float64{d.X, d.Y}
	}
	return h
}

// learn takes what a receiver that is believed, at an epoch to which the path was
// carried, says of the car's handling.
func (o *WheelPath) learn(now *EpochFix, s *PathError) {
	if !o.ok || o.t-o.car.at < handlingSpan {
		return
	}
	if a := o.before(o.t, handlingSpan); a != nil && a.Fix == now.Fix {
		y, c := o.differ(a, now, s)
		h := o.acted(a)
		o.car.learn(o.t, &h, y, c)
	}
}

// Handling returns what was learned of the car beside the filter's scale and slip, and
// its 1 sigma: slip, rad/(m/s²); bend, rad/(m/s²)³; pull, share per m/s².
func (o *WheelPath) Handling() (x, sigma [3]float64) {
	for i := range sigma {
		sigma[i] = math.Sqrt(o.car.p[i][i])
	}
	return o.car.x, sigma
}

// differ is compare without the car's handling.
func (o *WheelPath) differ(a *wheelMark, now *EpochFix, s *PathError) (y Vec3, c Sym3) {
	d := turned(r3.Sub(o.p, a.p), a.frame)
	e := r3.Sub(now.since(&a.EpochFix), d)
	y = Vec3{e.X, e.Y}
	travelled := o.travelled - a.travelled
	// Along the chord scale errors, across it heading errors; white noise
	// wherever the path pointed.
	d.Z = 0
	chord := r3.Norm(d)
	var ux, uy float64
	if chord > 0 {
		ux, uy = d.X/chord, d.Y/chord
	}
	// Scale, heading, slip and axle were learned on the path: what they were worth
	// at its start counts.
	old := &a.errors
	scale, yaw, side := math.Max(s.Scale, old.Scale), math.Max(s.Yaw, old.Yaw), &old.Side
	if s.Side.Slip > side.Slip {
		side = &s.Side
	}
	along := scale * scale * chord * chord
	across := yaw * yaw * chord * chord
	iso := s.Wheel*s.Wheel*travelled + s.Corr*s.Corr*decorrelated(o.t-a.t, s.CorrTime)
	sx, sy, sxy := o.sideError(a, side)
	hx, hy, hxy := o.gyroError(a, old.GyroBias, math.Max(s.GyroScale, old.GyroScale), s.GyroWalk)
	c[0][0] = along*ux*ux + across*uy*uy + sx + hx + iso + now.White[0] + a.White[0]
	c[1][1] = along*uy*uy + across*ux*ux + sy + hy + iso + now.White[1] + a.White[1]
	c[0][1] = (along-across)*ux*uy + sxy + hxy
	dv := r3.Sub(now.Vel, a.Vel)
	late := math.Max(s.Latency, old.Latency)
	c[0][0] += late * late * dv.X * dv.X
	c[1][1] += late * late * dv.Y * dv.Y
	c[0][1] += late * late * dv.X * dv.Y
	c[1][0] = c[0][1]
	return y, c
}

// sideError returns what slip and axle add to the covariance since mark a, m²,
// east, north and mixed. Slip moves the end by the leftward acceleration along the
// path, the axle by the change of where the body points.
func (o *WheelPath) sideError(a *wheelMark, q *Side) (e, n, en float64) {
	d := r3.Sub(a.slid[0], o.slid[0])
	s1, c1 := math.Sincos(o.yaw)
	s0, c0 := math.Sincos(a.yaw)
	f := turned(r3.Vec{X: c1 - c0, Y: s1 - s0}, a.frame)
	d = turned(d, a.frame)
	return q.Slip*d.X*d.X + 2*q.SlipAxle*d.X*f.X + q.Axle*f.X*f.X,
		q.Slip*d.Y*d.Y + 2*q.SlipAxle*d.Y*f.Y + q.Axle*f.Y*f.Y,
		q.Slip*d.X*d.Y + q.SlipAxle*(d.X*f.Y+d.Y*f.X) + q.Axle*f.X*f.Y
}

// gyroError returns what the gyro adds to the covariance since mark a, m², east,
// north and mixed: a rate error r at time s on the path moves the end by
// r × (end - p(s)), so a steady bias does by the first moment of the path about
// its end, a random walk by the second, and an error of scale by the first moment
// over the turning.
func (o *WheelPath) gyroError(a *wheelMark, bias, scale, walk float64) (e, n, en float64) {
	dt := o.t - a.t
	x, y := o.p.X, o.p.Y
	sx, sy := o.sum[0]-a.sum[0], o.sum[1]-a.sum[1]
	mx, my := dt*x-sx, dt*y-sy
	qx := dt*x*x - 2*x*sx + o.sq[0] - a.sq[0]
	qy := dt*y*y - 2*y*sy + o.sq[1] - a.sq[1]
	qxy := dt*x*y - x*sy - y*sx + o.sq[2] - a.sq[2]
	dy := o.yaw - a.yaw
	gx, gy := dy*x-(o.swing[0]-a.swing[0]), dy*y-(o.swing[1]-a.swing[1])
	b, w, g := bias*bias, walk*walk, scale*scale
	xx, yy, xy := b*my*my+w*qy+g*gy*gy, b*mx*mx+w*qx+g*gx*gx, -(b*mx*my + w*qxy + g*gx*gy)
	sin, cos := math.Sincos(a.frame)
	return cos*cos*xx - 2*cos*sin*xy + sin*sin*yy,
		sin*sin*xx + 2*cos*sin*xy + cos*cos*yy,
		cos*sin*(xx-yy) + (cos*cos-sin*sin)*xy
}
