package dropouts

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fusion"
	"kerbline/gnss/corrections"
)

// nothing is the error of corrections that hold none: a report would read as if all
// were well. Beside a receiver the link is told to be silent or broken instead.
func (r *Report) nothing(given, empty bool) error {
	switch {
	case !given || r.Link.Frames > 0 || r.Receiver.Epochs > 0:
		return nil
	case r.Link.Bytes == 0 && !empty:
		return errors.New("the corrections hold no line that can be read: want t,hex or the bytes of RTCM 3 as they came (.rtcm3)")
	case r.Link.Bytes == 0:
		return errors.New("the corrections are empty: not one byte was recorded; check that the tap was connected, and give the file that was written")
	}
	why := ""
	if len(r.Link.Refused) > 0 {
		why = ", most of them " + slices.MaxFunc(r.Link.Refused, func(a, b Refused) int { return cmp.Compare(a.Bytes, b.Bytes) }).Reason
	}
	return fmt.Errorf("the corrections hold no RTCM 3 frame: %d bytes%s; check the port's baud rate and that the base sends RTCM 3, or give another file", r.Link.Bytes, why)
}

// Run steps the monitor over rec and returns what its correction link did.
// progress hears the bytes read and in all; ctx ends it early.
func Run(ctx context.Context, rec *recording.Recording, cfg fusion.Config, progress func(done, total int64)) (*Report, error) {
	c := newCollector(&cfg)
	mon, damage, err := runner.Monitor(ctx, rec, cfg, runner.Watch{
		Progress: progress,
		Begin: func(m *fusion.Monitor, hasMap bool) {
			c.hasMap = hasMap
			m.OnEpisode(func(e *corrections.Episode) { c.closed = append(c.closed, *e) })
		},
		Before: c.measurement,
		After:  c.output,
	})
	if err != nil {
		return nil, err
	}
	r := c.report(mon.Snapshot(), damage)
	return r, r.nothing(rec.Corrections())
}
