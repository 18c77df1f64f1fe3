// Package publish sends verdict objects by UDP and receives them.
//
// Each datagram holds one verdict line of the output contract with valid_until,
// the host time (Unix s) after which it must not be used. The rule for a
// consumer is one sentence: what is not heard, or is older than it says it may
// be, means "not usable". So nothing is ever sent twice, sending never waits,
// and a monitor that hangs or dies is silent.
//
// Start at [Dial] and [Listen].
package publish

import (
	"fmt"
	"net"
	"strings"
	"sync/atomic"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fusion"
)

// Hold is how long a verdict stays valid, s: three times the longest silence
// between two of them, so that two lost datagrams in a row are not yet an alarm.
const Hold = 0.3

// DefaultAddr is where verdicts go when nobody says otherwise.
const DefaultAddr = "127.0.0.1:47100"

// Publisher sends to one address.
type Publisher struct {
	addr  string
	conn  net.Conn
	queue chan []byte // to the sender
	free  chan []byte // back from it
	done  chan struct{}

	sent, dropped atomic.Uint64
}

// Dial prepares to send to addr, host:port with or without udp://. An address
// that other computers can hear needs remote.
func Dial(addr string, remote bool) (*Publisher, error) {
	ua, err := resolve(addr)
	if err != nil {
		return nil, err
	}
	if !ua.IP.IsLoopback() && !remote {
		return nil, fmt.Errorf("publish: %s is not this computer, want a loopback address, or --publish-remote where others on the network may hear it", addr)
	}
	conn, err := net.DialUDP("udp", nil, ua)
	if err != nil {
		return nil, fmt.Errorf("publish: %s: %w", addr, err)
	}
	p := &Publisher{addr: ua.String(), conn: conn, queue: make(chan []byte, ring), free: make(chan []byte, ring), done: make(chan struct{})}
	for range ring {
		p.free <- make([]byte, 0, 2048)
	}
	go p.run()
	return p, nil
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
	b = lines.AppendLive(b[:0], s, s.T+Hold)
	p.queue <- b // never blocks: there are no more buffers than it holds
}

func (p *Publisher) run() {
	defer close(p.done)
	for b := range p.queue {
		// Nobody listening comes back as an error of the next write: no matter.
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
