package bus

import (
	"context"
	"errors"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/badpath"
	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
)

// driver publishes at the monitor's pace, usable or not as it is told, until the test
// ends.
type driver struct {
	unusable atomic.Bool
	most     atomic.Int64 // ns, longest time that Send took
	resumed  atomic.Int64 // Unix ns of the last change of unusable
}

func (d *driver) say(usable bool) {
	d.unusable.Store(!usable)
	d.resumed.Store(time.Now().UnixNano())
}

func drive(t *testing.T, p *Publisher) *driver {
	d := &driver{}
	quit, ended := make(chan struct{}), make(chan struct{})
	t.Cleanup(func() { close(quit); <-ended })
	go func() {
		defer close(ended)
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for i := uint64(1); ; i++ {
			s := snapshot(i)
			s.T = float64(time.Now().UnixNano()) / 1e9
			if d.unusable.Load() {
				s.Verdict, s.Advice = fusion.Unusable, fusion.AdviseStop
			}
			began := time.Now()
			p.Send(s)
			d.most.Store(max(d.most.Load(), int64(time.Since(began))))
			select {
			case <-quit:
				return
			case <-tick.C:
			}
		}
	}()
	return d
}

// believer follows one car under the rule, through a way, and checks what it believes.
type believer struct {
	t     *testing.T
	l     *publish.Listener
	shift float64 // s, the computer's clock less the rule's
	least float64 // s, shortest way of a verdict so far
	taken int
}

func believe(t *testing.T, addr string) *believer {
	t.Helper()
	target, err := Parse("nats://" + addr + "/car")
	if err != nil {
		t.Fatal(err)
	}
	l, err := Listen(target)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return &believer{t: t, l: l, shift: float64(time.Now().UnixNano())/1e9 - l.Now(), least: 1e9}
}

// follow hears for d, or until ok; no verdict may be believed for longer than two holds
// beyond the shortest way after it was made.
func (b *believer) follow(d time.Duration, ok func(publish.Decision) bool) bool {
	b.t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); {
		v, err := b.l.Next(context.Background())
		switch {
		case err == nil:
			b.taken++
			way := b.l.Until() - publish.Hold + b.shift - float64(v.T)
			if b.least = min(b.least, way); way > b.least+publish.Hold+0.01 {
				b.t.Errorf("believed after %.3f s on its way, the quickest took %.3f s", way, b.least)
			}
		case !errors.Is(err, publish.ErrSilent):
			b.t.Fatal(err)
		}
		if ok != nil && ok(b.l.Decide(b.l.Now())) {
			return true
		}
	}
	return ok == nil
}

func usable(d publish.Decision) bool   { return d.Usable }
func unusable(d publish.Decision) bool { return !d.Usable }

