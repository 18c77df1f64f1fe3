package tune

import (
	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rtcm"
)

// Tape holds a decoded recording compactly, so that it is decoded once and
// played any number of times, by several goroutines at once.
type Tape struct {
	kinds  []fusion.Kind
	times  []float64 // s, of every measurement
	imu    [][6]float64
	wheel  []float64
	epochs []gnss.Epoch
	frames []rtcm.Message
	seen   []observed
	sets   []orbit.Ephemeris
	others []other
}

// observed is what rover or base observed in an epoch.
type observed struct {
	channel fusion.Channel
	epoch   observation.Epoch
}

// other is a measurement of the rarer kinds.
type other struct {
	channel fusion.Channel
	reason  uint8
	n       int32
	note    string
}

// Add appends a copy of m.
func (tp *Tape) Add(m *fusion.Measurement) {
	switch m.Kind {
	case fusion.KindTick:
	case fusion.KindIMU:
		tp.imu = append(tp.imu, [6]float64{m.W[0], m.W[1], m.W[2], m.F[0], m.F[1], m.F[2]})
	case fusion.KindWheel:
		tp.wheel = append(tp.wheel, m.V)
	case fusion.KindEpoch:
		tp.epochs = append(tp.epochs, *m.Epoch)
	case fusion.KindFrame:
		tp.frames = append(tp.frames, *m.Frame)
	case fusion.KindObservation:
		e := *m.Observed
		e.Obs = append([]observation.Observation(nil), e.Obs...)
		tp.seen = append(tp.seen, observed{m.Channel, e})
	case fusion.KindEphemeris:
		tp.sets = append(tp.sets, *m.Ephemeris)
	default:
		tp.others = append(tp.others, other{m.Channel, m.Reason, m.N, m.Note})
	}
	tp.kinds = append(tp.kinds, m.Kind)
	tp.times = append(tp.times, m.T)
}

// Len returns the number of measurements.
func (tp *Tape) Len() int { return len(tp.kinds) }

// Span returns the host times of the first and last measurement, Unix s.
func (tp *Tape) Span() (from, to float64) {
	if len(tp.times) == 0 {
		return 0, 0
	}
	return tp.times[0], tp.times[len(tp.times)-1]
}

// Each calls f with every measurement in order; each is valid during the call
// and must not be changed.
func (tp *Tape) Each(f func(*fusion.Measurement)) {
	var imu, wheel, epochs, frames, seen, sets, others int
	var m fusion.Measurement
	for i, k := range tp.kinds {
		m = fusion.Measurement{T: tp.times[i], Kind: k}
		switch k {
		case fusion.KindTick:
			m.Channel = fusion.ChanTick
		case fusion.KindIMU:
			x := &tp.imu[imu]
			imu++
			m.Channel = fusion.ChanIMU
			m.W, m.F = [3]float64{x[0], x[1], x[2]}, [3]float64{x[3], x[4], x[5]}
		case fusion.KindWheel:
			m.Channel, m.V = fusion.ChanWheel, tp.wheel[wheel]
			wheel++
		case fusion.KindEpoch:
			m.Channel, m.Epoch = fusion.ChanNMEA, &tp.epochs[epochs]
			epochs++
		case fusion.KindFrame:
			m.Channel, m.Frame = fusion.ChanCorrections, &tp.frames[frames]
			frames++
		case fusion.KindObservation:
			m.Channel, m.Observed = tp.seen[seen].channel, &tp.seen[seen].epoch
			seen++
		case fusion.KindEphemeris:
			m.Channel, m.Ephemeris = fusion.ChanObservations, &tp.sets[sets]
			sets++
		default:
			o := &tp.others[others]
			others++
			m.Channel, m.Reason, m.N, m.Note = o.channel, o.reason, o.n, o.note
		}
		f(&m)
	}
}
