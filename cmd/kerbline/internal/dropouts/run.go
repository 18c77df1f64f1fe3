package dropouts

import (
	"context"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fusion"
	"kerbline/gnss/corrections"
)

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
	return c.report(mon.Snapshot(), damage), nil
}
