package dropouts

import (
	"context"
	"io"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fusion"
	"kerbline/gnss/corrections"
)

// Run steps the monitor over rec and returns what its correction link did.
// progress hears the bytes read and in all; ctx ends it early with its error.
func Run(ctx context.Context, rec *recording.Recording, cfg fusion.Config, progress func(done, total int64)) (*Report, error) {
	crs, err := rec.Course()
	if err != nil {
		return nil, err
	}
	feed, err := rec.Feed(cfg)
	if err != nil {
		return nil, err
	}
	defer feed.Close()
	mon := fusion.NewMonitor(cfg, crs)
	c := newCollector(&cfg, crs != nil)
	mon.OnEpisode(func(e *corrections.Episode) { c.closed = append(c.closed, *e) })
	var batch []fusion.Measurement
	for batch, err = feed.Next(); err == nil; batch, err = feed.Next() {
		for i := range batch {
			m := &batch[i]
			c.measurement(m)
			snap, events := mon.Step(m)
			c.output(snap, events)
		}
		progress(feed.Progress())
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
	}
	if err != io.EOF {
		return nil, err
	}
	c.output(nil, mon.Close())
	// The snapshot is of the last verdict line: one more brings it to the end.
	mon.Step(&fusion.Measurement{T: c.now - c.shift + 0.1, Kind: fusion.KindTick, Channel: fusion.ChanTick})
	return c.report(mon.Snapshot(), feed.Damage()), nil
}
