package navigation

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// A sensor on a frame that vibrates with 1 g at 40 Hz swings by 0.04 m/s, and the
// filter's velocity with it. Receiver, wheels and tyres speak of the car: of the mean
// over some hundredths of a second. At one rate of theirs and another of the
// vibration the difference is the same time and again, so it is no noise.

const (
	swingHalf  = 0.05 // s on each side of the mean: vibrations from 20 Hz on are gone
	swingLeast = 0.02 // s, fewer say nothing
)

// swing returns the filter's velocity where it stands less its mean about that time,
// m/s, sensor axes; nothing where too few samples have come since, or some are
// missing. The mean has the weights of a raised cosine.
func (d *Driver) swing() r3.Vec {
	if k := (swung{d.Filter.T, d.IMU.Last.T, d.IMU.head}); k != d.swung {
		d.swung, d.swings = k, d.swingNow()
	}
	return d.swings
}

// swung is when a swing was taken: wheels, tyres and receiver ask for the same one.
type swung struct {
	at, last float64
	head     uint64
}

func (d *Driver) swingNow() r3.Vec {
	q, t := &d.IMU, d.Filter.T
	m := weighted{half: math.Min(swingHalf, q.Last.T-t)}
	if !(m.half >= swingLeast) {
		return r3.Vec{}
	}
	for way := -1.0; way < 2; way += 2 {
		m.begin(way)
		for i := uint64(0); m.at < m.half; i++ {
			k := q.head + i
			if way < 0 {
				k = q.head - i
			}
			s, from := &q.ring[k%imuRing], q.ring[(k-1)%imuRing].T
			if gap := s.T - from; !(gap > 0 && gap < d.set.IMU.Gap) {
				return r3.Vec{}
			}
			end := s.T - t
			if way < 0 {
				end = t - from
			}
			m.add(s.F, end)
		}
	}
	return r3.Scale(-1, m.mean())
}

// MeanVel returns the velocity of the body origin where the filter stands, without
// what vibration swings it by, m/s, ENU.
func (d *Driver) MeanVel() r3.Vec { return r3.Sub(d.BodyVel(), d.Filter.ToWorld(d.swing())) }

// weighted is the mean of a change of velocity about a time, of mean forces one after
// another on each side of it.
type weighted struct {
	half float64 // s on each side
	way  float64 // 1 forward in time, -1 backward
	at   float64 // s from the time
	c    r3.Vec  // m/s, change since the time

	sum, force     r3.Vec // of the change by weight; of the force by time
	weight, moment float64
}

func (m *weighted) begin(way float64) { m.way, m.at, m.c = way, 0, r3.Vec{} }

// add takes the mean force f (m/s²) from where the last ended to end s from the time.
func (m *weighted) add(f r3.Vec, end float64) {
	dt := math.Min(end, m.half) - m.at
	if !(dt > 0) {
		return
	}
	step := r3.Scale(m.way*dt, f)
	mid := m.at + dt/2
	w := dt * (1 + math.Cos(math.Pi*mid/m.half))
	m.sum = r3.Add(m.sum, r3.Scale(w, r3.Add(m.c, r3.Scale(0.5, step))))
	m.force = r3.Add(m.force, r3.Scale(dt, f))
	m.weight, m.moment = m.weight+w, m.moment+m.way*w*mid
	m.c, m.at = r3.Add(m.c, step), m.at+dt
}

// mean returns it without what a steady force makes of uneven pieces, m/s.
func (m *weighted) mean() r3.Vec {
	steady := r3.Scale(m.moment/(2*m.half), m.force)
	return r3.Scale(1/m.weight, r3.Sub(m.sum, steady))
}
