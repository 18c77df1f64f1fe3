package engine

import (
	"fmt"
	"io"
	"sync"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fusion"
)

// LineBuffer writes lines to a file from a goroutine of its own, so that a disk or a
// terminal that hangs holds up nothing. What does not fit into its buffer is
// dropped and counted.
type LineBuffer struct {
	name   string
	w      io.Writer
	mu     sync.Mutex
	fill   []byte
	lost   int
	err    error
	closed bool
	quit   chan struct{}
	done   chan struct{}
}

// maxBuffered bounds what waits, bytes.
const maxBuffered = 4 << 20

// NewLineBuffer returns a buffer over w, called name in messages; every is how long
// lines may wait.
func NewLineBuffer(name string, w io.Writer, every time.Duration) *LineBuffer {
	s := &LineBuffer{name: name, w: w, quit: make(chan struct{}), done: make(chan struct{})}
	go s.run(every)
	return s
}

// Verdict appends a verdict line.
func (s *LineBuffer) Verdict(snap *fusion.Snapshot) {
	s.put(func(b []byte) []byte { return lines.AppendVerdict(b, snap) })
}

// Event appends an event line.
func (s *LineBuffer) Event(e *fusion.Event) {
	s.put(func(b []byte) []byte { return lines.AppendEvent(b, e) })
}

// put appends a line, or counts it as lost where the writer is too far behind.
func (s *LineBuffer) put(add func([]byte) []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || len(s.fill) > maxBuffered {
		s.lost++
		return
	}
	s.fill = add(s.fill)
}

// Err returns why lines cannot be written, nil while they can.
func (s *LineBuffer) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

func (s *LineBuffer) run(every time.Duration) {
	defer close(s.done)
	tick := time.NewTicker(every)
	defer tick.Stop()
	var spare []byte
	for {
		quit := false
		select {
		case <-tick.C:
		case <-s.quit:
			quit = true
		}
		s.mu.Lock()
		b := s.fill
		s.fill = spare[:0]
		s.mu.Unlock()
		if len(b) > 0 {
			if _, err := s.w.Write(b); err != nil {
				s.mu.Lock()
				s.err = err
				s.mu.Unlock()
			}
		}
		spare = b
		if quit {
			return
		}
	}
}

// Close writes what waits and returns what went wrong; what it writes to stays
// open. It waits at most limit.
func (s *LineBuffer) Close(limit time.Duration) error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	close(s.quit)
	select {
	case <-s.done:
	case <-time.After(limit):
		return fmt.Errorf("%s: does not take what is written", s.name)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	if s.lost > 0 {
		return fmt.Errorf("%s: %d lines were dropped, it was too slow", s.name, s.lost)
	}
	return nil
}
