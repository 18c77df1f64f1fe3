package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/alarm"
	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/engine"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/gnss/ntrip"
	"kerbline/tui"
)

// liveFlags are what the user asked for.
type liveFlags struct {
	gnss, observations, corrections, imu, wheel string
	course, config                              string
	set, take                                   []string
	record                                      string
	maxMB                                       int64
	forward                                     string
	publish                                     []string
	remote                                      bool
	key                                         string
	verdicts, events                            string
	screen, plain                               bool
	from, base                                  string
	bus                                         busFlags
}

func newLive() *cobra.Command {
	var fl liveFlags
	cmd := &cobra.Command{
		Use:   "live",
		Short: "Run the monitor on live inputs: dashboard, recording, published verdicts",
		Long: `Run the monitor on live inputs. On a terminal the dashboard opens; with --plain,
or without a terminal, a line is printed for each change.

Inputs are URLs:
  serial:///dev/ttyACM0?baud=460800   a port, several with commas, or a pattern
  tcp://host:port                     connect
  udp://:port?from=192.0.2.7          listen to that sender, or without ?from= to
                                      the first that sends; others are refused
  ntrip://user@host:port/MOUNT        a caster (ntrips:// over TLS); the password is
                                      taken from ` + ntrip.PasswordEnv + `
  a path, or - for standard input

A source that fails is reported at once and retried without limit; the others go on. The
settings file may hold the inputs ([sources]); a flag wins.

kerbline live --from udp://:47100 is a second screen: it shows what another
kerbline publishes. With --bus any number of watchers see all that this one knows:
kerbline live --from nats://host/CAR.`,
		Example: `  kerbline live --gnss serial:///dev/ttyACM0?baud=460800 --imu udp://:9001 \
      --corrections ntrip://me@caster.example/QUARRY --forward gnss --record runs/
  kerbline live --config kerbline.toml --course track.geojson --publish 127.0.0.1:47100 --plain`,
		Args: wrong(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if fl.screen && fl.plain {
				return usage(errors.New("--screen and --plain, want one of them"))
			}
			switch {
			case bus.Is(fl.from):
				return busScreen(cmd, &fl)
			case fl.from != "":
				return secondScreen(cmd, &fl)
			}
			return live(cmd, &fl)
		},
	}
	f := cmd.Flags()
	f.StringVar(&fl.gnss, "gnss", "", "receiver's sentences")
	f.StringVar(&fl.observations, "observations", "", "second port of the receiver: its observations and ephemerides, RTCM 3")
	f.StringVar(&fl.corrections, "corrections", "", "tap of the correction link, RTCM 3")
	f.StringVar(&fl.imu, "imu", "", "inertial sensor: lines t,wx,wy,wz,fx,fy,fz")
	f.StringVar(&fl.wheel, "wheel", "", "wheel speed: lines t,v")
	f.StringVar(&fl.course, "course", "", "map: GeoJSON line with half_width_m")
	f.StringVar(&fl.config, "config", "", "settings (kerbline config prints them)")
	f.StringArrayVar(&fl.set, "set", nil, "change one setting, key=value; may be repeated")
	f.StringArrayVar(&fl.take, "take", nil, takeUsage)
	f.StringVar(&fl.record, "record", "", "record everything received to this .mcap file, or into this folder/, made if need be")
	f.Int64Var(&fl.maxMB, "record-part-mb", 512, "begin a new file at this size, MB")
	f.StringVar(&fl.forward, "forward", "", "give the corrections on to the receiver: gnss for the port of --gnss, or a serial:// or tcp:// URL")
	f.StringArrayVar(&fl.publish, "publish", nil, "send verdicts by UDP to host:port (such as "+publish.DefaultAddr+"); may be repeated")
	f.BoolVar(&fl.remote, "publish-remote", false, "allow --publish to addresses that other computers hear, signed with a key")
	keyFlag(cmd, &fl.key)
	f.StringVar(&fl.verdicts, "verdicts", "", "write verdict lines to this file, - for standard output")
	f.StringVar(&fl.events, "events", "", "write event lines to this file, - for standard output")
	f.BoolVar(&fl.screen, "screen", false, "open the dashboard (the default on a terminal)")
	f.BoolVar(&fl.plain, "plain", false, "print a line for each change instead")
	f.StringVar(&fl.from, "from", "", "show what another kerbline publishes to this udp:// address, or all that a car on the bus nats://host/CAR knows")
	f.StringVar(&fl.base, "base", "", "the base's end, as kerbline base --bus sends it: nats://host/NAME")
	fl.bus.flags(cmd)
	return cmd
}

