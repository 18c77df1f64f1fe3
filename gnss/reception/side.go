package reception

import (
	"math"
	"slices"

	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

const (
	settle      = 20.0 // s that a signal must have been seen until its C/N0 is usual
	usualTime   = 30.0 // s, time constant of what is usual
	fallLeast   = 4.0  // dB by which the middle one must fall
	fallLike    = 3.0  // dB within which the others fall alike, or
	fallShare   = 0.4  // this share of the fall
	fallMost    = 0.8  // share of the signals that must
	fallSignals = 6    // at least so many
	forget      = 60.0 // s unseen after which a signal begins anew
	fresh       = 2.5  // s within which a receiver's epoch counts as its present
	slipWindow  = 60.0 // s over which slips are counted
)

// signalState is one signal of one satellite at one receiver.
type signalState struct {
	first, last float64 // host Unix s
	usual       float64 // dB-Hz
	lock        float64 // s, as last reported
	half        bool
}

// bands are the slots of a satellite's signals: by band, one each.
const bands = 10

// side is what one receiver receives.
type side struct {
	signals [satellite.NumIndices][bands]signalState
	out     *Side
	falls   []float64 // dB, of the epoch at hand
	slips   [int(slipWindow)]uint16
	second  int64
}

// Side is what is known of one receiver's signals.
type Side struct {
	Last       float64 // host Unix s of its last epoch, NaN before
	Epochs     int
	Interval   float64 // s of its own time from epoch to epoch, usual
	Satellites int     // in the last epoch
	Signals    int
	CN0        float64                         // dB-Hz, mean of the last epoch on the first band
	Systems    [satellite.NSystems]int8        // satellites of each in the last epoch
	Bands      [satellite.NSystems][bands]bool // carriers seen so far, by RINEX band
	Dual       int                             // satellites of the last epoch on two carriers or more
	Doppler    bool                            // some observation had one
	Locks      bool                            // some observation had a lock time
	Phases     bool                            // some observation had a phase
	Half       float64                         // share of the phases whose half cycle is open, last epoch

	Fall      float64      // dB by which all C/N0 fell together, 0 while they did not
	FallSince float64      // host Unix s, NaN while they did not
	Falls     int          // how often so far
	Slips     int          // since the start
	SlipRate  float64      // a minute, of all signals, over the last minute
	SlipWorst satellite.ID // of the last minute's slips
}

func newSide(out *Side) *side {
	nan := math.NaN()
	*out = Side{Last: nan, Interval: nan, CN0: nan, FallSince: nan, Half: nan}
	return &side{out: out, second: math.MinInt64}
}

// epoch takes what the receiver observed; before is its epoch before, in its
// own time.
func (s *side) epoch(t float64, e *observation.Epoch, since float64) {
	o := s.out
	if since > 0 && since < 60 {
		if math.IsNaN(o.Interval) {
			o.Interval = since
		}
		o.Interval += 0.1 * (since - o.Interval)
	}
	dt := t - o.Last
	if !(dt > 0 && dt < 10) {
		dt = 0
	}
	o.Last, o.Signals, o.Satellites, o.Dual = t, len(e.Obs), 0, 0
	o.Epochs++
	o.Systems = [satellite.NSystems]int8{}
	s.advance(t)
	s.falls = s.falls[:0]
	phases, half, first, sum := 0, 0, 0, 0.0
	for i := range e.Obs {
		q := &e.Obs[i]
		if !q.Sat.Valid() || q.Signal.Band < '0' || q.Signal.Band > '9' {
			continue
		}
		st := &s.signals[q.Sat.Index()][q.Signal.Band-'0']
		if i == 0 || e.Obs[i-1].Sat != q.Sat {
			o.Satellites++
			o.Systems[q.Sat.System]++
			if q.CN0 > 0 {
				first++
				sum += q.CN0
			}
		} else if q.Signal.Band != e.Obs[i-1].Signal.Band && (i == 1 || e.Obs[i-2].Sat != q.Sat) {
			o.Dual++
		}
		o.Bands[q.Sat.System][q.Signal.Band-'0'] = true
		o.Doppler = o.Doppler || !math.IsNaN(q.Doppler)
		o.Locks = o.Locks || !math.IsNaN(q.Lock)
		if !math.IsNaN(q.Phase) {
			o.Phases = true
			phases++
			if q.HalfCycle {
				half++
			}
		}
		s.signal(st, t, q)
	}
	o.CN0, o.Half = math.NaN(), math.NaN()
	if first > 0 {
		o.CN0 = sum / float64(first)
	}
	if phases > 0 {
		o.Half = float64(half) / float64(phases)
	}
	s.together(t)
	s.learn(t, dt, e)
}

// signal follows one signal.
func (s *side) signal(st *signalState, t float64, q *observation.Observation) {
	if !(t-st.last < forget) || st.first == 0 {
		*st = signalState{first: t, last: t, usual: q.CN0, lock: q.Lock}
		return
	}
	// A lock that is shorter than before slipped: indicators only grow while it
	// holds. A pause of the signal is a new lock as well.
	if q.Slip || q.Lock < st.lock {
		s.out.Slips++
		s.slips[s.second%int64(len(s.slips))]++
		s.out.SlipWorst = q.Sat
	}
	if t-st.first >= settle && q.CN0 > 0 && st.usual > 0 {
		s.falls = append(s.falls, st.usual-q.CN0)
	}
	st.last, st.lock, st.half = t, q.Lock, q.HalfCycle
}

// together decides whether all signals fell by a like amount.
func (s *side) together(t float64) {
	o := s.out
	fall := 0.0
	if n := len(s.falls); n >= fallSignals {
		slices.Sort(s.falls)
		mid := s.falls[n/2]
		like := 0
		for _, f := range s.falls {
			if math.Abs(f-mid) <= math.Max(fallLike, fallShare*mid) {
				like++
			}
		}
		if mid >= fallLeast && float64(like) >= fallMost*float64(n) {
			fall = mid
		}
	}
	switch {
	case fall == 0:
		o.FallSince = math.NaN()
	case math.IsNaN(o.FallSince):
		o.FallSince = t
		o.Falls++
	}
	o.Fall = fall
}

// learn brings what is usual up to date, not while signals are down.
func (s *side) learn(t, dt float64, e *observation.Epoch) {
	if n := len(s.falls); n >= fallSignals && s.falls[n/2] > fallLeast/2 {
		return
	}
	k := 1 - math.Exp(-dt/usualTime)
	for i := range e.Obs {
		q := &e.Obs[i]
		if !q.Sat.Valid() || q.Signal.Band < '0' || q.Signal.Band > '9' || !(q.CN0 > 0) {
			continue
		}
		st := &s.signals[q.Sat.Index()][q.Signal.Band-'0']
		if !(st.usual > 0) {
			st.usual = q.CN0
		}
		st.usual += k * (q.CN0 - st.usual)
	}
}

// advance moves the window of slips on.
func (s *side) advance(t float64) {
	now := int64(math.Floor(t))
	if s.second == math.MinInt64 || now < s.second || now-s.second > int64(len(s.slips)) {
		s.slips = [int(slipWindow)]uint16{}
		s.second = now
	}
	for s.second < now {
		s.second++
		s.slips[s.second%int64(len(s.slips))] = 0
	}
	n := 0
	for _, k := range s.slips {
		n += int(k)
	}
	s.out.SlipRate = float64(n)
}

// seen reports whether a satellite was observed within the last s seconds
// before t.
func (s *side) seen(index int, t, within float64) bool {
	for b := range s.signals[index] {
		if st := &s.signals[index][b]; st.first != 0 && t-st.last <= within {
			return true
		}
	}
	return false
}

// since returns for how long a satellite is observed without a pause.
func (s *side) since(index int, t float64) (long float64) {
	for b := range s.signals[index] {
		if st := &s.signals[index][b]; st.first != 0 && t-st.last <= fresh {
			long = math.Max(long, t-st.first)
		}
	}
	return long
}
