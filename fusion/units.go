package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"

	"gonum.org/v1/gonum/spatial/r3"
)

// unitTests look for the commonest faults of a paddock: g for m/s², degrees
// for radians, crossed or negative axes, km/h for m/s. They look at rest for
// gravity, and on the move at the yaw gyro against the receiver's course.
type unitTests struct {
	mounted bool
	mount   r3.Rotation

	hint  string
	since float64 // host s

	// Yaw gyro against course rate over intervals of a second.
	lastT, lastCourse float64
	sumW, nW          float64
	sxx, sxy, syy, n  float64
	axis              [3]axisSum // the same for every axis

	wxx, wxy, wn float64 // wheel speed against reported speed
	told         [6]bool

	arm    leverFit
	armOK  bool    // turns have shown the lever arm to be about right
	armEnd float64 // host s at which that is no longer waited for
}

// leverFit estimates how far the antenna is from where the settings have it,
// forward and left. An antenna that is elsewhere by δl moves by (R₂-R₁)·δl
// more than it should while the car turns from R₁ to R₂, whatever the position
// is.
type leverFit struct {
	ok   bool
	r    [3][3]float64 // attitude at the epoch before
	sum  normal        // Σ over all displacements
	mean normal        // the share of the means of blocks in it
	rows int
	n    int     // rows in the open block
	w    float64 // Σ 1/σ² in it
	// Σ of the two columns of A and of d in it, over σ², east and north.
	x, z, y [2]float64
}

// normal are normal equations: AᵀA/σ² and Aᵀd/σ².
type normal struct {
	xx, xz, zz, xy, zy float64
}

func (q *normal) add(w, x, z, y float64) {
	q.xx += w * x * x
	q.xz += w * x * z
	q.zz += w * z * z
	q.xy += w * x * y
	q.zy += w * z * y
}

// leverRows is how many displacements make a block: three seconds at 10 Hz, in
// which a bend turns the car and a drift goes on as it was.
const leverRows = 30

// add takes one displacement of the receiver less that of the filter, d (m,
// ENU), with 1 sigma (m), to the attitude r.
func (l *leverFit) add(d r3.Vec, r [3][3]float64, sigma float64) {
	if l.ok {
		w := 1 / (sigma * sigma)
		for i, y := range [2]float64{d.X, d.Y} {
			x, z := r[i][0]-l.r[i][0], r[i][1]-l.r[i][1]
			l.sum.add(w, x, z, y)
			l.x[i] += w * x
			l.z[i] += w * z
			l.y[i] += w * y
		}
		l.w += w
		l.rows++
		if l.n++; l.n == leverRows {
			l.mean = l.means()
			l.n, l.w, l.x, l.z, l.y = 0, 0, [2]float64{}, [2]float64{}, [2]float64{}
		}
	}
	l.r, l.ok = r, true
}

// means returns the share of the means, the open block included.
func (l *leverFit) means() normal {
	q := l.mean
	if l.n > 0 {
		for i := range 2 {
			q.add(1/l.w, l.x[i], l.z[i], l.y[i])
		}
	}
	return q
}

// solve returns the offset, forward and left, m, and its 1 sigma.
func (l *leverFit) solve() (x, y, sx, sy float64) { return l.sum.solve() }

// steady is solve for a position that may drift: that moves all displacements
// of a block alike, so only what differs from their mean counts.
func (l *leverFit) steady() (x, y, sx, sy float64) {
	q, m := l.sum, l.means()
	q.xx -= m.xx
	q.xz -= m.xz
	q.zz -= m.zz
	q.xy -= m.xy
	q.zy -= m.zy
	return q.solve()
}

func (q *normal) solve() (x, y, sx, sy float64) {
	det := q.xx*q.zz - q.xz*q.xz
	x = (q.zz*q.xy - q.xz*q.zy) / det
	y = (q.xx*q.zy - q.xz*q.xy) / det
	return x, y, math.Sqrt(q.zz / det), math.Sqrt(q.xx / det)
}

type axisSum struct{ sum, sxy, sxx float64 }

func (u *unitTests) reset() {
	*u = unitTests{lastT: math.NaN(), since: math.NaN(), armEnd: math.NaN()}
}

