package tune

import (
	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rtcm"
)

// Decoded holds a decoded recording compactly, so that it is decoded once and
// played any number of times, by several goroutines at once.
type Decoded struct {
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
func (d *Decoded) Add(m *fusion.Measurement) {
	switch m.Kind {
	case fusion.KindTick:
	case fusion.KindIMU:
		d.imu = append(d.imu, [6]float64{m.W[0], m.W[1], m.W[2], m.F[0], m.F[1], m.F[2]})
	case fusion.KindWheel:
		d.wheel = append(d.wheel, m.V)
	case fusion.KindEpoch:
		d.epochs = append(d.epochs, *m.Epoch)
	case fusion.KindFrame:
		d.frames = append(d.frames, *m.Frame)
	case fusion.KindObservation:
		e := *m.Observed
		e.Obs = append([]observation.Observation(nil), e.Obs...)
		d.seen = append(d.seen, observed{m.Channel, e})
	case fusion.KindEphemeris:
		d.sets = append(d.sets, *m.Ephemeris)
	default:
		d.others = append(d.others, other{m.Channel, m.Reason, m.N, m.Note})
	}
	d.kinds = append(d.kinds, m.Kind)
	d.times = append(d.times, m.T)
}

// Len returns the number of measurements.
func (d *Decoded) Len() int { return len(d.kinds) }

// Span returns the host times of the first and last measurement, Unix s.
func (d *Decoded) Span() (from, to float64) {
	if len(d.times) == 0 {
		return 0, 0
	}
	return d.times[0], d.times[len(d.times)-1]
}

// Each calls f with every measurement in order; each is valid during the call
// and must not be changed.
func (d *Decoded) Each(f func(*fusion.Measurement)) {
	var imu, wheel, epochs, frames, seen, sets, others int
	var m fusion.Measurement
	for i, k := range d.kinds {
		m = fusion.Measurement{T: d.times[i], Kind: k}
		switch k {
		case fusion.KindTick:
			m.Channel = fusion.ChanTick
		case fusion.KindIMU:
			x := &d.imu[imu]
			imu++
			m.Channel = fusion.ChanIMU
			m.W, m.F = [3]float64{x[0], x[1], x[2]}, [3]float64{x[3], x[4], x[5]}
		case fusion.KindWheel:
			m.Channel, m.V = fusion.ChanWheel, d.wheel[wheel]
			wheel++
		case fusion.KindEpoch:
			m.Channel, m.Epoch = fusion.ChanNMEA, &d.epochs[epochs]
			epochs++
		case fusion.KindFrame:
			m.Channel, m.Frame = fusion.ChanCorrections, &d.frames[frames]
			frames++
		case fusion.KindObservation:
			m.Channel, m.Observed = d.seen[seen].channel, &d.seen[seen].epoch
			seen++
		case fusion.KindEphemeris:
			m.Channel, m.Ephemeris = fusion.ChanObservations, &d.sets[sets]
			sets++
		default:
			o := &d.others[others]
			others++
			m.Channel, m.Reason, m.N, m.Note = o.channel, o.reason, o.n, o.note
		}
		f(&m)
	}
}
