package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/hostclock"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
)

// clockSlack is how far records may arrive before their predecessors without
// meaning that the host clock was set back, s.
const clockSlack = 0.2

// farOff is how far off a record's time needs a second record to be believed, s.
const farOff = 5.0

// strayedMost is how many stamps of inertial or wheel samples in a row may be far
// from now before the host clock counts as set: 1 s at 200 Hz. Common practice, no
// source.
const strayedMost = 200

// place carries now forward and refuses what cannot be placed in time. A
// record that arrived well before its predecessor means that the host clock was
// set back; the monitor's own time goes on.
func (m *Monitor) place(in *Measurement) bool {
	t := in.T + m.shift
	if math.IsNaN(t) || math.IsInf(t, 0) {
		m.snap.Counts.Refused[in.Channel%nChannels]++
		return false
	}
	if !m.started {
		m.started = true
		m.now, m.lastLine, m.zero = t, t, t
		m.rcv.lastSeen = t
		m.memory.Start(t)
		m.tellTaken()
	}
	if far := math.Abs(t-m.now) > farOff; far && !(math.Abs(in.T-m.claim) < 1) {
		// One record may bear a damaged time; a second one that agrees is a clock.
		m.claim = in.T
		m.snap.Counts.Refused[in.Channel%nChannels]++
		return false
	}
	own := in.Kind == KindIMU || in.Kind == KindWheel // stamps of their own
	if in.Kind == KindIMU {
		t -= m.nav.StampShift()
	}
	switch {
	case own && math.Abs(t-m.now) > 1:
		if m.strayed++; m.strayed < strayedMost {
			m.snap.Counts.Refused[in.Channel%nChannels]++
			return false
		}
		// Nothing else speaks for the old time: the clock was set.
		m.stepClock(in.T, t)
	case (in.Channel == ChanCorrections || in.Channel == ChanObservations) && math.Abs(t-m.now) > 0.12:
		// The link alone does not set the time: its packets are too far apart,
		// and a tick comes every 0.1 s.
	case !own && t < m.now-clockSlack:
		m.stepClock(in.T, t)
	default:
		m.strayed = 0
		m.now = math.Max(m.now, t)
	}
	return true
}

func (m *Monitor) stepClock(host, t float64) {
	step := t - m.now
	if step < 0 {
		m.shift -= step
	} else {
		m.now = t
	}
	m.strayed = 0
	m.event(Event{T: host, End: math.NaN(), Kind: EventClock, Size: step, Where: m.where(),
		Detail: fmt.Sprintf("this computer's clock stepped by %+.3f s", step)})
	m.restart("host clock stepped")
}

// restart forgets everything that dead reckoning and the model of the clocks rest
// on; what is known of the receiver's honesty stays.
func (m *Monitor) restart(why string) {
	m.realign(why)
	m.clock = hostclock.Model{}
	m.nav.ResetBuffers()
	m.params.ClocksStepped()
}

// realign forgets what dead reckoning rests on, not the clocks.
func (m *Monitor) realign(why string) {
	if m.nav.Phase != navigation.Empty {
		m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventReinit, Size: math.NaN(), Where: m.where(),
			Detail: "alignment starts again: " + why})
	}
	m.nav.Phase = navigation.Empty
	m.rcv.prev.ok = false
	m.believe(&trust.Evidence{Kind: trust.Lost})
	m.tearPaths()
	m.coast.Reset()
}
