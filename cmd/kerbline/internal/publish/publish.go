// Package publish sends verdict objects by UDP and receives them.
//
// Each datagram holds one verdict line of the output contract and five fields
// more: hold_s, how long it holds from its arrival (s); valid_until, the host
// time (Unix s) of the same end, for who shares the sender's clock; session, a
// random name of this run of the monitor; n, which counts its verdicts from 1;
// build, the version of the program. What leaves the computer bears a last field mac,
// by which who holds the same [Key] knows the sender. What is not heard in time is "not usable":
// nothing is ever sent twice, sending never waits, and a monitor that hangs or
// dies is silent. [Rule] is all that a consumer has to know.
//
// Start at [Dial] and [Rule].
package publish

import (
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"math"
	"net"
	"strings"
	"sync/atomic"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion"
)

// Hold is how long a verdict holds from its arrival at most, s: three times the longest silence
// between two of them, so that two lost datagrams in a row are not yet an alarm.
const Hold = 0.3

// DefaultAddr is where verdicts go by default.
const DefaultAddr = "127.0.0.1:47100"

// Publisher sends to one address.
type Publisher struct {
	addr  string
	conn  net.Conn
	key   *Key        // the sender's
	queue chan []byte // to the sender
	free  chan []byte // back from it
	done  chan struct{}

	live Live

	sent, dropped atomic.Uint64
}

// Dial prepares to send to addr, host:port with or without udp://. An address
// that other computers can hear needs remote and a key; key may be nil for others.
func Dial(addr string, remote bool, key *Key) (*Publisher, error) {
	ua, err := resolve(addr)
	if err != nil {
		return nil, err
	}
	switch {
	case ua.IP.IsLoopback():
	case !remote:
		return nil, fmt.Errorf("publish: %s is not this computer, want a loopback address, or --publish-remote where others on the network may hear it", addr)
	case key == nil:
		return nil, fmt.Errorf("publish: %s is not this computer, want a key in %s or --publish-key FILE, so that nobody else there can speak for the monitor", addr, KeyEnv)
	}
	conn, err := net.DialUDP("udp", nil, ua)
	if err != nil {
		return nil, fmt.Errorf("publish: %s: %w", addr, err)
	}
	return newPublisher(ua.String(), conn, key, clocks()), nil
}

func newPublisher(addr string, conn net.Conn, key *Key, clock func() (wall, steady float64)) *Publisher {
	p := &Publisher{addr: addr, conn: conn, key: key, queue: make(chan []byte, ring), free: make(chan []byte, ring), done: make(chan struct{}), live: newLive(clock)}
	for range ring {
		p.free <- make([]byte, 0, 2048)
	}
	go p.run()
	return p
}

// Live makes verdicts of a run of the monitor into published ones: with session,
// counter, hold and build.
type Live struct {
	last  lines.Live // of the last verdict
	clock func() (wall, steady float64)
	ahead float64 // s, wall clock before the steady one, at the last verdict
}

// NewLive begins a session.
func NewLive() Live { return newLive(clocks()) }

func newLive(clock func() (wall, steady float64)) Live {
	l := Live{last: lines.Live{Hold: Hold, Build: version.String()}, clock: clock}
	l.begin(l.clock())
	return l
}

// Append appends the published verdict of s.
func (l *Live) Append(b []byte, s *fusion.Snapshot) []byte {
	wall, steady := l.clock()
	if math.Abs(wall-steady-l.ahead) > clockStep {
		l.begin(wall, steady)
	}
	l.ahead = wall - steady // a clock that is drawn slowly to another is no step
	l.last.N++
	return lines.AppendLive(b, s, l.last)
}

// clocks returns the computer's clock and one that nobody sets, s.
func clocks() func() (wall, steady float64) {
	start := time.Now()
	return func() (wall, steady float64) {
		now := time.Now()
		return float64(now.UnixNano()) / 1e9, now.Sub(start).Seconds()
	}
}

// clockStep is the change of the computer's clock that begins a new session, s:
// consumers measure delays by it.
const clockStep = Hold / 3

// begin begins a session.
func (l *Live) begin(wall, steady float64) {
	l.last.Session, l.last.N, l.ahead = SessionName(), 0, wall-steady
}

// SessionName returns a random name for a run of a program.
func SessionName() string {
	var id [8]byte
	_, _ = rand.Read(id[:]) // never fails
	return hex.EncodeToString(id[:])
}

// ring bounds what waits to be sent; a network that takes nothing costs the
// oldest verdicts first.
const ring = 4

func resolve(addr string) (*net.UDPAddr, error) {
	addr = strings.TrimSuffix(strings.TrimPrefix(addr, "udp://"), "/")
	ua, err := net.ResolveUDPAddr("udp", addr)
	if err != nil {
		return nil, fmt.Errorf("publish: %q: %w, want host:port such as %s", addr, err, DefaultAddr)
	}
	if ua.IP == nil {
		ua.IP = net.IPv4(127, 0, 0, 1)
	}
	return ua, nil
}

// Addr returns where the verdicts go.
func (p *Publisher) Addr() string { return p.addr }

// Send publishes a verdict. It never waits and allocates nothing. Send and
// Close belong to one goroutine.
func (p *Publisher) Send(s *fusion.Snapshot) {
	var b []byte
	select {
	case b = <-p.free:
	default:
		// All are waiting: the oldest is worth least.
		select {
		case b = <-p.queue:
			p.dropped.Add(1)
		default:
			b = <-p.free // the sender has just finished with one
		}
	}
	b = p.live.Append(b[:0], s)
	p.queue <- b // never blocks: there are no more buffers than it holds
}

func (p *Publisher) run() {
	defer close(p.done)
	for b := range p.queue {
		b = p.key.Sign(b)
		// A missing listener comes back as an error of the next write: it does not matter.
		if _, err := p.conn.Write(b); err == nil {
			p.sent.Add(1)
		} else {
			p.dropped.Add(1)
		}
		p.free <- b
	}
}

// Counts returns how many verdicts went out and how many did not.
func (p *Publisher) Counts() (sent, dropped uint64) { return p.sent.Load(), p.dropped.Load() }

// Close sends what waits and stops.
func (p *Publisher) Close() error {
	close(p.queue)
	<-p.done
	return p.conn.Close()
}
