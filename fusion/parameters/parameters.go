// Package parameters watches what the drive itself says of units, axes, lever
// arm and latency: whether it confirms the settings, leaves them open or
// contradicts them.
//
// It looks at rest for gravity, and on the move at the yaw gyro beside the
// receiver's course, at wheel speed beside reported speed, and at the
// displacements of the antenna in turns. What contradicts a setting is reported
// once, in words, with the value seen. SI and radians, body axes
// forward-left-up. Start at [Watch].
package parameters

import (
	"fmt"
	"math"

	"kerbline/fusion/columns"
	"kerbline/fusion/crosscheck"
	"kerbline/fusion/navigation"
	"kerbline/fusion/symptoms"

	"gonum.org/v1/gonum/spatial/r3"
)

// aspect is what a contradiction is about.
type aspect uint8

const (
	gravity  aspect = iota // force at rest
	yawRate                // gyro beside course
	wheel                  // wheel beside speed
	leverArm               // antenna in turns
	latency                // of epochs
	motion                 // receiver and sensor at every epoch
	velocity               // reported beside that of the positions
	looks                  // receiver, sensor and wheel side by side, now and then
	aspects
)

// Watch gathers what the drive says.
type Watch struct {
	Report func(f symptoms.Finding) // is called once for each contradiction

	antenna  [3]float64 // m, body, by the settings
	told     crosscheck.Told
	wrong    [aspects]bool
	found    [aspects]symptoms.Finding
	side     crosscheck.History
	epochs   int         // since the last look
	seen     symptoms.ID // at it
	agreeing int         // looks in a row at which nothing was wrong

	// Yaw gyro beside course rate over intervals of a second.
	lastT, lastCourse float64
	sumW, nW          float64
	sx, sy            float64
	sxx, sxy, syy, n  float64
	axis              [3]axisSum // the same for every axis

	wxx, wxy, wn float64 // wheel speed beside reported speed

	arm    leverFit
	turns  turned
	shown  bool    // turns have shown enough of the lever arm
	agreed float64 // host s since which they agree with the settings

	agree  int // epochs in a row at which receiver and sensor agree on the motion
	normal int // looks in a row at which gravity is right
	early  int // looks in a row at which latency is possible

	way       driven  // by the receiver alone
	saidTo    float64 // m, 1 sigma of what was said of the lever arm by OnPlaces
	everShown bool    // the settings were confirmed once
}

type axisSum struct{ sum, sx, sxy, sxx float64 }

// Init prepares the watch for an antenna at a, m, body, and what else the settings
// say.
func (u *Watch) Init(a [3]float64, told crosscheck.Told, report func(symptoms.Finding)) {
	*u = Watch{Report: report, antenna: a, told: told, lastT: math.NaN()}
	u.side.Reset()
}

// Columns says what the columns of the inertial sensor's lines hold, or of the
// wheel's, where a file told it.
func (u *Watch) Columns(ofWheel bool, list string) {
	if ofWheel {
		u.told.Wheel = list
	} else {
		u.told.IMU = list
	}
}

// OnFix takes a position, m, east and north, that was valid at t by the latency of
// the settings, whatever else is known.
func (u *Watch) OnFix(t, e, n float64) {
	u.side.Fix(t, e, n)
	u.way.fix(t, e, n)
	if u.epochs++; u.epochs >= lookEvery {
		u.epochs = 0
		u.look()
	}
}

// OnVelocity takes the velocity that the receiver reports with such a position, m/s.
func (u *Watch) OnVelocity(t, e, n float64) { u.side.Velocity(t, e, n) }

// OnWheel takes a wheel speed, m/s.
func (u *Watch) OnWheel(t, v float64) { u.side.Wheel(t, v) }

// ClocksStepped forgets what was kept side by side: its times mean others now.
func (u *Watch) ClocksStepped() { u.side.Reset() }

// lookEvery is how many epochs pass between two looks at everything side by side.
const lookEvery = 150

// look compares everything side by side; what was said before is said better with
// more of the drive.
func (u *Watch) look() {
	slack := crosscheck.ClockSlack
	if u.wrong[leverArm] || u.wrong[latency] {
		slack = crosscheck.LeastClock
	}
	f := u.side.Explain(&u.told, u.Wrong(), slack)
	switch {
	case f.ID != symptoms.None:
		u.agreeing = 0
		if u.Wrong() {
			u.better(f)
		} else if u.seen == f.ID { // at the look before, too
			u.raise(looks, f)
		}
	case u.wrong[looks]:
		if u.agreeing++; u.agreeing >= 2 {
			u.withdraw(looks)
		}
	}
	u.seen = f.ID
	if !u.Wrong() {
		switch f := u.side.ExplainVelocity(); {
		case f.ID == symptoms.None:
			u.wrong[velocity] = false
		case u.wrong[velocity]:
			u.found[velocity] = f
		default:
			u.raise(velocity, f)
		}
	}
	if !u.Wrong() && (!u.wrong[wheel] || u.found[wheel].ID != symptoms.WheelClock) {
		if f := u.side.ExplainWheel(&u.told); f.ID != symptoms.None {
			u.raise(wheel, f)
		}
	}
}

