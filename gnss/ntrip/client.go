package ntrip

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Client asks one caster. Its zero value with a Target is ready for use.
type Client struct {
	Target
	GGA      func() string // latest GGA sentence without line end, "" for none; may be nil
	Stall    time.Duration // give up after this long without a byte; 0 means 10 s
	GGAEvery time.Duration // how often the position is sent; 0 means 10 s
	Timeout  time.Duration // for connecting and for the reply; 0 means 5 s
	Trust    *tls.Config   // for ntrips; nil means the computer's trust store
}

const (
	agent     = "NTRIP kerbline/1" // RTCM 10410 wants it to begin with NTRIP
	maxHeader = 64 << 10           // bytes of reply before the data
	maxTable  = 8 << 20            // bytes of a source table
)

// Stream is an open correction stream. Read returns the bytes of the stream,
// or a [Refusal] when it ends or stalls; Close may be called at any time from
// any goroutine.
type Stream struct {
	Version int // 1 or 2, as the caster answered

	c     *Client
	conn  net.Conn
	body  io.Reader
	bytes int64
	stop  chan struct{}
	once  sync.Once
	done  sync.WaitGroup
}

// Open connects and returns the stream of the mount point. The error is a
// *[Refusal], or the context's.
func (c *Client) Open(ctx context.Context) (*Stream, error) {
	if c.Mount == "" {
		return nil, c.refuse(NoMount, nil, "the URL names no mount point: list them with kerbline mounts")
	}
	conn, version, br, resp, err := c.ask(ctx)
	if err != nil {
		return nil, err
	}
	s := &Stream{Version: version, c: c, conn: conn, stop: make(chan struct{})}
	if version == 1 {
		s.body = &icyBody{br: br}
	} else {
		s.body = resp.Body
	}
	s.body = c.mask(s.body)
	if c.GGA != nil && !c.NoGGA {
		s.done.Add(1)
		go s.upload()
	}
	return s, nil
}

// Read returns the next bytes of the stream.
func (s *Stream) Read(p []byte) (int, error) {
	stall := or(s.c.Stall, 10*time.Second)
	_ = s.conn.SetReadDeadline(time.Now().Add(stall))
	n, err := s.body.Read(p)
	s.bytes += int64(n)
	if err != nil {
		return n, s.c.readError(err, s.bytes, stall)
	}
	return n, nil
}

// Close ends the stream and unblocks a Read under way.
func (s *Stream) Close() error {
	s.once.Do(func() { close(s.stop); s.conn.Close() })
	s.done.Wait()
	return nil
}

// upload sends the position on the socket, as network casters want it: as
// soon as there is one, then every GGAEvery.
func (s *Stream) upload() {
	defer s.done.Done()
	tick := time.NewTicker(min(time.Second, or(s.c.GGAEvery, 10*time.Second)))
	defer tick.Stop()
	var last time.Time
	for {
		if line := s.c.GGA(); line != "" && time.Since(last) >= or(s.c.GGAEvery, 10*time.Second) {
			last = time.Now()
			_ = s.conn.SetWriteDeadline(last.Add(5 * time.Second))
			if _, err := io.WriteString(s.conn, line+"\r\n"); err != nil {
				return // the read side reports it
			}
		}
		select {
		case <-s.stop:
			return
		case <-tick.C:
		}
	}
}

// ask connects, sends the request and reads the reply up to the data, trying
// version 1 where a caster cannot make sense of version 2.
func (c *Client) ask(ctx context.Context) (net.Conn, int, *bufio.Reader, *http.Response, error) {
	if c.Version != 0 {
		return c.try(ctx, c.Version)
	}
	conn, v, br, resp, err := c.try(ctx, 2)
	var r *Refusal
	if errors.As(err, &r) && (r.Kind == Unsupported || r.Kind == Garbled || r.Kind == Closed || r.Kind == Reset ||
		r.Kind == ServerError && strings.Contains(r.Text, " 400 ")) {
		if conn1, v1, br1, resp1, err1 := c.try(ctx, 1); err1 == nil {
			return conn1, v1, br1, resp1, nil
		}
	}
	return conn, v, br, resp, err
}

