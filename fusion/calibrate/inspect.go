package calibrate

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
)

const (
	gravity     = 9.80665 // m/s², what "g" as a unit means
	perDegree   = math.Pi / 180
	windowLen   = 1.0 // s, interval over which receiver and sensors are compared
	minWindows  = 20
	minSpeed    = 3.0             // m/s from which course and wheel are compared
	sureTilt    = 5.0 * perDegree // rad, leaning of the sensor at rest that no ground explains
	goodCorr    = 0.9
	maxLatency  = 0.5 // s, searched
	latencyStep = 0.01
)

// reading says how the columns of the sensors must be read to be body axes and
// SI. The findings are what is wrong with them, in words.
type reading struct {
	scaleW, scaleF, scaleV float64     // factors to rad/s, m/s^2, m/s
	axes                   [3]axis     // body forward, left, up among the columns
	mirrored               bool        // no turning of the sensor explains the axes
	latency                float64     // s, rough; NaN when nothing turned
	tilt                   quat.Number // what is left of the mounting after axes: first levelling,
	yaw                    float64     // then a turn about up, rad, rough
	sound                  bool        // fit to be integrated
	findings               []string
}

// axis is a column, with the sign it has.
type axis struct {
	col  int
	sign float64
}

func (a axis) String() string {
	s := "+"
	if a.sign < 0 {
		s = "-"
	}
	return s + string(rune('x'+a.col))
}

func (a axis) of(v r3.Vec) float64 { return a.sign * [3]float64{v.X, v.Y, v.Z}[a.col] }

// body turns a reading into body axes, without its unit.
func (r *reading) body(v r3.Vec) r3.Vec {
	return r3.Vec{X: r.axes[0].of(v), Y: r.axes[1].of(v), Z: r.axes[2].of(v)}
}

func (r *reading) say(format string, a ...any) {
	r.findings = append(r.findings, fmt.Sprintf(format, a...))
}

// inspect looks for wrong units and axes: gravity at rest, the turns against
// the course, the accelerations against the receiver's speed and course, wheel
// against speed. It needs the data as they came, but for the configured
// mounting.
func (c *calibrator) inspect(still []span) reading {
	r := reading{scaleW: 1, scaleF: 1, scaleV: 1, axes: [3]axis{{0, 1}, {1, 1}, {2, 1}}, latency: math.NaN(), tilt: quat.Number{Real: 1}, sound: true}
	if len(c.IMU) == 0 {
		r.sound = false
		return r
	}
	g := c.meanForce(still)
	r.forceUnit(r3.Norm(g), len(still) > 0)
	c.sums()
	ws := c.windows(c.Settings.GNSS.Latency)
	turning := 0.0
	for _, w := range ws {
		turning += w.rate * w.rate
	}
	if len(ws) >= minWindows && turning > 0.5 {
		if l, ok := c.roughLatency(g); ok {
			r.latency = l
			ws = c.windows(l)
		}
		c.findAxes(&r, g, ws)
		if roll, pitch := eskf.Level(r.body(g)); len(still) > 0 && math.Hypot(roll, pitch) > sureTilt {
			r.tilt = eskf.FromEuler(roll, pitch, 0)
		}
		c.gyroUnit(&r, ws)
	} else {
		r.place(g, r3.Vec{X: 0.1}, r3.Vec{Y: 0.1})
		r.tellAxes(false)
	}
	c.wheelUnit(&r)
	return r
}

// meanForce is the mean specific force of the still parts, or of everything
// where there is none.
func (c *calibrator) meanForce(still []span) (g r3.Vec) {
	if len(still) == 0 {
		still = []span{{0, len(c.IMU)}}
	}
	n := 0.0
	for _, p := range still {
		for _, x := range c.IMU[p.from:p.to] {
			g = r3.Add(g, x.F)
			n++
		}
	}
	return r3.Scale(1/n, g)
}

