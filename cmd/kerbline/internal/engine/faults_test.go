//go:build linux

package engine

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
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

// Each source is unplugged in turn while the car drives usably: where the
// verdict must fall, it does within half a second, and it comes back.
func TestUnplugged(t *testing.T) {
	if testing.Short() {
		t.Skip("a drive of three minutes")
	}
	synctest.Test(t, func(t *testing.T) {
		files := session()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 0)
		o := r.options(files, path)
		live := new(observer)
		o.Look, o.State = live.look, live.state
		_, end := r.start(o)
		ctx, cancel := context.WithCancel(context.Background())
		played := make(chan struct{})
		go func() { defer close(played); r.play(ctx, 195) }()
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
			took := r.wait(tt.for_, func() bool { return !usable() })
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
		if r.wait(60, usable) < 0 {
			t.Errorf("never usable again: %v", reasons(live.snap()))
		}
		cancel()
		<-played
		if err := end(); err != nil {
			t.Fatal(err)
		}
		sameAgain(t, path, live)
	})
}

func reasons(s fusion.Snapshot) (list []string) {
	for _, r := range s.Reasons[:s.NReasons] {
		list = append(list, r.Code)
	}
	return list
}

// A flood on every input of real ports, of good lines, garbage and half frames:
// nothing panics or stalls, records are not dropped, and the replay is the live
// run.
func TestFlood(t *testing.T) {
	files := fixtures.Demo()
	path := filepath.Join(t.TempDir(), "run.mcap")
	r, p := newRig(t, files, 40), newPorts(t)
	o := r.options(files, path)
	o.Inputs, o.Record.Every = p.inputs(t), 0
	r.give = p.send
	live := new(observer)
	o.Look, o.State = live.look, live.state
	_, end := r.start(o)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	played := make(chan struct{})
	go func() { defer close(played); r.play(ctx, 1e9) }() // the real devices, at their pace
	if r.wait(60, func() bool { c := live.snap().Counts; return c.IMU > 20 && c.Epochs > 2 }) < 0 {
		t.Fatalf("not begun: %+v", live.snap().Counts)
	}
	runtime.GC()
	goroutines := runtime.NumGoroutine()
	rng := rand.New(rand.NewPCG(1, 1))
	garbage := make([]byte, 1<<16)
	for i := range garbage {
		garbage[i] = byte(rng.Uint32())
	}
	const rounds = 3000
	for i := range rounds {
		at := rng.IntN(len(garbage) - 4000)
		now := recorder.Seconds(r.now())
		for range 10 {
			p.send(fusion.ChanIMU, fmt.Appendf(nil, "%.6f,0.01,0.02,0.03,0.1,0.2,9.8\n", now))
		}
		p.send(fusion.ChanWheel, fmt.Appendf(nil, "%.6f,1.0\n", now))
		p.send(fusion.ChanCorrections, garbage[at:at+100+rng.IntN(500)])
		if i%3 == 0 {
			p.send(fusion.ChanNMEA, garbage[at:at+rng.IntN(80)])
		}
		p.send(fusion.ChanNMEA, bytes.Repeat([]byte("$GNGGA,"), 3))
		if i%10 == 0 {
			time.Sleep(time.Millisecond)
		}
	}
	if n := runtime.NumGoroutine(); n > goroutines+2 {
		t.Errorf("%d goroutines, %d before", n, goroutines)
	}
	// The loop is behind by what its queue holds, and comes out at the other end.
	end1 := recorder.Seconds(r.now())
	if r.wait(60, func() bool { return live.snap().T > end1 }) < 0 {
		t.Errorf("no verdict after the flood, the last at %.2f s of %.2f", live.snap().T-r.from, end1-r.from)
	}
	s := live.snap()
	if s.Verdict == fusion.Usable {
		t.Error("usable in a flood of nonsense")
	}
	t.Logf("counts %+v", s.Counts)
	cancel()
	<-played
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if st := live.states.Recording; st == nil || st.Lost > 0 {
		t.Errorf("recording %+v", st)
	}
	sameAgain(t, path, live)
}

