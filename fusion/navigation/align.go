package navigation

import (
	"math"

	"kerbline/fusion/eskf"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

// The filter starts in one of two ways. A car that stands is levelled in a frame
// of its own, heading along its first axis, and dead reckoned in it, over the
// tyres and wheels too. The turn between the displacement since then and the
// receiver's is the heading: which needs neither speed nor course, and does not
// mind a car that reverses. A car that is on the move when the recording begins is
// taken to move forward along its course.

const (
	levelAfter  = 1.5               // s of rest before the filter is levelled
	levelTilt   = 0.003             // rad, 1 sigma of a mean over that: vibration, people getting in
	levelGyro   = 3e-4              // rad/s, 1 sigma of a bias from such a mean
	levelVel    = 0.02              // m/s, 1 sigma at rest
	leastForce  = 9.0               // m/s², mean specific force at rest
	mostForce   = 10.6              // m/s²: further off it is not gravity, or not in m/s²
	pinned      = 1e-3              // m, rad, 1 sigma of what a frame is laid through
	roadTilt    = 4 * math.Pi / 180 // rad, 1 sigma of roll and pitch of a road
	slideYaw    = 4 * math.Pi / 180 // rad, 1 sigma of heading against course while the car moves off
	startPos    = 0.05              // m, 1 sigma on top of a first position: lever arm, time of validity
	startUp     = 0.5               // m/s, 1 sigma of a vertical speed that nothing reports
	courseFrom  = 0.3               // m/s, from which a velocity has a direction
	leastFew    = 20                // samples before the filter starts on the move
	goodYaw     = 5 * math.Pi / 180 // rad, 1 sigma of a heading that is good enough to start with
	lostPos     = 3.0               // m, 1 sigma of dead reckoning that gives no heading any more
	lengthGate  = 4.0               // sigmas by which the lengths of the two displacements may differ
	restMean    = 50.0              // epochs that a place of rest is the mean of
	chordLeast  = 0.9               // s between epochs that give a velocity
	chordMost   = 2.5               // s
	chordClear  = 10.0              // sigmas of a velocity from positions that has a direction
	movedOff    = 0.08              // m, a displacement of fixed positions that is no noise
	wheelClear  = 0.3               // m/s, from which a speed has a direction
	reverseMost = 4.0               // m/s, no car reverses faster on a track
	chordSlow   = 0.5               // m/s, below it such a velocity has none
)

// SetPlace gives the filter gravity and Earth rate of the place p.
func (d *Driver) SetPlace(p geodesy.LLA) {
	d.Filter.Params.Gravity = geodesy.NormalGravity(p.Lat, p.H)
	e := geodesy.EarthRateENU(p.Lat)
	d.Filter.Params.EarthRate = r3.Vec{X: e.E, Y: e.N, Z: e.U}
}

// MayLevel reports whether the filter waits to be levelled and the car has stood
// long enough.
func (d *Driver) MayLevel() bool { return d.Phase == Empty && d.IMU.RestFor() > levelAfter }

// Level starts the filter at rest: roll, pitch and gyro bias. Position and yaw
// are those of a frame of its own until the receiver says where that lies.
func (d *Driver) Level() {
	w, f := d.IMU.RestMeans()
	if n := r3.Norm(f); n < leastForce || n > mostForce {
		return // not gravity: the unit test says what it looks like
	}
	d.resetCalibration()
	d.atRest(d.IMU.Last.T, r3.Vec{}, pinned, w, f, 0, pinned)
	d.IMU.head = d.IMU.tail
	d.Phase = Levelled
	d.origin = origin{}
}

// atRest starts the filter on a car that stands at pos (m, with its 1 sigma), with
// yaw (rad, with its 1 sigma).
func (d *Driver) atRest(t float64, pos r3.Vec, posSigma float64, w, f r3.Vec, yaw, sigma float64) {
	s := d.sigmas()
	s.PosH, s.PosV, s.Vel, s.Tilt, s.Yaw, s.GyroBias = posSigma, posSigma, levelVel, levelTilt, sigma, levelGyro
	d.Filter.InitAtRest(t, pos, f, w, yaw, s)
	d.rest = standing{t: t, w: w, f: f}
}

// standing is the rest that the filter was levelled on.
type standing struct {
	t     float64 // host s
	w, f  r3.Vec  // means
	yaw   float64 // rad, known once aligned
	sigma float64 // rad
	ok    bool    // aligned since
}

// resetCalibration puts the slow states back to what the settings say, unless
// the filter has already learned better.
func (d *Driver) resetCalibration() {
	f := &d.Filter
	if f.WheelScale != 0 && d.plausible() {
		return
	}
	p := d.set.IMU.Position
	f.WheelScale, f.Slip, f.Latency = 1, 0, d.set.GNSS.Latency
	f.Gain, f.MountPitch, f.MountYaw, f.IMU = 0, 0, 0, r3.Vec{X: p[0], Y: p[1], Z: p[2]}
	f.Axle, f.Ant, f.VelLag, f.VelPoint = 0, 0, 0, 0
}

// plausible reports whether what was learned is within what the settings allow.
func (d *Driver) plausible() bool {
	const most = 4.0 // sigmas
	f, s, p := &d.Filter, d.sigmas(), d.set.IMU.Position
	in := func(x, sigma float64) bool { return math.Abs(x) <= most*sigma }
	return in(f.WheelScale-1, s.WheelScale) && in(f.Slip, s.Slip) && in(f.Gain, s.Gain) && in(f.MountPitch, s.Mount) && in(f.MountYaw, s.Mount) &&
		in(f.IMU.X-p[0], s.IMU[0]) && in(f.IMU.Y-p[1], s.IMU[1]) && in(f.Axle, s.Axle) && in(f.Ant, s.Ant)
}

// sigmas returns how well the settings know what moves slowly or not at all.
func (d *Driver) sigmas() eskf.Sigmas {
	s := &d.set
	c := &s.IMU
	up := math.Abs(d.Lever.Z - c.Position[2]) // a roll of the mounting moves the antenna aside
	if c.MountSigma == 0 {
		up = 0
	}
	return eskf.Sigmas{GyroBias: c.GyroBias, AccBias: c.AccBias,
		WheelScale: s.Wheel.ScaleSigma, Slip: s.Wheel.SlipSigma, Latency: s.GNSS.LatencySigma,
		Gain: c.GyroScale, Mount: c.MountSigma * degree, IMU: [2]float64{math.Hypot(c.PositionSigma, s.LeverSigma), c.PositionSigma},
		Axle: s.AxleSigma, Ant: math.Hypot(s.LeverSigma, up*levelGround), VelLag: s.GNSS.VelocityLag, VelPoint: pointSigma}
}

const (
	degree      = math.Pi / 180
	levelGround = 1 * degree // rad, 1 sigma of what of a roll of the mounting the road's own tilt hides
	pointSigma  = 0.5        // share of the lever arm: of which point a reported velocity is
)

// Placed returns where the settings have the sensor, m, body.
func (d *Driver) Placed() [3]float64 { return d.set.IMU.Position }

// FreeLever takes the word of the settings on where the antenna is from the sensor for
// one to 1 m: a drive has contradicted it, and shows the place only to a filter that
// does not believe it. What was learned beside it goes too, and the next alignment
// begins with it.
func (d *Driver) FreeLever() {
	d.set.LeverSigma = 1
	d.Filter.WheelScale = 0
}

// placesSigma returns how well the settings know where the antenna is from the
// sensor, forward and left, m.
func (d *Driver) placesSigma() [2]float64 {
	s := d.sigmas()
	return [2]float64{s.IMU[0], math.Hypot(s.IMU[1], s.Ant)}
}

// Places compares, forward or left, where the filter has come to see the antenna
// from the sensor with what the settings say of the two: how far it is from
// there, 1 sigma that is left, and that of the settings, m.
func (d *Driver) Places(i int) (off, left, told float64) {
	f, p, t, at := &d.Filter, &d.Filter.P, d.placesSigma(), d.set.IMU.Position
	if i == 0 {
		return at[0] - f.IMU.X, math.Sqrt(math.Max(0, p[eskf.IIMU][eskf.IIMU])), t[0]
	}
	const y = eskf.IIMU + 1
	left = p[y][y] + p[eskf.IAnt][eskf.IAnt] - 2*p[y][eskf.IAnt]
	return f.Ant - (f.IMU.Y - at[1]), math.Sqrt(math.Max(0, left)), t[1]
}

// bodyYaw returns the yaw of the body that an epoch's heading means, rad.
func (g *GNSS) bodyYaw(e *gnss.Epoch) float64 {
	return math.Pi/2 - (e.Heading - g.HeadingYaw*math.Pi/180)
}

// start is what the filter can be started with.
type start struct {
	yaw, sigma float64 // rad
	vel        r3.Vec  // m/s, ENU
	velSigma   float64 // m/s
}

// Align tries to give the filter yaw, position and velocity by an epoch that
// has the antenna at z (m, ENU) at host time t. now is the host time of arrival.
func (d *Driver) Align(e *gnss.Epoch, class Class, z r3.Vec, t, now float64) bool {
	if d.IMU.N == 0 || now-d.IMU.Last.T > d.set.IMU.Gap {
		return false
	}
	f := &d.Filter
	white, ch, cv := d.set.GNSS.Noise(e, class)
	if d.Phase == Levelled && (!d.Reaches(t) || !d.AdvanceTo(t)) {
		return false
	}
	s, ok := d.byReport(e)
	switch {
	case d.Phase == Levelled && math.IsNaN(e.Heading) && d.deadReckons():
		if s, ok = d.byDisplacement(class, z, t, white, ch); !ok {
			return false
		}
	case !ok:
		if s, ok = d.byChord(class, z, t, white, ch); !ok {
			return false
		}
	}
	if d.Phase == Empty {
		// On the move: roll and pitch are those of a road, biases those of the
		// settings.
		if d.IMU.N < leastFew {
			return false
		}
		d.resetCalibration()
		d.rest.ok = false
		q := d.sigmas()
		q.PosH, q.PosV, q.Vel, q.Tilt, q.Yaw = 1, 1, s.velSigma, roadTilt, s.sigma
		f.InitMoving(t, z, s.vel, 0, 0, s.yaw, q)
	} else {
		d.rest.yaw, d.rest.sigma, d.rest.ok = s.yaw-f.Yaw(), s.sigma, true
		f.SetYaw(s.yaw, s.sigma)
		f.T = t
	}
	arm := d.Arm()
	f.Pos = r3.Sub(z, arm)
	f.Vel = s.vel
	// The reported velocity is of some point of the car.
	velSigma := math.Hypot(s.velSigma, r3.Norm(r3.Cross(f.ToWorld(f.TurnRate(d.Rate)), arm)))
	lever := math.Hypot(r3.Norm(arm)*s.sigma, math.Hypot(d.set.IMU.PositionSigma, d.set.LeverSigma))
	for i, c := range [3]float64{ch, ch, cv} {
		f.SetVariance(eskf.IPos+i, white[i]+c*c+lever*lever+startPos*startPos)
		f.SetVariance(eskf.IVel+i, velSigma*velSigma)
	}
	f.SetVariance(eskf.IVel+2, startUp*startUp)
	f.SetVariance(eskf.ILat, d.set.GNSS.LatencySigma*d.set.GNSS.LatencySigma)
	f.SetCorr(ch, cv, d.set.GNSS.CorrTime)
	d.corr = class
	d.Phase = Aligned
	return true
}

// deadReckons reports whether a levelled filter's own displacement can be believed:
// it is not lost, and goes the way that the wheels go and cars can. Where it is
// not, the axes of the sensor are not the car's, and the car is taken to move
// forward.
func (d *Driver) deadReckons() bool {
	v := d.Filter.Forward()
	w := &d.Wheels
	against := w.Fresh(d.Filter.T) && math.Abs(w.Now.V) > wheelClear && w.Now.V*v < 0 && math.Abs(v) > wheelClear
	if against || v < -reverseMost {
		d.backward = true
	}
	return !d.backward && math.Sqrt(d.Filter.P[eskf.IPos][eskf.IPos]) < lostPos
}

// Backward reports, once, that the aligned car would have to reverse faster than
// cars do: the axes of the sensor are not the car's.
func (d *Driver) Backward() bool {
	if d.Phase != Aligned || d.backward || d.Filter.Forward() > -reverseMost {
		return false
	}
	d.backward = true
	return true
}

// byReport starts by what the receiver reports: at once from a dual-antenna
// heading, else from the course as soon as the car moves.
func (d *Driver) byReport(e *gnss.Epoch) (s start, ok bool) {
	g := &d.set.GNSS
	if e.Speed > courseFrom && !math.IsNaN(e.Course) {
		s.vel = r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course)}
	}
	s.velSigma = 3 * g.SpeedSigma
	switch {
	case !math.IsNaN(e.Heading) && (d.Phase == Levelled || e.Speed > g.MinCourse):
		s.yaw, s.sigma = g.bodyYaw(e), 2*g.HeadingSigma*math.Pi/180
		if d.Phase == Levelled && d.IMU.RestFor() > RestProof {
			s.velSigma = levelVel
		}
		return s, true
	case e.Speed > g.MinCourse && !math.IsNaN(e.Course):
		// The car may slide and turn while it moves off.
		s.yaw, s.sigma = d.heading(math.Pi/2-e.Course), math.Hypot(math.Atan(g.SpeedSigma/e.Speed), slideYaw)
		return s, true
	}
	return s, false
}

