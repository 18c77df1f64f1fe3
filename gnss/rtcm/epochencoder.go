package rtcm

import (
	"math"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// EpochEncoder writes the epochs of one receiver, from whatever source, as MSM7.
// What a message cannot hold is moved in a way that leaves the observations what
// they are: a tag between milliseconds to the nearest one, with code and phase by the
// same time; a phase far from its code by whole cycles, the same ones as long as the
// phase goes on. Lock times are counted where the source reports slips alone.
// The zero value is ready.
type EpochEncoder struct {
	Station int
	Dropped int // observations that no message holds

	msg   Observables
	epoch observation.Epoch
	sys   observation.Epoch // of one system, so many satellites as a message holds
	arcs  map[arc]*arcState
	last  gnsstime.Time
	usual float64 // s between epochs, the least of late
}

type arc struct {
	sat satellite.ID
	sig satellite.Signal
}

// arcState is what is kept of one phase.
type arcState struct {
	since, seen gnsstime.Time
	whole       float64 // cycles by which the phase is moved
}

const (
	// reach is how far a phase may be from the rough range of its satellite, m: half
	// of what the field holds, the other half is left to the ionosphere and to the
	// other signals of the satellite.
	reach = 500.0
	// maxPairs is how many satellite-signal pairs a mask holds.
	maxPairs = 64
	// pause, in times of the spacing, ends an arc.
	pause = 1.5
)

// msmSystems are those with messages of their own, in the order of their numbers.
var msmSystems = [...]System{GPS, GLONASS, Galileo, SBAS, QZSS, BeiDou}

// Append appends the frames of an epoch to dst.
func (w *EpochEncoder) Append(dst []byte, e *observation.Epoch) []byte {
	w.prepare(e)
	var parts [][2]int // ranges of w.epoch.Obs: one message each
	from := 0
	for from < len(w.epoch.Obs) {
		to := w.fits(from)
		parts = append(parts, [2]int{from, to})
		from = to
	}
	for i, p := range parts {
		w.sys = observation.Epoch{Time: w.epoch.Time, Station: w.Station, Obs: w.epoch.Obs[p[0]:p[1]]}
		sys := w.sys.Obs[0].Sat.System
		err := w.msg.Fill(&w.sys, sys, 7, i < len(parts)-1)
		if err == nil && w.msg.NCells > 0 {
			var frame []byte
			if frame, err = w.msg.Encode(); err == nil {
				dst = append(dst, frame...)
			}
		}
		if err != nil {
			w.Dropped += p[1] - p[0]
		}
	}
	return dst
}

// fits returns where the message ends that begins with observation from: at another
// system, or where its mask would be too wide.
func (w *EpochEncoder) fits(from int) int {
	obs := w.epoch.Obs
	var mask uint64
	sats, signals, to := 0, 0, from
	for to < len(obs) && obs[to].Sat.System == obs[from].Sat.System {
		end, m, n := to, mask, signals
		for end < len(obs) && obs[end].Sat == obs[to].Sat {
			if b := uint64(1) << signalID(obs[end].Sat.System, obs[end].Signal); m&b == 0 {
				m |= b
				n++
			}
			end++
		}
		if sats > 0 && (sats+1)*n > maxPairs {
			return to
		}
		to, mask, signals = end, m, n
		sats++
	}
	return to
}

// prepare sorts what messages can hold of e by system, and moves it.
func (w *EpochEncoder) prepare(e *observation.Epoch) {
	if w.arcs == nil {
		w.arcs = map[arc]*arcState{}
	}
	dt := e.Time.Sub(w.last)
	if dt > 0 && (w.usual == 0 || dt < w.usual) {
		w.usual = dt
	}
	w.last = e.Time
	tag := e.Time
	tag.TOW = math.Round(tag.TOW*1000) / 1000
	shift := tag.Sub(e.Time) // s
	w.epoch.Time, w.epoch.Obs = tag.Add(0), w.epoch.Obs[:0]
	for _, sys := range msmSystems {
		for i := range e.Obs {
			o := &e.Obs[i]
			if o.Sat.System != sys {
				continue
			}
			if !o.Sat.Valid() || signalID(sys, o.Signal) == 0 || !(o.Code > 0) || !(o.Hz > 0) {
				w.Dropped++
				continue
			}
			w.epoch.Obs = append(w.epoch.Obs, w.moved(o, e.Time, shift))
		}
	}
	for i := range e.Obs {
		if s := e.Obs[i].Sat.System; s == satellite.NavIC || s >= satellite.NSystems {
			w.Dropped++
		}
	}
}

// moved is one observation as a message can hold it.
func (w *EpochEncoder) moved(o *observation.Observation, t gnsstime.Time, shift float64) observation.Observation {
	q := *o
	q.Code += shift * satellite.SpeedOfLight
	q.Phase += shift * q.Hz
	if !(math.Abs(q.Phase) < 1e12) { // none, or no number
		q.Phase = math.NaN()
		delete(w.arcs, arc{q.Sat, q.Signal})
		q.Lock = 0
		return q
	}
	k := arc{q.Sat, q.Signal}
	a := w.arcs[k]
	off := func(whole float64) float64 { return (q.Phase+whole)*q.Wavelength() - q.Code }
	if a == nil || q.Slip || t.Sub(a.seen) > pause*w.usual || math.Abs(off(a.whole)) > reach {
		a = &arcState{since: t, whole: -math.Round(off(0) / q.Wavelength())}
		w.arcs[k] = a
	}
	a.seen = t
	q.Phase += a.whole
	if math.IsNaN(q.Lock) {
		q.Lock = t.Sub(a.since)
	}
	return q
}