// keyFlag is the flag that names the file of the key of published verdicts.
func keyFlag(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVar(path, "publish-key", "", "file (0600) with the key that signs published verdicts; else it is taken from "+publish.KeyEnv)
}

// live runs the engine until it is stopped.
func live(cmd *cobra.Command, fl *liveFlags) error {
	cfg, err := loadSettings(fl.config, fl.set)
	if err != nil {
		return usage(err)
	}
	if err := takeAll(&cfg, fl.take); err != nil {
		return err
	}
	o := engine.Options{Config: cfg.Config}
	if o.Inputs, err = fl.inputs(&cfg); err != nil {
		return usage(err)
	}
	crs, mapData, err := loadCourse(fl.course)
	if err != nil {
		return usage(err)
	}
	o.Course = crs
	if err := fl.forwardTo(&o); err != nil {
		return usage(err)
	}
	for _, addr := range fl.publish {
		key, err := publish.LoadKey(fl.key)
		if err != nil {
			return usage(err)
		}
		p, err := publish.Dial(addr, fl.remote, key)
		if err != nil {
			return usage(err)
		}
		defer p.Close()
		o.Publish = append(o.Publish, p)
	}
	if fl.record != "" {
		if o.Record, err = fl.recording(&cfg, mapData); err != nil {
			return usage(err)
		}
	}
	closeFiles, err := fl.files(&o, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	// The view has a map of its own: the monitor binds its one.
	viewCourse, _, err := loadCourse(fl.course)
	if err != nil {
		return usage(err)
	}
	view := baseView("live", &cfg, viewCourse)
	view.Takes = true
	sh := newShow(view)
	o.Look, o.State = sh.look, sh.state
	if fl.bus.at != "" {
		p, closeBus, err := fl.bus.open(fl.remote, cmd.ErrOrStderr())
		if err != nil {
			return usage(err)
		}
		defer closeBus()
		attach(&o, p)
	}
	defer attachAlarm(&o, &cfg.Alarm)()
	var followBase func(context.Context, func(string))
	if fl.base != "" {
		t, err := fl.bus.target(fl.base)
		if err != nil {
			return usage(err)
		}
		if followBase, err = attachBase(&o, t); err != nil {
			return usage(err)
		}
	}
	e, err := engine.New(o)
	if err != nil {
		return usage(err)
	}
	if followBase != nil {
		ctx, stop := context.WithCancel(cmd.Context())
		defer stop()
		go followBase(ctx, e.Note)
	}

	began := time.Now()
	err = sh.run(cmd, fl, fl.record != "" || len(fl.publish) > 0 || fl.bus.at != "", person{e.Mark, e.Steer, e.Take}, e.Run)
	err = errors.Join(err, closeFiles())
	sh.summary(cmd.ErrOrStderr(), time.Since(began))
	return err
}

// attachAlarm lets the command of the settings run when usable ends, and returns what
// ends it. How it went is told with the inputs.
func attachAlarm(o *engine.Options, set *settings.Alarm) (end func()) {
	var last atomic.Pointer[engine.Beside]
	a := alarm.Start(set.Command, time.Duration(set.Every*float64(time.Second)), func(ok bool, words string) {
		last.Store(&engine.Beside{Name: "alarm", OK: ok, Words: words})
	})
	if a == nil {
		return func() {}
	}
	o.Publish = append(o.Publish, a)
	state := o.State
	o.State = func(st engine.State) {
		if b := last.Load(); b != nil {
			st.Beside = append(st.Beside, *b)
		}
		state(st)
	}
	return a.Close
}

// loadSettings reads the settings file at path, "" for the defaults, and changes
// what is set on the command line.
func loadSettings(path string, set []string) (settings.File, error) {
	cfg := settings.Default()
	if path != "" {
		var err error
		if cfg, err = settings.Load(path); err != nil {
			return cfg, err
		}
	}
	for _, s := range set {
		if err := cfg.Set(s); err != nil {
			return cfg, err
		}
	}
	return cfg, nil
}

// inputs parses the URLs of flags and settings and leaves in cfg what is used,
// for the recording; no password is in it.
func (fl *liveFlags) inputs(cfg *settings.File) (list []engine.Input, err error) {
	for _, in := range []struct {
		ch     fusion.Channel
		flag   string
		config *string
	}{
		{fusion.ChanNMEA, fl.gnss, &cfg.Sources.GNSS}, {fusion.ChanCorrections, fl.corrections, &cfg.Sources.Corrections},
		{fusion.ChanObservations, fl.observations, &cfg.Sources.Observations}, {fusion.ChanIMU, fl.imu, &cfg.Sources.IMU}, {fusion.ChanWheel, fl.wheel, &cfg.Sources.Wheel},
	} {
		if in.flag != "" {
			*in.config = in.flag
		}
		if *in.config == "" {
			continue
		}
		spec, err := sources.Parse(*in.config)
		if err != nil {
			return nil, err
		}
		*in.config = spec.String()
		list = append(list, engine.Input{Channel: in.ch, Spec: spec})
	}
	if cfg.Sources.GNSS == "" {
		found := "no serial device is plugged in"
		if p := sources.Ports(); len(p) > 0 {
			found = "plugged in: " + strings.Join(p, ", ")
		}
		return nil, fmt.Errorf("no receiver, want --gnss with %s (%s)", sources.Forms, found)
	}
	return list, nil
}

func (fl *liveFlags) forwardTo(o *engine.Options) error {
	switch {
	case fl.forward == "":
		return nil
	case fl.forward == "gnss":
		o.ForwardToGNSS = true
	default:
		spec, err := sources.Parse(fl.forward)
		if err != nil {
			return err
		}
		o.Forward = &spec
	}
	for _, in := range o.Inputs {
		if in.Channel == fusion.ChanCorrections {
			return nil
		}
	}
	return errors.New("--forward gives corrections on, want --corrections too")
}

// recording says where to and what a recording begins with: the settings as
// they are in force and the map, so that a replay needs nothing else.
func (fl *liveFlags) recording(cfg *settings.File, mapData []byte) (*recorder.Options, error) {
	path := fl.record
	if fi, err := os.Stat(path); err == nil && fi.IsDir() || strings.HasSuffix(path, "/") {
		// The last folder only: a disk that is not there must not be replaced by
		// folders of its name. What fails here the recorder reports and tries again.
		_ = os.Mkdir(path, 0o700)
		path = filepath.Join(path, time.Now().UTC().Format("2006-01-02_150405")+".mcap")
	} else if filepath.Ext(path) != ".mcap" {
		return nil, fmt.Errorf("--record is %q, want a name that ends in .mcap, or a folder", path)
	}
	if fl.maxMB < 1 {
		return nil, fmt.Errorf("--record-part-mb is %d, want at least 1", fl.maxMB)
	}
	var text bytes.Buffer
	of := *cfg
	of.Alarm = settings.Default().Alarm // a recording that is passed on starts nothing
	if err := settings.Print(&text, &of); err != nil {
		return nil, err
	}
	head := recorder.Head{Attachments: []recorder.Attachment{recorder.Attached(recorder.SettingsName, text.Bytes())}}
	if mapData != nil {
		head.Attachments = append(head.Attachments, recorder.Attached(recorder.CourseName, mapData))
	}
	return &recorder.Options{Path: path, Head: head, MaxBytes: fl.maxMB << 20}, nil
}

// files opens the line files and returns what closes them.
func (fl *liveFlags) files(o *engine.Options, out io.Writer) (func() error, error) {
	var buffers []*engine.LineBuffer
	var open []io.Closer
	for _, f := range []struct {
		name string
		to   **engine.LineBuffer
	}{{fl.verdicts, &o.Verdicts}, {fl.events, &o.Events}} {
		switch {
		case f.name == "":
			continue
		case f.name == fl.verdicts && o.Verdicts != nil: // both into one
			o.Events = o.Verdicts
			continue
		case f.name == "-":
			*f.to = engine.NewLineBuffer("standard output", out, 100*time.Millisecond)
		default:
			file, err := os.Create(f.name)
			if err != nil {
				return nil, err
			}
			*f.to = engine.NewLineBuffer(f.name, file, 200*time.Millisecond)
			open = append(open, file)
		}
		buffers = append(buffers, *f.to)
	}
	return func() (err error) {
		for _, s := range buffers {
			err = errors.Join(err, s.Close(2*time.Second))
		}
		for _, f := range open {
			err = errors.Join(err, f.Close())
		}
		return err
	}, nil
}

// loadCourse reads a map; both results are nil without one.
func loadCourse(path string) (*course.Course, []byte, error) {
	if path == "" {
		return nil, nil, nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	crs, err := course.Load(data)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	return crs, data, nil
}

// person is what a person at the screen may say; nil for nothing.
type person struct {
	confirm func(mark string, antenna bool)
	steer   func(fusion.Driven)
	take    func(assignments string)
}

// run runs work behind the dashboard or behind plain lines until it ends or is
// stopped. goesOn says that work is worth going on without a screen: a
// lost terminal, or a screen that fails, then takes nothing along.
func (s *show) run(cmd *cobra.Command, fl *liveFlags, goesOn bool, by person, work func(context.Context) error) error {
	ctx, stop := context.WithCancel(cmd.Context())
	defer stop()
	// A terminal that goes away sends SIGHUP; a pipe without a reader, SIGPIPE.
	hup := make(chan os.Signal, 1)
	if !signal.Ignored(syscall.SIGHUP) { // as nohup has it
		signal.Notify(hup, syscall.SIGHUP)
	}
	defer signal.Stop(hup)
	signal.Ignore(syscall.SIGPIPE)
	defer signal.Reset(syscall.SIGPIPE)

	done := make(chan error, 1)
	go func() {
		defer tui.Rescue()
		done <- work(ctx)
	}()
	out := cmd.OutOrStdout()
	if fl.verdicts == "-" || fl.events == "-" {
		out = cmd.ErrOrStderr()
	}
	look := func(ctx context.Context) error { return s.lines(ctx, out) }
	if fl.screen || !fl.plain && terminal(out) != nil && out == cmd.OutOrStdout() {
		look = func(ctx context.Context) error {
			return tui.Run(ctx, tui.Options{Latest: s.feed.Latest, Confirm: by.confirm, Steer: by.steer, Take: by.take})
		}
	}
	lookCtx, blind := context.WithCancel(ctx)
	defer blind()
	seen := make(chan error, 1)
	go func() { seen <- look(lookCtx) }()
	looking, gone := true, false
	for {
		select {
		case err := <-done:
			blind()
			if looking {
				select {
				case <-seen:
				case <-time.After(3 * time.Second): // an output that takes nothing
				}
			}
			return err
		case err := <-seen:
			looking = false
			if gone {
				err = errors.New("the terminal is gone")
			}
			if err != nil {
				fmt.Fprintln(cmd.ErrOrStderr(), "kerbline:", err)
			}
			if err == nil || !goesOn { // the person quit, or there is nothing else to do
				stop()
			} else {
				fmt.Fprintf(cmd.ErrOrStderr(), "kerbline: the monitor goes on; stop it with kill -TERM %d\n", os.Getpid())
			}
		case <-hup:
			gone = true
			blind()
			if !goesOn {
				stop()
			}
		}
	}
}

// given reads the settings and the map that the flags name.
func (fl *liveFlags) given() (cfg settings.File, crs *course.Course, err error) {
	if cfg, err = loadSettings(fl.config, fl.set); err != nil {
		return cfg, nil, usage(err)
	}
	if crs, _, err = loadCourse(fl.course); err != nil {
		return cfg, nil, usage(err)
	}
	return cfg, crs, nil
}

// secondScreen shows what another kerbline publishes.
func secondScreen(cmd *cobra.Command, fl *liveFlags) error {
	cfg, crs, err := fl.given()
	if err != nil {
		return err
	}
	key, err := publish.LoadKey(fl.key)
	if err != nil {
		return usage(err)
	}
	l, err := publish.Listen(fl.from, key)
	if err != nil {
		return usage(err)
	}
	defer l.Close()
	sh := newShow(elsewhere("from "+l.Addr(), &cfg, crs))
	return sh.run(cmd, fl, false, person{}, func(ctx context.Context) error {
		var last fusion.Snapshot
		for {
			v, err := l.Next(ctx)
			words := "heard at " + l.Addr()
			snap := publish.Nothing(&last)
			switch {
			case ctx.Err() != nil:
				return nil
			case err == nil:
				last = publish.Snapshot(&v)
				snap = last
			case errors.Is(err, publish.ErrSilent):
				words = "nothing heard at " + l.Addr() + ": not running, not published to here, or no network"
			default:
				return err
			}
			sh.outside([]tui.Source{{Name: "monitor", OK: err == nil, Words: words}}, tui.Recording{})
			sh.look(&snap, nil)
		}
	})
}

// summary says what a run came to.
func (s *show) summary(w io.Writer, took time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := max(s.n[0]+s.n[1]+s.n[2]+s.n[3], 1)
	fmt.Fprintf(w, "ran %.0f s: usable %.1f %%, coasting %.1f %%, unproven %.1f %%, unusable %.1f %%\n", took.Seconds(),
		100*float64(s.n[fusion.Usable])/float64(n), 100*float64(s.n[fusion.Coasting])/float64(n),
		100*float64(s.n[fusion.Unproven])/float64(n), 100*float64(s.n[fusion.Unusable])/float64(n))
	if r := s.rec; r != nil {
		fmt.Fprintf(w, "recorded %s, %.1f MB in %d file(s)", r.File, float64(r.Bytes)/1e6, r.Parts)
		if r.Lost > 0 {
			fmt.Fprintf(w, ", %d bytes lost", r.Lost)
		}
		if !r.OK {
			fmt.Fprintf(w, ", NOT WHOLE: %s", r.Words)
		}
		fmt.Fprintln(w)
	}
}
