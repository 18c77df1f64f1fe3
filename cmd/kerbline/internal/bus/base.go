package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"time"

	"github.com/nats-io/nats.go"

	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
	"kerbline/gnss/bothends"
)

// Base is what a base's end says of itself twice a second. Times are s since its
// program began, of a clock that nobody sets.
type Base struct {
	Session string  `json:"session"` // random name of this run of the program
	N       uint64  `json:"n"`       // of its messages, from 1
	T       float64 `json:"t"`
	Sends   bool    `json:"sends"`   // the base receiver sends
	Frames  uint64  `json:"frames"`  // whole ones so far
	Station int     `json:"station"` // id, -1 where none was heard
	Words   string  `json:"words"`   // for a person
	Sent    []Burst `json:"sent"`    // every frame of observations of the last 30 s
}

// Burst is frames that the base sent at one time.
type Burst struct {
	T   float64  `json:"t"`
	CRC []uint32 `json:"crc"` // CRC-24Q of each
}

// toldAgain is how long every message tells again what was sent, s: so much of the way
// here may be lost without a gap.
const toldAgain = bothends.Kept

// BaseLog keeps what a base sent and makes messages of it.
type BaseLog struct {
	session string
	n       uint64
	sent    []Burst
}

// NewBaseLog begins a session.
func NewBaseLog() *BaseLog { return &BaseLog{session: publish.SessionName()} }

// Frame takes a frame of observations that the base sent at t.
func (l *BaseLog) Frame(t float64, crc uint32) {
	const burst = 0.02 // s
	if n := len(l.sent); n > 0 && t-l.sent[n-1].T < burst {
		l.sent[n-1].CRC = append(l.sent[n-1].CRC, crc)
		return
	}
	l.sent = append(l.sent, Burst{t, []uint32{crc}})
}

// Next completes the next message, of t.
func (l *BaseLog) Next(t float64, b Base) Base {
	old := 0
	for old < len(l.sent) && l.sent[old].T < t-toldAgain {
		old++
	}
	l.sent = slices.Delete(l.sent, 0, old)
	l.n++
	b.Session, b.N, b.T, b.Sent = l.session, l.n, t, l.sent
	return b
}

// BasePublisher sends for a base. Its Send never waits. Send and Frame belong to one
// goroutine.
type BasePublisher struct {
	name  string
	nc    *nats.Conn
	log   *BaseLog
	begun time.Time
}

// NewBasePublisher returns a publisher of the base of that name.
func NewBasePublisher(nc *nats.Conn, name string) (*BasePublisher, error) {
	return &BasePublisher{name, nc, NewBaseLog(), time.Now()}, CheckCar(name)
}

// Frame takes a frame of observations that the base sends now.
func (p *BasePublisher) Frame(crc uint32) { p.log.Frame(time.Since(p.begun).Seconds(), crc) }

// Send publishes b, with what the base sent of late; where there is no server it is lost.
func (p *BasePublisher) Send(b Base) {
	if line, err := json.Marshal(p.log.Next(time.Since(p.begun).Seconds(), b)); err == nil {
		_ = p.nc.Publish(subject(p.name, subBase), line)
	}
}

// baseUnheard is after how long without a fresh message the base's end is not known, s.
const baseUnheard = 3.0

const (
	baseLate   = 1.0  // s beyond the quickest way after which a message says nothing of now
	baseWindow = 30.0 // s of the base's clock, over one to two of which the quickest way is kept: a computer that slept comes back
)

// BaseRule makes notes for the monitor from the messages of a base's end. It reads no
// clock: times are s of the car's own steady clock. What a message says of now counts
// only while it is fresh; what it says of the past counts whenever it comes. Repeated
// and overtaken messages are refused, as are other sessions while the one kept is heard,
// and those that were left.
type BaseRule struct {
	State string  // the last of [fusion.NoteBaseSends] and so on; "" before the first
	Words string  // for a person
	Sends bool    // the base's end is heard, and says that the base sends
	Due   float64 // when nothing fresh will have been heard for [baseUnheard]

	session string
	former  []string
	n       uint64
	heard   float64
	quick   [2]float64 // s, least arrival - T of this window and of the one before
	window  float64    // T at which this one began
	told    float64    // T up to which frames were taken; -1 before the first
}

// NewBaseRule returns a rule that has heard nothing at now.
func NewBaseRule(now float64) *BaseRule { return &BaseRule{Due: now + baseUnheard} }