// better says anew what is wrong already.
func (u *Watch) better(f symptoms.Finding) {
	known := false
	for a := range u.found {
		if u.wrong[a] && aspect(a) != wheel && aspect(a) != velocity {
			known = known || u.found[a].ID == f.ID
			u.found[a] = f
		}
	}
	if !known {
		u.Report(f)
	}
}

// Finding returns the most basic of what looks wrong, None where nothing does.
func (u *Watch) Finding() (f symptoms.Finding) {
	for a := range u.found {
		if g := u.found[a]; u.wrong[a] && (f.ID == symptoms.None || g.ID < f.ID) {
			f = g
		}
	}
	return f
}

// OnSample takes one inertial sample, rad/s, that stands in q already.
func (u *Watch) OnSample(w r3.Vec, q *navigation.Inertial) {
	u.side.IMU(q.Last.T, [3]float64{w.X, w.Y, w.Z}, [3]float64{q.Last.F.X, q.Last.F.Y, q.Last.F.Z})
	u.sumW += w.Z
	u.nW++
	for i, x := range [3]float64{w.X, w.Y, w.Z} {
		u.axis[i].sum += x
	}
	if !u.wrong[gravity] && q.N > 400 && q.N%64 == 0 {
		// On the move too: no car pulls eight times its weight for long.
		if n := r3.Norm(q.MeanF); math.Abs(n-1) < 0.3 {
			u.say(gravity, symptoms.IMUUnits, fmt.Sprintf("specific force is %.2f on average, want about 9.8 m/s^2: it looks like g", n))
		}
	}
	if u.wrong[gravity] && q.N%64 == 0 {
		// gravityLooks is how many looks in a row, each of 64 samples, a mean force
		// like gravity's on z withdraws what was said of it.
		const gravityLooks = 30
		u.normal++
		if n := r3.Norm(q.MeanF); n < 8 || n > 12 || q.MeanF.Z < n/2 {
			u.normal = 0
		}
		if u.normal >= gravityLooks {
			u.withdraw(gravity)
		}
	}
	if q.RestFor() < 1 || u.wrong[gravity] || int(q.RestCount)%64 != 0 {
		return
	}
	_, g := q.RestMeans()
	n := r3.Norm(g)
	switch {
	case math.Abs(n-1) < 0.1:
		u.say(gravity, symptoms.IMUUnits, fmt.Sprintf("specific force at rest is %.2f, want 9.8 m/s^2: it looks like g", n))
	case n < 9 || n > 10.6:
		u.say(gravity, symptoms.IMUUnits, fmt.Sprintf("specific force at rest is %.2f m/s^2, want 9.8", n))
	case g.Z < -0.8*n:
		u.say(gravity, symptoms.IMUColumns, fmt.Sprintf("specific force at rest is %.2f on z, want +9.8: the z axis points down", g.Z))
	case math.Abs(g.Z) < 0.5*n:
		axis, v := "x", g.X
		if math.Abs(g.Y) > math.Abs(g.X) {
			axis, v = "y", g.Y
		}
		u.say(gravity, symptoms.IMUColumns, fmt.Sprintf("gravity reads %.2f m/s^2 on %s at rest, want it on +z: axes are crossed", v, axis))
	}
}

