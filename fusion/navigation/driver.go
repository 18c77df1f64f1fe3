package navigation

import (
	"math"

	"kerbline/fusion/eskf"
	"kerbline/gnss"

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
	slipTime   = 0.03 // s over which leftward acceleration is smoothed
)

// Phase is how far the filter has come.
type Phase uint8

const (
	Empty    Phase = iota // nothing known
	Levelled              // roll, pitch and gyro bias from rest; yaw, position and velocity not believed
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
	Phase  Phase
	Lever  r3.Vec  // m, body origin to antenna, body axes
	Lat    float64 // m/s², leftward acceleration by speed and yaw rate, smoothed over slipTime
	lat2   float64 // m/s², the same smoothed twice
	Rate   r3.Vec  // rad/s, mean rate about the time the filter stands at, bias in it
	Force  r3.Vec  // m/s^2, mean specific force likewise
	Pred   Prediction

	imu   *IMU
	wheel *Wheel
	gnss  *GNSS
	path  Path
	still float64 // host s since the last zero-velocity update

	// What the receiver last reported of its speed.
	heard   float64 // host s
	speed   float64 // m/s, NaN unknown
	precise bool    // fixed or float

	wheelGate, sideGate float64
}

// Init makes the driver ready. wheelGate and sideGate are chi-square thresholds
// of one and two degrees of freedom; path may be nil.
func (d *Driver) Init(imu *IMU, wheel *Wheel, gnss *GNSS, lever r3.Vec, wheelGate, sideGate float64, path Path) {
	*d = Driver{imu: imu, wheel: wheel, gnss: gnss, Lever: lever, wheelGate: wheelGate, sideGate: sideGate, path: path,
		still: math.NaN(), heard: math.NaN(), speed: math.NaN()}
	d.Filter.Params = eskf.Params{
		GyroNoise: imu.Gyro, AccNoise: imu.Acc, GyroWalk: imu.GyroWalk, AccWalk: imu.AccWalk,
		ScaleWalk: 1e-5, SlipWalk: 1e-5, LatencyWalk: 5e-5,
		CorrTime: gnss.CorrTime, CovEvery: 16,
	}
	d.ResetBuffers()
}

// ResetBuffers forgets all samples.
func (d *Driver) ResetBuffers() {
	d.IMU.Reset()
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
	dt, ok = q.Push(s, d.mayRest(s.T), d.Filter.GyroBias, d.imu.Gap)
	if ok && dt > 0.025 && dt > 4*q.Period {
		q.GapEnd, q.GapLength = s.T, dt-q.Period
	}
	return dt, ok
}

// mayRest reports whether wheel or receiver allow the car to be at rest. With
// neither, a rest that was established may go on, but none begins.
func (d *Driver) mayRest(t float64) bool {
	if d.Wheels.Fresh(t) {
		return math.Abs(d.Wheels.Last.V) < 0.05
	}
	if t-d.heard < 1.5 && !math.IsNaN(d.speed) {
		if d.precise {
			return d.speed < 0.15
		}
		return d.speed < 0.5
	}
	return !math.IsNaN(d.IMU.RestSince)
}

// Level starts the filter at rest: roll, pitch and gyro bias. Position and yaw
// wait for the receiver.
func (d *Driver) Level() {
	w, f := d.IMU.RestMeans()
	if n := r3.Norm(f); n < 9 || n > 10.6 {
		return // not gravity: the unit test says what it looks like
	}
	d.resetCalibration()
	d.Filter.InitAtRest(d.IMU.Last.T, r3.Vec{}, f, w, 0, eskf.Sigmas{
		PosH: 100, PosV: 100, Vel: 0.02, Tilt: 0.003, Yaw: math.Pi / math.Sqrt(3),
		GyroBias: 3e-4, AccBias: d.imu.AccBias,
		WheelScale: d.wheel.ScaleSigma, Slip: d.wheel.SlipSigma, Latency: d.gnss.LatencySigma,
	})
	d.IMU.head = d.IMU.tail
	d.Phase = Levelled
}

// resetCalibration puts the slow states back to what the settings say, unless
// the filter has already learned better.
func (d *Driver) resetCalibration() {
	if d.Filter.WheelScale == 0 {
		d.Filter.WheelScale = 1
		d.Filter.Latency = d.gnss.Latency
	}
}

// Latency returns the minimum latency of an epoch believed now, s.
func (d *Driver) Latency() float64 {
	if d.Phase == Empty && d.Filter.WheelScale == 0 {
		return d.gnss.Latency
	}
	return d.Filter.Latency
}

