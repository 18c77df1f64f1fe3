package player

import (
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"kerbline/fusion"
	"kerbline/tui"
)

// Stream yields the measurements of a recording in the order of their arrival.
type Stream interface {
	// Next returns the next measurements, io.EOF at the end. The slice and
	// what it points to stay valid until the next call.
	Next() ([]fusion.Measurement, error)
}

// Monitor is what is played: *fusion.Monitor.
type Monitor interface {
	Step(*fusion.Measurement) (*fusion.Snapshot, []fusion.Event)
	Close() []fusion.Event
}

const (
	maxGap   = 2.0                   // s; a longer step of the recorded clock is skipped
	busy     = 40 * time.Millisecond // of work before the screen is served again
	rewound  = 0.5                   // s; an event nearer than this counts as the present one when going back
	checkDue = 64                    // measurements between looks at the wall clock
)

// speeds are the paces to choose from, times real time.
var speeds = [...]float64{0.25, 0.5, 1, 2, 4, 8, 16, 32, 64}

const normalSpeed = 2 // index of 1x

// seeking says what a seek looks for.
type seeking uint8

const (
	notSeeking seeking = iota
	toPosition
	toEvent
	toLine // the next verdict line
)

// playback is the state of a replay. It is stepped from one goroutine and told the
// time.
type playback struct {
	open    func() (Stream, error)
	monitor func() Monitor
	feed    *tui.Feed
	now     func() time.Time

	stream  Stream
	mon     Monitor
	batch   []fusion.Measurement
	next    int     // index in batch
	offset  float64 // host Unix s at position 0, NaN before the first measurement
	pos     float64 // s
	lines   int     // snapshots since the start of the recording
	events  []float64
	length  float64 // s, NaN until known
	ended   bool
	problem string // why the recording could not be read on

	speed  int // index in speeds
	paused bool
	due    float64   // s, position up to which to play
	wall   time.Time // when due was last moved on

	seek     seeking
	from, to float64 // s
}

// rewind opens the recording anew with a fresh monitor.
func (d *playback) rewind() error {
	if c, ok := d.stream.(io.Closer); ok {
		c.Close()
	}
	s, err := d.open()
	if err != nil {
		d.stream, d.ended = nil, true
		return fmt.Errorf("player: opening the recording: %w", err)
	}
	d.stream, d.mon = s, d.monitor()
	d.batch, d.next, d.offset, d.pos, d.lines = nil, 0, math.NaN(), 0, 0
	d.events = d.events[:0]
	d.ended, d.problem, d.due = false, "", 0
	d.feed.Reset()
	return nil
}

// peek returns the next measurement, nil at the end.
func (d *playback) peek() *fusion.Measurement {
	for !d.ended && d.next >= len(d.batch) {
		b, err := d.stream.Next()
		if err != nil {
			if !errors.Is(err, io.EOF) {
				d.problem = err.Error()
			}
			d.finish()
			return nil
		}
		d.batch, d.next = b, 0
	}
	if d.ended {
		return nil
	}
	return &d.batch[d.next]
}

func (d *playback) finish() {
	d.ended, d.batch, d.next = true, nil, 0
	if ev := d.mon.Close(); len(ev) > 0 {
		d.events = append(d.events, d.pos)
		d.feed.Step(nil, ev)
	}
	if d.problem == "" || !(d.length > d.pos) {
		d.length = d.pos
	}
	d.seek, d.paused = notSeeking, true
}

// place returns the position of host time t, and the offset that gives it.
func (d *playback) place(t float64) (pos, offset float64) {
	switch p := t - d.offset; {
	case math.IsNaN(t) || math.IsInf(t, 0):
		return d.pos, d.offset
	case math.IsNaN(d.offset):
		return 0, t
	case p > d.pos+maxGap || p < d.pos-maxGap:
		return d.pos, t - d.pos
	default:
		return max(p, d.pos), d.offset
	}
}

// play steps the monitor by m and returns whether a verdict line came, and
// whether anything happened.
func (d *playback) play(m *fusion.Measurement) (line, happened bool) {
	d.pos, d.offset = d.place(m.T)
	d.next++
	snap, events := d.mon.Step(m)
	d.feed.Step(snap, events)
	if len(events) > 0 {
		d.events = append(d.events, d.pos)
	}
	if snap != nil {
		d.lines++
	}
	return snap != nil, len(events) > 0
}

