package player

import (
	"context"
	"io"
	"math"
	"time"

	"kerbline/tui"
)

// Config says what to play and where to show it.
type Config struct {
	Open    func() (Stream, error) // a fresh stream from the start; closed when it is an io.Closer
	Monitor func() Monitor         // a fresh monitor
	Feed    *tui.Feed
	Length  float64          // s, 0 when not known
	Now     func() time.Time // wall clock, nil for time.Now
}

// Player plays a recording. Its control methods may be called from any
// goroutine and return at once; they are those of tui.Transport.
type Player struct {
	d        playback
	commands chan func(*playback)
}

// New returns a player standing at the start. It opens nothing yet.
func New(c Config) *Player {
	now := c.Now
	if now == nil {
		now = time.Now
	}
	length := math.NaN()
	if c.Length > 0 {
		length = c.Length
	}
	return &Player{
		d:        playback{open: c.Open, monitor: c.Monitor, feed: c.Feed, now: now, length: length, speed: normalSpeed, offset: math.NaN()},
		commands: make(chan func(*playback), 32),
	}
}

// period is the time between publications.
const period = 40 * time.Millisecond

// Run plays until ctx ends, then returns nil. It fails only when the recording
// cannot be opened; what goes wrong later is shown on the screen, and the part
// before stays playable. At the end it waits, paused.
func (p *Player) Run(ctx context.Context) error {
	d := &p.d
	if err := d.rewind(); err != nil {
		return err
	}
	defer func() {
		if c, ok := d.stream.(io.Closer); ok {
			c.Close()
		}
	}()
	d.wall = d.now()
	t := time.NewTicker(period)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case do := <-p.commands:
			do(d)
		case <-t.C:
		}
		d.advance()
		d.publish()
	}
}

// do hands a command to the playing goroutine. When that is overrun by keys,
// the surplus is dropped: a person presses again.
func (p *Player) do(f func(*playback)) {
	select {
	case p.commands <- f:
	default:
	}
}

// Pause pauses, or goes on; at the end it plays again from the start.
func (p *Player) Pause() { p.do((*playback).pause) }

// StepOnce plays to the next verdict line and pauses.
func (p *Player) StepOnce() { p.do((*playback).stepOnce) }

// Seek goes on (or back, when negative) by so many seconds.
func (p *Player) Seek(seconds float64) { p.do(func(d *playback) { d.seekBy(seconds) }) }

// SeekEvent goes to the next event (1) or to the one before (-1) and pauses.
func (p *Player) SeekEvent(by int) { p.do(func(d *playback) { d.seekEvent(by) }) }

// Again changes what is played, such as the settings behind Open and Monitor, and
// plays it from the start, unseen, to where the replay stands.
func (p *Player) Again(change func()) { p.do(func(d *playback) { d.again(change) }) }

// Faster chooses the next higher (1) or lower (-1) speed.
func (p *Player) Faster(by int) { p.do(func(d *playback) { d.faster(by) }) }

var _ tui.Transport = (*Player)(nil)