// Align tries to give the filter yaw, position and velocity by an epoch that
// has the antenna at z (m, ENU) at host time t: at once from a dual-antenna
// heading, else from the course as soon as the car moves. now is the host time
// of arrival.
func (d *Driver) Align(e *gnss.Epoch, class Class, z r3.Vec, t, now float64) bool {
	g, f := d.gnss, &d.Filter
	if d.IMU.N == 0 || now-d.IMU.Last.T > d.imu.Gap {
		return false
	}
	var yaw, sigma float64
	var vel r3.Vec
	velSigma := 3 * g.SpeedSigma
	switch {
	case !math.IsNaN(e.Heading) && (d.Phase == Levelled || e.Speed > g.MinCourse):
		yaw = math.Pi/2 - (e.Heading - g.HeadingYaw*math.Pi/180)
		sigma = 2 * g.HeadingSigma * math.Pi / 180
		if d.Phase == Levelled && d.IMU.RestFor() > RestProof {
			velSigma = 0.02
		}
	case e.Speed > g.MinCourse && !math.IsNaN(e.Course):
		// The car may slide and turn while it moves off.
		yaw = math.Pi/2 - e.Course
		sigma = math.Hypot(math.Atan(g.SpeedSigma/e.Speed), 4*math.Pi/180)
	default:
		return false
	}
	if e.Speed > 0.3 && !math.IsNaN(e.Course) {
		vel = r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course)}
	}
	if d.Phase == Empty {
		// On the move: roll and pitch are those of a road, biases those of the
		// settings.
		if d.IMU.N < 20 {
			return false
		}
		d.resetCalibration()
		f.InitMoving(t, z, vel, 0, 0, yaw, eskf.Sigmas{
			PosH: 1, PosV: 1, Vel: velSigma, Tilt: 4 * math.Pi / 180, Yaw: sigma,
			GyroBias: d.imu.GyroBias, AccBias: d.imu.AccBias, WheelScale: d.wheel.ScaleSigma,
			Slip: d.wheel.SlipSigma, Latency: g.LatencySigma,
		})
	} else {
		d.Advance(t)
		f.SetYaw(yaw, sigma)
		f.T = t
	}
	white, ch, cv := g.Noise(e, class)
	f.Pos = r3.Sub(z, f.ToWorld(d.Lever))
	f.Vel = vel
	for i := range 3 {
		s := ch
		if i == 2 {
			s = cv
		}
		lever := r3.Norm(d.Lever) * sigma
		f.SetVariance(eskf.IPos+i, white[i]+s*s+lever*lever+0.05*0.05)
		f.SetVariance(eskf.IVel+i, velSigma*velSigma)
	}
	f.SetVariance(eskf.IVel+2, 0.5*0.5) // no vertical speed is reported
	f.SetVariance(eskf.ILat, g.LatencySigma*g.LatencySigma)
	f.SetCorr(ch, cv, g.CorrTime)
	d.Phase = Aligned
	return true
}

// Antenna returns where the filter has the antenna, m, ENU.
func (d *Driver) Antenna() r3.Vec { return r3.Add(d.Filter.Pos, d.Filter.ToWorld(d.Lever)) }

