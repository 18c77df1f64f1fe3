package rtcm

import (
	"math"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// Epochs joins the MSM of one receiver to epochs: the messages of all systems
// that name the same instant. The zero value is ready; it allocates only while
// its lists grow.
//
// An epoch is handed on when a message says that no further one follows
// (DF393), or when one of another instant or station arrives. A receiver whose
// messages say so too early is found out by the next message, and from then on
// only the change of the instant counts.
type Epochs struct {
	Counts EpochCounts

	msg      Observables
	epoch    observation.Epoch
	open     bool
	last     gnsstime.Time // the epoch handed on before, with its station
	lastAt   int
	early    bool     // messages do not mark the end of an epoch reliably
	systems  uint8    // bit by system: in the open epoch already
	channels [25]int8 // GLONASS channel + 8 by slot, 0 unknown
}

// EpochCounts says what became of the messages.
type EpochCounts struct {
	Epochs, Messages int
	Refused          int // messages that do not decode
	Unnamed          int // observations of a signal id that RINEX does not name
	Repeated         int // observations that the epoch had already
}

// SetChannel sets the frequency channel, -7 to 13, of a GLONASS slot: messages
// 1 to 4 and 6 do not hold it.
func (j *Epochs) SetChannel(slot, channel int) {
	if slot > 0 && slot < len(j.channels) && channel >= -7 && channel <= 13 {
		j.channels[slot] = int8(channel + 8)
	}
}

func (j *Epochs) channel(slot int) int {
	if slot > 0 && slot < len(j.channels) && j.channels[slot] != 0 {
		return int(j.channels[slot]) - 8
	}
	return satellite.NoChannel
}

// Push reads one whole frame with an MSM; near is right to half a week. emit
// gets each epoch, valid during the call. An error says why the message was
// refused; it is counted, and the epoch goes on without it.
func (j *Epochs) Push(frame []byte, near gnsstime.Time, emit func(*observation.Epoch)) error {
	if err := j.msg.Decode(frame); err != nil {
		j.Counts.Refused++
		return err
	}
	j.Counts.Messages++
	at := j.msg.Time(near)
	if j.open && !j.same(at, j.epoch.Time, j.epoch.Station) {
		j.Flush(emit)
	}
	if !j.open {
		if j.same(at, j.last, j.lastAt) {
			j.early = true
		}
		j.epoch = observation.Epoch{Time: at, Station: j.msg.Station, Obs: j.epoch.Obs[:0]}
		j.open, j.systems = true, 0
	}
	j.add()
	if !j.msg.More && !j.early {
		j.epoch.Complete = true
		j.Flush(emit)
	}
	return nil
}

// same reports whether a message of the station at hand at belongs to an epoch.
func (j *Epochs) same(at, t gnsstime.Time, station int) bool {
	return j.msg.Station == station && !t.IsZero() && math.Abs(at.Sub(t)) < 5e-4
}

// add appends the message at hand to the open epoch.
func (j *Epochs) add() {
	before := len(j.epoch.Obs)
	var unnamed int
	j.epoch.Obs, unnamed = j.msg.AppendTo(j.epoch.Obs, j.channel)
	j.Counts.Unnamed += unnamed
	bit := uint8(1) << j.msg.System
	if j.systems&bit != 0 {
		j.dropRepeated(before)
	}
	j.systems |= bit
}

// dropRepeated takes out what was added from index from on though the epoch has
// it: some streams send the same observations as two types.
func (j *Epochs) dropRepeated(from int) {
	all := j.epoch.Obs
	kept := from
	for i := from; i < len(all); i++ {
		repeated := false
		for k := range all[:from] {
			if all[k].Sat == all[i].Sat && all[k].Signal == all[i].Signal {
				repeated = true
				break
			}
		}
		if repeated {
			j.Counts.Repeated++
			continue
		}
		all[kept] = all[i]
		kept++
	}
	j.epoch.Obs = all[:kept]
}

// Flush hands on the epoch that waits for further messages.
func (j *Epochs) Flush(emit func(*observation.Epoch)) {
	if !j.open {
		return
	}
	j.open = false
	j.last, j.lastAt = j.epoch.Time, j.epoch.Station
	j.Counts.Epochs++
	if emit != nil {
		emit(&j.epoch)
	}
}