// forceUnit judges the size of gravity; in motion the mean is a little more.
func (r *reading) forceUnit(n float64, still bool) {
	low, high := 0.93, 1.08
	where := "at rest"
	if !still {
		low, high, where = 0.9, 1.4, "on average"
	}
	for _, u := range []struct {
		name string
		of   float64 // m/s^2 to one
	}{{"m/s^2", 1}, {"g", gravity}, {"thousandths of g", gravity / 1000}} {
		if k := n * u.of / gravity; k > low && k < high {
			r.scaleF = u.of
			if u.of != 1 {
				r.say("specific force %s is %.4g, want 9.8 m/s^2: it looks like %s; multiply by %.6g at the source", where, n, u.name, u.of)
			}
			return
		}
	}
	r.say("specific force %s is %.4g, want 9.8 m/s^2: neither m/s^2 nor g", where, n)
	r.sound = false
}

// cum is the running integral of the readings.
type cum struct{ w, f r3.Vec }

func (c *calibrator) sums() {
	c.run = make([]cum, len(c.IMU))
	for i := 1; i < len(c.IMU); i++ {
		dt := c.IMU[i].T - c.IMU[i-1].T
		c.run[i] = cum{r3.Add(c.run[i-1].w, r3.Scale(dt, c.IMU[i].W)), r3.Add(c.run[i-1].f, r3.Scale(dt, c.IMU[i].F))}
	}
}

// integral returns the integrals up to host time t, and false outside the
// samples or in a gap of them.
func (c *calibrator) integral(t float64) (q cum, ok bool) {
	i := sort.Search(len(c.IMU), func(i int) bool { return c.IMU[i].T >= t })
	if i == 0 || i == len(c.IMU) || c.IMU[i].T-c.IMU[i-1].T > c.Settings.IMU.Gap {
		return q, false
	}
	d := t - c.IMU[i-1].T
	return cum{r3.Add(c.run[i-1].w, r3.Scale(d, c.IMU[i].W)), r3.Add(c.run[i-1].f, r3.Scale(d, c.IMU[i].F))}, true
}

// window compares receiver and sensors over about a second.
type window struct {
	rate    float64 // rad/s, of the course, left positive
	forward float64 // m/s^2, of the speed
	left    float64 // m/s^2, speed times rate
	w, f    r3.Vec  // mean readings
}

// windows cuts the drive into windows for a receiver of the given latency (s).
func (c *calibrator) windows(latency float64) (out []window) {
	last := -1
	for i := range c.Epochs {
		e := &c.Epochs[i]
		if !(e.Speed > minSpeed) || math.IsNaN(e.Course) || e.Status == 'V' {
			last = -1
			continue
		}
		if last < 0 {
			last = i
			continue
		}
		a := &c.Epochs[last]
		dt := e.T - a.T
		if dt < windowLen-0.01 {
			continue
		}
		last = i
		p, ok1 := c.integral(a.T - latency)
		q, ok2 := c.integral(e.T - latency)
		if dt > 2*windowLen || !ok1 || !ok2 {
			continue
		}
		x := window{
			rate:    -math.Remainder(e.Course-a.Course, 2*math.Pi) / dt,
			forward: (e.Speed - a.Speed) / dt,
			w:       r3.Scale(1/dt, r3.Sub(q.w, p.w)),
			f:       r3.Scale(1/dt, r3.Sub(q.f, p.f)),
		}
		x.left = (e.Speed + a.Speed) / 2 * x.rate
		out = append(out, x)
	}
	return out
}

// roughLatency is the latency at which the turn rate about the direction of
// gravity follows the course best, whatever its unit and sign: good to some
// 20 ms, enough to begin with.
func (c *calibrator) roughLatency(up r3.Vec) (float64, bool) {
	best, at := 0.0, math.NaN()
	for k := range int(maxLatency/latencyStep) + 1 {
		l := float64(k) * latencyStep
		var sxy, sxx, syy, sx, sy, n float64
		for _, w := range c.windows(l) {
			y := r3.Dot(up, w.w)
			n++
			sx += w.rate
			sy += y
			sxy += w.rate * y
			sxx += w.rate * w.rate
			syy += y * y
		}
		cov := sxy - sx*sy/n
		if r2 := cov * cov / ((sxx - sx*sx/n) * (syy - sy*sy/n)); r2 > best {
			best, at = r2, l
		}
	}
	return at, best > goodCorr*goodCorr
}

