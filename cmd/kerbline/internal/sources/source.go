package sources

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"kerbline/fusion"
	"kerbline/gnss/ntrip"
)

// Status is one source as it is now, in words.
type Status struct {
	Channel fusion.Channel
	OK      bool
	Ended   bool   // a file or pipe that gives nothing more
	Words   string // "open at 460800 baud", "no such device, trying again"
}

// String is the status as a note says it.
func (s Status) String() string { return fmt.Sprintf("source %s: %s", s.Channel, s.Words) }

// Outlet is where a source puts what it read.
type Outlet interface {
	// Bytes takes a copy of b, read at host time ns. It may wait, but only as
	// long as ctx lasts.
	Bytes(ctx context.Context, ns int64, ch fusion.Channel, b []byte)
	// Told takes each change of a source's status.
	Told(s Status)
}

// Options of a [Source].
type Options struct {
	Now func() int64  // host time, ns; required
	GGA func() string // position for a caster, "" for none
	// Discard reads and forgets: the source is only written to.
	Discard bool
}

// Source reads one input until its context ends.
type Source struct {
	ch   fusion.Channel
	spec Spec
	o    Options
	out  Outlet

	send chan []byte // bytes for the device, see Send

	mu     sync.Mutex
	st     Status // as last reported
	base   Status // of the connection, whatever its bytes are
	conn   conn   // open now, nil when none
	watch  *watch
	first  time.Time // byte of this connection, zero before it
	last   time.Time // byte of this connection
	good   time.Time // whole line or frame
	opened time.Time
	many   bool // there are other devices to try
	giveUp bool // on this device, because of what it sends
	gga    string
	ggaAt  time.Time
	known  identity // of the device opened last
	tried  string   // device opened last
	lost   int64    // bytes of Send that were dropped
}

// New returns a source of channel ch that has not begun.
func New(ch fusion.Channel, spec Spec, o Options, out Outlet) *Source {
	return &Source{ch: ch, spec: spec, o: o, out: out, watch: newWatch(ch), send: make(chan []byte, 64),
		st: Status{Channel: ch, Words: "not begun"}}
}

// Status returns the source as it is now.
func (s *Source) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.st
}

// Spec returns where the source reads from.
func (s *Source) Spec() Spec { return s.spec }

// GGA returns the last sentence with a position, "" before the first or when
// it is older than 10 s.
func (s *Source) GGA() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if time.Since(s.ggaAt) > 10*time.Second {
		return ""
	}
	return s.gga
}

// Send gives bytes to the device at the other end of a serial or TCP source.
// It never waits: what a slow device does not take is dropped and counted.
func (s *Source) Send(b []byte) {
	select {
	case s.send <- append([]byte(nil), b...):
	default:
		s.mu.Lock()
		s.lost += int64(len(b))
		s.mu.Unlock()
	}
}

// CanSend reports whether Send leads anywhere.
func (s *Source) CanSend() bool { return s.spec.Kind == Serial || s.spec.Kind == TCP }

// Dropped returns how many bytes of Send the device did not take.
func (s *Source) Dropped() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.lost
}

// conn is an open input.
type conn interface {
	io.ReadCloser
	// about describes it when it is open.
	about() string
}

// detailer is a conn about which there is more to say as time goes on.
type detailer interface{ detail() string }

// writer is a conn that takes bytes within a deadline.
type writer interface {
	SetWriteDeadline(time.Time) error
	Write([]byte) (int, error)
}

// errIdle is returned by a conn's Read when nothing came for a while: time to
// look whether to go on.
var errIdle = errors.New("idle")

// errNext says that the device sends the wrong thing and another is to be tried.
var errNext = errors.New("not the right device")

