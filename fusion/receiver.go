package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
)

// receiver is what is known of the rover receiver.
type receiver struct {
	last     gnss.Epoch
	lastSeen float64 // host s at which the last epoch was complete
	n        uint64
	period   float64 // s, usual
	late     bool    // the last epoch came too late: one event a run of them
	precise  bool    // the last epoch was fixed or float
	class    navigation.Class
	quality  gnss.Quality

	same int // epochs in a row with the very same position

	prev antennaFix // the epoch before, for the jump test

	ahead float64 // s, by which the last epoch's time is after its arrival
}

// antennaFix is one epoch's antenna position beside the filter's.
type antennaFix struct {
	ok     bool
	height bool    // its height is known
	t      float64 // host s of validity
	lag    float64 // s, arrival less UTC
	class  navigation.Class
	z      r3.Vec  // m, ENU, reported
	post   r3.Vec  // m, ENU, the filter's, after its update
	vel    r3.Vec  // m/s, ENU
	lat    float64 // s, the latency by which it was placed in time
	white  [3]float64
	said   [3]float64
	used   bool           // the filter took it
	left   integrity.Sym3 // m², covariance of z less post, as the filter has it, where it did
}

const (
	// frozenSpeed is the speed from which no two positions are the very same, m/s:
	// at 25 Hz and 5 decimals of a minute it is several digits.
	frozenSpeed = 2.0
	// frozenEpochs is how many in a row that are make a frozen receiver.
	frozenEpochs = 3
)

// frozen reports whether the receiver repeats a position while the car moves.
func (r *receiver) frozen() bool { return r.same >= frozenEpochs-1 }

func (r *receiver) reset() {
	*r = receiver{lastSeen: math.NaN(), quality: gnss.QualityUnknown}
	r.last = blankEpoch()
}

// watchSilence notices a silent receiver.
func (m *Monitor) watchSilence() {
	if m.rcv.n > 0 && m.now-m.rcv.lastSeen > m.silence() {
		m.believe(&trust.Evidence{Kind: trust.Silence})
	}
}

// silence returns after how many seconds without an epoch the receiver is
// silent: the configured limit, or two and a half periods of a slow receiver.
func (m *Monitor) silence() float64 {
	return math.Max(m.cfg.GNSS.Silence, 2.5*m.rcv.period)
}

// closeGap makes an event of a receiver that is silent at the end.
func (m *Monitor) closeGap() {
	r := &m.rcv
	if r.n > 0 && m.now-r.lastSeen > math.Max(1, m.silence()) {
		m.event(Event{T: m.host(r.lastSeen), End: m.host(m.now), Kind: EventReceiver, Size: m.now - r.lastSeen,
			Where: m.where(), Detail: "no epoch from the receiver until the end"})
	}
}

// notice takes the bookkeeping of one epoch: gap, rate, quality.
func (m *Monitor) notice(e *gnss.Epoch) {
	r := &m.rcv
	if r.n > 0 {
		gap := m.now - r.lastSeen
		// The usual interval: the shortest seen, raised again by later ones.
		if d := e.UTC - r.last.UTC; d > 0 && d <= 2 {
			if r.period == 0 || d < r.period {
				r.period = d
			}
			r.period += 0.1 * (d - r.period)
		}
		if gap > m.silence() {
			m.event(Event{T: m.host(r.lastSeen), End: m.host(m.now), Kind: EventReceiver, Size: gap,
				Where: m.where(), Detail: "no epoch from the receiver"})
			m.believe(&trust.Evidence{Kind: trust.Silence})
			m.afterHole(e, gap)
		}
		if e.Quality != r.quality {
			m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventQuality, Cause: e.Quality.String(), Size: math.NaN(),
				Where: m.where(), Detail: fmt.Sprintf("fix quality %s -> %s", r.quality, e.Quality)})
		}
	}
	if r.same++; !e.HasPos || e.Pos != r.last.Pos || m.nav.Phase != navigation.Aligned || m.nav.Filter.Forward() < frozenSpeed {
		r.same = 0
	}
	r.n++
	r.lastSeen = m.now
	r.quality = e.Quality
	r.precise = e.Quality == gnss.QualityFixed || e.Quality == gnss.QualityFloat
	r.last = *e
	if !math.IsNaN(e.Speed) {
		m.nav.Heard(m.now, e.Speed, r.precise)
	}
}

// holeLeast is how long all inputs must have been silent for the base to be asked for
// again, s: a tripod is not carried elsewhere in less. Common practice, no source.
const holeLeast = 5.0

// afterHole asks for the base again where an epoch that comes after a gap, s, ends a
// silence of all inputs: a computer that slept, a damaged stretch of a recording. A
// clock that was set is none: the receiver's went on.
func (m *Monitor) afterHole(e *gnss.Epoch, gap float64) {
	q := &m.nav.IMU
	silent := q.N == 0 || m.now-q.Last.T >= holeLeast || q.GapLength >= holeLeast && m.now-q.GapEnd < gap
	if gap >= holeLeast && e.UTC-m.rcv.last.UTC >= holeLeast && silent {
		m.link.Hole(m.now, holeLeast)
	}
}
