//go:build linux

package engine

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/fixtures"
	"kerbline/fusion"
)

// session is a short quiet drive.
func session() map[string][]byte {
	s := fixtures.Standard("nominal", 4)
	s.Still, s.Duration = 12, 200
	files, _ := s.Files()
	return files
}

// wait waits for up to s of host time until ok, and returns how long it took
// in s of host time.
func (r *rig) wait(s float64, ok func() bool) float64 {
	begin := time.Now()
	for {
		d := time.Since(begin).Seconds() * r.speed
		if ok() {
			return d
		}
		if d > s {
			return -1
		}
		time.Sleep(time.Millisecond)
	}
}

// Each source is unplugged in turn while the car drives usably: where the
// verdict must fall, it does within half a second, and it comes back.
func TestUnplugged(t *testing.T) {
	speed := 2.0
	if os.Getenv("KERBLINE_UNPLUG_1X") != "" {
		speed = 1
	}
	files := session()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r := newRig(t, files, 0, speed)
	o := r.options(files, path)
	live := new(tape)
	o.Look, o.State = live.look, live.state
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	e, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ran := make(chan error, 1)
	go func() { ran <- e.Run(ctx) }()
	r.began = time.Now()
	go r.play(ctx, 195)

	usable := func() bool { return live.snap().Verdict == fusion.Usable }
	for _, tt := range []struct {
		ch   fusion.Channel
		must bool    // the verdict must fall
		for_ float64 // s
	}{
		{fusion.ChanNMEA, true, 2}, {fusion.ChanIMU, true, 2}, {fusion.ChanWheel, false, 2}, {fusion.ChanCorrections, false, 2},
	} {
		if r.wait(80, usable) < 0 {
			t.Fatalf("%s: never usable before: %v %v", tt.ch, live.snap().Verdict, reasons(live.snap()))
		}
		r.mute(tt.ch, true)
		muted := recorder.Seconds(r.now())
		took := -1.0
		if r.wait(tt.for_, func() bool { return !usable() }) >= 0 {
			took = live.snap().T - muted // on the host clock, as a consumer sees it
		}
		switch {
		case tt.must && took < 0:
			t.Errorf("%s unplugged: still usable after %g s", tt.ch, tt.for_)
		case tt.must && took > 0.5:
			t.Errorf("%s unplugged: not usable after %.2f s, want 0.5 s", tt.ch, took)
		}
		t.Logf("%s unplugged: %.2f s, then %v %v", tt.ch, took, live.snap().Verdict, reasons(live.snap()))
		r.wait(tt.for_, func() bool { return false })
		r.mute(tt.ch, false)
	}
	// The receiver's cable, really pulled: told in words, and the rest goes on.
	if r.wait(60, usable) < 0 {
		t.Fatalf("never usable again: %v", reasons(live.snap()))
	}
	r.mu.Lock()
	r.port.Unplug()
	r.quiet[fusion.ChanNMEA] = true
	r.mu.Unlock()
	if took := r.wait(0.5*speed, func() bool { return !live.source(fusion.ChanNMEA).OK }); took < 0 {
		t.Errorf("unplugging is not told within half a second: %+v", live.source(fusion.ChanNMEA))
	}
	if s := live.source(fusion.ChanNMEA); !strings.Contains(s.Words, "trying again") {
		t.Errorf("said %q", s.Words)
	}
	imu := live.snap().Counts.IMU
	if r.wait(2, func() bool { return live.snap().Counts.IMU > imu+50 }) < 0 {
		t.Error("the inertial sensor stopped with the receiver")
	}
	cancel()
	if err := <-ran; err != nil {
		t.Fatal(err)
	}
	again := replay(t, path)
	if err := alike(again.verdicts, live.verdicts); err != nil {
		t.Error(err)
	}
}

func reasons(s fusion.Snapshot) (list []string) {
	for _, r := range s.Reasons[:s.NReasons] {
		list = append(list, r.Code)
	}
	return list
}

// memory returns the resident set, bytes.
func memory() int64 {
	b, _ := os.ReadFile("/proc/self/statm")
	var size, resident int64
	fmt.Sscan(string(b), &size, &resident)
	return resident * int64(os.Getpagesize())
}