// OnEpoch compares the yaw gyro with the course, and the wheel with the speed. wheelSpeed is
// NaN where it is not compared.
func (u *Watch) OnEpoch(speed, course, t, wheelSpeed float64) {
	if !(speed > 3) || math.IsNaN(course) {
		u.lastT = math.NaN()
		u.restart(t, course)
		return
	}
	if !math.IsNaN(wheelSpeed) && !u.wrong[wheel] {
		u.wxx += speed * speed
		u.wxy += speed * wheelSpeed
		if u.wn++; u.wn >= 100 {
			u.judgeWheel(u.wxy / u.wxx)
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
	u.sx, u.sy = u.sx+rate, u.sy+gyro
	u.sxx += rate * rate
	u.sxy += rate * gyro
	u.syy += gyro * gyro
	for i := range u.axis {
		a := &u.axis[i]
		x := a.sum / u.nW
		a.sx += x
		a.sxy += rate * x
		a.sxx += x * x
	}
	u.n++
	u.restart(t, course)
	// About their means: a bias is none of what is looked for.
	vxx, vxy, vyy := u.sxx-u.sx*u.sx/u.n, u.sxy-u.sx*u.sy/u.n, u.syy-u.sy*u.sy/u.n
	if vxx < 0.5 || u.n < 8 || u.wrong[yawRate] {
		return
	}
	k := vxy / vxx
	corr := vxy / math.Sqrt(vxx*vyy)
	best, bc := 2, math.Abs(corr)
	for i := range u.axis {
		a := &u.axis[i]
		if c := math.Abs(a.sxy-u.sx*a.sx/u.n) / math.Sqrt(vxx*(a.sxx-a.sx*a.sx/u.n)); c > bc+0.2 {
			best, bc = i, c
		}
	}
	switch {
	case best != 2 && bc > 0.9:
		u.say(yawRate, symptoms.IMUColumns, fmt.Sprintf("the turns show on the %c gyro, want them on z: axes are crossed", 'x'+rune(best)))
	case math.Abs(corr) > 0.9 && math.Abs(math.Abs(k)-180/math.Pi) < 12:
		u.say(yawRate, symptoms.IMUUnits, fmt.Sprintf("the yaw gyro is %.1f times the course rate: it looks like degrees, want rad/s", k))
	case corr < -0.9 && math.Abs(k+1) < 0.2:
		u.say(yawRate, symptoms.IMUColumns, "the yaw gyro turns against the course: its axis is negative")
	case math.Abs(corr) > 0.9 && (k < 0.8 || k > 1.25):
		u.say(yawRate, symptoms.IMUUnits, fmt.Sprintf("the yaw gyro is %.2f times the course rate, want 1", k))
	}
	u.sx, u.sy = u.sx*0.9, u.sy*0.9
	u.sxx, u.sxy, u.syy, u.n = u.sxx*0.9, u.sxy*0.9, u.syy*0.9, u.n*0.9
	for i := range u.axis {
		u.axis[i].sx *= 0.9
		u.axis[i].sxy *= 0.9
		u.axis[i].sxx *= 0.9
	}
}

// judgeWheel takes wheel speed as a share of the receiver's.
func (u *Watch) judgeWheel(k float64) {
	if math.Abs(k) < 0.02 {
		u.raise(wheel, symptoms.Finding{ID: symptoms.WheelStuck, Seen: "the wheel says that the car stands while the receiver sees it drive"})
		return
	}
	if k > 0.7 && k < 1.4 {
		return
	}
	f := symptoms.Finding{ID: symptoms.WheelUnits, Seen: fmt.Sprintf("wheel speed is %.2f times the receiver's, want about 1", k)}
	switch {
	case math.Abs(k-3.6) < 0.3:
		f.Seen += ": it looks like km/h, want m/s"
	case math.Abs(k+1) < 0.2:
		f.Seen = "wheel speed is negative while driving forward"
	}
	list := u.told.Wheel
	if list == "" {
		list = "t,v"
	}
	for _, by := range [...]float64{3.6, 1 / 0.44704, 3600. / 1852, 1e3, 100, 1, 1 / 3.6, 0.44704} {
		if math.Abs(math.Log(math.Abs(k)/by)) > 0.06 {
			continue
		}
		if text, ok := columns.Rewrite(list, func(c *columns.Column) {
			if c.Of == columns.Speed {
				c.Scale /= math.Copysign(by, k)
			}
		}); ok {
			f.Set = fmt.Sprintf("columns.wheel = %q", text)
			break
		}
	}
	u.raise(wheel, f)
}

func (u *Watch) restart(t, course float64) {
	u.lastT, u.lastCourse = t, course
	u.sumW, u.nW = 0, 0
	for i := range u.axis {
		u.axis[i].sum = 0
	}
}

// Wrong reports whether the inertial data cannot be believed.
func (u *Watch) Wrong() bool {
	return u.wrong[gravity] || u.wrong[yawRate] || u.wrong[leverArm] || u.wrong[latency] || u.wrong[motion] || u.wrong[looks]
}

// leverClear is how far the antenna may seem to be from where the settings have
// it, m.
const leverClear = 0.12

// OnPair takes the displacement between two fixed epochs less the filter's, d
// (m, ENU), with 1 sigma each axis (m), at attitude r, and judges the lever arm.
func (u *Watch) OnPair(d r3.Vec, r [3][3]float64, sigma float64) {
	u.arm.add(d, r, sigma)
	if u.wrong[leverArm] || u.wrong[motion] || u.arm.rows < 30 || u.arm.rows%10 != 0 {
		return
	}
	const sure = 6.0 // sigmas
	x, y, sx, sy := u.arm.steady()
	if (math.Abs(x) > leverClear && math.Abs(x) > sure*sx) || (math.Abs(y) > leverClear && math.Abs(y) > sure*sy) {
		a := u.antenna
		u.saidTo = math.Max(sx, sy)
		u.sayLever(x, y, fmt.Sprintf("the antenna moves as if it were at %.2f forward, %.2f left (±%.2f, ±%.2f); the settings say %.2f, %.2f: check the lever arm and its signs",
			a[0]+x, a[1]+y, sx, sy, a[0], a[1]))
	}
}

// latencyLooks is how many lines in a row the latency must be possible to
// withdraw what was said of it: some 3 s. Common practice, no source.
const latencyLooks = 30

// OnLatency looks at the latency the filter has come to, with its 1 sigma, s: an
// epoch cannot arrive before the instant it describes.
func (u *Watch) OnLatency(x, sigma float64) {
	impossible := x+3*sigma < 0
	if u.wrong[latency] {
		if u.early++; impossible {
			u.early = 0
		}
		if u.early >= latencyLooks {
			u.withdraw(latency)
		}
		return
	}
	if !impossible {
		return
	}
	u.early = 0
	u.say(latency, symptoms.GNSSLatency, fmt.Sprintf("the receiver's latency comes out as %.0f ms ± %.0f ms: check the forward lever arm and its sign, and whether inertial samples arrive late", x*1e3, sigma*1e3))
}

// rowMost is how many epochs in a row a receiver may seem to step, and as many
// that agree withdraw what was said of it.
const rowMost = 30

// OnRow takes the n-th epoch in a row at which the receiver seems to step, 0 for
// one at which it does not, at a speed, m/s: no receiver steps for long, but a
// motion that is measured wrong does.
func (u *Watch) OnRow(n int, speed float64) {
	switch {
	case n == 0 && speed > agreeSpeed && u.wrong[motion]:
		if u.agree++; u.agree >= rowMost {
			u.withdraw(motion)
		}
	case n > 0:
		u.agree = 0
		if n == rowMost && !u.wrong[motion] {
			u.say(motion, symptoms.Motion, fmt.Sprintf("receiver and inertial sensor disagree on the motion at %d epochs in a row: check the axes and units of the sensor and the lever arm", n))
		}
	}
}

// agreeSpeed is the speed from which displacements that agree say something of
// the sensor's axes, m/s. Common practice, no source.
const agreeSpeed = 3.0

// withdraw ends a contradiction whose evidence has ended.
func (u *Watch) withdraw(a aspect) {
	u.wrong[a], u.agree = false, 0
}

// say reports a contradiction, or what explains it better; it stays until its
// evidence ends.
func (u *Watch) say(a aspect, id symptoms.ID, what string) {
	u.explain(a, symptoms.Finding{ID: id, Seen: what})
}

// sayLever is say of an antenna that is x forward and y left, m, of where the
// settings have it.
func (u *Watch) sayLever(x, y float64, what string) {
	u.explain(leverArm, u.leverFinding(x, y, what))
}

func (u *Watch) leverFinding(x, y float64, what string) symptoms.Finding {
	// Common practice, no source: half of what is clear is nothing.
	if math.Abs(x) > leverClear && math.Abs(y) < leverClear/2 {
		what += "; along the track a wrong gnss.latency_s or columns.imu_offset_s looks the same"
	}
	return symptoms.Finding{ID: symptoms.LeverArm, Seen: what,
		Set: fmt.Sprintf("vehicle.antenna_m = [%.2f, %.2f, %.2f]", u.antenna[0]+x, u.antenna[1]+y, u.antenna[2])}
}

func (u *Watch) explain(a aspect, f symptoms.Finding) {
	slack := crosscheck.ClockSlack
	if a == leverArm || a == latency {
		slack = crosscheck.LeastClock // the latency that looks like a lever arm
	}
	if a == motion {
		slack *= 2 // a receiver that moves away bends the turns a little
	}
	if g := u.side.Explain(&u.told, true, slack); g.ID != symptoms.None {
		f = g
	}
	u.raise(a, f)
}

func (u *Watch) raise(a aspect, f symptoms.Finding) {
	u.wrong[a], u.found[a] = true, f
	u.Report(f)
}

// Unpaired notes that a pair of displacements is broken.
func (u *Watch) Unpaired() { u.arm.ok = false }

// Restart forgets the displacements: they were of another trajectory.
func (u *Watch) Restart() { u.arm, u.turns = leverFit{}, turned{} }