// Advance carries the filter to host time t, as far as samples go.
func (d *Driver) Advance(t float64) {
	f, q := &d.Filter, &d.IMU
	f.Params.AccNoise = q.acc.Density(d.imu.Acc)
	f.Params.GyroNoise = q.gyro.Density(d.imu.Gyro)
	for f.T < t {
		s := q.next()
		if s == nil {
			break
		}
		if s.T <= f.T {
			q.head++
			continue
		}
		dt := s.T - f.T
		if dt > d.imu.Gap {
			d.bridge(s, dt)
			q.head++
			continue
		}
		to := min(s.T, t)
		if w := d.Wheels.due(); w > f.T && w < to {
			to = w // stand still where the wheel speaks of
		}
		step := to - f.T
		f.Predict(s.W, s.F, step)
		// Over about 0.05 s, whatever the rate of samples.
		a := min(1, step/0.05)
		d.Rate = r3.Add(d.Rate, r3.Scale(a, r3.Sub(s.W, d.Rate)))
		b := min(1, step/slipTime)
		v := f.Forward()
		d.Lat += b * (v*(s.W.Z-f.GyroBias.Z) - d.Lat)
		d.lat2 += b * (d.Lat - d.lat2)
		d.Force = r3.Add(d.Force, r3.Scale(a, r3.Sub(s.F, d.Force)))
		d.step(v, s.W, step)
		f.T = to // the same bits whatever the sums say
		if to == s.T {
			q.head++
		}
		d.Wheels.Until(to)
		d.aid()
	}
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

// bridge carries the filter over a gap in the inertial samples: it holds the
// last rate and force, and owns that the car may have done anything.
func (d *Driver) bridge(s *Sample, dt float64) {
	// What a car may do unseen: m/s², rad/s of yaw, rad of roll and pitch at most.
	const acc, rate, tilt = 4.0, 0.5, 0.1
	f := &d.Filter
	if d.path != nil {
		d.path.Break()
	}
	for left := dt; left > 0; left -= 0.02 {
		f.Predict(s.W, s.F, math.Min(0.02, left))
	}
	for i := range 3 {
		f.Inflate(eskf.IVel+i, acc*acc*dt*dt)
		f.Inflate(eskf.IPos+i, acc*acc*dt*dt*dt*dt/4)
		a := rate * dt
		if i < 2 { // body axes are all but level
			a = math.Min(a, tilt)
		}
		f.Inflate(eskf.IAtt+i, a*a)
	}
}

// aid gives the filter what needs no satellite: rest, wheel speed and the
// tyres' side forces.
func (d *Driver) aid() {
	f, q := &d.Filter, &d.IMU
	if q.RestFor() > RestProof && f.T >= q.RestSince {
		if !(f.T-d.still < restEvery) {
			d.still = f.T
			o := f.ZeroVelocity(0.02 * 0.02)
			if in := f.Innovation(&o); in.NIS < 100 || d.Phase == Levelled {
				f.Apply(&o)
			}
			o = f.ZeroRate(d.Rate, 5e-4*5e-4)
			if in := f.Innovation(&o); in.NIS < 100 {
				f.Apply(&o)
			}
		}
		return
	}
	if d.Phase != Aligned || f.T-d.Wheels.fused < WheelEvery {
		return
	}
	s := &d.Wheels.Now
	wheel := s.T == f.T
	if !wheel && d.Wheels.Fresh(f.T) {
		return // its turn comes
	}
	w := d.wheel
	v := f.Forward()
	if wheel {
		r := d.Wheels.Sigma(w.Sigma) + w.SigmaRel*math.Abs(v)
		o := f.Wheel(s.V, r*r)
		if in := f.Innovation(&o); in.NIS < d.wheelGate {
			f.Apply(&o)
			d.Wheels.Refused = 0
		} else {
			d.Wheels.Refused++
		}
	}
	d.Wheels.fused = f.T
	if math.Abs(v) < 1 {
		return
	}
	// The leftward acceleration is speed times yaw rate: the accelerometer's own
	// reading shakes with the road. The two means lag by one and two time
	// constants; their difference takes the lag out. The body turns into its own
	// slip, which is no acceleration: that share is taken out too.
	dlat := (d.Lat - d.lat2) / slipTime
	lat := d.lat2 + 2*slipTime*dlat - v*f.Slip*dlat
	r := w.SideSigma + w.SideLat*math.Abs(lat)
	o := f.Side(r*r, w.SideSigma*w.SideSigma*4, lat)
	if in := f.Innovation(&o); in.NIS < d.sideGate {
		f.Apply(&o)
	}
}

// Prediction is the filter's output carried to now.
type Prediction struct {
	State eskf.State
	P     [eskf.NErr][eskf.NErr]float64
	W     r3.Vec // rad/s, body, bias removed
	F     r3.Vec // m/s^2, body, bias removed
}

// Predict fills d.Pred for host time now.
func (d *Driver) Predict(now float64) {
	p, q, f := &d.Pred, &d.IMU, &d.Filter
	p.State = f.State
	x := &p.State
	for i := q.head; i != q.tail; i++ {
		s := &q.ring[i%imuRing]
		if dt := s.T - x.T; dt > 0 {
			x.Integrate(s.W, s.F, math.Min(dt, d.imu.Gap), &f.Params)
			x.T = s.T
		}
	}
	if dt := now - x.T; dt > 0 {
		x.Integrate(q.Last.W, q.Last.F, math.Min(dt, 0.5), &f.Params)
		x.T = now
	}
	d.CovNow(&p.P, now)
	p.W = r3.Sub(q.MeanW, f.GyroBias)
	p.F = r3.Sub(q.MeanF, f.AccBias)
}

// CovNow writes the filter's covariance carried to host time now to p.
func (d *Driver) CovNow(p *[eskf.NErr][eskf.NErr]float64, now float64) {
	d.Filter.CovAhead(p, d.IMU.MeanW, d.IMU.MeanF, now-d.Filter.T)
}

// Aid applies to g, a copy of the filter that is carried ahead, what wheels and
// tyres would say over one step of dt seconds at yaw rate wz (rad/s, bias in it),
// without innovation: only the covariance learns. wheels says whether wheel speed
// is coming in.
func (d *Driver) Aid(g *eskf.Filter, wz, dt float64, wheels bool) {
	w := d.wheel
	v := g.Forward()
	share := WheelEvery / dt
	if wheels {
		r := d.Wheels.Sigma(w.Sigma) + w.SigmaRel*math.Abs(v)
		o := g.Wheel(v*g.WheelScale, r*r*share)
		g.Apply(&o)
	}
	if math.Abs(v) < 1 {
		return
	}
	lat := v * (wz - g.GyroBias.Z)
	r := w.SideSigma + w.SideLat*math.Abs(lat)
	o := g.Side(r*r*share, w.SideSigma*w.SideSigma*4*share, lat)
	o.Y = [3]float64{}
	g.Apply(&o)
}

// Along returns the variance of the position (m²) under covariance p along the
// horizontal unit vector e, n.
func Along(p *[eskf.NErr][eskf.NErr]float64, e, n float64) float64 {
	const x, y = eskf.IPos, eskf.IPos + 1
	return e*e*p[x][x] + 2*e*n*p[x][y] + n*n*p[y][y]
}
