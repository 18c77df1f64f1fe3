package sources

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"kerbline/gnss/ntrip"
)

// netConn is a TCP connection or a UDP socket.
type netConn struct {
	net.Conn
	text string
}

func (c *netConn) about() string { return c.text }

// udpBuffer is what is asked of the system for datagrams that the program has not
// read yet, bytes. A short datagram takes some 800 (common practice, no source), so
// that the usual 200 kB hold a quarter of a second of an inertial sensor at 1 kHz.
const udpBuffer = 2 << 20

// openNet opens a TCP or UDP input; lines says that it carries lines of text.
func openNet(ctx context.Context, spec Spec, lines bool) (conn, error) {
	if spec.Kind == UDP {
		var lc net.ListenConfig
		pc, err := lc.ListenPacket(ctx, "udp", spec.Addr)
		if err != nil {
			if errors.Is(err, syscall.EADDRINUSE) {
				return nil, &wordy{"the port is taken by another program", err}
			}
			return nil, err
		}
		c := pc.(*net.UDPConn)
		c.SetReadBuffer(udpBuffer) // the system may grant less
		return &udpConn{UDPConn: c, text: "listening on " + spec.Addr, lines: lines, only: spec.From}, nil
	}
	d := net.Dialer{Timeout: 3 * time.Second, KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 3 * time.Second, Interval: time.Second, Count: 3}}
	c, err := d.DialContext(ctx, "tcp", spec.Addr)
	if err != nil {
		return nil, err
	}
	return &netConn{c, "connected to " + spec.Addr}, nil
}

// udpConn listens to one sender, the one asked for or the first that sends:
// anybody on the network can send to a port. The same computer may go on from
// another port after a silence, as a device does that starts again.
type udpConn struct {
	*net.UDPConn
	text  string
	lines bool
	only  netip.AddrPort // asked for, perhaps without its port

	mu      sync.Mutex
	sender  netip.AddrPort // listened to, none before the first
	last    time.Time      // it sent
	refused int            // datagrams of others
	other   netip.AddrPort // the last of them
}

// otherPort is the silence after which the sender may go on from another port.
const otherPort = 5 * time.Second

func (c *udpConn) about() string { return c.text }

// detail says who is listened to, and who is not.
func (c *udpConn) detail() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := ""
	switch {
	case c.sender.IsValid():
		s = ", to " + c.sender.String() + " alone"
	case c.only.IsValid():
		s = ", to " + c.only.Addr().String() + " alone"
	}
	if c.refused > 0 {
		s += fmt.Sprintf("; %d datagrams of others refused, the last from %s", c.refused, c.other)
	}
	return s
}

// from reports whether a datagram of a sender is to be taken.
func (c *udpConn) from(a netip.AddrPort, now time.Time) bool {
	a = netip.AddrPortFrom(a.Addr().Unmap(), a.Port())
	c.mu.Lock()
	defer c.mu.Unlock()
	fits := (!c.only.IsValid() || a.Addr() == c.only.Addr() && (c.only.Port() == 0 || a.Port() == c.only.Port())) &&
		(!c.sender.IsValid() || a == c.sender || a.Addr() == c.sender.Addr() && now.Sub(c.last) > otherPort)
	if !fits {
		c.refused, c.other = c.refused+1, a
		return false
	}
	c.sender, c.last = a, now
	return true
}

// Read returns one datagram; an error a peer sent back does not end listening.
// Of lines, the end of a datagram is the end of a line also where the sender
// left the line end out.
func (c *udpConn) Read(b []byte) (int, error) {
	n, a, err := c.ReadFromUDPAddrPort(b[:len(b)-1])
	if errors.Is(err, syscall.ECONNREFUSED) {
		return n, errIdle
	}
	if err == nil && !c.from(a, time.Now()) {
		return 0, errIdle
	}
	if c.lines && n > 0 && b[n-1] != '\n' {
		b[n] = '\n'
		n++
	}
	return n, err
}

// Write is there to hide that of the embedded connection: a listening socket has no
// other end.
func (c *udpConn) Write([]byte) (int, error) { return 0, net.ErrClosed }

type ntripConn struct {
	*ntrip.Stream
	text string
}

func (c *ntripConn) about() string { return c.text }

func (s *Source) openNTRIP(ctx context.Context) (conn, error) {
	client := ntrip.Client{Target: s.spec.Target, GGA: s.o.GGA}
	stream, err := client.Open(ctx)
	if err != nil {
		return nil, err
	}
	return &ntripConn{stream, fmt.Sprintf("connected to %s, version %d", s.spec, stream.Version)}, nil
}

// errText shortens what the system says.
func errText(err error) string {
	var op *net.OpError
	var dns *net.DNSError
	switch {
	case errors.As(err, &dns):
		return "no address for " + dns.Name + ": no network, or the name is wrong"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there"
	case errors.Is(err, syscall.ECONNRESET):
		return "the connection was reset"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return "no route: no network"
	case errors.As(err, &op) && op.Timeout(), errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, syscall.ETIMEDOUT):
		return "no answer"
	}
	return strings.TrimPrefix(err.Error(), "read ")
}