// origin is where both displacements begin: the receiver's and that of a filter in
// a frame of its own.
type origin struct {
	ok    bool
	t     float64 // host s
	class Class
	z     r3.Vec  // m, ENU, antenna by the receiver
	q     r3.Vec  // m, antenna in the filter's frame
	white float64 // m², of z
	n     float64 // epochs that z is the mean of
}

// byDisplacement starts a levelled filter by the turn between its own displacement
// and the receiver's.
func (d *Driver) byDisplacement(class Class, z r3.Vec, t float64, white [3]float64, slow float64) (s start, ok bool) {
	f, o := &d.Filter, &d.origin
	w := math.Max(white[0], white[1])
	q := d.Antenna()
	if rests := d.IMU.RestFor() > RestProof; rests || !o.ok || class != o.class {
		if !rests || !o.ok || class != o.class {
			*o = origin{ok: true, class: class}
		}
		o.n = math.Min(o.n+1, restMean)
		o.z = r3.Add(o.z, r3.Scale(1/o.n, r3.Sub(z, o.z)))
		o.t, o.q, o.white = t, q, w/o.n
		d.pin()
		return s, false
	}
	dz, dq := r3.Sub(z, o.z), r3.Sub(q, o.q)
	length, own := math.Hypot(dz.X, dz.Y), math.Hypot(dq.X, dq.Y)
	f.Flush()
	late := d.set.GNSS.LatencySigma * math.Hypot(f.Vel.X, f.Vel.Y)
	v := math.Max(f.P[eskf.IPos][eskf.IPos], f.P[eskf.IPos+1][eskf.IPos+1]) + w + o.white +
		2*(1-math.Exp(-(t-o.t)/d.set.GNSS.CorrTime))*slow*slow
	if math.Abs(length-own) > lengthGate*math.Sqrt(v+late*late) {
		d.origin = origin{} // the receiver has stepped, or dead reckoning has
		return s, false
	}
	if s.sigma = math.Sqrt(v) / length; !(s.sigma < goodYaw) {
		return s, false
	}
	turn := math.Atan2(dz.Y, dz.X) - math.Atan2(dq.Y, dq.X)
	sin, cos := math.Sincos(turn)
	s.yaw = f.Yaw() + turn
	s.vel = r3.Vec{X: cos*f.Vel.X - sin*f.Vel.Y, Y: sin*f.Vel.X + cos*f.Vel.Y, Z: f.Vel.Z}
	p := math.Max(f.P[eskf.IVel][eskf.IVel], f.P[eskf.IVel+1][eskf.IVel+1])
	s.velSigma = math.Hypot(math.Sqrt(p), s.sigma*math.Hypot(f.Vel.X, f.Vel.Y))
	return s, true
}

