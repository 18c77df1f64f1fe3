// Package sky makes observations whose truth is known, for the tests of what uses
// carrier phases: satellites on plain orbits, receivers anywhere, and noise, clocks
// and slips only where a test asks for them. What it computes is the
// interface documents' model by way of the true time of transmission, not by way of
// the receiver's codes as the code under test does.
//
// Metres, cycles, seconds; positions Earth-fixed; times GPS time. It draws no
// number without a seed. Start at [New].
package sky

import (
	"math"
	"math/rand/v2"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// carriers are the signals that a satellite of each system sends here.
var carriers = map[satellite.System][]satellite.Signal{
	satellite.GPS:     {{Band: '1', Attribute: 'C'}, {Band: '5', Attribute: 'Q'}},
	satellite.Galileo: {{Band: '1', Attribute: 'C'}, {Band: '5', Attribute: 'Q'}},
	satellite.GLONASS: {{Band: '1', Attribute: 'C'}, {Band: '2', Attribute: 'C'}},
}

// Sky is the satellites.
type Sky struct {
	Orbits orbit.Store
	Start  gnsstime.Time
	rand   *rand.Rand
	sats   []satellite.ID
}

// New makes the satellites of GPS and Galileo that a place sees over 12 degrees.
func New(seed uint64, place geodesy.ECEF) *Sky {
	s := &Sky{Start: gnsstime.Time{Week: 2400, TOW: 345_600}, rand: rand.New(rand.NewPCG(seed, 0))}
	for _, c := range []struct {
		system satellite.System
		axis   float64 // sqrt of the semi-major axis
		planes int
		per    int
		tilt   float64
	}{{satellite.GPS, 5153.7, 6, 5, 55}, {satellite.Galileo, 5440.6, 3, 9, 56}} {
		for k := range c.planes * c.per {
			plane, slot := k%c.planes, k/c.planes
			e := orbit.Ephemeris{Sat: satellite.ID{System: c.system, Number: uint8(k + 1)}, Toe: s.Start.Add(600), Toc: s.Start.Add(600),
				Af0: 1e-4 * s.rand.NormFloat64(), Af1: 1e-11 * s.rand.NormFloat64(), Week: s.Start.Week, Source: orbit.INAV}
			if c.system == satellite.GPS {
				e.Source = orbit.Legacy
			}
			e.Kepler = orbit.Kepler{SqrtA: c.axis, Ecc: 0.01 * s.rand.Float64(), I0: c.tilt * math.Pi / 180,
				Omega0: 2*math.Pi*float64(plane)/float64(c.planes) + 0.1*s.rand.NormFloat64(), Omega: 6 * s.rand.Float64(),
				M0: 2 * math.Pi * (float64(slot)/float64(c.per) + 0.1*s.rand.NormFloat64()), OmegaDot: -8e-9}
			s.add(e, place)
		}
	}
	return s
}

func (s *Sky) add(e orbit.Ephemeris, place geodesy.ECEF) {
	p := e.At(s.Start.Add(300)).Pos
	f := geodesy.NewFrame(place.LLA())
	d := f.FromECEF(p)
	if d.U/math.Sqrt(d.E*d.E+d.N*d.N+d.U*d.U) < math.Sin(12*math.Pi/180) {
		return
	}
	s.Orbits.Add(&e)
	s.sats = append(s.sats, e.Sat)
}

// Satellites returns those in view.
func (s *Sky) Satellites() []satellite.ID { return s.sats }

// Receiver is one that observes the sky.
type Receiver struct {
	Clock  float64 // s, its time less GPS time
	Code   float64 // m, noise at the zenith
	Phase  float64 // m, noise at the zenith
	Zenith float64 // m, the troposphere at the zenith, mapped as one over the sine
	// Extra is what a satellite's range is longer by at a time, m: a clock, an
	// ionosphere on L1 (the phase then is shorter).
	Clocks func(satellite.ID, gnsstime.Time) float64
	Iono   func(satellite.ID, gnsstime.Time) float64

	ambiguity map[key]float64 // cycles
	since     map[key]gnsstime.Time
	rand      *rand.Rand
}

type key struct {
	sat satellite.ID
	sig satellite.Signal
}

// NewReceiver makes one with whole numbers of its own.
func NewReceiver(seed uint64) *Receiver {
	return &Receiver{ambiguity: map[key]float64{}, since: map[key]gnsstime.Time{}, rand: rand.New(rand.NewPCG(seed, 1))}
}

// Slip moves the phase of a signal by some cycles. told resets its lock time.
func (r *Receiver) Slip(sat satellite.ID, sig satellite.Signal, cycles float64, told bool) {
	r.ambiguity[key{sat, sig}] += cycles
	if told {
		delete(r.since, key{sat, sig})
	}
}

// Whole returns the cycles that a signal's phase is ahead of its range.
func (r *Receiver) Whole(sat satellite.ID, sig satellite.Signal) float64 {
	return r.ambiguity[key{sat, sig}]
}

// Observe returns what the receiver observes at a true time from a place.
func (s *Sky) Observe(r *Receiver, t gnsstime.Time, place geodesy.ECEF) *observation.Epoch {
	e := &observation.Epoch{Time: t.Add(r.Clock), Complete: true}
	f := geodesy.NewFrame(place.LLA())
	for _, sat := range s.sats {
		eph := &s.Orbits.Sets(sat)[0]
		travel := 0.075
		var st orbit.State
		var pos geodesy.ECEF
		for range 5 {
			st = eph.At(t.Add(-travel))
			pos = orbit.Rotate(st.Pos, travel)
			travel = pos.Dist(place) / satellite.SpeedOfLight
		}
		d := f.RotateToENU(pos.X-place.X, pos.Y-place.Y, pos.Z-place.Z)
		sin := d.U / pos.Dist(place)
		rng := travel*satellite.SpeedOfLight + satellite.SpeedOfLight*(r.Clock-st.Clock) + r.Zenith/math.Sqrt(sin*sin+0.002)
		iono := 0.0
		if r.Clocks != nil {
			rng += r.Clocks(sat, t)
		}
		if r.Iono != nil {
			iono = r.Iono(sat, t)
		}
		for _, sig := range carriers[sat.System] {
			k := key{sat, sig}
			if _, ok := r.ambiguity[k]; !ok {
				r.ambiguity[k] = math.Round(1e6 * r.rand.Float64())
			}
			if _, ok := r.since[k]; !ok {
				r.since[k] = t
			}
			hz := sat.System.Frequency(sig, satellite.NoChannel)
			ratio := 1575.42e6 / hz
			e.Obs = append(e.Obs, observation.Observation{
				Sat: sat, Signal: sig, Hz: hz,
				Code:    rng + iono*ratio*ratio + r.Code/sin*r.rand.NormFloat64(),
				Phase:   (rng-iono*ratio*ratio+r.Phase/sin*r.rand.NormFloat64())*hz/satellite.SpeedOfLight + r.ambiguity[k],
				Doppler: math.NaN(), CN0: 45, Lock: t.Sub(r.since[k]),
			})
		}
	}
	return e
}