// configure prepares the mounting rotation, IMU axes to body axes.
func (u *unitTests) configure(c *navigation.IMU) {
	if c.MountYaw == 0 && c.MountPitch == 0 && c.MountRoll == 0 {
		return
	}
	const d = math.Pi / 180
	u.mounted = true
	u.mount = r3.Rotation(eskf.FromEuler(c.MountRoll*d, c.MountPitch*d, c.MountYaw*d))
}

func (u *unitTests) onIMU(m *Monitor, w, f r3.Vec) {
	u.sumW += w.Z
	u.nW++
	for i, x := range [3]float64{w.X, w.Y, w.Z} {
		u.axis[i].sum += x
	}
	q := &m.nav.IMU
	if !u.told[0] && q.N > 400 && q.N%64 == 0 {
		// On the move too: no car pulls eight times its weight for long.
		if n := r3.Norm(q.MeanF); math.Abs(n-1) < 0.3 {
			u.say(m, 0, fmt.Sprintf("specific force is %.2f on average, want about 9.8 m/s^2: it looks like g", n))
		}
	}
	if q.RestFor() < 1 || u.told[0] || int(q.RestCount)%64 != 0 {
		return
	}
	_, g := q.RestMeans()
	n := r3.Norm(g)
	switch {
	case math.Abs(n-1) < 0.1:
		u.say(m, 0, fmt.Sprintf("specific force at rest is %.2f, want 9.8 m/s^2: it looks like g", n))
	case n < 9 || n > 10.6:
		u.say(m, 0, fmt.Sprintf("specific force at rest is %.2f m/s^2, want 9.8", n))
	case g.Z < -0.8*n:
		u.say(m, 0, fmt.Sprintf("specific force at rest is %.2f on z, want +9.8: the z axis points down", g.Z))
	case math.Abs(g.Z) < 0.5*n:
		axis, v := "x", g.X
		if math.Abs(g.Y) > math.Abs(g.X) {
			axis, v = "y", g.Y
		}
		u.say(m, 0, fmt.Sprintf("gravity reads %.2f m/s^2 on %s at rest, want it on +z: axes are crossed", v, axis))
	}
}

// onEpoch compares the yaw gyro with the course, and the wheel with the speed.
func (u *unitTests) onEpoch(m *Monitor, speed, course, t float64) {
	if !(speed > 3) || math.IsNaN(course) {
		u.lastT = math.NaN()
		u.restart(t, course)
		return
	}
	if w := &m.nav.Wheels; w.Fresh(m.now) && !u.told[2] && m.rcv.precise {
		u.wxx += speed * speed
		u.wxy += speed * w.Last.V
		if u.wn++; u.wn >= 100 {
			switch k := u.wxy / u.wxx; {
			case math.Abs(k-3.6) < 0.3:
				u.say(m, 2, fmt.Sprintf("wheel speed is %.2f times the receiver's: it looks like km/h, want m/s", k))
			case math.Abs(k+1) < 0.2:
				u.say(m, 2, "wheel speed is negative while driving forward")
			case k < 0.7 || k > 1.4:
				u.say(m, 2, fmt.Sprintf("wheel speed is %.2f times the receiver's, want about 1", k))
			}
			u.wxx, u.wxy, u.wn = 0, 0, 0
		}
	}
	if math.IsNaN(u.lastT) || t-u.lastT > 2 {
		u.restart(t, course)
		return
	}
	dt := t - u.lastT
	if dt < 0.5 || u.nW == 0 {
		return
	}
	rate := -math.Remainder(course-u.lastCourse, 2*math.Pi) / dt // left positive
	gyro := u.sumW / u.nW
	u.sxx += rate * rate
	u.sxy += rate * gyro
	u.syy += gyro * gyro
	for i := range u.axis {
		a := &u.axis[i]
		x := a.sum / u.nW
		a.sxy += rate * x
		a.sxx += x * x
	}
	u.n++
	u.restart(t, course)
	if u.sxx < 0.5 || u.n < 8 || u.told[1] {
		return
	}
	k := u.sxy / u.sxx
	corr := u.sxy / math.Sqrt(u.sxx*u.syy)
	best, bc := 2, math.Abs(corr)
	for i := range u.axis {
		if c := math.Abs(u.axis[i].sxy) / math.Sqrt(u.sxx*u.axis[i].sxx); c > bc+0.2 {
			best, bc = i, c
		}
	}
	switch {
	case best != 2 && bc > 0.9:
		u.say(m, 1, fmt.Sprintf("the turns show on the %c gyro, want them on z: axes are crossed", 'x'+rune(best)))
	case math.Abs(corr) > 0.9 && math.Abs(math.Abs(k)-180/math.Pi) < 12:
		u.say(m, 1, fmt.Sprintf("the yaw gyro is %.1f times the course rate: it looks like degrees, want rad/s", k))
	case corr < -0.9 && math.Abs(k+1) < 0.2:
		u.say(m, 1, "the yaw gyro turns against the course: its axis is negative")
	case math.Abs(corr) > 0.9 && (k < 0.8 || k > 1.25):
		u.say(m, 1, fmt.Sprintf("the yaw gyro is %.2f times the course rate, want 1", k))
	}
	u.sxx, u.sxy, u.syy, u.n = u.sxx*0.9, u.sxy*0.9, u.syy*0.9, u.n*0.9
	for i := range u.axis {
		u.axis[i].sxy *= 0.9
		u.axis[i].sxx *= 0.9
	}
}

