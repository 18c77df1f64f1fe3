package tui

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"kerbline/fusion"

	"github.com/gdamore/tcell/v2"
)

// belled counts how often a screen was shown and its bell was rung.
type belled struct {
	tcell.SimulationScreen
	n, shown atomic.Int32
}

func (b *belled) Beep() error { b.n.Add(1); return nil }

func (b *belled) Show() {
	b.SimulationScreen.Show()
	b.shown.Add(1)
}

// painted waits for a few more paints.
func (b *belled) painted(t *testing.T) {
	t.Helper()
	from := b.shown.Load()
	for range 30000 {
		if b.shown.Load() >= from+3 {
			return
		}
		time.Sleep(time.Millisecond)
	}
	t.Fatal("nothing is painted")
}

// The bell rings once when usable ends, and not while it lasts, nor in a replay.
func TestBell(t *testing.T) {
	for _, tt := range []struct {
		name string
		play Transport
		want int32
	}{{"live", nil, 1}, {"replay", &controls{}, 0}} {
		var view atomic.Pointer[View]
		show := func(v fusion.Verdict) {
			s := sampleUnusable()
			s.Snap.Verdict, s.Snap.Seq = v, 7
			view.Store(s)
		}
		show(fusion.Usable)
		screen := &belled{SimulationScreen: tcell.NewSimulationScreen("UTF-8")}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() {
			ended <- Run(ctx, Options{Latest: view.Load, Transport: tt.play, Interval: time.Millisecond, Screen: screen,
				Now: func() time.Time { return view.Load().Made }})
		}()
		screen.painted(t)
		before := screen.n.Load()
		show(fusion.Unusable)
		screen.painted(t)
		stop()
		<-ended
		if n := screen.n.Load(); before != 0 || n != tt.want {
			t.Errorf("%s: rung %d times while usable, %d in all, want 0 and %d", tt.name, before, n, tt.want)
		}
	}
}
