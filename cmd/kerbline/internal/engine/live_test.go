//go:build linux

package engine

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerbline/fixtures"
	"kerbline/fusion"
)

// sameAgain fails unless a replay of the recording at path gives what the live
// run gave, byte for byte.
func sameAgain(t *testing.T, path string, live *observer) {
	t.Helper()
	again := replay(t, path)
	if err := alike(again.verdicts, live.verdicts); err != nil {
		t.Errorf("verdicts: %v", err)
	}
	if err := alike(again.events, live.events); err != nil {
		t.Errorf("events: %v", err)
	}
}

// The verdicts of a live run are those of a replay of its recording, byte for
// byte, over a whole drive.
func TestReplayEqualsLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 0)
		o := r.options(files, path)
		live := new(observer)
		o.Look, o.State = live.look, live.state
		length := 184.0
		if testing.Short() { // under the race detector
			length = 20
		}
		if err := r.drive(o, length); err != nil {
			t.Fatal(err)
		}
		sameAgain(t, path, live)
		c := live.last.Counts
		t.Logf("%d verdicts %v, %d epochs, %d IMU, %d wheel, %d frames", len(live.verdicts), live.n, c.Epochs, c.IMU, c.Wheel, c.Frames)
		if testing.Short() {
			return
		}
		if live.n[fusion.Usable] < 500 || c.Epochs < 1700 || c.Frames < 500 || c.IMU < 17000 || c.Wheel < 3000 {
			t.Errorf("verdicts %v, counts %+v: what was compared says little", live.n, c)
		}
	})
}

// So they are where settings were taken while the run went on, and what cannot be
// taken changes nothing.
func TestReplayEqualsLive_Taken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 0)
		o := r.options(files, path)
		live := new(observer)
		o.Look, o.State = live.look, live.state
		e, end := r.start(o)
		r.play(context.Background(), 40)
		before, n := live.snap(), live.n
		e.Take("vehicle.antena_m = [1, 2, 3]")
		e.Take("gnss.latency_s = 0.09, imu.mount_roll_deg = 0.0")
		r.play(context.Background(), 90)
		time.Sleep(200 * time.Millisecond)
		if err := end(); err != nil {
			t.Fatal(err)
		}
		sameAgain(t, path, live)
		// The second half begins with the clock set back: the first record after that is
		// refused, be it a word or another.
		if n := live.last.Counts.Refused[fusion.ChanNote]; n < 1 || n > 2 || !strings.HasPrefix(live.last.Taken, "gnss.latency_s = 0.09 (was") || before.Taken != "" {
			t.Errorf("refused %d, taken %q, before %q", live.last.Counts.Refused[fusion.ChanNote], live.last.Taken, before.Taken)
		}
		told := 0
		for _, ev := range live.heard {
			if ev.Kind == fusion.EventTaken {
				told++
			}
		}
		if before.Verdict != fusion.Usable || live.n[fusion.Usable] < n[fusion.Usable]+50 || live.n[fusion.Unproven] < n[fusion.Unproven]+50 || told != 1 {
			t.Errorf("%s before; %v lines by verdict, %v before, told %d times", before.Verdict, live.n, n, told)
		}
	})
}

// The same on real ports: everything arrives, a cable that is pulled is told in
// words while the others go on, and the replay is the live run.
func TestPorts(t *testing.T) {
	files := fixtures.Demo()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r, p := newRig(t, files, 60), newPorts(t)
	o := r.options(files, path)
	o.Inputs = p.inputs(t)
	r.give = p.send
	live := new(observer)
	o.Look, o.State = live.look, live.state
	_, end := r.start(o)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	played := make(chan struct{})
	go func() { defer close(played); r.play(ctx, 120) }()
	count := func() (c fusion.Counts) { return live.snap().Counts }
	if r.wait(60, func() bool {
		c := count()
		return c.Epochs >= 20 && c.IMU >= 200 && c.Wheel >= 40 && c.Frames >= 5
	}) < 0 {
		t.Fatalf("counts %+v: an input is missing", count())
	}
	r.mute(fusion.ChanNMEA, true)
	p.mu.Lock()
	p.gnss.Unplug()
	p.mu.Unlock()
	if r.wait(30, func() bool { return !live.source(fusion.ChanNMEA).OK }) < 0 || !strings.Contains(live.source(fusion.ChanNMEA).Words, "trying again") {
		t.Errorf("a pulled cable is told as %+v", live.source(fusion.ChanNMEA))
	}
	imu := count().IMU
	if r.wait(30, func() bool { return count().IMU > imu+50 }) < 0 {
		t.Error("the inertial sensor stopped with the receiver")
	}
	cancel()
	<-played
	if err := end(); err != nil {
		t.Fatal(err)
	}
	sameAgain(t, path, live)
}
