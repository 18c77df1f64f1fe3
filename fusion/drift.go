package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// epochFix returns where the receiver has the car, beside the filter.
func (m *Monitor) epochFix(x *weighed) integrity.EpochFix {
	f := &m.nav.Filter
	arm := m.nav.BodyArm()
	white := x.white
	for i, v := range x.said { // noise learned below what is said sharpens no drift test
		white[i] = math.Max(white[i], v)
	}
	return integrity.EpochFix{Fix: m.drift.Fix(), Pos: r3.Sub(x.z, arm), Arm: arm, Vel: m.nav.BodyVel(), Latency: f.Latency, White: white}
}

// paths hears of the filter's steps for the references that run beside it.
type paths Monitor

// Step carries the references over one step of the filter.
func (p *paths) Step(v float64, w r3.Vec, dt float64) {
	n := &p.nav
	f, q := &n.Filter, &n.Wheels
	rot := f.BodyMid()
	p.ref.Wheel.Add(&integrity.WheelStep{
		T: f.T, Dt: dt, Speed: v, Rate: f.InBody(f.TurnRate(w)), Rot: &rot, EarthRate: f.Params.EarthRate.Z,
		Lateral: n.Lat, Pull: n.Pull(), Slip: f.Slip, Axle: f.Axle, Scale: f.WheelScale,
		WheelT: q.Now.T, Wheel: q.Now.V, Mid: q.At(f.T - dt/2), Period: q.Period, Refused: q.Refused,
	})
	p.ref.Velocity.Add(n.BodyVel(), dt)
}

// Break tears the references at a gap in the samples.
func (p *paths) Break() { (*Monitor)(p).tearPaths() }

// tearPaths notes that the filter broke off.
func (m *Monitor) tearPaths() {
	m.drift.Reset()
	m.ref.Tear()
}

// advancePaths carries the references to an epoch at t, before the filter learns
// from it; stands says that the filter stands there.
func (m *Monitor) advancePaths(e *gnss.Epoch, t float64, stands bool) {
	f := &m.nav.Filter
	v := integrity.VelocityEpoch{
		T: t, UTC: e.UTC, Filter: stands, Precise: m.rcv.precise, Fixed: m.rcv.class == navigation.ClassFixed, Speed: e.Speed, Course: e.Course,
		Learn: !math.IsNaN(m.trust.ConsistentSince),
		VelocityNoise: integrity.VelocityNoise{Sigma: m.cfg.GNSS.SpeedSigma,
			Corr: m.nav.CorrBound(), CorrTime: f.Params.CorrTime},
	}
	if stands {
		m.ref.Wheel.Advance(t, f.Yaw())
		v.VelSigma = math.Sqrt(math.Max(f.P[eskf.IVel][eskf.IVel], f.P[eskf.IVel+1][eskf.IVel+1]))
		v.Vel, v.Acc = m.nav.MeanVel(), f.ToWorld(r3.Sub(m.nav.Force, f.AccBias))
		v.Arm = r3.Cross(f.ToWorld(f.TurnRate(m.nav.Rate)), m.nav.BodyArm())
	}
	m.ref.Velocity.Advance(&v)
}

// learnCar takes what a fix that is believed says of the car's handling.
func (m *Monitor) learnCar(now *integrity.EpochFix, e *integrity.PathError) {
	m.ref.LearnCar(now, e)
	m.knowCar()
}

// knowCar gives the filter what is known of the car's handling. What a wheel turns too
// fast is noise to it, whatever was learned: over a stretch it looks like a latency of
// the receiver, and taken off it would confirm a wrong one.
func (m *Monitor) knowCar() {
	x, sigma := m.ref.Wheel.Handling()
	m.nav.Handling = navigation.Handling{PullSigma: math.Hypot(x[2], sigma[2]), Bend: x[1], BendSigma: sigma[1]}
}

// pathError returns how far the wheel path may be off: what the filter says of
// scale, heading and slip, and what none of its states holds.
func (m *Monitor) pathError() integrity.PathError {
	const (
		slipWander  = 0.0015 // rad: side slip that does not follow lateral acceleration
		scaleWander = 0.0007 // share: scale that changes with load and speed
	)
	f, q := &m.nav.Filter, &m.nav.Wheels
	p := &f.P
	return integrity.PathError{
		Scale: math.Hypot(scaleWander, math.Sqrt(p[eskf.IScale][eskf.IScale])),
		Yaw:   math.Sqrt(slipWander*slipWander + f.YawVariance(p)),
		Side:  integrity.Side{Slip: p[eskf.ISlip][eskf.ISlip], Axle: p[eskf.IAxle][eskf.IAxle], SlipAxle: p[eskf.ISlip][eskf.IAxle]},
		Wheel: q.Sigma(m.cfg.Wheel.Sigma) * math.Sqrt(navigation.WheelEvery/math.Max(1, math.Abs(q.Now.V))),
		Corr:  m.nav.CorrBound(), CorrTime: f.Params.CorrTime,
		Latency:  math.Sqrt(p[eskf.ILat][eskf.ILat]),
		GyroBias: math.Sqrt(p[eskf.IGyr+2][eskf.IGyr+2]), GyroWalk: f.Params.GyroNoise,
		GyroScale: math.Sqrt(p[eskf.IGain][eskf.IGain]),
	}
}