// Run reads until ctx ends, or until a file or pipe gives nothing more.
func (s *Source) Run(ctx context.Context) {
	wait := firstWait
	for ctx.Err() == nil {
		c, err := s.open(ctx)
		if err == nil {
			began := time.Now()
			if got := s.pump(ctx, c, &err); got && time.Since(began) > steady {
				wait = firstWait
			}
		}
		if ctx.Err() != nil {
			return
		}
		if err == io.EOF && s.finite() {
			s.tell(Status{OK: true, Ended: true, Words: "ended"})
			return
		}
		s.tell(Status{Words: s.words(err) + ", trying again"})
		var pause time.Duration
		pause, wait = s.pause(err, wait)
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

const (
	firstWait   = 250 * time.Millisecond
	lastWait    = 4 * time.Second  // where nothing answers: when it does, it is wanted at once
	steady      = 10 * time.Second // a connection that lasted was a good one
	settledWait = 10 * time.Second // a caster that refused is not asked again at once
	casterWait  = time.Second      // a caster that answers and closes is called at most so often,
	casterLast  = 30 * time.Second // and ever less
)

// pause returns how long to wait after err, and how long after the next one.
func (s *Source) pause(err error, wait time.Duration) (pause, next time.Duration) {
	if err == errNext {
		return 0, wait
	}
	var r *ntrip.Refusal
	switch {
	case errors.As(err, &r) && r.Settled():
		return max(wait, settledWait), min(2*wait, casterLast)
	case s.spec.Kind == NTRIP && !(errors.As(err, &r) && r.Kind == ntrip.Unreachable):
		wait = max(wait, casterWait)
		return wait, min(2*wait, casterLast)
	case s.spec.Kind == TCP || s.spec.Kind == NTRIP:
		wait = min(wait, lastWait)
		return wait, min(2*wait, lastWait)
	}
	return wait, wait
}

// finite reports whether the end of the input is the end of the source.
func (s *Source) finite() bool { return s.spec.Kind == Stdin || s.spec.Kind == Path }

func (s *Source) open(ctx context.Context) (conn, error) {
	switch s.spec.Kind {
	case Serial:
		return s.openSerial()
	case NTRIP:
		return s.openNTRIP(ctx)
	case TCP, UDP:
		return openNet(ctx, s.spec, s.ch != fusion.ChanCorrections)
	}
	return openPath(ctx, s.spec)
}

// pump reads c until it breaks and reports whether anything came.
func (s *Source) pump(ctx context.Context, c conn, failure *error) (got bool) {
	s.mu.Lock()
	s.watch = newWatch(s.ch)
	s.first, s.last, s.good, s.opened, s.giveUp = time.Time{}, time.Time{}, time.Time{}, time.Now(), false
	s.conn = c
	s.mu.Unlock()
	s.drain() // before anybody hears that the device is there
	s.tell(Status{OK: true, Words: c.about()})

	// Closing is left to one place: some readers must not be closed while a
	// read is under way.
	quit := make(chan struct{})
	var done sync.WaitGroup
	done.Add(1)
	go func() {
		defer done.Done()
		s.write(ctx, c, quit)
	}()
	unhook := func() bool { return true }
	if _, idles := c.(*serialConn); !idles {
		unhook = context.AfterFunc(ctx, func() { c.Close() })
	}
	defer func() {
		unhook()
		close(quit)
		c.Close()
		done.Wait()
		s.mu.Lock()
		s.conn = nil
		s.mu.Unlock()
	}()

	buf := make([]byte, 8192)
	for {
		n, err := c.Read(buf)
		if n > 0 {
			ns := s.o.Now()
			got = true
			s.see(ns, buf[:n])
			if !s.o.Discard {
				s.out.Bytes(ctx, ns, s.ch, buf[:n])
			}
		}
		if ctx.Err() != nil {
			return got
		}
		if err != nil && err != errIdle {
			*failure = err
			return got
		}
		s.mu.Lock()
		giveUp := s.giveUp
		s.mu.Unlock()
		if giveUp {
			*failure = errNext
			return got
		}
	}
}

// write carries the bytes of Send to the device.
func (s *Source) write(ctx context.Context, c conn, quit <-chan struct{}) {
	w, ok := c.(writer)
	if !ok {
		return
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-quit:
			return
		case b := <-s.send:
			_ = w.SetWriteDeadline(time.Now().Add(500 * time.Millisecond))
			if n, err := w.Write(b); err != nil {
				s.mu.Lock()
				s.lost += int64(len(b) - n)
				s.mu.Unlock()
			}
		}
	}
}

// drain forgets what waited for a device: it is old.
func (s *Source) drain() {
	for {
		select {
		case <-s.send:
		default:
			return
		}
	}
}

// see takes note of bytes that came.
func (s *Source) see(ns int64, b []byte) {
	now := time.Now()
	s.mu.Lock()
	if s.first.IsZero() {
		s.first, s.good = now, now
	}
	s.last = now
	before := s.watch.good
	s.watch.push(float64(ns)/1e9, b)
	if s.watch.good > before {
		s.good = now
	}
	if s.watch.fresh {
		s.gga, s.ggaAt, s.watch.fresh = string(s.watch.gga), now, false
	}
	s.mu.Unlock()
}

// Check judges what came so far; the owner calls it some ten times a second.
func (s *Source) Check(now time.Time) {
	s.mu.Lock()
	st := s.base
	if d, ok := s.conn.(detailer); ok && st.OK {
		st.Words += d.detail()
	}
	if st.OK && !st.Ended && !s.o.Discard {
		switch {
		case s.first.IsZero() && now.Sub(s.opened) > silence:
			st.OK, st.Words = false, st.Words+fmt.Sprintf(", but not one byte for %.0f s", now.Sub(s.opened).Seconds())
			s.giveUp = s.many && now.Sub(s.opened) > patience
		case !s.first.IsZero() && now.Sub(s.last) > silence:
			st.OK, st.Words = false, st.Words+fmt.Sprintf(", but no byte for %.0f s", now.Sub(s.last).Seconds())
			s.giveUp = s.many && now.Sub(s.last) > patience
		case !s.first.IsZero() && s.watch.noisy(now.Sub(s.good).Seconds()):
			st.OK = false
			st.Words += fmt.Sprintf(", but in %d bytes no whole %s: %s", s.watch.since, s.watch.expected(), s.suspect())
			s.giveUp = s.many && now.Sub(s.good) > patience
		}
	}
	s.mu.Unlock()
	s.put(st)
}

const (
	silence  = 1500 * time.Millisecond
	patience = 3 * time.Second // before the next of several devices is tried
)

func (s *Source) suspect() string {
	if s.spec.Kind == Serial {
		return "wrong baud rate, or not what is expected there"
	}
	return "not what is expected there"
}

// tell sets the state of the connection.
func (s *Source) tell(st Status) {
	s.mu.Lock()
	s.base = st
	s.mu.Unlock()
	s.put(st)
}

// put hands on what is new. Counts that run (seconds, bytes) are no news.
func (s *Source) put(st Status) {
	st.Channel = s.ch
	s.mu.Lock()
	news := st.OK != s.st.OK || st.Ended != s.st.Ended || Digitless(st.Words) != Digitless(s.st.Words)
	s.st = st
	s.mu.Unlock()
	if news {
		s.out.Told(st)
	}
}

// Digitless is s without its digits: counts that run are no news.
func Digitless(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return -1
		}
		return r
	}, s)
}

// words says what an error means to a person in a paddock.
func (s *Source) words(err error) string {
	var r *ntrip.Refusal
	var w *wordy
	switch {
	case errors.As(err, &r):
		return r.Text
	case errors.As(err, &w):
		return w.text
	case err == errNext:
		return "this device does not send what is expected"
	case errors.Is(err, io.EOF):
		return "closed by the other end"
	case errors.Is(err, os.ErrPermission):
		return "no permission to read it"
	case errors.Is(err, os.ErrNotExist):
		return "no such file"
	}
	return errText(err)
}

// wordy is an error with words for a person.
type wordy struct {
	text string
	err  error
}

func (w *wordy) Error() string { return w.text }
func (w *wordy) Unwrap() error { return w.err }
