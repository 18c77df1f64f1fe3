package inject

import (
	"math"

	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/gnss/rtcm"
)

// observations rewrites what the rover's second port sent: a receiver that is
// silent sends nothing there either, one that is late or a computer that stalls
// hands it over late, and a blocked sky takes the same share of the satellites.
func (in *injector) observations(recs []fusion.Record) {
	host := in.res.host
	sky := false
	for _, k := range in.kinds {
		if k.Name == "unknown" {
			return
		}
		sky = sky || k.Name == faults.Sky
	}
	items := make([]chunk, 0, len(recs))
	if sky {
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
			c.b = hide(c.b, f.Size)
		}
		last = math.Max(last, c.t+host.Sum(faults.Slow, c.t)+host.Stalled(c.t))
		in.put(c.t, last, fusion.ChanObservations, c.b)
	}
}

// hide takes a share of the satellites out of a frame of observations, the same
// ones every time. A frame that cannot be read stays as it is.
func hide(frame []byte, share float64) []byte {
	var o rtcm.Observables
	if o.Decode(frame) != nil {
		return frame
	}
	o.Keep(func(number uint8) bool {
		// Spread over the numbers of each system by the golden ratio.
		_, x := math.Modf(float64(int(o.System)*7+int(number)) * math.Phi)
		return x >= share
	})
	b, err := o.Encode()
	if err != nil {
		return frame
	}
	return b
}