// findAxes places forward and left by how the accelerations show on the
// columns: f = F·forward + L·left + constant, least squares.
func (c *calibrator) findAxes(r *reading, g r3.Vec, ws []window) {
	n := float64(len(ws))
	var ma, ml float64
	var mf r3.Vec
	for _, w := range ws {
		ma += w.forward / n
		ml += w.left / n
		mf = r3.Add(mf, r3.Scale(1/n, w.f))
	}
	var aa, al, ll float64
	var fa, fl r3.Vec
	for _, w := range ws {
		a, l, f := w.forward-ma, w.left-ml, r3.Scale(r.scaleF, r3.Sub(w.f, mf))
		aa, al, ll = aa+a*a, al+a*l, ll+l*l
		fa, fl = r3.Add(fa, r3.Scale(a, f)), r3.Add(fl, r3.Scale(l, f))
	}
	det := aa*ll - al*al
	forward := r3.Scale(1/det, r3.Sub(r3.Scale(ll, fa), r3.Scale(al, fl)))
	left := r3.Scale(1/det, r3.Sub(r3.Scale(aa, fl), r3.Scale(al, fa)))
	if !(aa/n > 0.1*0.1) || !(ll/n > 0.3*0.3) || !(det > 0.1*aa*ll) || !(r3.Norm(forward) > 0.6) || !(r3.Norm(left) > 0.6) {
		r.place(g, r3.Vec{X: 0.1}, r3.Vec{Y: 0.1})
		r.tellAxes(false)
		return
	}
	r.place(g, r3.Unit(forward), r3.Unit(left))
	// What is left is a turn about up: both directions say by how much.
	f, l := r.body(forward), r.body(left)
	r.yaw = -math.Atan2(f.Y-l.X, f.X+l.Y)
	r.tellAxes(true)
}

// place chooses the columns, with their signs, that fit gravity and the two
// directions best.
func (r *reading) place(up, forward, left r3.Vec) {
	up = r3.Unit(up)
	best := math.Inf(-1)
	for _, p := range [6][3]int{{0, 1, 2}, {1, 2, 0}, {2, 0, 1}, {1, 0, 2}, {0, 2, 1}, {2, 1, 0}} {
		for s := range 8 {
			var a [3]axis
			for i := range a {
				a[i] = axis{p[i], 1 - 2*float64(s>>i&1)}
			}
			// Of equals, the one nearest to the axes as they should be.
			fit := 2*a[2].of(up) + a[0].of(forward) + a[1].of(left) + 1e-3*(a[0].of(r3.Vec{X: 1})+a[1].of(r3.Vec{Y: 1})+a[2].of(r3.Vec{Z: 1}))
			if fit > best {
				best, r.axes = fit, a
			}
		}
	}
	r.mirrored = r.det() < 0
}

// det is +1 when the body axes are the columns turned, -1 when mirrored.
func (r *reading) det() float64 {
	x, y, z := r.axes[0], r.axes[1], r.axes[2]
	d := x.sign * y.sign * z.sign
	if (y.col-x.col+3)%3 != 1 {
		d = -d
	}
	return d
}

func (r *reading) straight() bool { return r.axes == [3]axis{{0, 1}, {1, 1}, {2, 1}} }

// tellAxes says what is wrong with the axes; all says that forward and left
// were seen too, and not gravity alone.
func (r *reading) tellAxes(all bool) {
	if r.straight() {
		return
	}
	if !all {
		r.say("gravity reads on %s at rest, want it on +z: axes are crossed or negative; a recording with turns and braking tells the others", r.axes[2])
		r.mirrored = false
		r.sound = false
		return
	}
	var off []string
	for i, name := range []string{"forward", "left", "up"} {
		if want := (axis{i, 1}); r.axes[i] != want {
			off = append(off, fmt.Sprintf("%s is on %s, want it on %s", name, r.axes[i], want))
		}
	}
	cure := "the sensor is mounted turned: the mounting angles below put it right"
	if r.mirrored {
		cure = "no turning of the sensor does that: swap or negate the columns at the source"
	}
	r.say("axes: %s; %s", strings.Join(off, ", "), cure)
}