func (c *Client) try(ctx context.Context, version int) (_ net.Conn, _ int, _ *bufio.Reader, _ *http.Response, err error) {
	timeout := or(c.Timeout, 5*time.Second)
	conn, err := c.dial(ctx, timeout)
	if err != nil {
		if ctx.Err() != nil {
			return nil, 0, nil, nil, ctx.Err()
		}
		return nil, 0, nil, nil, c.dialError(err)
	}
	// A cancelled context must also end a wait for the reply.
	unhook := context.AfterFunc(ctx, func() { conn.Close() })
	defer func() {
		unhook()
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		if err != nil {
			conn.Close()
		}
	}()
	_ = conn.SetDeadline(time.Now().Add(timeout))
	if _, err := io.WriteString(conn, c.request(version)); err != nil {
		return nil, 0, nil, nil, c.readError(err, 0, timeout)
	}
	lr := &io.LimitedReader{R: conn, N: maxHeader}
	br := bufio.NewReaderSize(lr, 4096)
	v, resp, err := c.reply(br, timeout)
	if err != nil {
		return nil, 0, nil, nil, err
	}
	lr.N = 1 << 62 // the limit was for the header
	_ = conn.SetDeadline(time.Time{})
	return conn, v, br, resp, nil
}

func (c *Client) dial(ctx context.Context, timeout time.Duration) (net.Conn, error) {
	d := net.Dialer{Timeout: timeout, KeepAlive: 5 * time.Second}
	if !c.TLS {
		return d.DialContext(ctx, "tcp", c.Host)
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	td := tls.Dialer{NetDialer: &d, Config: c.Trust}
	return td.DialContext(ctx, "tcp", c.Host)
}

// request is the text sent to the caster.
func (c *Client) request(version int) string {
	var b strings.Builder
	b.WriteString("GET /" + c.Mount)
	if version == 1 {
		b.WriteString(" HTTP/1.0\r\nUser-Agent: " + agent + "\r\n")
	} else {
		b.WriteString(" HTTP/1.1\r\nHost: " + c.Host + "\r\nNtrip-Version: Ntrip/2.0\r\nUser-Agent: " + agent + "\r\nAccept: */*\r\nConnection: close\r\n")
		if c.Mount != "" && c.GGA != nil && !c.NoGGA {
			if line := c.GGA(); line != "" {
				b.WriteString("Ntrip-GGA: " + line + "\r\n")
			}
		}
	}
	if cred := c.basic(); cred != "" {
		b.WriteString("Authorization: Basic " + cred + "\r\n")
	}
	return b.String() + "\r\n"
}

// reply reads up to the data. For a stream it returns the version and, for
// version 2, the response whose body is the stream; for a source table the
// body is the table in both versions.
func (c *Client) reply(br *bufio.Reader, timeout time.Duration) (int, *http.Response, error) {
	head, err := br.Peek(4)
	if len(head) == 0 {
		return 0, nil, c.readError(err, 0, timeout)
	}
	switch word := string(head); {
	case word == "HTTP":
		resp, err := http.ReadResponse(br, &http.Request{Method: "GET"})
		if err != nil {
			if isTimeout(err) {
				return 0, nil, c.readError(err, 0, timeout)
			}
			return 0, nil, c.refuse(Garbled, err, "the reply breaks HTTP: %s", c.clean(err.Error()))
		}
		return c.http(resp)
	case word == "ICY ":
		line, err := br.ReadString('\n')
		if err != nil && line == "" {
			return 0, nil, c.readError(err, 0, timeout)
		}
		code, reason, _ := strings.Cut(strings.TrimSpace(line[len(word):]), " ")
		if code != "200" {
			n, _ := strconv.Atoi(code)
			return 0, nil, c.status(n, reason)
		}
		return 1, nil, nil
	case word == "SOUR":
		table, err := readTable(br)
		if c.Mount != "" {
			return 0, nil, c.missing(table)
		}
		if err != nil {
			return 0, nil, c.readError(err, 0, timeout)
		}
		return 1, &http.Response{Body: io.NopCloser(strings.NewReader(table))}, nil
	case word == "ERRO":
		line, _ := br.ReadString('\n')
		if strings.Contains(strings.ToLower(line), "password") {
			return 0, nil, c.refuse(Unauthorized, nil, "the caster says %q: user %q or its password is wrong", c.clean(line), c.User)
		}
		return 0, nil, c.refuse(ServerError, nil, "the caster says %q", c.clean(line))
	case head[0] == 0x15 || head[0] == 0x16:
		return 0, nil, c.refuse(BadTLS, nil, "the port speaks TLS: try ntrips:// instead of ntrip://")
	}
	some, _ := br.Peek(min(br.Buffered(), 60))
	return 0, nil, c.refuse(Garbled, nil, "the reply begins %q, want ICY, HTTP or SOURCETABLE: is this a caster?", c.clean(string(some)))
}

// http judges a genuine HTTP reply.
func (c *Client) http(resp *http.Response) (int, *http.Response, error) {
	kind := strings.ToLower(resp.Header.Get("Content-Type"))
	switch {
	case resp.StatusCode != http.StatusOK:
		return 0, nil, c.status(resp.StatusCode, strings.TrimPrefix(resp.Status, strconv.Itoa(resp.StatusCode)))
	case c.Mount == "":
		return 2, resp, nil
	case strings.Contains(kind, "sourcetable"):
		table, _ := readTable(bufio.NewReader(resp.Body))
		return 0, nil, c.missing(table)
	case strings.HasPrefix(kind, "text/"):
		br := bufio.NewReader(resp.Body)
		if head, _ := br.Peek(4); strings.HasPrefix(string(head), "STR;") || strings.HasPrefix(string(head), "CAS;") || strings.HasPrefix(string(head), "NET;") {
			table, _ := readTable(br)
			return 0, nil, c.missing(table)
		}
		return 0, nil, c.refuse(NotData, nil, "the reply is %q, a page and no correction stream: is this a caster?", c.clean(kind))
	}
	return 2, resp, nil
}

// missing is the answer to a mount point the source table does not list, or
// lists but does not serve.
func (c *Client) missing(table string) *Refusal {
	names := ""
	for i, s := range parseTable(table).Streams {
		if s.Mount == c.Mount {
			return c.refuse(NoMount, nil, "the caster lists mount point %q but sent its source table instead of data: the base is not connected to it", c.Mount)
		}
		if i < 6 {
			names += ", " + s.Mount
		} else if i == 6 {
			names += " and others"
		}
	}
	if names == "" {
		names = ", none"
	}
	return c.refuse(NoMount, nil, "no mount point %q, the caster sent its source table instead of data; it lists %s", c.Mount, c.clean(names[2:]))
}

// icyBody is the data after "ICY 200 OK". Some casters send a blank line
// first, some send headers and a blank line, some send neither; RTCM 3 data
// looks like none of these for long.
//
// A caster that goes on and on with headers is no stream: after maxHeader bytes of
// them, or one that is longer than a line, it is an error.
type icyBody struct {
	br    *bufio.Reader
	begun bool
	heads int // bytes of headers so far
}

var errHeads = errors.New("headers without an end")

func (b *icyBody) Read(p []byte) (int, error) {
	for !b.begun {
		n, header, err := headerLine(b.br)
		if err != nil && n == 0 {
			return 0, err
		}
		blank := header && n <= 2
		if !header || blank {
			b.begun = true
		}
		if header {
			if b.heads += n; b.heads > maxHeader {
				return 0, errHeads
			}
			if _, err := b.br.Discard(n); err != nil {
				return 0, err
			}
		}
	}
	return b.br.Read(p)
}

// maxHeaderLine is the longest header line, bytes.
const maxHeaderLine = 2048

// headerLine looks ahead for a header line or a blank one and returns its
// length with the line end. It waits for more only while what came could
// still be one.
func headerLine(br *bufio.Reader) (n int, header bool, err error) {
	colon := false
	for n = 1; n < maxHeaderLine; n++ {
		b, err := br.Peek(n)
		if len(b) < n {
			return n - 1, false, err
		}
		switch ch := b[n-1]; {
		case ch == '\n':
			return n, colon || n == 1 || n == 2 && b[0] == '\r', nil
		case ch == '\r':
		case ch == ':':
			colon = n > 1
		case !colon && !isToken(ch), ch < ' ', ch > '~':
			return n, false, nil
		}
	}
	return 0, false, errHeads
}

func isToken(ch byte) bool {
	return ch >= '0' && ch <= '9' || ch >= 'A' && ch <= 'Z' || ch >= 'a' && ch <= 'z' || ch == '-'
}

// or is d, or the default where d is zero.
func or(d, def time.Duration) time.Duration {
	if d == 0 {
		return def
	}
	return d
}
