package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/engine"
	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
	"kerbline/tui"
)

// busFlags say how verdicts go over a bus, and how one is reached.
type busFlags struct {
	at, car          string
	users, cert, key string
	mqtt             string
	queue            bool // serve a work queue too
	ca               string
}

func (b *busFlags) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&b.car, "car", "car", "name of this car on the bus")
	b.serving(cmd)
}

// serving are the flags of who sends.
func (b *busFlags) serving(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&b.at, "bus", "", "send everything over a NATS bus: host:port to serve one here, or nats://user@host to join one")
	f.StringVar(&b.users, "bus-users", "", "who may connect to the bus served here: a file of lines, name password watch (or publish)")
	f.StringVar(&b.cert, "bus-cert", "", "certificate of the bus served here, for tls://")
	f.StringVar(&b.key, "bus-key", "", "its key")
	f.StringVar(&b.mqtt, "bus-mqtt", "", "serve MQTT clients too, at host:port: topics kerbline/v1/CAR/verdict and so on")
	b.watcher(cmd)
}

// watcher are the flags of who only connects.
func (b *busFlags) watcher(cmd *cobra.Command) {
	cmd.Flags().StringVar(&b.ca, "bus-ca", "", "authority that signed the certificate of a tls:// bus, a file")
}

// target is the bus that a URL names.
func (b *busFlags) target(url string) (bus.Target, error) {
	t, err := bus.Parse(url)
	t.CA = b.ca
	return t, err
}

// connect joins the bus, or serves it, and returns what closes that again.
func (b *busFlags) connect(remote bool, errOut io.Writer) (*nats.Conn, func(), error) {
	if err := bus.CheckCar(b.car); err != nil {
		return nil, nil, err
	}
	if bus.Is(b.at) {
		if b.mqtt != "" {
			return nil, nil, errors.New("--bus-mqtt goes with a bus served here, want --bus host:port")
		}
		t, err := b.target(b.at)
		if err != nil {
			return nil, nil, err
		}
		nc, err := bus.Connect(t)
		return nc, func() {}, err
	}
	srv, err := bus.Serve(bus.ServeOptions{Addr: b.at, Remote: remote, Users: b.users, Cert: b.cert, Key: b.key, MQTT: b.mqtt, Queue: b.queue})
	if err != nil {
		return nil, nil, err
	}
	nc, err := srv.Connect()
	if err != nil {
		srv.Close()
		return nil, nil, err
	}
	fmt.Fprintf(errOut, "kerbline: bus at %s\n", srv.URL())
	return nc, srv.Close, nil
}

// open returns a publisher of this car, and what closes it and the bus.
func (b *busFlags) open(remote bool, errOut io.Writer) (*bus.Publisher, func(), error) {
	nc, closeBus, err := b.connect(remote, errOut)
	if err != nil {
		return nil, nil, err
	}
	p, err := bus.NewPublisher(nc, b.car)
	if err != nil {
		closeBus()
		return nil, nil, err
	}
	return p, func() { p.Close(); closeBus() }, nil
}

// attach gives what an engine gives to the bus too.
func attach(o *engine.Options, p *bus.Publisher) {
	o.Publish = append(o.Publish, p)
	p.Risks(o.Config.Limits.Risk, o.Config.Limits.RiskCoast)
	look, state := o.Look, o.State
	o.Look = func(s *fusion.Snapshot, events []fusion.Event) {
		p.Events(events)
		look(s, events)
	}
	o.State = func(st engine.State) {
		src, rec := outsides(st)
		p.State(src, rec)
		state(st)
	}
}

// busScreen shows what a car on a bus knows.
func busScreen(cmd *cobra.Command, fl *liveFlags) error {
	cfg, crs, err := fl.given()
	if err != nil {
		return err
	}
	t, err := fl.bus.target(fl.from)
	if err != nil {
		return usage(err)
	}
	w, err := bus.Watch(t)
	if err != nil {
		return err
	}
	defer w.Close()
	sh := newShow(elsewhere("from "+t.String(), &cfg, crs))
	return sh.run(cmd, fl, false, person{}, func(ctx context.Context) error { return (&busView{w: w, car: t.Car, sh: sh}).run(ctx) })
}

