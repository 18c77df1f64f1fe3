// Package observation holds what a receiver measured of the satellites' signals
// in one epoch: code, phase, Doppler, C/N0, and whether the phase is
// continuous, by satellite and signal.
//
// Code in metres, phase in cycles, Doppler in Hz, C/N0 in dB-Hz. Signs are those
// of RINEX: phase grows with range, Doppler is positive for an approaching
// satellite (minus the rate of the phase). Times are GPS time as the receiver
// tagged them: its clock error is in the tag, the code and the phase alike, and
// nothing here takes it out. Start at [Epoch].
package observation

import (
	"math"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/satellite"
)

// Observation is one signal of one satellite. A value that was not observed is
// NaN.
type Observation struct {
	Sat    satellite.ID
	Signal satellite.Signal

	Hz      float64 // carrier frequency, 0 where it is not known (a GLONASS channel)
	Code    float64 // m, pseudorange
	Phase   float64 // cycles
	Doppler float64 // Hz
	CN0     float64 // dB-Hz

	// Lock is the least time in s for which the phase was tracked without a
	// slip, as the receiver reports it in steps (DF402, DF407); NaN where it
	// reports only slips (RINEX). Less than the time since the last epoch, or
	// less than before, means that the phase slipped.
	Lock float64
	// Slip is set where the source itself reports that the phase slipped since
	// the last epoch (bit 0 of the RINEX loss of lock indicator).
	Slip bool
	// HalfCycle is set while the receiver has not resolved the phase's half
	// cycle (DF420, bit 1 of the RINEX loss of lock indicator).
	HalfCycle bool
}

// Wavelength returns the carrier wavelength in m, NaN where it is not known.
func (o *Observation) Wavelength() float64 {
	if !(o.Hz > 0) {
		return math.NaN()
	}
	return satellite.SpeedOfLight / o.Hz
}

// Epoch is all that one receiver observed at one instant, over all systems.
type Epoch struct {
	Time    gnsstime.Time // the receiver's tag
	Station int           // reference station id (DF003), -1 where the source has none
	Obs     []Observation // by system, satellite and signal as they came
	// Complete is set when the receiver marked the end of the epoch; clear when
	// the next epoch began without it.
	Complete bool
}

// Find returns the observation of a satellite's signal, nil if there is none.
func (e *Epoch) Find(sat satellite.ID, sig satellite.Signal) *Observation {
	for i := range e.Obs {
		if e.Obs[i].Sat == sat && e.Obs[i].Signal == sig {
			return &e.Obs[i]
		}
	}
	return nil
}
