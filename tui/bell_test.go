package tui

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"kerbline/fusion"

	"github.com/gdamore/tcell/v2"
)

// belled counts how often a screen's bell was rung.
type belled struct {
	tcell.SimulationScreen
	n atomic.Int32
}

func (b *belled) Beep() error { b.n.Add(1); return nil }

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
		time.Sleep(200 * time.Millisecond)
		before := screen.n.Load()
		show(fusion.Unusable)
		for range 500 {
			if screen.n.Load() == tt.want {
				break
			}
			time.Sleep(time.Millisecond)
		}
		time.Sleep(50 * time.Millisecond)
		stop()
		<-ended
		if n := screen.n.Load(); before != 0 || n != tt.want {
			t.Errorf("%s: rung %d times while usable, %d in all, want 0 and %d", tt.name, before, n, tt.want)
		}
	}
}
