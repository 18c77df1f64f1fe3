package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats.go"
)

// Base is what a base's end says of itself twice a second.
type Base struct {
	T       float64 `json:"t"`       // host Unix s, of the base's computer
	Sends   bool    `json:"sends"`   // the base receiver sends
	Frames  uint64  `json:"frames"`  // whole ones so far
	Station int     `json:"station"` // id, -1 where none was heard
	Words   string  `json:"words"`   // for a person
}

// BasePublisher sends for a base. Its Send never waits.
type BasePublisher struct {
	name string
	nc   *nats.Conn
}

// NewBasePublisher returns a publisher of the base of that name.
func NewBasePublisher(nc *nats.Conn, name string) (*BasePublisher, error) {
	return &BasePublisher{name, nc}, CheckCar(name)
}

// Send publishes b; where there is no server it is lost, as it would be old later.
func (p *BasePublisher) Send(b Base) {
	if line, err := json.Marshal(b); err == nil {
		_ = p.nc.Publish(subject(p.name, subBase), line)
	}
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

// Next returns what is heard next, or an error where nothing comes within the limit.
func (w *BaseWatcher) Next(ctx context.Context, limit time.Duration) (Base, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
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
