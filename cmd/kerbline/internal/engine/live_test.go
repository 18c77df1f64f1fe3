//go:build linux

package engine

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"kerbline/fixtures"
	"kerbline/fusion"
)

// runFor runs an engine on the rig for d s of host time, with hook called when
// it runs.
func (r *rig) runFor(o Options, d float64, hook func(e *Engine)) error {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	e, err := New(o)
	if err != nil {
		r.t.Fatal(err)
	}
	r.began = time.Now()
	go func() {
		if hook != nil {
			go hook(e)
		}
		r.play(ctx, d)
		time.Sleep(200 * time.Millisecond)
		cancel()
	}()
	return e.Run(ctx)
}

// The verdicts of a live run on real ports are those of a replay of its
// recording, byte for byte, at the pace of life and twenty times faster.
func TestReplayEqualsLive(t *testing.T) {
	files := fixtures.Demo()
	for _, tt := range []struct {
		name                string
		from, length, speed float64
		usable              int // verdicts at least
	}{
		{"1x", 60, 6, 1, 0},
		{"20x", 0, 184, 20, 20},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var live *tape
			// At twenty times the pace of life a busy computer's pauses count
			// twenty times: a run that was held up says little and is tried again.
			for attempt := 1; ; attempt++ {
				path := filepath.Join(t.TempDir(), "run.mcap")
				r := newRig(t, files, tt.from, tt.speed)
				o := r.options(files, path)
				live = new(tape)
				o.Look, o.State = live.look, live.state
				if err := r.runFor(o, tt.length, nil); err != nil {
					t.Fatal(err)
				}
				again := replay(t, path)
				if err := alike(again.verdicts, live.verdicts); err != nil {
					t.Errorf("verdicts: %v", err)
				}
				if err := alike(again.events, live.events); err != nil {
					t.Errorf("events: %v", err)
				}
				n := live.n[fusion.Usable]
				if n >= tt.usable {
					break
				}
				if attempt == 3 {
					t.Errorf("usable in %d of %v verdicts, want %d: what was compared says little; at the end %v", n, live.n, tt.usable, live.last.Reasons[:live.last.NReasons])
					break
				}
			}
			c := live.last.Counts
			t.Logf("%d verdicts %v, %d epochs, %d IMU, %d wheel, %d frames", len(live.verdicts), live.n, c.Epochs, c.IMU, c.Wheel, c.Frames)
			if c.Epochs < uint64(8*tt.length) || c.Frames == 0 || c.IMU < uint64(80*tt.length) || c.Wheel < uint64(15*tt.length) {
				t.Errorf("counts %+v: an input is missing", c)
			}
		})
	}
}