// Over a way that delays and stalls, what is believed was made just before; through a
// partition nothing is, and what it held back is refused when it all comes at once:
// the monitor said usable before it and not after it.
func TestBadPath(t *testing.T) {
	srv := serve(t, ServeOptions{})
	way := badpath.TCP(t, 3, strings.TrimPrefix(srv.URL(), "nats://"))
	way.Set(badpath.Faults{Delay: 30 * time.Millisecond, Jitter: 60 * time.Millisecond, Loss: 0.03, Stall: 400 * time.Millisecond})
	monitor := drive(t, publisher(t, srv, "car"))
	b := believe(t, way.Addr)
	if !b.follow(time.Minute, usable) {
		t.Fatalf("never usable: %v", b.l.Decide(b.l.Now()))
	}
	b.follow(2*time.Second, nil)
	if b.taken < 10 {
		t.Errorf("%d verdicts taken in 2 s", b.taken)
	}
	for round, parted := range []time.Duration{1500 * time.Millisecond, 7 * time.Second} { // within the connection's patience, and beyond it
		monitor.say(true)
		if !b.follow(time.Minute, usable) {
			t.Fatalf("round %d: not usable before", round)
		}
		way.Part()
		if !b.follow(time.Minute, unusable) {
			t.Fatalf("round %d: believed through a partition", round)
		}
		b.follow(parted-time.Second, func(d publish.Decision) bool {
			if d.Usable {
				t.Errorf("round %d: usable while parted", round)
			}
			return false
		})
		monitor.say(false)
		b.follow(time.Second, nil)
		way.Heal()
		healed := time.Now()
		heard := b.follow(time.Minute, func(d publish.Decision) bool {
			if d.Usable {
				t.Errorf("round %d: a verdict from before the partition is believed after it", round)
			}
			return d.Verdict == fusion.Unusable.String()
		})
		if !heard {
			t.Fatalf("round %d: not heard any more: %v", round, b.l.Decide(b.l.Now()))
		}
		monitor.say(true)
		if !b.follow(time.Minute, usable) {
			t.Fatalf("round %d: never usable again", round)
		}
		back := time.Since(healed)
		t.Logf("round %d: parted %v, heard and usable again %v after it", round, parted, back)
		if os.Getenv("KERBLINE_WALL") != "" && back > 3*time.Second {
			t.Errorf("round %d: back after %v", round, back)
		}
	}
	if most := time.Duration(monitor.most.Load()); os.Getenv("KERBLINE_WALL") != "" && most > 10*time.Millisecond {
		t.Errorf("the monitor waited %v", most)
	}
}

// The server is killed, and comes back: every watcher hears again within 2 s, and the
// monitor has waited for nothing.
func TestServerKilled(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	srv, err := Serve(ServeOptions{Addr: addr})
	if err != nil {
		t.Fatal(err)
	}
	target, err := Parse("nats://" + addr)
	if err != nil {
		t.Fatal(err)
	}
	nc, err := Connect(target)
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPublisher(nc, "car")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	monitor := drive(t, p)
	const watchers = 10
	heard := make([]atomic.Uint64, watchers)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{}, watchers)
	for i := range watchers {
		w, err := Watch(target)
		if err != nil {
			t.Fatal(err)
		}
		defer w.Close()
		go func() {
			defer func() { ended <- struct{}{} }()
			for {
				h, err := w.Next(ctx)
				if err != nil {
					return
				}
				if v, err := lines.ParseVerdict(h.Verdict); err == nil {
					heard[i].Store(uint64(float64(v.T) * 1e9))
				}
			}
		}()
	}
	defer func() {
		stop()
		for range watchers {
			<-ended
		}
	}()
	b := believe(t, addr)
	if !b.follow(time.Minute, usable) {
		t.Fatal("never usable")
	}
	for round := range 3 {
		srv.s.Shutdown()
		srv.s.WaitForShutdown()
		if !b.follow(time.Minute, unusable) {
			t.Fatal("believed without a server")
		}
		b.follow(700*time.Millisecond, nil)
		if srv, err = Serve(ServeOptions{Addr: addr}); err != nil {
			t.Fatal(err)
		}
		up := time.Now()
		if !b.follow(time.Minute, usable) {
			t.Fatal("never usable again")
		}
		obeyed := time.Since(up)
		for i := range watchers {
			for int64(heard[i].Load()) < up.UnixNano() {
				if time.Since(up) > time.Minute {
					t.Fatalf("watcher %d never hears again", i)
				}
				time.Sleep(5 * time.Millisecond)
			}
		}
		back := time.Since(up)
		t.Logf("round %d: usable by the rule %v after the server was back, all %d watchers hear after %v", round, obeyed, watchers, back)
		if os.Getenv("KERBLINE_WALL") != "" && max(back, obeyed) > 2*time.Second {
			t.Errorf("round %d: back after %v, want 2 s", round, max(back, obeyed))
		}
	}
	srv.Close()
	most := time.Duration(monitor.most.Load())
	t.Logf("the monitor's longest wait: %v", most)
	if os.Getenv("KERBLINE_WALL") != "" && most > 10*time.Millisecond {
		t.Errorf("the monitor waited %v", most)
	}
}
