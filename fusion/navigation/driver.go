package navigation

import (
	"math"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

// The filter runs behind: an epoch describes an instant 30-200 ms before it
// arrives, and may arrive later still. The filter therefore stands at the
// newest epoch, or where silence has pushed it, and inertial samples wait in a
// ring. What is shown is carried from there to now by integrating the waiting
// samples: a light predictor, thrown away and made again each time.

const (
	WheelEvery = 0.08 // s between wheel updates: closer ones share their errors
	restEvery  = 0.2  // s between zero-velocity updates
	RestProof  = 0.5  // s of rest before it is believed
	rateTime   = 0.05 // s over which rate and specific force are smoothed
)

// Phase is how far the filter has come.
type Phase uint8

const (
	Empty    Phase = iota // nothing known
	Levelled              // at rest: roll, pitch and gyro bias; position and yaw in a frame of its own
	Aligned               // everything known
)

// Path hears of the filter's way: what is extrapolated beside it.
type Path interface {
	// Step is called after each step of dt seconds, at forward speed v (m/s)
	// before it and mean rate w (rad/s, body, bias in it).
	Step(v float64, w r3.Vec, dt float64)
	// Break is called where samples are missing.
	Break()
}

// Driver drives the filter.
type Driver struct {
	Filter eskf.Filter
	IMU    Inertial
	Wheels Wheels
	Slow   Reflections // of the receiver's position
	Stamps Evener      // of the inertial samples
	Phase  Phase
	Lever  r3.Vec  // m, body origin to antenna, body axes
	Lat    float64 // m/s², leftward acceleration by speed and yaw rate, smoothed over slipTime
	lat2   float64 // m/s², the same smoothed twice

	most float64 // m/s², the largest it has been

	swung  swung
	swings r3.Vec  // m/s, sensor axes: see [Driver.swing]
	steady float64 // m/s², the same smoothed over steadyTime
	Rate   r3.Vec  // rad/s, mean rate about the time the filter stands at, bias in it
	Force  r3.Vec  // m/s^2, mean specific force likewise
	Pred   Prediction

	Handling Handling // of the car, as it was learned

	Observer Observer // nil: what passes its gate is taken
	Manual   bool     // the caller takes rest, wheel speed and tyres itself

	set         Settings
	before      Sample // integrated last
	rest        standing
	obs         eskf.Obs // offered now
	backward    bool     // dead reckoning from rest went backward at speed
	clock       sensorClock
	origin      origin // of a levelled filter
	spot, chord origin // the newest place of one a second where no speed is reported, and the one before
	corr        Class  // whose correlated error the filter carries
	path        Path
	still       float64 // host s since the last zero-velocity update
	stood       bool    // zero velocity was given to the filter
	slide       slide
	acc         r3.Vec  // m/s², ENU, at the last velocity
	accAt, jerk float64 // host s of acc; m/s³, see shake
	said        said

	// What the receiver last reported of its speed.
	heard   float64 // host s
	speed   float64 // m/s, NaN unknown
	precise bool    // fixed or float
}

// Settings are those that the driver and its filter use.
type Settings struct {
	IMU   IMU
	Wheel Wheel
	GNSS  GNSS
	Lever [3]float64 // m, body origin to antenna, body axes

	LeverSigma float64 // m, how well that is known, 1 sigma each axis
	AxleSigma  float64 // m, how far from the body origin the point may be that does not move sideways
}

// Drift of what the filter takes for constant, over √s.
const (
	scaleWalk = 1e-5 // share: 0.06 % an hour, warmth of tyres
	slipWalk  = 1e-5 // rad/(m/s²)
	// Of the latency, s: a sensor's clock takes it as far in 16 s, in which a
	// drive shows it, as the walk does.
	latencyWalk = clockPrior * 4

	gainWalk  = 1e-5 // share: 0.02 % in five minutes, warmth
	mountWalk = 2e-5 // rad
	lagWalk   = 1e-4 // s
	covEvery  = 16   // samples to a step of the covariance
)

// Init makes the driver ready; path may be nil.
func (d *Driver) Init(set Settings, path Path) {
	*d = Driver{set: set, Lever: r3.Vec{X: set.Lever[0], Y: set.Lever[1], Z: set.Lever[2]}, path: path,
		slide: slide{1, 1}, still: math.NaN(), heard: math.NaN(), speed: math.NaN()}
	i := &d.set.IMU
	d.Filter.Params = eskf.Params{
		GyroNoise: i.Gyro, AccNoise: i.Acc, GyroWalk: i.GyroWalk, AccWalk: i.AccWalk,
		ScaleWalk: scaleWalk, SlipWalk: slipWalk, LatencyWalk: latencyWalk,
		GainWalk: gainWalk, MountWalk: mountWalk, LagWalk: lagWalk,
		CorrTime: set.GNSS.CorrTime, CovEvery: covEvery,
	}
	d.ResetBuffers()
}

// Follow names what follows the driver's path from now on.
func (d *Driver) Follow(path Path) { d.path = path }

// ResetBuffers forgets all samples.
func (d *Driver) ResetBuffers() {
	d.IMU.Reset()
	d.Stamps.n = 0 // a new row; the interval stays known
	d.Wheels.Reset()
}

// Heard takes what the receiver reports of its speed (m/s, NaN unknown) at
// host time t; precise says that it is fixed or float.
func (d *Driver) Heard(t, speed float64, precise bool) {
	d.heard, d.speed, d.precise = t, speed, precise
}

// PushIMU takes one inertial sample. It returns the interval since the sample
// before, NaN for the first, and false when time did not advance.
func (d *Driver) PushIMU(s Sample) (dt float64, ok bool) {
	q := &d.IMU
	dt, ok = q.Push(s, d.mayRest(s.T), d.Filter.GyroBias, d.set.IMU.Gap)
	d.follow(dt)
	if ok && dt > 0.025 && dt > 4*q.Period {
		q.GapEnd, q.GapLength = s.T, dt-q.Period
	}
	return dt, ok
}

// mayRest reports whether wheel or receiver allow the car to be at rest. With
// neither, a rest that was established may go on, but none begins; nor does one
// where the receiver speaks of a time before the car moved off.
func (d *Driver) mayRest(t float64) bool {
	if d.Wheels.Fresh(t) {
		return math.Abs(d.Wheels.Last.V) < 0.05
	}
	if math.IsNaN(d.IMU.RestSince) && d.heard-d.Latency() < d.IMU.RestEnd {
		return false
	}
	if t-d.heard < 1.5 && !math.IsNaN(d.speed) {
		if d.precise {
			return d.speed < 0.15
		}
		return d.speed < 0.5
	}
	return !math.IsNaN(d.IMU.RestSince)
}

// Latency returns the minimum latency of an epoch believed now, s.
func (d *Driver) Latency() float64 {
	if d.Phase == Empty && d.Filter.WheelScale == 0 {
		return d.set.GNSS.Latency
	}
	return d.Filter.Latency
}

// Arm returns the way from the sensor to the antenna, m, ENU.
func (d *Driver) Arm() r3.Vec { return d.Filter.ArmTo(d.Lever) }

// Antenna returns where the filter has the antenna, m, ENU.
func (d *Driver) Antenna() r3.Vec { return r3.Add(d.Filter.Pos, d.Arm()) }

// BodyArm returns the way from the body origin to the antenna, m, ENU.
func (d *Driver) BodyArm() r3.Vec { return r3.Sub(d.Antenna(), d.Filter.Origin()) }

// BodyVel returns the velocity of the body origin where the filter stands, m/s,
// ENU.
func (d *Driver) BodyVel() r3.Vec { return d.Filter.OriginVel(d.Rate) }

// Advance carries the filter to host time t, as far as samples go.
func (d *Driver) Advance(t float64) {
	f, q := &d.Filter, &d.IMU
	d.NoiseAt(f, d.Rate, d.Force)
	for f.T < t {
		s := q.next()
		if s == nil {
			break
		}
		if s.T <= f.T {
			q.head++
			continue
		}
		if s.T-f.T > d.set.IMU.Gap {
			d.bridge(s)
			q.head++
			continue
		}
		to := d.halt(min(s.T, t))
		d.carry(s.W, s.F, to)
		if to == s.T {
			q.head++
		}
	}
}

// NoiseAt sets the noise of g, the filter or a copy of it, to what the inertial
// sensor has at rate w (rad/s) and specific force a (m/s²), biases in them: its noise
// of late, and what its scale and axes are off by.
func (d *Driver) NoiseAt(g *eskf.Filter, w, a r3.Vec) {
	i := &d.set.IMU
	flaws := eskf.Imperfect{AccScale: i.AccScale, GyroCross: i.AccScale, GyroPerG: i.GyroPerG}
	g.Params.SetNoise(flaws.Widen(d.IMU.acc.Density(i.Acc), d.IMU.gyro.Density(i.Gyro),
		r3.Sub(w, g.GyroBias), r3.Sub(a, g.AccBias), g.Params.Gravity))
}

// halt returns to, or a wheel speed's time before it: the filter stands still where
// the wheel speaks of.
func (d *Driver) halt(to float64) float64 {
	if w := d.Wheels.due(); w > d.Filter.T && w < to {
		return w
	}
	return to
}

// carry carries the filter to host time to by mean rate w (rad/s) and specific force
// a (m/s²), and gives it the aids that are due there.
func (d *Driver) carry(w, a r3.Vec, to float64) {
	f := &d.Filter
	step := to - f.T
	f.Predict(w, a, step)
	k := min(1, step/rateTime)
	d.Rate = r3.Add(d.Rate, r3.Scale(k, r3.Sub(w, d.Rate)))
	v := f.Forward()
	b := min(1, step/slipTime(v))
	d.Lat += b * (v*(w.Z-f.GyroBias.Z) - d.Lat)
	d.lat2 += b * (d.Lat - d.lat2)
	d.most = math.Max(d.most, math.Abs(d.lat2))
	d.steady += min(1, step/steadyTime(v)) * (d.Lat - d.steady)
	d.Force = r3.Add(d.Force, r3.Scale(k, r3.Sub(a, d.Force)))
	d.before = Sample{T: to, W: w, F: a}
	d.step(v, w, step)
	f.T = to // the same bits whatever the sums say
	d.Wheels.Until(to)
	if !d.Manual {
		d.aid()
	}
}

// Reaches reports whether the filter can be brought to host time t: it has not
// passed it yet, and there are inertial samples up to it.
func (d *Driver) Reaches(t float64) bool {
	return !(t < d.Filter.T-1e-6 || t > d.IMU.Last.T+d.set.IMU.Gap)
}

// AdvanceTo carries the filter to host time t, beyond the newest sample by what
// it read. It reports false where the filter had to cross a gap in the samples
// that reaches beyond t.
func (d *Driver) AdvanceTo(t float64) bool {
	f := &d.Filter
	d.Advance(t)
	if dt := t - f.T; dt > 0 {
		last := &d.IMU.Last
		f.Predict(last.W, last.F, dt)
		d.step(f.Forward(), last.W, dt)
	} else if dt < -1e-3 {
		return false
	}
	return true
}

func (d *Driver) step(v float64, w r3.Vec, dt float64) {
	if d.path != nil {
		d.path.Step(v, w, dt)
	}
}

func (d *Driver) disturb() {
	if d.Observer != nil {
		d.Observer.Disturb()
	}
}

// What a car may do unseen, 1 sigma: between two readings its rate and acceleration
// are not the straight line that is taken, by what turning in and braking do. Common
// practice, no source.
const (
	bridgeStep = 0.02 // s
	unseenTurn = 1.5  // rad/s², of yaw
	unseenJerk = 20.0 // m/s³
	mostRate   = 0.5  // rad/s off, at most
	mostAcc    = 4.0  // m/s² off, at most
	mostTilt   = 0.1  // rad of roll and pitch, at most
)

// bridge carries the filter over a gap in the inertial samples up to s, by the line
// between the readings at its ends. Wheel speed goes on to be taken.
func (d *Driver) bridge(s *Sample) {
	f := &d.Filter
	from, dt := f.T, s.T-f.T
	first := d.before
	if !(math.Abs(first.T-from) <= d.set.IMU.Gap) {
		first = *s
	}
	yaw := math.Min(unseenTurn*dt/4, mostRate) * dt
	vel := math.Min(unseenJerk*dt/4, mostAcc) * dt
	if d.path != nil {
		d.path.Break()
		defer d.path.Break()
	}
	for f.T < s.T {
		to := d.halt(min(s.T, f.T+bridgeStep))
		step := to - f.T
		x := ((f.T+to)/2 - from) / dt
		d.disturb()
		for i := range 3 { // the same in every step makes the whole
			f.Inflate(eskf.IVel+i, vel*vel*step/dt)
			a := yaw
			if i < 2 { // body axes are all but level
				a = math.Min(a, mostTilt)
			}
			f.Inflate(eskf.IAtt+i, a*a*step/dt)
		}
		d.carry(r3.Add(r3.Scale(1-x, first.W), r3.Scale(x, s.W)), r3.Add(r3.Scale(1-x, first.F), r3.Scale(x, s.F)), to)
	}
}
