package fusion

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
	wheelEvery = 0.08 // s between wheel updates: closer ones share their errors
	restEvery  = 0.2  // s between zero-velocity updates
	restProof  = 0.5  // s of rest before it is believed
	slipTime   = 0.03 // s over which leftward acceleration is smoothed
)

func (m *Monitor) onIMU(in *Measurement) {
	t := m.stamp(in.T, m.cfg.IMU.Latency)
	w := r3.Vec{X: in.W[0], Y: in.W[1], Z: in.W[2]}
	f := r3.Vec{X: in.F[0], Y: in.F[1], Z: in.F[2]}
	if m.units.mounted {
		w, f = r3.Vec(m.units.mount.Rotate(w)), r3.Vec(m.units.mount.Rotate(f))
	}
	if s := r3.Norm2(w) + r3.Norm2(f); math.IsNaN(s) || math.IsInf(s, 0) {
		m.snap.Counts.Refused[ChanIMU]++
		return
	}
	if maxAbs(w) >= m.cfg.IMU.GyroRange || maxAbs(f) >= m.cfg.IMU.AccRange {
		m.imu.saturated = t
	}
	q := &m.imu
	before := q.last.t
	if t < before-0.02 {
		// Samples do not overtake one another: the host clock was set back, by
		// too little for the other channels to show.
		m.stepClock(in.T, m.now+t-before)
		t = m.stamp(in.T, m.cfg.IMU.Latency)
		before = math.NaN()
	}
	dt, ok := q.push(imuSample{t, w, f}, m.mayRest(t), m.f.GyroBias, m.cfg.IMU.Gap)
	if !ok {
		m.snap.Counts.Refused[ChanIMU]++
		return
	}
	if dt > 0.025 && dt > 4*q.period {
		q.gapEnd, q.gap = t, dt-q.period
	}
	if dt > m.cfg.IMU.Gap {
		m.rcv.prev.ok = false
		m.event(Event{T: m.host(before), End: m.host(t), Kind: EventIMUGap, Size: dt, Where: m.where(),
			Detail: "no inertial sample"})
		if dt > 1 && m.phase != phaseEmpty {
			m.realign("inertial samples were missing for too long")
		}
	}
	m.units.onIMU(m, w, f)
	if m.phase == phaseEmpty && q.restFor() > 1.5 && !m.trust.proven {
		m.level()
	}
}

// stamp turns the time column of a sample into the monitor's time of validity.
func (m *Monitor) stamp(t, latency float64) float64 { return t + m.shift - latency }

func (m *Monitor) onWheel(in *Measurement) {
	if math.IsNaN(in.V) || math.IsInf(in.V, 0) || !m.whl.push(wheelSample{m.stamp(in.T, m.cfg.Wheel.Latency), in.V}) {
		m.snap.Counts.Refused[ChanWheel]++
	}
}

// mayRest reports whether wheel or receiver allow the car to be at rest. With
// neither, a rest that was established may go on, but none begins.
func (m *Monitor) mayRest(t float64) bool {
	if m.whl.fresh(t) {
		return math.Abs(m.whl.last.v) < 0.05
	}
	if e := &m.rcv.last; t-m.rcv.lastSeen < 1.5 && !math.IsNaN(e.Speed) {
		if m.rcv.precise {
			return e.Speed < 0.15
		}
		return e.Speed < 0.5
	}
	return !math.IsNaN(m.imu.restSince)
}

// level starts the filter at rest: roll, pitch and gyro bias. Position and yaw
// wait for the receiver.
func (m *Monitor) level() {
	w, f := m.imu.restMeans()
	if n := r3.Norm(f); n < 9 || n > 10.6 {
		return // not gravity: the unit test says what it looks like
	}
	m.resetCalibration()
	m.f.InitAtRest(m.imu.last.t, r3.Vec{}, f, w, 0, eskf.Sigmas{
		PosH: 100, PosV: 100, Vel: 0.02, Tilt: 0.003, Yaw: math.Pi / math.Sqrt(3),
		GyroBias: 3e-4, AccBias: m.cfg.IMU.AccBias,
		WheelScale: m.cfg.Wheel.ScaleSigma, Slip: m.cfg.Wheel.SlipSigma, Latency: m.cfg.GNSS.LatencySigma,
	})
	m.imu.head = m.imu.tail
	m.phase = phaseLevelled
}

// resetCalibration puts the slow states back to what the settings say, unless
// the filter has already learned better.
func (m *Monitor) resetCalibration() {
	if m.f.WheelScale == 0 {
		m.f.WheelScale = 1
		m.f.Latency = m.cfg.GNSS.Latency
	}
}