func (u *unitTests) restart(t, course float64) {
	u.lastT, u.lastCourse = t, course
	u.sumW, u.nW = 0, 0
	for i := range u.axis {
		u.axis[i].sum = 0
	}
}

// fatal reports whether the inertial data cannot be believed.
func (u *unitTests) fatal() bool {
	return u.told[0] || u.told[1] || u.told[3] || u.told[4] || u.told[5]
}

// leverClear is how far the antenna may seem to be from where the settings have
// it, m.
const leverClear = 0.12

// onPair takes the displacement between two fixed epochs less the filter's, d
// (m, ENU), with 1 sigma each axis, and judges the lever arm.
func (u *unitTests) onPair(m *Monitor, d r3.Vec, sigma float64) {
	u.arm.add(d, m.nav.Filter.R(), sigma)
	if u.told[3] || u.told[5] || u.arm.rows < 30 || u.arm.rows%10 != 0 {
		return
	}
	const sure = 6.0 // sigmas
	x, y, sx, sy := u.arm.steady()
	if (math.Abs(x) > leverClear && math.Abs(x) > sure*sx) || (math.Abs(y) > leverClear && math.Abs(y) > sure*sy) {
		a := m.cfg.Vehicle.Antenna
		u.say(m, 3, fmt.Sprintf("the antenna moves as if it were at %.2f forward, %.2f left (±%.2f, ±%.2f); the settings say %.2f, %.2f: check the lever arm and its signs",
			a[0]+x, a[1]+y, sx, sy, a[0], a[1]))
	}
}

// onLatency looks at the latency the filter has come to, with its 1 sigma, s: an
// epoch cannot arrive before the instant it describes.
func (u *unitTests) onLatency(m *Monitor, latency, sigma float64) {
	if u.told[4] || !(latency+3*sigma < 0) {
		return
	}
	u.say(m, 4, fmt.Sprintf("the receiver's latency comes out as %.0f ms ± %.0f ms: check the forward lever arm and its sign, and whether inertial samples arrive late", latency*1e3, sigma*1e3))
}

// rowMost is how many epochs in a row a receiver may seem to step.
const rowMost = 30

// onRow hears of the n-th epoch in a row at which the receiver seems to step:
// no receiver does that for long, but a motion that is measured wrong does.
func (u *unitTests) onRow(m *Monitor, n int) {
	if n == rowMost && !u.told[5] {
		u.say(m, 5, fmt.Sprintf("receiver and inertial sensor disagree on the motion at %d epochs in a row: check the axes and units of the sensor and the lever arm", n))
	}
}

// armed reports whether turns have shown that the lever arm is about right, or,
// after the wait for them, whether nothing they showed speaks against it. The
// filter follows the receiver, so of a wrong arm only a part shows at first.
func (u *unitTests) armed(waited bool) bool {
	const enough, clear = 0.04, 0.06 // m
	x, y, sx, sy := u.arm.solve()
	if math.Abs(x) > math.Max(clear, 1.5*sx) || math.Abs(y) > math.Max(clear, 1.5*sy) {
		return false
	}
	return waited || u.arm.rows >= 30 && sx < enough && sy < enough
}

// say opens the unit alarm; it stays until the end, since settings and wiring
// do not change while the monitor runs.
func (u *unitTests) say(m *Monitor, which int, what string) {
	u.told[which] = true
	u.hint = what
	u.since = m.now
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventUnit, Size: math.NaN(), Where: m.where(), Detail: what})
}
