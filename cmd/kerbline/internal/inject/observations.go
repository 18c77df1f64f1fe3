package inject

import (
	"math"

	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/gnss/rtcm"
)

// observations rewrites what the rover's second port sent: a receiver that is
// silent sends nothing there either, one that is late or a computer that stalls
// hands it over late, a blocked sky takes the same share of the satellites, and
// interference lowers all C/N0.
func (in *injector) observations(recs []fusion.Record) {
	host := in.res.host
	frames := false
	for _, k := range in.kinds {
		if k.Name == "unknown" {
			return
		}
		frames = frames || k.Name == faults.Sky || k.Name == faults.Interference
	}
	items := make([]chunk, 0, len(recs))
	if frames {
		items = cutFrames(recs)
	} else {
		for _, r := range recs {
			items = append(items, chunk{t: r.T, b: r.Data})
		}
	}
	last := math.Inf(-1)
	for i := range items {
		c := &items[i]
		if host.On(faults.Receiver, c.t) != nil {
			continue
		}
		if f := host.On(faults.Sky, c.t); f != nil && c.m.MSM > 0 {
			c.b = rewritten(c.b, func(o *rtcm.Observables) { hide(o, f.Size) })
		}
		if f := host.On(faults.Interference, c.t); f != nil && c.m.MSM > 0 {
			c.b = rewritten(c.b, func(o *rtcm.Observables) { o.Dim(f.Size, weakest) })
		}
		last = math.Max(last, c.t+host.Sum(faults.Slow, c.t)+host.Stalled(c.t))
		in.put(c.t, last, fusion.ChanObservations, c.b)
	}
}

// weakest is the C/N0 in dB-Hz that a receiver tracks. Common practice, no source.
const weakest = 22

// rewritten is a frame of observations with a change. One that cannot be read stays as
// it is.
func rewritten(frame []byte, change func(*rtcm.Observables)) []byte {
	var o rtcm.Observables
	if o.Decode(frame) != nil {
		return frame
	}
	change(&o)
	b, err := o.Encode()
	if err != nil {
		return frame
	}
	return b
}

// hide takes a share of the satellites out of a message, the same ones every time.
func hide(o *rtcm.Observables, share float64) {
	o.Keep(func(number uint8) bool {
		// Spread over the numbers of each system by the golden ratio.
		_, x := math.Modf(float64(int(o.System)*7+int(number)) * math.Phi)
		return x >= share
	})
}