// busView turns what is heard of one car into views.
type busView struct {
	w     *bus.Watcher
	car   string // shown, "" until the first is heard
	sh    *show
	rule  publish.Rule
	whole *bus.Whole
	last  fusion.Snapshot
}

func (b *busView) run(ctx context.Context) error {
	start := time.Now()
	now := func() float64 { return time.Since(start).Seconds() }
	for end := publish.Hold; ; {
		c, cancel := context.WithDeadline(ctx, start.Add(time.Duration(end*1e9)))
		h, err := b.w.Next(c)
		cancel()
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, context.DeadlineExceeded):
			snap := publish.Nothing(&b.last)
			b.outside("nothing heard: not running, another car, or no network", false)
			b.sh.look(&snap, nil)
			end = now() + publish.Hold
		case err != nil:
			return err
		case b.car != "" && h.Car != b.car:
		case h.Verdict != nil:
			v, err := lines.ParseVerdict(h.Verdict)
			if err != nil || b.rule.Hear(now(), h.Car, &v, true) != "" {
				continue
			}
			if b.car == "" || b.last.Seq == 0 {
				b.car = h.Car
				b.sh.past(b.w.Past(ctx, b.car))
			}
			if b.whole == nil {
				b.last = publish.Snapshot(&v)
			} else {
				b.last = b.whole.Snapshot
				publish.Fill(&b.last, &v)
			}
			b.outside("heard", true)
			b.sh.look(&b.last, nil)
			end = b.rule.Until()
		case h.Event != nil && b.car != "":
			b.sh.look(nil, []fusion.Event{*h.Event})
		case h.Whole != nil && b.car != "":
			b.whole = h.Whole
			b.sh.feed.Set(func(v *tui.View) { v.Risk, v.RiskCoast = h.Whole.Risk, h.Whole.RiskCoast })
		}
	}
}

// outside shows how the bus is, and how the car's own inputs and recording are.
func (b *busView) outside(said string, ok bool) {
	words, up := b.w.Words()
	list := []tui.Source{{Name: "bus", OK: up, Words: words}, {Name: "monitor", OK: ok, Words: said}}
	var rec tui.Recording
	if b.whole != nil && ok {
		list = append(list, b.whole.Sources...)
		rec = b.whole.Recording
	}
	b.sh.outside(list, rec)
}

// baseEnd follows the base's end on the bus for the car.
type baseEnd struct {
	at   string
	mu   sync.Mutex
	last tui.Source // what the screen says of it
}

// attachBase lets the engine know whether the base sends: a note where that changes,
// so that a replay knows too, and a line among the sources.
func attachBase(o *engine.Options, t bus.Target) (follow func(ctx context.Context, note func(string)), err error) {
	w, err := bus.WatchBase(t)
	if err != nil {
		return nil, err
	}
	b := &baseEnd{at: t.String(), last: tui.Source{Name: "base", Words: "not heard yet at " + t.String()}}
	state := o.State
	o.State = func(st engine.State) {
		b.mu.Lock()
		st.Beside = append(st.Beside, engine.Beside(b.last))
		b.mu.Unlock()
		state(st)
	}
	return func(ctx context.Context, note func(string)) {
		defer w.Close()
		b.follow(ctx, w, note)
	}, nil
}

// follow turns messages of the base's end into notes until ctx ends.
func (b *baseEnd) follow(ctx context.Context, w *bus.BaseWatcher, note func(string)) {
	start := time.Now()
	now := func() float64 { return time.Since(start).Seconds() }
	rule := bus.NewBaseRule(0)
	for {
		heard, err := w.Next(ctx, start.Add(time.Duration(rule.Due*1e9)))
		if ctx.Err() != nil {
			return
		}
		var notes []string
		if err == nil {
			notes, _ = rule.Hear(now(), &heard)
		} else {
			notes = rule.Quiet(now())
		}
		b.mu.Lock()
		b.last.OK, b.last.Words = rule.Sends, rule.Words
		if rule.State == fusion.NoteBaseUnheard {
			b.last.Words = "the base's end is not heard at " + b.at + ": its computer, the network, or kerbline base does not run"
		}
		b.mu.Unlock()
		for _, n := range notes {
			note(n)
		}
	}
}