// A flood on every input, of good lines, garbage and half frames: nothing
// panics or stalls, memory stays bounded, records are not dropped, and the
// replay is the live run.
func TestFlood(t *testing.T) {
	files := fixtures.Demo()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r := newRig(t, files, 40, 1)
	o := r.options(files, path)
	live := new(tape)
	o.Look, o.State = live.look, live.state
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	e, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ran := make(chan error, 1)
	go func() { ran <- e.Run(ctx) }()
	go r.play(ctx, 1e9) // the real devices, at their pace
	if r.wait(3, func() bool { return live.snap().Counts.IMU > 20 && live.snap().Counts.Epochs > 2 }) < 0 {
		t.Fatalf("not begun: %+v", live.snap().Counts)
	}
	runtime.GC()
	goroutines := runtime.NumGoroutine()
	rng := rand.New(rand.NewPCG(1, 1))
	garbage := make([]byte, 1<<16)
	for i := range garbage {
		garbage[i] = byte(rng.Uint32())
	}
	var sent int64
	for i := 0; time.Since(r.began) < 5*time.Second; i++ {
		at := rng.IntN(len(garbage) - 4000)
		now := recorder.Seconds(r.now())
		for range 10 { // 20,000 lines a second
			r.send(fusion.ChanIMU, fmt.Appendf(nil, "%.6f,0.01,0.02,0.03,0.1,0.2,9.8\n", now))
		}
		r.send(fusion.ChanWheel, fmt.Appendf(nil, "%.6f,1.0\n", now))
		r.send(fusion.ChanCorrections, garbage[at:at+100+rng.IntN(500)])
		if i%3 == 0 {
			r.send(fusion.ChanNMEA, garbage[at:at+rng.IntN(80)])
		}
		r.send(fusion.ChanNMEA, bytes.Repeat([]byte("$GNGGA,"), 3))
		sent++
		time.Sleep(500 * time.Microsecond)
	}
	if n := runtime.NumGoroutine(); n > goroutines+2 {
		t.Errorf("%d goroutines, %d before", n, goroutines)
	}
	s := live.snap()
	if lag := recorder.Seconds(r.now()) - s.T; lag > 0.5 {
		t.Errorf("the last verdict is %.2f s old", lag)
	}
	if s.Verdict == fusion.Usable {
		t.Error("usable in a flood of nonsense")
	}
	t.Logf("%d rounds, counts %+v, %d MB resident", sent, s.Counts, memory()>>20)
	cancel()
	if err := <-ran; err != nil {
		t.Fatal(err)
	}
	if st := live.states.Recording; st == nil || st.Lost > 0 {
		t.Errorf("recording %+v", st)
	}
	again := replay(t, path)
	if err := alike(again.verdicts, live.verdicts); err != nil {
		t.Error(err)
	}
	if err := alike(again.events, live.events); err != nil {
		t.Error(err)
	}
}

// The host clock is set forward, then back, by an hour: the verdict falls, the
// monitor goes on, and the replay is the live run.
func TestClockStepped(t *testing.T) {
	files := fixtures.Demo()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r := newRig(t, files, 60, 4)
	o := r.options(files, path)
	live := new(tape)
	o.Look, o.State = live.look, live.state
	set := func(ns int64) { r.mu.Lock(); r.step += ns; r.mu.Unlock() }
	err := r.runFor(o, 16, func(*Engine) {
		time.Sleep(time.Second)
		set(3600e9)
		time.Sleep(time.Second)
		before := live.snap().Seq
		set(-3600e9)
		time.Sleep(500 * time.Millisecond)
		if n := live.snap().Seq - before; n < 10 {
			t.Errorf("%d verdicts in 2 s after the clock was set back, want 20", n)
		}
		set(-3600e9)
	})
	if err != nil {
		t.Fatal(err)
	}
	steps := 0
	for _, e := range live.heard {
		if e.Kind == fusion.EventClock {
			steps++
		}
	}
	if steps == 0 {
		t.Error("no clock_step event")
	}
	again := replay(t, path)
	if err := alike(again.verdicts, live.verdicts); err != nil {
		t.Error(err)
	}
	if err := alike(again.events, live.events); err != nil {
		t.Error(err)
	}
}

// A recording that cannot be written takes nothing along and says so.
func TestRecordingFails(t *testing.T) {
	files := fixtures.Demo()
	r := newRig(t, files, 60, 4)
	o := r.options(files, filepath.Join(t.TempDir(), "none", "run.mcap"))
	live := new(tape)
	o.Look, o.State = live.look, live.state
	err := r.runFor(o, 8, nil)
	if err == nil || !strings.Contains(err.Error(), "the folder does not exist") {
		t.Errorf("ended with %v", err)
	}
	if st := live.states.Recording; st == nil || st.OK || st.Words != "the folder does not exist" || st.Lost == 0 {
		t.Errorf("recording %+v", st)
	}
	if live.snap().Counts.Epochs < 60 {
		t.Errorf("counts %+v", live.snap().Counts)
	}
}

// A screen that panics takes nothing along.
func TestScreenFails(t *testing.T) {
	files := fixtures.Demo()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r := newRig(t, files, 60, 4)
	o := r.options(files, path)
	n := 0
	o.Look = func(*fusion.Snapshot, []fusion.Event) {
		if n++; n == 5 {
			panic("painted into a corner")
		}
	}
	o.State = func(State) {}
	if err := r.runFor(o, 8, nil); err != nil {
		t.Fatal(err)
	}
	again := replay(t, path)
	if again.last.Counts.Epochs < 60 || n != 5 {
		t.Errorf("%d epochs recorded, %d calls", again.last.Counts.Epochs, n)
	}
}

// A mistake of our own in the loop ends the run, not the recording.
func TestLoopFails(t *testing.T) {
	files := fixtures.Demo()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r := newRig(t, files, 60, 4)
	o := r.options(files, path)
	o.Publish = []Publisher{&fatal{at: 20}}
	err := r.runFor(o, 8, nil)
	if err == nil || !strings.Contains(err.Error(), "short circuit") {
		t.Errorf("ended with %v", err)
	}
	rd, err := recorder.Open(path, recorder.Topics{})
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	var last string
	n := 0
	for {
		rec, err := rd.Next()
		if err != nil {
			break
		}
		last = string(rec.Data)
		n++
	}
	if d := rd.Damage(); n < 100 || d != (recorder.Damage{}) || !strings.Contains(last, "internal error: short circuit") {
		t.Errorf("%d records, damage %v, last %q", n, d, last)
	}
}

type fatal struct{ at int }

func (f *fatal) Send(*fusion.Snapshot) {
	if f.at--; f.at == 0 {
		panic("short circuit")
	}
}
