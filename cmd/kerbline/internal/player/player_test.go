package player

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"kerbline/fusion"
	"kerbline/tui"
)

const t0 = 1781942400.0 // host Unix s at which the test recording starts

// reel is a recording of ticks, 100 a second, three to a batch.
type reel struct {
	seconds float64
	stepAt  float64 // s at which the recorded clock jumps by an hour, 0 never
	failAt  float64 // s at which reading fails, 0 never
	i       int
	closed  *int
}

func (r *reel) Next() ([]fusion.Measurement, error) {
	var b []fusion.Measurement
	for range 3 {
		s := float64(r.i) / 100
		if s > r.seconds+1e-9 {
			break
		}
		if r.failAt > 0 && s >= r.failAt {
			return nil, errors.New("the disk is gone")
		}
		t := t0 + s
		if r.stepAt > 0 && s >= r.stepAt {
			t += 3600
		}
		b = append(b, fusion.Measurement{T: t, Kind: fusion.KindTick})
		r.i++
	}
	if len(b) == 0 {
		return nil, io.EOF
	}
	return b, nil
}

func (r *reel) Close() error { *r.closed++; return nil }

// meter is a monitor that gives a line each tenth measurement and an event at
// 10, 20 and 40 s. Its snapshots depend on everything it saw, in order.
type meter struct {
	n     int
	sum   float64
	snap  fusion.Snapshot
	steps *int
}

func (m *meter) Step(in *fusion.Measurement) (*fusion.Snapshot, []fusion.Event) {
	m.n++
	*m.steps++
	m.sum = m.sum*0.999 + in.T - t0
	var ev []fusion.Event
	if m.n == 1001 || m.n == 2001 || m.n == 4001 {
		ev = []fusion.Event{{T: in.T, Kind: fusion.EventJump, Size: m.sum}}
	}
	if m.n%10 != 1 {
		return nil, ev
	}
	m.snap.T, m.snap.Seq, m.snap.Speed = in.T, uint64(m.n/10+1), m.sum
	return &m.snap, ev
}

func (m *meter) Close() []fusion.Event { return []fusion.Event{{T: t0, Kind: fusion.EventOutage}} }

// room is a playback with a clock of its own.
type room struct {
	*playback
	wall          time.Time
	steps, closed int
}

func newRoom(t *testing.T, r reel) *room {
	t.Helper()
	x := &room{wall: time.Unix(5000, 0)}
	p := New(Config{
		Open:    func() (Stream, error) { c := r; c.closed = &x.closed; return &c, nil },
		Monitor: func() Monitor { return &meter{steps: &x.steps} },
		Feed:    tui.NewFeed(tui.View{Name: "Quarry Loop"}),
		Now:     func() time.Time { return x.wall },
	})
	x.playback = &p.d
	if err := x.rewind(); err != nil {
		t.Fatal(err)
	}
	x.playback.wall = x.wall
	return x
}

// pass lets wall time go by, in steps of 40 ms.
func (x *room) pass(s float64) {
	for range int(math.Round(s / 0.04)) {
		x.wall = x.wall.Add(40 * time.Millisecond)
		x.advance()
		x.publish()
	}
}

// settle goes on until no seek runs, without wall time for playing.
func (x *room) settle() {
	for range 10000 {
		x.advance()
		x.publish()
		if x.seek == notSeeking {
			return
		}
	}
}

func (x *room) at(t *testing.T, want float64) {
	t.Helper()
	if math.Abs(x.pos-want) > 0.011 {
		t.Fatalf("at %.3f s, want %.3f", x.pos, want)
	}
	v := x.feed.Latest()
	if v == nil || v.Replay == nil || math.Abs(v.Replay.Pos-want) > 0.011 {
		t.Fatalf("the screen shows %+v, want %.3f s", v.Replay, want)
	}
}

func TestPace(t *testing.T) {
	x := newRoom(t, reel{seconds: 60})
	x.pass(4)
	x.at(t, 4)
	x.faster(1)
	x.pass(4)
	x.at(t, 12)
	x.faster(-1)
	x.faster(-1)
	x.faster(-1)
	x.faster(-1) // 0.25 is the slowest
	x.pass(8)
	x.at(t, 14)
	x.pause()
	x.pass(100)
	x.at(t, 14)
	if !x.feed.Latest().Replay.Paused {
		t.Error("the screen does not say paused")
	}
	x.pause()
	for range 20 {
		x.faster(1)
	}
	if r := x.state(); r.Speed != 64 {
		t.Errorf("fastest %g", r.Speed)
	}
	x.pass(0.4)
	x.at(t, 14+0.4*64)
	x.pass(2) // past the end
	x.at(t, 60)
	if r := x.feed.Latest().Replay; !r.AtEnd || !r.Paused || r.Length != x.pos {
		t.Errorf("at the end: %+v", r)
	}
	if ev := x.feed.Latest().Events; len(ev) != 4 || ev[0].Kind != fusion.EventOutage {
		t.Errorf("events %v: the monitor was not closed", ev)
	}
	x.stepOnce()
	x.seekBy(10)
	x.seekEvent(1)
	x.pass(1) // nothing of this leads beyond the end
	x.at(t, 60)
	x.speed = normalSpeed
	x.pause() // play again
	x.settle()
	x.pass(2)
	x.at(t, 2)
	if v := x.feed.Latest(); len(v.Events) != 0 {
		t.Errorf("%d events of the pass before", len(v.Events))
	}
}