// heading returns the heading of a car that moves in a direction, rad: the other way
// where the wheels turn back, as slowly as cars reverse.
func (d *Driver) heading(direction float64) float64 {
	if w := &d.Wheels; !d.backward && w.Fresh(d.IMU.Last.T) && w.Last.V < -wheelClear && w.Last.V > -reverseMost {
		return direction + math.Pi
	}
	return direction
}

// pin lays the filter's frame through where the car is: displacements count from
// here.
func (d *Driver) pin() {
	for i := range 3 {
		d.Filter.SetVariance(eskf.IPos+i, pinned*pinned)
	}
}

// byChord starts on the move by the displacement since an epoch about a second
// ago, where the receiver reports no course; the car is taken to move forward.
func (d *Driver) byChord(class Class, z r3.Vec, t float64, white [3]float64, slow float64) (s start, ok bool) {
	o := d.chord
	dt := t - o.t
	if d.Phase == Levelled && !d.backward || d.spot.t != t || !o.ok || class != o.class || !(dt > chordLeast && dt < chordMost) {
		return s, false
	}
	g := &d.set.GNSS
	s.vel = r3.Scale(1/dt, r3.Sub(z, o.z))
	s.vel.Z = 0
	s.velSigma = math.Sqrt(2*math.Max(white[0], white[1])+2*(1-math.Exp(-dt/g.CorrTime))*slow*slow) / dt
	v := r3.Norm(s.vel)
	if v < math.Max(chordSlow, chordClear*s.velSigma) {
		return s, false
	}
	turn := d.IMU.MeanW.Z * dt / 2 // from the middle of the chord
	sin, cos := math.Sincos(turn)
	s.vel = r3.Vec{X: cos*s.vel.X - sin*s.vel.Y, Y: sin*s.vel.X + cos*s.vel.Y}
	s.yaw, s.sigma = d.heading(math.Atan2(s.vel.Y, s.vel.X)), math.Hypot(slideYaw, s.velSigma/v+math.Abs(turn)/2)
	s.velSigma = math.Hypot(s.velSigma, v*math.Abs(turn)/2)
	return s, true
}

// Seen takes where the receiver has the antenna, z (m, ENU), at an epoch of host
// time t without a speed, and takes its speed from its displacement. now is the
// host time of arrival.
func (d *Driver) Seen(class Class, z r3.Vec, t, now float64) {
	o := &d.spot
	dt := t - o.t
	if o.ok && class == o.class && dt > 0 && dt <= chordLeast {
		if moved := math.Hypot(z.X-o.z.X, z.Y-o.z.Y); moved > movedOff && class == ClassFixed {
			d.Heard(now, moved/dt, true)
		}
		return
	}
	if o.ok && class == o.class && dt > 0 && dt < chordMost {
		d.Heard(now, math.Hypot(z.X-o.z.X, z.Y-o.z.Y)/dt, class == ClassFixed)
	}
	d.chord, *o = *o, origin{ok: true, t: t, class: class, z: z}
}
