package fusion

import (
	"fmt"
	"math"

	"kerbline/gnss/reception"
)

// receiving is what rover and base receive, once anything was heard of it.
type receiving struct {
	*reception.Watch
	fell, elsewhere bool // an event was made of it, until it is over
}

// fallTold is how long all C/N0 must be down together before it is an event, s.
const fallTold = 1.0

// Receive gives w what the measurement says of the reception, and reports
// whether it says anything.
func (in *Measurement) Receive(t float64, w *reception.Watch) bool {
	link := in.Channel == ChanCorrections
	switch in.Kind {
	case KindRoverFrame:
		w.Frame(in.Frame)
	case KindEphemeris:
		w.Ephemeris(in.Ephemeris, link)
	case KindObservation:
		if link {
			w.Base(t, in.Observed)
		} else {
			w.Rover(t, in.Observed)
		}
	default:
		return false
	}
	return true
}

// onReception takes what was heard on the rover's own port, and what the base
// observes.
func (m *Monitor) onReception(in *Measurement) {
	r := &m.recv
	if r.Watch == nil {
		r.Watch = reception.New()
		m.snap.Reception = r.State()
	}
	in.Receive(m.now, r.Watch)
	if in.Kind == KindObservation && in.Channel != ChanCorrections {
		dB, base, heard := r.State().Interference()
		m.link.Signals(m.now, dB, base, heard)
		m.tellFall(dB, base, heard)
	}
	if st := r.State(); st.Elsewhere() != r.elsewhere {
		if r.elsewhere = st.Elsewhere(); r.elsewhere {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventBaseElsewhere, Size: st.BaseOff, Where: m.where(),
				Detail: fmt.Sprintf("the base broadcasts coordinates %.0f m from where its own observations place it (mean of %d positions, %v)", st.BaseOff, st.BasePlaces, st.BaseModel)})
		}
	}
}

// tellFall makes an event of a fall of all C/N0 that lasts.
func (m *Monitor) tellFall(dB float64, base, heard bool) {
	since := m.recv.State().Rover.FallSince
	if dB == 0 {
		m.recv.fell = false
		return
	}
	if m.recv.fell || m.now-since < fallTold {
		return
	}
	m.recv.fell = true
	where := "the base was not heard"
	switch {
	case base:
		where = "the base sees it too"
	case heard:
		where = "the base does not see it: the source is near the car"
	}
	m.event(Event{T: m.host(since), End: math.NaN(), Kind: EventInterference, Size: dB, Where: m.where(),
		Detail: fmt.Sprintf("the C/N0 of all satellites fell together by %.0f dB; %s", dB, where)})
}
