package bus

import (
	"bytes"
	"encoding/gob"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
	"kerbline/tui"
)

// Whole is everything a monitor knows, for screens of this program: all of the snapshot
// but Reception, which is the monitor's own and on no screen.
type Whole struct {
	Snapshot        fusion.Snapshot
	Sources         []tui.Source
	Recording       tui.Recording
	Risk, RiskCoast float64 // behind the protection levels and the coast budget
}

const (
	linkEvery  = 1.0 // s between link messages, of the monitor's time
	wholeEvery = 0.2 // s between whole snapshots: enough for a screen
	keepEvents = 500 // for who joins late
	keepEvery  = 1.0 // s between verdicts kept for who joins late
	keepPast   = 300 // of them, and of what the link was
)

// Publisher sends what one monitor gives. Its Send never waits and allocates
// nothing in steady state.
type Publisher struct {
	car   string
	nc    *nats.Conn
	live  publish.Live
	ask   *nats.Subscription
	queue chan *fusion.Snapshot
	free  chan *fusion.Snapshot
	done  chan struct{}

	mu     sync.Mutex
	events []fusion.Event // not yet sent
	recent shelf          // event lines
	past   shelf          // verdict lines that hold for nothing any more, with the link's
	src    []tui.Source
	rec    tui.Recording
	risks  [2]float64

	sent, dropped           atomic.Uint64
	linkAt, wholeAt, pastAt float64
}

// shelf keeps the last lines, oldest first.
type shelf struct {
	lines [][]byte
	most  int
}

func (s *shelf) put(b []byte) {
	if s.lines = append(s.lines, b); len(s.lines) > s.most {
		s.lines = slices.Delete(s.lines, 0, len(s.lines)-s.most)
	}
}

// ring bounds what waits to be sent.
const ring = 4

// NewPublisher returns a publisher of a car over a connection, which it closes.
func NewPublisher(nc *nats.Conn, car string) (*Publisher, error) {
	if err := CheckCar(car); err != nil {
		return nil, err
	}
	p := &Publisher{car: car, nc: nc, live: publish.NewLive(), queue: make(chan *fusion.Snapshot, ring), free: make(chan *fusion.Snapshot, ring),
		done: make(chan struct{}), recent: shelf{most: keepEvents}, past: shelf{most: 2 * keepPast},
		linkAt: math.Inf(-1), wholeAt: math.Inf(-1), pastAt: math.Inf(-1)}
	for range ring {
		p.free <- new(fusion.Snapshot)
	}
	var err error
	if p.ask, err = nc.Subscribe(subject(car, subRecent), func(m *nats.Msg) {
		p.mu.Lock()
		b := bytes.Join(slices.Concat(p.past.lines, p.recent.lines), nil)
		p.mu.Unlock()
		_ = m.Respond(b)
	}); err != nil {
		return nil, err
	}
	go p.run()
	return p, nil
}

// Send publishes a snapshot. Send, Events and Close belong to one goroutine.
func (p *Publisher) Send(s *fusion.Snapshot) {
	var c *fusion.Snapshot
	select {
	case c = <-p.free:
	default:
		select {
		case c = <-p.queue: // the oldest is worth least
			p.dropped.Add(1)
		default:
			c = <-p.free // the sender has just finished with one
		}
	}
	*c = *s
	c.Reception = nil
	p.queue <- c // never blocks: there are no more snapshots than it holds
}

// Events publishes what happened, with the next snapshot.
func (p *Publisher) Events(events []fusion.Event) {
	if len(events) == 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.events) < keepEvents {
		p.events = append(p.events, events...)
	}
}

// State takes how sources and recording are, for the next whole snapshot.
func (p *Publisher) State(src []tui.Source, rec tui.Recording) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.src, p.rec = src, rec
}

// Risks takes the settings behind the levels and the coast budget, for whole snapshots.
func (p *Publisher) Risks(risk, riskCoast float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.risks = [2]float64{risk, riskCoast}
}

func (p *Publisher) run() {
	defer close(p.done)
	var line []byte
	for s := range p.queue {
		p.put(subVerdict, p.live.Append(line[:0], s))
		p.mu.Lock()
		events := p.events
		p.events = nil
		p.mu.Unlock()
		for i := range events {
			b := lines.AppendEvent(nil, &events[i])
			p.put(subEvent, b)
			p.mu.Lock()
			p.recent.put(b)
			p.mu.Unlock()
		}
		if !(s.T-p.linkAt < linkEvery) || s.T < p.linkAt {
			p.linkAt = s.T
			p.put(subLink, lines.AppendLink(nil, s))
		}
		if !(s.T-p.pastAt < keepEvery) || s.T < p.pastAt {
			p.pastAt = s.T
			p.mu.Lock()
			p.past.put(lines.AppendVerdict(nil, s)) // without session and number: no consumer takes it
			p.past.put(lines.AppendLink(nil, s))
			p.mu.Unlock()
		}
		if !(s.T-p.wholeAt < wholeEvery) || s.T < p.wholeAt {
			p.wholeAt = s.T
			p.mu.Lock()
			w := Whole{*s, p.src, p.rec, p.risks[0], p.risks[1]}
			p.mu.Unlock()
			var b bytes.Buffer
			if gob.NewEncoder(&b).Encode(&w) == nil {
				p.put(subWhole, b.Bytes())
			}
		}
		p.free <- s
	}
}

// put hands a message to the connection, which sends it from a goroutine of its
// own.
func (p *Publisher) put(what string, b []byte) {
	if p.nc.Publish(subject(p.car, what), b) != nil {
		p.dropped.Add(1)
		return
	}
	p.sent.Add(1)
}

// Counts returns how many messages went out and how many did not.
func (p *Publisher) Counts() (sent, dropped uint64) { return p.sent.Load(), p.dropped.Load() }

// Close sends what waits and closes the connection.
func (p *Publisher) Close() error {
	close(p.queue)
	<-p.done
	_ = p.nc.FlushTimeout(time.Second)
	p.nc.Close()
	return nil
}
