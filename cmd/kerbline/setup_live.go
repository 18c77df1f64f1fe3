package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/engine"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/fusion"
	"kerbline/tui"
)

// isLive reports whether the inputs are ports and not files: no recording is named,
// and the receiver is a URL, standard input, or one of the settings.
func (in *inputs) isLive(args []string) bool {
	p := &in.paths
	if len(args) > 0 {
		return false
	}
	return p.GNSS == "" && p.Corrections == "" && p.Config != "" || p.GNSS == "-" || strings.Contains(p.GNSS, "://")
}

// guide says in a pass of setup what to do next, and ends it when all is shown.
type guide struct {
	sh   *show
	stop context.CancelFunc
	next float64 // host s of the next look
	said string
	at   float64 // host s at which it was said
}

const (
	guideEvery = 1.0  // s between two looks
	guideSays  = 10.0 // s after which it is said again how far the pass has come
)

func (g *guide) look(snap *fusion.Snapshot, events []fusion.Event) {
	g.sh.look(snap, events)
	if snap == nil || snap.T < g.next && snap.T > g.next-2*guideEvery {
		return
	}
	g.next = snap.T + guideEvery
	v := g.sh.feed.Latest()
	todo, done := tui.SetupNext(v)
	if key := sources.Digitless(todo); key != g.said || snap.T-g.at > guideSays {
		g.said, g.at = key, snap.T
		line := "setup    " + todo
		if p := tui.SetupProgress(v); p != "" {
			line += " (" + p + ")"
		}
		g.sh.mu.Lock()
		g.sh.add(line)
		g.sh.mu.Unlock()
	}
	if done {
		g.stop()
	}
}

// guided records live inputs until they show what setup must know, saying what to do
// next, and returns the recording, and what of the settings it does not hold.
func guided(cmd *cobra.Command, in *inputs, record string, plain bool) (path string, own settings.Alarm, err error) {
	p := &in.paths
	fl := &liveFlags{gnss: p.GNSS, observations: p.Observations, corrections: p.Corrections, imu: p.IMU, wheel: p.Wheel,
		course: p.Course, config: p.Config, set: in.set, record: record, plain: plain, maxMB: 1 << 20}
	if fl.record == "" {
		fl.record = "setup_" + time.Now().UTC().Format("2006-01-02_150405") + ".mcap"
	}
	cfg, err := loadSettings(fl.config, fl.set)
	if err != nil {
		return "", own, usage(err)
	}
	o := engine.Options{Config: cfg.Config}
	if o.Inputs, err = fl.inputs(&cfg); err != nil {
		return "", own, usage(err)
	}
	crs, mapData, err := loadCourse(fl.course)
	if err != nil {
		return "", own, usage(err)
	}
	o.Course = crs
	if o.Record, err = fl.recording(&cfg, mapData); err != nil {
		return "", own, usage(err)
	}
	viewCourse, _, err := loadCourse(fl.course)
	if err != nil {
		return "", own, usage(err)
	}
	view := baseView("setup", &cfg, viewCourse)
	view.Guided = true
	sh := newShow(view)
	g := &guide{sh: sh}
	o.Look, o.State = g.look, sh.state
	e, err := engine.New(o)
	if err != nil {
		return "", own, usage(err)
	}
	began := time.Now()
	err = sh.run(cmd, fl, false, person{e.Mark, e.Steer, nil}, func(ctx context.Context) error {
		ctx, g.stop = context.WithCancel(ctx)
		defer g.stop()
		return e.Run(ctx)
	})
	sh.summary(cmd.ErrOrStderr(), time.Since(began))
	if sh.rec == nil || !sh.rec.OK && err == nil {
		return "", own, fmt.Errorf("%s: nothing was recorded", fl.record)
	}
	return sh.rec.File, cfg.Alarm, err
}
