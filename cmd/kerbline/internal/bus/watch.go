package bus

import (
	"bytes"
	"context"
	"encoding/gob"
	"fmt"
	"net"
	"os"
	"time"

	"github.com/nats-io/nats.go"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
)

// Watcher hears one car, or all.
type Watcher struct {
	t   Target
	nc  *nats.Conn
	sub *nats.Subscription
}

// Watch begins to hear the bus at t. A server that is not there is waited for.
func Watch(t Target) (*Watcher, error) {
	nc, sub, err := subscribe(t, "*")
	if err != nil {
		return nil, err
	}
	w := &Watcher{t: t, nc: nc, sub: sub}
	// A watcher that falls behind loses the oldest, like everybody here.
	_ = w.sub.SetPendingLimits(4096, 32<<20)
	return w, nil
}

// Heard is one message. One of the pointers is set, or Verdict.
type Heard struct {
	Car     string
	Verdict []byte // a verdict line
	Event   *fusion.Event
	Whole   *Whole
	Link    []byte // a link object
}

// Next returns the next message that can be read, or the context's error.
func (w *Watcher) Next(ctx context.Context) (h Heard, err error) {
	for {
		m, err := w.sub.NextMsgWithContext(ctx)
		if err != nil {
			if ctx.Err() != nil {
				return h, ctx.Err()
			}
			if err == nats.ErrSlowConsumer {
				continue
			}
			return h, fmt.Errorf("bus: %s: %s", w.t, words(err, w.t.user))
		}
		car, what := carOf(m.Subject)
		h = Heard{Car: car}
		switch what {
		case subVerdict:
			h.Verdict = m.Data
			return h, nil
		case subLink:
			h.Link = m.Data
			return h, nil
		case subEvent:
			if e, err := lines.ParseEvent(m.Data); err == nil {
				h.Event = &e
				return h, nil
			}
		case subWhole:
			whole := new(Whole)
			if gob.NewDecoder(bytes.NewReader(m.Data)).Decode(whole) == nil {
				h.Whole = whole
				return h, nil
			}
		}
	}
}

// Past is what a car was of late: for who joins late to look at. Nothing of it holds
// any more, and no consumer takes its verdicts: they bear neither session nor number.
type Past struct {
	Verdicts []lines.Verdict // one a second of the last five minutes, oldest first
	Links    [][]byte        // link objects, likewise
	Events   []fusion.Event  // the last ones
}

// Past asks a car what it was of late; it is empty when the car does not answer.
func (w *Watcher) Past(ctx context.Context, car string) (p Past) {
	ctx, cancel := context.WithTimeout(ctx, dialLimit)
	defer cancel()
	m, err := w.nc.RequestWithContext(ctx, subject(car, subRecent), nil)
	if err != nil {
		return p
	}
	for line := range bytes.Lines(m.Data) {
		if v, err := lines.ParseVerdict(line); err == nil && v.Verdict != "" {
			p.Verdicts = append(p.Verdicts, v)
		} else if bytes.Contains(line, []byte(`"condition":`)) {
			p.Links = append(p.Links, line)
		} else if e, err := lines.ParseEvent(line); err == nil {
			p.Events = append(p.Events, e)
		}
	}
	return p
}

// Words says how the connection is: ok is false while there is none.
func (w *Watcher) Words() (words_ string, ok bool) {
	switch w.nc.Status() {
	case nats.CONNECTED:
		return "connected to " + w.t.String(), true
	default:
		if err := w.nc.LastError(); err != nil {
			return w.t.String() + ": " + words(err, w.t.user) + ", trying again", false
		}
		return w.t.String() + ": no server there, trying again", false
	}
}

// Close stops watching.
func (w *Watcher) Close() { w.nc.Close() }

// Listen hears the verdicts of one car under the rule of a consumer. Without a
// car in the URL the first that is heard is kept.
func Listen(t Target) (*publish.Listener, error) {
	nc, sub, err := subscribe(t, subVerdict)
	if err != nil {
		return nil, err
	}
	return publish.NewListener(&ear{nc, sub, t}), nil
}

// ear is a [publish.Ear] on the bus.
type ear struct {
	nc  *nats.Conn
	sub *nats.Subscription
	t   Target
}

func (e *ear) Hear(deadline time.Time) (b []byte, from string, err error) {
	m, err := e.sub.NextMsg(max(time.Until(deadline), 0))
	switch err {
	case nil:
		return m.Data, m.Subject, nil
	case nats.ErrTimeout, nats.ErrSlowConsumer:
		return nil, "", os.ErrDeadlineExceeded
	}
	return nil, "", net.ErrClosed
}

func (e *ear) Addr() string { return e.t.String() }
func (e *ear) Close() error { e.nc.Close(); return nil }
