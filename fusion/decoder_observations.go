package fusion

import (
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/rtcm"
)

// observed turns the RTCM frames of one receiver into epochs of observations
// and ephemerides: the rover's own port, or the base's in the corrections.
type observed struct {
	ch    Channel
	on    bool // the base's are read once ephemerides or the rover's observations are heard
	join  rtcm.Epochs
	set   rtcm.Ephemeris
	near  gnsstime.Time // of the newest epoch, zero before
	emit  func(*observation.Epoch)
	epoch Measurement
	eph   Measurement
}

func newObserved(d *Decoder, ch Channel) *observed {
	o := &observed{ch: ch, epoch: Measurement{Kind: KindObservation, Channel: ch}, eph: Measurement{Kind: KindEphemeris, Channel: ch}}
	o.emit = func(e *observation.Epoch) {
		o.near = e.Time
		o.epoch.T, o.epoch.Observed = d.t, e
		d.emit(&o.epoch)
	}
	return o
}

// frame reads one frame that passed its CRC. What does not decode is refused.
func (o *observed) frame(d *Decoder, m *rtcm.Message, raw []byte) {
	near := o.near
	if near.IsZero() {
		near = gnsstime.AtUTC(d.t)
	}
	var err error
	switch {
	case m.MSM > 0 && o.on:
		err = o.join.Push(raw, near, o.emit)
	case rtcm.IsEphemeris(m.Number):
		o.on = true
		if err = o.set.Decode(raw, near); err != nil {
			break
		}
		set := &o.set.Set
		if set.Sat.System == rtcm.GLONASS {
			o.join.SetChannel(int(set.Sat.Number), set.Inertial.Channel)
		} else if far := set.Toe.Sub(near); far > gnsstime.Week || far < -gnsstime.Week {
			o.near = set.Toe // the host clock is off by weeks
		}
		o.eph.T, o.eph.Ephemeris = d.t, set
		d.emit(&o.eph)
	}
	if err != nil {
		d.refuse(d.t, o.ch, RefusedRange, err.Error())
	}
}

// roverFrame is the header of a frame on the rover's own port.
func (d *Decoder) roverFrame(m *rtcm.Message) {
	d.roverM.T, d.roverM.Frame = d.t, m
	d.emit(&d.roverM)
	d.rover.frame(d, m, d.port.Raw())
}

// roverJunk counts frames of the rover's port that fail their CRC; what else
// lies between frames there is other protocols.
func (d *Decoder) roverJunk(why rtcm.Refusal, n int) {
	if why == rtcm.BadCRC {
		d.refuse(d.t, ChanObservations, RefusedChecksum, "observations: "+why.String())
	}
}