func TestSingleSteps(t *testing.T) {
	x := newRoom(t, reel{seconds: 60})
	x.pass(2)
	seq := x.feed.Latest().Snap.Seq
	for i := range uint64(5) {
		x.stepOnce()
		x.pass(0.04)
		if got := x.feed.Latest().Snap.Seq; got != seq+i+1 {
			t.Fatalf("line %d after a step from %d", got, seq+i)
		}
	}
	if !x.paused {
		t.Error("a step does not pause")
	}
	x.pass(10)
	if got := x.feed.Latest().Snap.Seq; got != seq+5 {
		t.Error("paused, but it plays")
	}
}

// What is shown at a position is the same whichever way it was reached.
func TestSeek(t *testing.T) {
	straight := newRoom(t, reel{seconds: 60})
	straight.pass(24.8)
	for straight.feed.Latest().Snap.Seq < 251 {
		straight.stepOnce()
		straight.settle()
	}
	want := straight.feed.Latest()

	x := newRoom(t, reel{seconds: 60})
	x.pause()
	x.seekBy(10)
	x.seekBy(10)
	x.seekBy(60) // three keys in a row add up, and end at the end
	x.settle()
	x.at(t, 60)
	x.seekBy(-60)
	x.settle()
	x.at(t, 0)
	if x.feed.Latest().Snap.Seq != 1 {
		t.Error("nothing to see at the start")
	}
	x.seekBy(35)
	x.settle()
	x.at(t, 35)
	x.seekBy(-10)
	x.settle()
	x.at(t, 25)
	got := x.feed.Latest()
	if got.Snap != want.Snap {
		t.Errorf("line %d (%v), want %d (%v)", got.Snap.Seq, got.Snap.Speed, want.Snap.Seq, want.Snap.Speed)
	}
	if !reflect.DeepEqual(got.Events, want.Events) {
		t.Errorf("events %v, want %v", got.Events, want.Events)
	}
	if x.closed == 0 {
		t.Error("the old stream was not closed")
	}
	x.seekBy(-1000)
	x.settle()
	x.at(t, 0)
	x.pause()
	x.pass(3)
	x.at(t, 3)
	x.seekBy(10) // goes on playing
	x.settle()
	x.pass(1)
	x.at(t, 14)
}

// While a seek runs, the screen keeps what it showed and tells how far it is.
func TestSeekUnseen(t *testing.T) {
	x := newRoom(t, reel{seconds: 60})
	x.pass(5)
	shown := x.feed.Latest().Snap
	// Each step costs a millisecond of wall time: the seek takes many rounds.
	x.monitor = func() Monitor { return &slow{meter{steps: &x.steps}, x} }
	x.seekBy(-2)
	rounds, last := 0, -1.0
	for x.advance(); x.seek != notSeeking; x.advance() {
		x.publish()
		v := x.feed.Latest()
		if v.Snap != shown {
			t.Fatal("a passing moment was shown")
		}
		if v.Replay.Seek < last || v.Replay.Seek > 1 {
			t.Fatalf("progress %g after %g", v.Replay.Seek, last)
		}
		last = v.Replay.Seek
		rounds++
	}
	if rounds < 3 || last < 0.5 {
		t.Errorf("%d rounds, progress %g", rounds, last)
	}
	x.publish()
	if got := x.feed.Latest(); got.Snap == shown || !math.IsNaN(got.Replay.Seek) || math.Abs(got.Replay.Pos-3) > 0.011 {
		t.Errorf("after the seek: %+v", got.Replay)
	}
}

type slow struct {
	meter
	x *room
}

func (s *slow) Step(in *fusion.Measurement) (*fusion.Snapshot, []fusion.Event) {
	s.x.wall = s.x.wall.Add(time.Millisecond)
	return s.meter.Step(in)
}

// A machine that is too slow for the pace plays on slower; it does not pile up
// work until the keys are dead.
func TestTooSlow(t *testing.T) {
	x := newRoom(t, reel{seconds: 60})
	x.mon = &slow{meter{steps: &x.steps}, x}
	x.speed = len(speeds) - 1
	for range 50 {
		before := x.wall
		x.wall = x.wall.Add(40 * time.Millisecond)
		x.advance()
		if took := x.wall.Sub(before); took > 250*time.Millisecond {
			t.Fatalf("one round took %v", took)
		}
	}
	if x.pos < 10 || x.pos > 40 { // 50 rounds of 40-64 steps of 10 ms each
		t.Errorf("at %.1f s", x.pos)
	}
}