// Hear takes a message that arrived at now and returns notes of what it adds to what was
// known, or in words why it is refused.
func (r *BaseRule) Hear(now float64, b *Base) (notes []string, refused string) {
	if b.Session != r.session || r.session == "" {
		if why := r.change(now, b); why != "" {
			return nil, why
		}
	}
	way := now - b.T
	least := min(r.quick[0], r.quick[1])
	switch {
	case b.N <= r.n:
		return nil, "repeated or overtaken"
	case r.n > 0 && way < least-baseLate:
		return nil, fmt.Sprintf("%.1f s ahead of its time", least-way)
	}
	r.n, r.heard = b.N, now
	if b.T-r.window > baseWindow {
		r.window, r.quick[1], r.quick[0] = b.T, r.quick[0], math.Inf(1)
	}
	r.quick[0] = min(r.quick[0], way)
	least = min(r.quick[0], r.quick[1])
	notes = append(notes, r.past(now, least, b).Note())
	if way-least > baseLate {
		return notes, ""
	}
	r.Due = now + baseUnheard
	state := fusion.NoteBaseSilent
	if b.Sends {
		state = fusion.NoteBaseSends
	}
	r.Words, r.Sends = b.Words, b.Sends
	return r.become(notes, state), ""
}

// Quiet returns notes of what the silence at now adds.
func (r *BaseRule) Quiet(now float64) (notes []string) {
	if now < r.Due {
		return nil
	}
	r.Words, r.Sends, r.Due = "", false, now+baseUnheard
	return r.become(nil, fusion.NoteBaseUnheard)
}

func (r *BaseRule) become(notes []string, state string) []string {
	if state != r.State {
		r.State = state
		notes = append(notes, state)
	}
	return notes
}

// change takes another session, or says why not.
func (r *BaseRule) change(now float64, b *Base) string {
	switch {
	case b.Session == "" || b.N == 0 || !(b.T >= 0) || len(b.Sent) > mostBursts:
		return "no message of a base's end, want session, n and t"
	case r.session != "" && now-r.heard < baseUnheard:
		return fmt.Sprintf("another session, and the one kept is not silent for %g s", baseUnheard)
	case slices.Contains(r.former, b.Session):
		return "a session that is over"
	}
	if r.session != "" {
		r.former = append(r.former[max(0, len(r.former)-63):], r.session)
	}
	r.session, r.n, r.quick, r.window, r.told = b.Session, 0, [2]float64{math.Inf(1), math.Inf(1)}, b.T, -1
	return ""
}

// mostBursts bounds what a stranger on the bus can make a recording hold.
const mostBursts = 1500

// past is what b adds to what was known of what the base sent.
func (r *BaseRule) past(now, least float64, b *Base) fusion.BaseLog {
	from := max(0, b.T-toldAgain, r.told)
	ago := func(t float64) float64 { return now - (t + least) }
	log := fusion.BaseLog{From: ago(from), To: ago(b.T), Began: r.told < 0 && from == 0}
	for _, burst := range b.Sent[:min(len(b.Sent), mostBursts)] {
		if burst.T < from || burst.T >= b.T {
			continue
		}
		for _, crc := range burst.CRC[:min(len(burst.CRC), mostBursts)] {
			log.Frames = append(log.Frames, fusion.BaseFrame{Ago: ago(burst.T), CRC: crc})
		}
	}
	r.told = b.T
	return log
}

// BaseWatcher hears one base.
type BaseWatcher struct {
	t   Target
	nc  *nats.Conn
	sub *nats.Subscription
}

// WatchBase begins to hear the base that t names.
func WatchBase(t Target) (*BaseWatcher, error) {
	if t.Car == "" {
		return nil, fmt.Errorf("bus: %s names no base, want nats://host/NAME", t)
	}
	nc, sub, err := subscribe(t, subBase)
	if err != nil {
		return nil, err
	}
	return &BaseWatcher{t, nc, sub}, nil
}

// Next returns the next message, or an error where none comes before the deadline.
func (w *BaseWatcher) Next(ctx context.Context, deadline time.Time) (Base, error) {
	ctx, cancel := context.WithDeadline(ctx, deadline)
	defer cancel()
	for {
		m, err := w.sub.NextMsgWithContext(ctx)
		switch {
		case errors.Is(err, nats.ErrSlowConsumer):
			continue
		case err != nil && ctx.Err() == nil: // a connection that is closed must not spin
			<-ctx.Done()
			fallthrough
		case err != nil:
			return Base{}, os.ErrDeadlineExceeded
		}
		var b Base
		if json.Unmarshal(m.Data, &b) == nil {
			return b, nil
		}
	}
}

// Close stops hearing.
func (w *BaseWatcher) Close() { w.nc.Close() }
