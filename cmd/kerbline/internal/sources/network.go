package sources

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
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
		return &udpConn{pc.(*net.UDPConn), "listening on " + spec.Addr, lines}, nil
	}
	d := net.Dialer{Timeout: 3 * time.Second, KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 3 * time.Second, Interval: time.Second, Count: 3}}
	c, err := d.DialContext(ctx, "tcp", spec.Addr)
	if err != nil {
		return nil, err
	}
	return &netConn{c, "connected to " + spec.Addr}, nil
}

type udpConn struct {
	*net.UDPConn
	text  string
	lines bool
}

func (c *udpConn) about() string { return c.text }

// Read returns one datagram; an error a peer sent back does not end listening.
// Of lines, the end of a datagram is the end of a line also where the sender
// left the line end out.
func (c *udpConn) Read(b []byte) (int, error) {
	n, _, err := c.ReadFromUDPAddrPort(b[:len(b)-1])
	if c.lines && n > 0 && b[n-1] != '\n' {
		b[n] = '\n'
		n++
	}
	if errors.Is(err, syscall.ECONNREFUSED) {
		return n, errIdle
	}
	return n, err
}

// Write is there to hide that of the embedded connection: nobody is at the
// other end of a listening socket.
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