func TestSeekEvent(t *testing.T) {
	x := newRoom(t, reel{seconds: 60})
	x.pass(1)
	for _, tt := range []struct {
		by   int
		want float64
	}{{1, 10}, {1, 20}, {1, 40}, {-1, 20}, {-1, 10}, {-1, 0}, {1, 10}, {1, 20}, {1, 40}, {1, 60}, {-1, 40}} {
		x.seekEvent(tt.by)
		x.settle()
		x.at(t, tt.want)
		if !x.paused {
			t.Error("not paused at the event")
		}
	}
}

// An hour that only the recorded clock lived is not waited for, a step back
// neither.
func TestClockStep(t *testing.T) {
	x := newRoom(t, reel{seconds: 20, stepAt: 5})
	x.pass(10)
	if math.Abs(x.pos-10) > 0.05 {
		t.Errorf("at %.2f s after 10 s", x.pos)
	}
	d := &playback{offset: t0, pos: 50}
	for _, tt := range []struct{ t, pos, offset float64 }{
		{t0 + 50.1, 50.1, t0}, {t0 + 49.99, 50, t0}, {t0 + 10, 50, t0 - 40}, {math.NaN(), 50, t0}, {math.Inf(1), 50, t0},
	} {
		if pos, offset := d.place(tt.t); math.Abs(pos-tt.pos) > 1e-6 || math.Abs(offset-tt.offset) > 1e-6 {
			t.Errorf("%f: position %f, offset %f, want %f, %f", tt.t, pos, offset, tt.pos, tt.offset)
		}
	}
}

// A recording that breaks off is told in words; the part before stays playable.
func TestBrokenRecording(t *testing.T) {
	x := newRoom(t, reel{seconds: 60, failAt: 7})
	x.faster(5)
	x.pass(2)
	v := x.feed.Latest()
	if !v.Replay.AtEnd || v.Notice != "the disk is gone" {
		t.Errorf("notice %q, %+v", v.Notice, v.Replay)
	}
	x.seekBy(-4)
	x.settle()
	if math.Abs(x.pos-3) > 0.05 {
		t.Errorf("at %.2f s", x.pos)
	}
	if v := x.feed.Latest(); v.Notice != "" {
		t.Errorf("notice %q stays", v.Notice)
	}
	// And one that cannot be opened again.
	x.open = func() (Stream, error) { return nil, errors.New("moved away") }
	x.seekBy(-2)
	x.settle()
	x.pass(0.2)
	if v := x.feed.Latest(); !strings.Contains(v.Notice, "moved away") || !v.Replay.AtEnd {
		t.Errorf("notice %q", v.Notice)
	}
	err := New(Config{Open: x.open, Feed: tui.NewFeed(tui.View{})}).Run(context.Background())
	if err == nil || !strings.Contains(err.Error(), "moved away") {
		t.Errorf("error %v", err)
	}
}

// An empty recording ends at once.
func TestEmpty(t *testing.T) {
	x := newRoom(t, reel{seconds: -1})
	x.pass(1)
	if r := x.feed.Latest().Replay; !r.AtEnd || r.Pos != 0 {
		t.Errorf("%+v", r)
	}
	x.stepOnce()
	x.pause()
	x.pass(1)
}

// Run with the real clock and keys from other goroutines.
func TestRun(t *testing.T) {
	steps, closed := 0, 0
	feed := tui.NewFeed(tui.View{})
	p := New(Config{
		Open:    func() (Stream, error) { return &reel{seconds: 60, closed: &closed}, nil },
		Monitor: func() Monitor { return &meter{steps: &steps} },
		Feed:    feed, Length: 60,
	})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	until := func(what string, ok func(*tui.View) bool) {
		t.Helper()
		for range 60000 {
			if v := feed.Latest(); v != nil && v.Replay != nil && ok(v) {
				return
			}
			time.Sleep(time.Millisecond)
		}
		t.Fatalf("%s never came: %s", what, fmt.Sprintf("%+v", feed.Latest().Replay))
	}
	until("playing", func(v *tui.View) bool { return v.Replay.Pos > 0.05 && v.Replay.Length == 60 })
	p.Seek(30)
	until("30 s", func(v *tui.View) bool { return v.Replay.Pos >= 30 && v.Snap.T >= t0+29.9 })
	p.Pause()
	until("pause", func(v *tui.View) bool { return v.Replay.Paused })
	at := feed.Latest().Snap.Seq
	p.StepOnce()
	until("a step", func(v *tui.View) bool { return v.Snap.Seq == at+1 })
	p.SeekEvent(-1)
	until("the event before", func(v *tui.View) bool { return math.Abs(v.Replay.Pos-20) < 0.011 && math.IsNaN(v.Replay.Seek) })
	p.Faster(1)
	until("2x", func(v *tui.View) bool { return v.Replay.Speed == 2 })
	for range 200 { // a cat on the keyboard blocks nobody
		p.Faster(-1)
	}
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(time.Minute):
		t.Fatal("the player did not stop")
	}
	if closed == 0 {
		t.Error("the stream was not closed")
	}
}