// advance plays what is due at the wall clock, or goes on with a seek. It
// returns after a bounded time; what a slow machine does not manage is played
// later, not skipped.
func (d *playback) advance() {
	start := d.now()
	elapsed := start.Sub(d.wall).Seconds()
	d.wall = start
	if d.seek == notSeeking && !d.paused {
		d.due += max(elapsed, 0) * speeds[d.speed]
	}
	for i := 1; ; i++ {
		if d.seek == notSeeking && d.paused {
			break
		}
		m := d.peek()
		if m == nil {
			break
		}
		if d.seek == notSeeking {
			if p, _ := d.place(m.T); p > d.due {
				break
			}
		}
		if d.reached(d.play(m)) {
			d.seek = notSeeking
			d.due = d.pos
			break
		}
		if i%checkDue == 0 && d.now().Sub(start) > busy {
			d.due = min(d.due, d.pos)
			break
		}
	}
	if d.ended {
		d.due = d.pos
	}
}

// reached reports whether a running seek is where it wanted to be. At least one
// verdict line must have come, so that there is something to show.
func (d *playback) reached(line, happened bool) bool {
	switch d.seek {
	case toLine:
		return line
	case toPosition:
		return d.pos >= d.to && d.lines > 0
	case toEvent:
		return happened && d.pos > d.from
	}
	return false
}

// stepOnce plays up to the next verdict line and pauses.
func (d *playback) stepOnce() {
	d.paused = true
	if !d.ended {
		d.seek = toLine
	}
}

// pause pauses or goes on; at the end it starts again from the beginning.
func (d *playback) pause() {
	if d.ended {
		d.seekTo(0)
		d.paused = false
		return
	}
	d.paused = !d.paused
	d.due = d.pos
}

// seekTo goes to a position. The replay goes on as it was, paused or not.
func (d *playback) seekTo(pos float64) {
	paused := d.paused
	pos = max(pos, 0)
	if pos < d.pos {
		if err := d.rewind(); err != nil {
			d.problem, d.paused = err.Error(), true
			return
		}
		d.paused = paused
	}
	if d.ended {
		return
	}
	d.seek, d.from, d.to = toPosition, d.pos, pos
}

// again plays up to the present position anew, after a change.
func (d *playback) again(change func()) {
	change()
	pos, paused := d.pos, d.paused
	if err := d.rewind(); err != nil {
		d.problem, d.paused = err.Error(), true
		return
	}
	d.paused = paused
	d.seek, d.from, d.to = toPosition, 0, pos
}

// seekBy goes on or back by so many seconds, counted from where a running seek
// will end.
func (d *playback) seekBy(s float64) {
	base := d.pos
	if d.seek == toPosition {
		base = d.to
	}
	d.seekTo(base + s)
}

// seekEvent goes to the next event, found by playing on unseen, or to the one
// before, and pauses there.
func (d *playback) seekEvent(by int) {
	if by > 0 {
		if !d.ended {
			d.seek, d.from, d.paused = toEvent, d.pos, true
		}
		return
	}
	to := 0.0
	for _, p := range d.events {
		if p < d.pos-rewound {
			to = p
		}
	}
	d.seekTo(to)
	d.paused = true
}

func (d *playback) faster(by int) {
	d.speed = max(0, min(d.speed+by, len(speeds)-1))
}

// state describes the replay for the screen.
func (d *playback) state() tui.Replay {
	r := tui.Replay{Pos: d.pos, Length: d.length, Speed: speeds[d.speed], Paused: d.paused, AtEnd: d.ended, Seek: math.NaN()}
	switch d.seek {
	case toPosition:
		r.Seek = 0
		if d.to > d.from {
			r.Seek = min(max((d.pos-d.from)/(d.to-d.from), 0), 1)
		}
	case toEvent:
		r.Seek = 0
		if d.length > 0 {
			r.Seek = min(d.pos/d.length, 1)
		}
	}
	return r
}

// publish shows where the replay stands. While a seek runs only that is shown:
// the moments it passes are not.
func (d *playback) publish() {
	r := d.state()
	if d.seek != notSeeking && d.feed.Latest() != nil {
		d.feed.PublishSame(func(v *tui.View) { v.Replay, v.Notice = &r, d.problem })
		return
	}
	d.feed.Set(func(v *tui.View) { v.Replay, v.Notice = &r, d.problem })
	d.feed.Publish(d.now())
}