// The host clock is set forward, then back, by an hour: the verdict falls, the
// monitor goes on, and the replay is the live run.
func TestClockStepped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 60)
		o := r.options(files, path)
		live := new(observer)
		o.Look, o.State = live.look, live.state
		go func() {
			time.Sleep(4 * time.Second)
			r.set(3600e9)
			time.Sleep(4 * time.Second)
			before := live.snap().Seq
			r.set(-3600e9)
			time.Sleep(2 * time.Second)
			if n := live.snap().Seq - before; n < 15 {
				t.Errorf("%d verdicts in 2 s after the clock was set back, want 20", n)
			}
			r.set(-3600e9)
		}()
		if err := r.drive(o, 16); err != nil {
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
		sameAgain(t, path, live)
	})
}

// A recording that cannot be written takes nothing along and says so.
func TestRecordingFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		r := newRig(t, files, 60)
		o := r.options(files, filepath.Join(t.TempDir(), "none", "run.mcap"))
		live := new(observer)
		o.Look, o.State = live.look, live.state
		err := r.drive(o, 8)
		if err == nil || !strings.Contains(err.Error(), "the folder does not exist") {
			t.Errorf("ended with %v", err)
		}
		if st := live.states.Recording; st == nil || st.OK || st.Words != "the folder does not exist" || st.Lost == 0 {
			t.Errorf("recording %+v", st)
		}
		if live.snap().Counts.Epochs < 60 {
			t.Errorf("counts %+v", live.snap().Counts)
		}
	})
}

// A screen that panics takes nothing along.
func TestScreenFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 60)
		o := r.options(files, path)
		n := 0
		o.Look = func(*fusion.Snapshot, []fusion.Event) {
			if n++; n == 5 {
				panic("painted into a corner")
			}
		}
		o.State = func(State) {}
		if err := r.drive(o, 8); err != nil {
			t.Fatal(err)
		}
		again := replay(t, path)
		if again.last.Counts.Epochs < 60 || n != 5 {
			t.Errorf("%d epochs recorded, %d calls", again.last.Counts.Epochs, n)
		}
	})
}

// A mistake of our own in the loop ends the run, not the recording.
func TestLoopFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 60)
		o := r.options(files, path)
		o.Publish = []Publisher{&fatal{at: 20}}
		_, end := r.start(o)
		ctx, cancel := context.WithCancel(context.Background())
		played := make(chan struct{})
		go func() { defer close(played); r.play(ctx, 8) }()
		time.Sleep(4 * time.Second)
		err := end()
		if err == nil || !strings.Contains(err.Error(), "short circuit") {
			t.Errorf("ended with %v", err)
		}
		cancel()
		<-played
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
	})
}

type fatal struct{ at int }

func (f *fatal) Send(*fusion.Snapshot) {
	if f.at--; f.at == 0 {
		panic("short circuit")
	}
}

// A loop that stands still for 0.8 s, as on a computer that is busy, puts that on
// record: live and replay name the computer, once, and say the same.
func TestComputerLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := fixtures.Demo()
		path := filepath.Join(t.TempDir(), "run.mcap")
		r := newRig(t, files, 60)
		o := r.options(files, path)
		live := new(observer)
		n := 0
		o.Look = func(s *fusion.Snapshot, ev []fusion.Event) {
			live.look(s, ev)
			if n++; n == 60 {
				time.Sleep(800 * time.Millisecond)
			}
		}
		o.State = live.state
		if err := r.drive(o, 12); err != nil {
			t.Fatal(err)
		}
		sameAgain(t, path, live)
		var late []fusion.Event
		for _, e := range live.heard {
			if e.Kind == fusion.EventComputer {
				late = append(late, e)
			}
		}
		if len(late) != 1 || late[0].Size < 0.74 || late[0].Size > 0.86 {
			t.Errorf("events %+v, want one of 0.8 s", late)
		}
	})
}