// gyroUnit compares the turn rate about up with the course.
func (c *calibrator) gyroUnit(r *reading, ws []window) {
	var k, corr [3]float64 // about each body axis
	for i := range k {
		var n, sx, sy, sxx, sxy, syy float64
		for _, w := range ws {
			y := r.axes[i].of(w.w)
			n++
			sx, sy, sxx, sxy, syy = sx+w.rate, sy+y, sxx+w.rate*w.rate, sxy+w.rate*y, syy+y*y
		}
		cov, vx, vy := sxy-sx*sy/n, sxx-sx*sx/n, syy-sy*sy/n
		k[i], corr[i] = cov/vx, cov/math.Sqrt(vx*vy)
	}
	best := 2
	for i := range corr {
		if math.Abs(corr[i]) > math.Abs(corr[best])+0.2 {
			best = i
		}
	}
	switch size := math.Abs(k[2]); {
	case best != 2 && math.Abs(corr[best]) > goodCorr:
		r.say("the turns show on gyro %s, but gravity on accelerometer %s: the axes of gyro and accelerometer differ", r.axes[best], r.axes[2])
		r.sound = false
	case math.Abs(corr[2]) < goodCorr:
		r.say("the yaw gyro does not follow the course (correlation %.2f): no inertial sensor of this car, or times that do not belong together", corr[2])
		r.sound = false
	case k[2] < 0:
		r.say("the yaw gyro is %.3g times the course rate: it turns against the accelerometer's axes, its axis is negative", k[2])
		r.sound = false
	case math.Abs(size*perDegree-1) < 0.2:
		r.say("the yaw gyro is %.1f times the course rate: it looks like degrees, want rad/s; multiply by %.7f at the source", k[2], perDegree)
		r.scaleW = perDegree
	case math.Abs(size*perDegree/1000-1) < 0.2:
		r.say("the yaw gyro is %.0f times the course rate: it looks like thousandths of degrees, want rad/s", k[2])
		r.scaleW = perDegree / 1000
	case size < 0.8 || size > 1.25:
		r.say("the yaw gyro is %.3g times the course rate, want 1", k[2])
		r.sound = false
	}
}

// wheelUnit compares wheel speed with the receiver's.
func (c *calibrator) wheelUnit(r *reading) {
	latency := r.latency
	if math.IsNaN(latency) {
		latency = c.Settings.GNSS.Latency
	}
	var sxx, sxy float64
	n, j := 0, 0
	for i := range c.Epochs {
		e := &c.Epochs[i]
		if !(e.Speed > minSpeed) || e.Class < navigation.ClassFloat {
			continue
		}
		t := e.T - latency
		for j < len(c.Wheel) && c.Wheel[j].T < t {
			j++
		}
		if j == len(c.Wheel) || c.Wheel[j].T-t > 0.3 {
			continue
		}
		n++
		sxx += e.Speed * e.Speed
		sxy += e.Speed * c.Wheel[j].V
	}
	if n < 50 {
		return
	}
	k := sxy / sxx
	for _, u := range []struct {
		of   float64 // m/s to one
		what string
	}{{1 / 3.6, "km/h"}, {0.44704, "miles an hour"}, {463. / 900, "knots"}} {
		if math.Abs(math.Abs(k)*u.of-1) < 0.08 {
			r.say("wheel speed is %.2f times the receiver's: it looks like %s, want m/s; multiply by %.5f at the source", k, u.what, u.of)
			r.scaleV = u.of
		}
	}
	switch k *= r.scaleV; {
	case k < 0 && k > -1.25 && k < -0.8:
		r.say("wheel speed is negative while driving forward, want it positive")
		r.scaleV = -r.scaleV
	case k < 0.8 || k > 1.25:
		r.say("wheel speed is %.3g times the receiver's, want about 1; it is taken as counts of another unit", k)
		r.scaleV /= k
	}
}
