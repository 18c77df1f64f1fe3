package navigation

import (
	"math"

	"kerbline/fusion/eskf"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

const (
	levelAfter = 1.5               // s of rest before the filter is levelled
	levelTilt  = 0.003             // rad, 1 sigma of a mean over that: vibration, people getting in
	levelGyro  = 3e-4              // rad/s, 1 sigma of a bias from such a mean
	levelVel   = 0.02              // m/s, 1 sigma at rest
	leastForce = 9.0               // m/s², mean specific force at rest
	mostForce  = 10.6              // m/s²: further off it is not gravity, or not in m/s²
	unknownPos = 100.0             // m, 1 sigma before the first epoch
	roadTilt   = 4 * math.Pi / 180 // rad, 1 sigma of roll and pitch of a road
	slideYaw   = 4 * math.Pi / 180 // rad, 1 sigma of heading against course while the car moves off
	startPos   = 0.05              // m, 1 sigma on top of a first position: lever arm, time of validity
	startUp    = 0.5               // m/s, 1 sigma of a vertical speed that nothing reports
	courseFrom = 0.3               // m/s, from which a velocity has a direction
	leastFew   = 20                // samples before the filter starts on the move
)

var unknownYaw = math.Pi / math.Sqrt(3) // rad, 1 sigma of a uniform heading

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
// wait for the receiver.
func (d *Driver) Level() {
	w, f := d.IMU.RestMeans()
	if n := r3.Norm(f); n < leastForce || n > mostForce {
		return // not gravity: the unit test says what it looks like
	}
	d.resetCalibration()
	d.atRest(d.IMU.Last.T, r3.Vec{}, w, f, 0, unknownYaw)
	d.IMU.head = d.IMU.tail
	d.Phase = Levelled
}

// atRest starts the filter on a car that stands, with yaw (rad) and its 1 sigma.
func (d *Driver) atRest(t float64, pos, w, f r3.Vec, yaw, sigma float64) {
	s := &d.set
	d.Filter.InitAtRest(t, pos, f, w, yaw, eskf.Sigmas{
		PosH: unknownPos, PosV: unknownPos, Vel: levelVel, Tilt: levelTilt, Yaw: sigma,
		GyroBias: levelGyro, AccBias: s.IMU.AccBias,
		WheelScale: s.Wheel.ScaleSigma, Slip: s.Wheel.SlipSigma, Latency: s.GNSS.LatencySigma,
	})
	d.rest = standing{t: t, w: w, f: f}
}

// standing is the rest that the filter was levelled on.
type standing struct {
	t    float64 // host s
	w, f r3.Vec  // means
	turn float64 // rad, what the gyro has turned since, left positive
	yaw  float64 // rad, known once aligned
	ok   bool    // aligned since
}

// resetCalibration puts the slow states back to what the settings say, unless
// the filter has already learned better.
func (d *Driver) resetCalibration() {
	if d.Filter.WheelScale == 0 {
		d.Filter.WheelScale = 1
		d.Filter.Latency = d.set.GNSS.Latency
	}
}

// bodyYaw returns the yaw of the body that an epoch's heading means, rad.
func (g *GNSS) bodyYaw(e *gnss.Epoch) float64 {
	return math.Pi/2 - (e.Heading - g.HeadingYaw*math.Pi/180)
}

// velocity returns the horizontal velocity that an epoch reports, m/s, ENU, zero
// without one.
func velocity(e *gnss.Epoch) (v r3.Vec) {
	if e.Speed > courseFrom && !math.IsNaN(e.Course) {
		v = r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course)}
	}
	return v
}

// Align tries to give the filter yaw, position and velocity by an epoch that
// has the antenna at z (m, ENU) at host time t: at once from a dual-antenna
// heading, else from the course as soon as the car moves. now is the host time
// of arrival.
func (d *Driver) Align(e *gnss.Epoch, class Class, z r3.Vec, t, now float64) bool {
	g, f := &d.set.GNSS, &d.Filter
	if d.IMU.N == 0 || now-d.IMU.Last.T > d.set.IMU.Gap {
		return false
	}
	var yaw, sigma float64
	velSigma := 3 * g.SpeedSigma
	switch {
	case !math.IsNaN(e.Heading) && (d.Phase == Levelled || e.Speed > g.MinCourse):
		yaw, sigma = g.bodyYaw(e), 2*g.HeadingSigma*math.Pi/180
		if d.Phase == Levelled && d.IMU.RestFor() > RestProof {
			velSigma = levelVel
		}
	case e.Speed > g.MinCourse && !math.IsNaN(e.Course):
		// The car may slide and turn while it moves off.
		yaw, sigma = math.Pi/2-e.Course, math.Hypot(math.Atan(g.SpeedSigma/e.Speed), slideYaw)
	default:
		return false
	}
	vel := velocity(e)
	if d.Phase == Empty {
		// On the move: roll and pitch are those of a road, biases those of the
		// settings.
		if d.IMU.N < leastFew {
			return false
		}
		d.resetCalibration()
		d.rest.ok = false
		f.InitMoving(t, z, vel, 0, 0, yaw, eskf.Sigmas{
			PosH: 1, PosV: 1, Vel: velSigma, Tilt: roadTilt, Yaw: sigma,
			GyroBias: d.set.IMU.GyroBias, AccBias: d.set.IMU.AccBias, WheelScale: d.set.Wheel.ScaleSigma,
			Slip: d.set.Wheel.SlipSigma, Latency: g.LatencySigma,
		})
	} else {
		d.Advance(t)
		d.rest.yaw, d.rest.ok = yaw-d.rest.turn, true
		f.SetYaw(yaw, sigma)
		f.T = t
	}
	white, ch, cv := g.Noise(e, class)
	f.Pos = r3.Sub(z, f.ToWorld(d.Lever))
	f.Vel = vel
	lever := r3.Norm(d.Lever) * sigma
	for i, s := range [3]float64{ch, ch, cv} {
		f.SetVariance(eskf.IPos+i, white[i]+s*s+lever*lever+startPos*startPos)
		f.SetVariance(eskf.IVel+i, velSigma*velSigma)
	}
	f.SetVariance(eskf.IVel+2, startUp*startUp)
	f.SetVariance(eskf.ILat, g.LatencySigma*g.LatencySigma)
	f.SetCorr(ch, cv, g.CorrTime)
	d.corr = class
	d.Phase = Aligned
	return true
}
