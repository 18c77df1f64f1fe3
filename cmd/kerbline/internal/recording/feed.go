package recording

import (
	"io"

	"kerbline/fusion"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rtcm"
)

const (
	batchSize = 512 // measurements
	batchRing = 8   // batches between the decoder and the monitor
)

// batch is a run of measurements with what they point to.
type batch struct {
	m        []fusion.Measurement
	frames   []rtcm.Message
	observed []observation.Epoch
	sets     []orbit.Ephemeris
}

// observe keeps a copy of an epoch of observations: its decoder uses its own again.
func (b *batch) observe(e *observation.Epoch) *observation.Epoch {
	n := len(b.observed)
	if n < cap(b.observed) {
		b.observed = b.observed[:n+1] // with the room that its observations had
	} else {
		b.observed = append(b.observed, observation.Epoch{})
	}
	k := &b.observed[n]
	obs := append(k.Obs[:0], e.Obs...)
	*k = *e
	k.Obs = obs
	return k
}

// Feed decodes a recording in a goroutine of its own, ahead of whoever takes
// the measurements.
type Feed struct {
	stream *Stream
	full   chan *batch
	empty  chan *batch
	stop   chan struct{}
	held   *batch // handed out, to be given back
	err    error
}

// Feed opens the recording anew and begins to decode it with the settings cfg.
// Close it, read to the end or not.
func (r *Recording) Feed(cfg fusion.Config) (*Feed, error) {
	s, err := r.Stream(cfg.GNSS.Latency)
	if err != nil {
		return nil, err
	}
	f := &Feed{stream: s, full: make(chan *batch, batchRing), empty: make(chan *batch, batchRing), stop: make(chan struct{})}
	for range batchRing {
		f.empty <- &batch{m: make([]fusion.Measurement, 0, batchSize), frames: make([]rtcm.Message, 0, batchSize)}
	}
	go f.run(fusion.NewDecoder(cfg))
	return f, nil
}

// Next returns the next measurements, in order; they are valid until the next
// call. The error is io.EOF at the end, else what kept the recording from being
// read to it.
func (f *Feed) Next() ([]fusion.Measurement, error) {
	if f.held != nil {
		f.held.m, f.held.frames = f.held.m[:0], f.held.frames[:0]
		f.held.observed, f.held.sets = f.held.observed[:0], f.held.sets[:0]
		f.empty <- f.held
		f.held = nil
	}
	b, ok := <-f.full
	if !ok {
		return nil, f.err
	}
	f.held = b
	return b.m, nil
}

// Progress returns the bytes read so far and in all.
func (f *Feed) Progress() (done, total int64) { return f.stream.Progress() }

// Damage says, after the end, what the recording had lost.
func (f *Feed) Damage() string { return f.stream.Damage() }

// Close stops decoding and closes the files.
func (f *Feed) Close() error {
	close(f.stop)
	for range f.full { // until run has ended
	}
	return nil
}

// run decodes all records into batches.
func (f *Feed) run(d *fusion.Decoder) {
	defer close(f.full)
	defer f.stream.Close()
	var b *batch
	stopped := false
	take := func() bool {
		select {
		case b = <-f.empty:
		case <-f.stop:
			stopped = true
		}
		return !stopped
	}
	if !take() {
		return
	}
	emit := func(m *fusion.Measurement) {
		if stopped {
			return
		}
		b.m = append(b.m, *m)
		own := &b.m[len(b.m)-1]
		if m.Frame != nil { // the scanner uses its own again
			b.frames = append(b.frames, *m.Frame)
			own.Frame = &b.frames[len(b.frames)-1]
		}
		if m.Observed != nil {
			own.Observed = b.observe(m.Observed)
		}
		if m.Ephemeris != nil {
			b.sets = append(b.sets, *m.Ephemeris)
			own.Ephemeris = &b.sets[len(b.sets)-1]
		}
		if len(b.m) == batchSize {
			f.full <- b // never blocks: there are no more batches than it holds
			take()
		}
	}
	last := 0.0
	for !stopped {
		rec, ok := f.stream.Next()
		if !ok {
			break
		}
		last = rec.T
		if why, note, refused := f.stream.Refused(); refused {
			emit(&fusion.Measurement{T: rec.T, Kind: fusion.KindRefused, Channel: rec.Channel, Reason: uint8(why), Note: note})
			continue
		}
		d.Decode(rec, emit)
	}
	if !stopped {
		d.Close(last, emit)
		if f.err = f.stream.Err(); f.err == nil {
			f.err = io.EOF
		}
	}
	if !stopped && len(b.m) > 0 {
		f.full <- b
	}
}
