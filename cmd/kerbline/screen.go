package main

import (
	"context"
	"math"

	"kerbline/cmd/kerbline/internal/player"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/gnss/geodesy"
	"kerbline/tui"
)

// baseView is the part of a view that does not change: names, map, settings.
func baseView(name string, cfg *settings.File, crs *course.Course) tui.View {
	v := tui.View{Name: name, Risk: cfg.Limits.Risk, RiskCoast: cfg.Limits.RiskCoast, Zone: cfg.Zone()}
	for _, m := range cfg.Marks {
		v.Marks = append(v.Marks, m.Name)
	}
	if crs != nil {
		frame := geodesy.NewFrame(crs.Origin())
		crs.Bind(frame)
		for _, p := range crs.Vertices() {
			v.Course = append(v.Course, frame.ToLLA(p))
		}
		v.Closed = crs.Closed()
	}
	return v
}

// elsewhere is what a screen shows of a monitor on another computer before that was
// heard: its settings are not known.
func elsewhere(name string, cfg *settings.File, crs *course.Course) tui.View {
	v := baseView(name, cfg, crs)
	v.Risk, v.RiskCoast = math.NaN(), math.NaN()
	return v
}

// showRecording plays a recording in the dashboard, from begin s on, until the
// person quits.
func showRecording(ctx context.Context, rec *recording.Recording, cfg *settings.File, name string, begin float64) error {
	crs, err := rec.Course()
	if err != nil {
		return err
	}
	view := baseView(name, cfg, crs)
	view.Replay, view.Takes = &tui.Replay{}, true
	feed := tui.NewFeed(view)
	from, to := rec.Span()
	p := player.New(player.Config{
		Open: func() (player.Stream, error) {
			f, err := rec.Feed(cfg.Config)
			if err != nil {
				return nil, err
			}
			return f, nil
		},
		Monitor: func() player.Monitor {
			// Each monitor binds the map to its own origin, so each has its own. It
			// could be read above; a file that is gone since leaves it without.
			crs, _ := rec.Course()
			return fusion.NewMonitor(cfg.Config, crs)
		},
		Feed:   feed,
		Length: to - from,
	})
	if begin > 0 {
		p.Seek(begin)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	played := make(chan error, 1)
	go func() {
		defer cancel()
		defer tui.Rescue()
		played <- p.Run(ctx)
	}()
	err = tui.Run(ctx, tui.Options{Latest: feed.Latest, Transport: p, Take: func(assignments string) {
		p.Again(func() { _ = cfg.Take(assignments) }) // what the monitor proposes can be taken
	}})
	cancel()
	if e := <-played; e != nil {
		return e
	}
	return err
}