// testDrift gives the drift tests a fixed position that is about to be used, and
// reports whether they alarm.
func (m *Monitor) testDrift(x *weighed) bool {
	e, n := m.direction()
	in := &x.in
	s := integrity.Sym3(in.S)
	y := [2]float64{-n*in.Y[0] + e*in.Y[1], e*in.Y[0] + n*in.Y[1]}
	v := [2]float64{s.Along(-n, e), s.Along(e, n)}
	ts := &m.snap.Tests
	now, pe := m.epochFix(x), m.pathError()
	m.drift.Check(x.t, &m.ref, m.nav.IMU.RestFor() > navigation.RestProof || m.phasesVouch())
	alarm := m.drift.Push(x.t, y, v, &m.ref, &now, &pe, ts)
	if m.phasesVouch() {
		// The phases would show it, sharper than wheels and gyro.
		m.drift.Suspected = integrity.SuspectedDrift{}
		if alarm != NumTests {
			m.drift.Reset()
		}
		return false
	}
	if alarm == NumTests || m.trust.Fix == trust.Refuted {
		return false
	}
	if m.leverFree || m.trust.Unsettled(m.now) {
		m.drift.Reset()
		m.believe(&trust.Evidence{Kind: trust.Wander, Now: m.now})
		return false
	}
	ts[alarm].SetAlarm(true, m.host(m.now))
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventDrift, Cause: alarm.String(), Size: math.Hypot(y[0], y[1]), Where: m.where(),
		Detail: fmt.Sprintf("fixed positions wander from the inertial path (test %s, statistic %.1f, threshold %.1f)", alarm, ts[alarm].Stat, ts[alarm].Threshold)})
	m.rollBack(x.t, &now, &pe)
	return true
}

// rollBack undoes what the filter followed of a drift and reports it to trust.
func (m *Monitor) rollBack(t float64, now *integrity.EpochFix, pe *integrity.PathError) {
	y, c := m.takeBack(t, now, pe, r3.Vec{})
	m.claims.drift(m.drift.Before(), &y, &c, t)
	m.believe(&trust.Evidence{Kind: trust.Drift, Now: m.now, Y: y, S: c})
}

// takeBack moves the filter, which followed a receiver that is by now ahead of it by
// step, m, ENU, to where the references have the car, and returns how far the
// receiver is off and the covariance of that. Without a reference it only allows that
// the position may be off. What heading was learned meanwhile is uncertain.
func (m *Monitor) takeBack(t float64, now *integrity.EpochFix, pe *integrity.PathError, step r3.Vec) (y integrity.Vec3, c integrity.Sym3) {
	f := &m.nav.Filter
	f.Flush()
	y, c, turn, ok := m.drift.Alarmed(t, &m.ref, now, pe)
	if !ok {
		// misled is how far the filter may have followed, m. Common practice, no
		// source.
		const misled = 0.5
		for i := range 3 {
			f.Inflate(eskf.IPos+i, misled*misled)
			c[i][i] = misled * misled
		}
		return y, c
	}
	f.Pos.X -= y[0] - step.X
	f.Pos.Y -= y[1] - step.Y
	for k := range 2 {
		f.SetVariance(eskf.IPos+k, f.P[eskf.IPos+k][eskf.IPos+k]+c[k][k])
	}
	f.Inflate(eskf.IAtt+2, turn*turn)
	return y, c
}

// direction returns the horizontal unit vector of travel: along the map, along
// the velocity, or where the car points.
func (m *Monitor) direction() (e, n float64) {
	if m.snap.HasCourse {
		n, e = math.Sincos(m.snap.CourseYaw)
		return e, n
	}
	v := m.nav.Filter.Vel
	if h := math.Hypot(v.X, v.Y); h > 1 {
		return v.X / h, v.Y / h
	}
	n, e = math.Sincos(m.nav.Filter.Yaw())
	return e, n
}
