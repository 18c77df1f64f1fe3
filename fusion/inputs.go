package fusion

import (
	"math"

	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"

	"gonum.org/v1/gonum/spatial/r3"
)

func (m *Monitor) onIMU(in *Measurement) {
	t := m.stamp(in.T, m.cfg.IMU.Latency)
	w := r3.Vec{X: in.W[0], Y: in.W[1], Z: in.W[2]}
	f := r3.Vec{X: in.F[0], Y: in.F[1], Z: in.F[2]}
	if m.mounted {
		w, f = r3.Vec(m.mount.Rotate(w)), r3.Vec(m.mount.Rotate(f))
	}
	if s := r3.Norm2(w) + r3.Norm2(f); math.IsNaN(s) || math.IsInf(s, 0) {
		m.snap.Counts.Refused[ChanIMU]++
		return
	}
	q := &m.nav.IMU
	if maxAbs(w) >= m.cfg.IMU.GyroRange || maxAbs(f) >= m.cfg.IMU.AccRange {
		q.Saturated = t
	}
	before := m.nav.Stamps.Newest()
	if t < before-0.02 {
		// Samples do not overtake one another: the host clock was set back, by
		// too little for the other channels to show.
		m.stepClock(in.T, m.now+t-before)
		t = m.stamp(in.T, m.cfg.IMU.Latency)
	}
	even := m.nav.Even(t)
	dt, ok := m.nav.PushIMU(navigation.Sample{T: even, W: w, F: f})
	if !ok {
		m.snap.Counts.Refused[ChanIMU]++
		return
	}
	if dt > m.cfg.IMU.Gap {
		m.rcv.prev.ok = false
		m.believe(&trust.Evidence{Kind: trust.Gap})
		m.event(Event{T: m.host(even - dt), End: m.host(even), Kind: EventIMUGap, Size: dt, Where: m.where(),
			Detail: "no inertial sample"})
		if dt > 1 && m.nav.Phase != navigation.Empty {
			m.realign("inertial samples were missing for too long")
		}
	}
	m.params.OnSample(w, q)
	if m.nav.MayLevel() && !m.trust.Proven {
		m.nav.Level()
	}
}

// stamp turns the time column of a sample into the monitor's time of validity.
func (m *Monitor) stamp(t, latency float64) float64 { return t + m.shift - latency }

func (m *Monitor) onWheel(in *Measurement) {
	t := m.stamp(in.T, m.cfg.Wheel.Latency)
	if math.IsNaN(in.V) || math.IsInf(in.V, 0) || !m.nav.Wheels.Push(navigation.WheelSample{T: t, V: in.V}) {
		m.snap.Counts.Refused[ChanWheel]++
		return
	}
	m.params.OnWheel(t, in.V)
}

// configureMount prepares the rotation from IMU axes to body axes.
func (m *Monitor) configureMount(c *navigation.IMU) {
	m.mounted = c.MountYaw != 0 || c.MountPitch != 0 || c.MountRoll != 0
	m.mount = r3.Rotation(c.Mounting())
}

func maxAbs(v r3.Vec) float64 {
	return max(math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z))
}