// advance carries the filter to host time t, as far as samples go.
func (m *Monitor) advance(t float64) {
	f, q := &m.f, &m.imu
	f.Params.AccNoise = q.acc.Density(m.cfg.IMU.Acc)
	f.Params.GyroNoise = q.gyro.Density(m.cfg.IMU.Gyro)
	for f.T < t {
		s := q.next()
		if s == nil {
			break
		}
		if s.t <= f.T {
			q.head++
			continue
		}
		dt := s.t - f.T
		if dt > m.cfg.IMU.Gap {
			m.bridge(s, dt)
			q.head++
			continue
		}
		to := min(s.t, t)
		if w := m.whl.due(); w > f.T && w < to {
			to = w // stand still where the wheel speaks of
		}
		step := to - f.T
		f.Predict(s.w, s.f, step)
		// Over about 0.05 s, whatever the rate of samples.
		a := min(1, step/0.05)
		m.wAt = r3.Add(m.wAt, r3.Scale(a, r3.Sub(s.w, m.wAt)))
		b := min(1, step/slipTime)
		v := f.Forward()
		m.lat1 += b * (v*(s.w.Z-f.GyroBias.Z) - m.lat1)
		m.lat2 += b * (m.lat1 - m.lat2)
		m.fAt = r3.Add(m.fAt, r3.Scale(a, r3.Sub(s.f, m.fAt)))
		m.odo.add(m, v, s.w, &f.Mid, step)
		m.dop.add(m, step)
		f.T = to // the same bits whatever the sums say
		if to == s.t {
			q.head++
		}
		m.whl.until(to)
		m.aid()
	}
}

// bridge carries the filter over a hole in the inertial samples: it holds the
// last rate and force, and owns that the car may have done anything.
func (m *Monitor) bridge(s *imuSample, dt float64) {
	// What a car may do unseen: m/s², rad/s of yaw, rad of roll and pitch at most.
	const acc, rate, tilt = 4.0, 0.5, 0.1
	m.forgetPath()
	for left := dt; left > 0; left -= 0.02 {
		m.f.Predict(s.w, s.f, math.Min(0.02, left))
	}
	for i := range 3 {
		m.f.Inflate(eskf.IVel+i, acc*acc*dt*dt)
		m.f.Inflate(eskf.IPos+i, acc*acc*dt*dt*dt*dt/4)
		a := rate * dt
		if i < 2 { // body axes are all but level
			a = math.Min(a, tilt)
		}
		m.f.Inflate(eskf.IAtt+i, a*a)
	}
}

// aid gives the filter what needs no satellite: rest, wheel speed and the
// wheels' grip.
func (m *Monitor) aid() {
	f, q := &m.f, &m.imu
	if q.restFor() > restProof && f.T >= q.restSince {
		if !(f.T-m.still < restEvery) {
			m.still = f.T
			o := f.ZeroVelocity(0.02 * 0.02)
			if in := f.Innovation(&o); in.NIS < 100 || m.phase == phaseLevelled {
				f.Apply(&o)
			}
			o = f.ZeroRate(m.wAt, 5e-4*5e-4)
			if in := f.Innovation(&o); in.NIS < 100 {
				f.Apply(&o)
			}
		}
		return
	}
	if m.phase != phaseAligned || f.T-m.whl.fused < wheelEvery {
		return
	}
	s := &m.whl.now
	wheel := s.t == f.T
	if !wheel && m.whl.fresh(f.T) {
		return // its turn comes
	}
	w := &m.cfg.Wheel
	v := f.Forward()
	if wheel {
		r := m.whl.sigma(w.Sigma) + w.SigmaRel*math.Abs(v)
		o := f.Wheel(s.v, r*r)
		if in := f.Innovation(&o); in.NIS < m.wheelGate {
			f.Apply(&o)
			m.whl.refused = 0
		} else {
			m.whl.refused++
		}
	}
	m.whl.fused = f.T
	if math.Abs(v) < 1 {
		return
	}
	// Grip. The leftward acceleration is speed times yaw rate: the
	// accelerometer's own reading shakes with the road. The two means lag by one
	// and two time constants; their difference takes the lag out. The body turns
	// into its own slip, which is no acceleration: that share is taken out too.
	dlat := (m.lat1 - m.lat2) / slipTime
	lat := m.lat2 + 2*slipTime*dlat - v*f.Slip*dlat
	r := w.SideSigma + w.SideLat*math.Abs(lat)
	o := f.Side(r*r, w.SideSigma*w.SideSigma*4, lat)
	if in := f.Innovation(&o); in.NIS < m.sideGate {
		f.Apply(&o)
	}
}

// prediction is the filter's output carried to now.
type prediction struct {
	s eskf.State
	p [eskf.NErr][eskf.NErr]float64
	w r3.Vec // rad/s, body, bias removed
	f r3.Vec // m/s^2, body, bias removed
}

// predict fills m.pred for now.
func (m *Monitor) predict() {
	p, q := &m.pred, &m.imu
	p.s = m.f.State
	for i := q.head; i != q.tail; i++ {
		s := &q.ring[i%imuRing]
		if dt := s.t - p.s.T; dt > 0 {
			p.s.Integrate(s.w, s.f, math.Min(dt, m.cfg.IMU.Gap), &m.f.Params)
			p.s.T = s.t
		}
	}
	if dt := m.now - p.s.T; dt > 0 {
		p.s.Integrate(q.last.w, q.last.f, math.Min(dt, 0.5), &m.f.Params)
		p.s.T = m.now
	}
	m.f.CovAhead(&p.p, q.wMean, q.fMean, m.now-m.f.T)
	p.w = r3.Sub(q.wMean, m.f.GyroBias)
	p.f = r3.Sub(q.fMean, m.f.AccBias)
}

func maxAbs(v r3.Vec) float64 {
	return max(math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z))
}
