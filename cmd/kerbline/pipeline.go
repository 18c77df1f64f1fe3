package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fusion"
	"kerbline/fusion/score"
)

// pipeline runs a recording through the monitor as fast as it can. While one
// goroutine decodes ahead, this one steps the monitor and writes.
type pipeline struct {
	rec *recording.Recording
	cfg fusion.Config

	verdicts, events *sink                                          // nil when not wanted
	score            *score.Scorer                                  // nil without truth
	look             func(snap *fusion.Snapshot, ev []fusion.Event) // nil when nobody looks
	progress         *progress

	sum summary
}

// errInterrupted is the end of a run that the user stopped.
var errInterrupted = errors.New("interrupted")

// run steps through the whole recording and returns what it came to.
func (p *pipeline) run(ctx context.Context) (*summary, error) {
	crs, err := p.rec.Course()
	if err != nil {
		return nil, usage(err)
	}
	feed, err := p.rec.Feed(p.cfg)
	if err != nil {
		return nil, err
	}
	defer feed.Close()
	mon := fusion.NewMonitor(p.cfg, crs)
	var batch []fusion.Measurement
	for batch, err = feed.Next(); err == nil; batch, err = feed.Next() {
		for i := range batch {
			p.sum.input(&batch[i])
			if snap, events := mon.Step(&batch[i]); snap != nil || len(events) > 0 {
				p.output(snap, events)
			}
		}
		p.progress.at(feed.Progress())
		if ctx.Err() != nil {
			err = errInterrupted
			break
		}
		if p.verdicts.failed() || p.events.failed() {
			break
		}
	}
	if err == io.EOF {
		err = nil
	}
	p.output(nil, mon.Close())
	p.sum.damage = feed.Damage()
	return &p.sum, errors.Join(err, p.verdicts.close(), p.events.close())
}

func (p *pipeline) output(snap *fusion.Snapshot, events []fusion.Event) {
	if snap != nil {
		p.sum.verdict(snap)
		p.verdicts.verdict(snap)
	}
	for i := range events {
		p.sum.event(&events[i])
		p.events.event(&events[i])
	}
	if p.score != nil {
		p.score.Add(snap, events)
	}
	if p.look != nil {
		p.look(snap, events)
	}
}

// sink is a file of output lines. The methods of a nil sink do nothing.
type sink struct {
	name string
	w    *bufio.Writer
	c    io.Closer // nil for standard output
	buf  []byte
	err  error

	closed bool
}

// openSink creates the file name, or takes out for "-". It returns nil for "".
func openSink(name string, out io.Writer) (*sink, error) {
	switch name {
	case "":
		return nil, nil
	case "-":
		return &sink{name: "standard output", w: bufio.NewWriterSize(out, 1<<16)}, nil
	}
	f, err := os.Create(name)
	if err != nil {
		return nil, err
	}
	return &sink{name: name, w: bufio.NewWriterSize(f, 1<<16), c: f}, nil
}

func (s *sink) verdict(snap *fusion.Snapshot) {
	if s != nil {
		s.buf = lines.AppendVerdict(s.buf[:0], snap)
		s.write()
	}
}

func (s *sink) event(e *fusion.Event) {
	if s != nil {
		s.buf = lines.AppendEvent(s.buf[:0], e)
		s.write()
	}
}

func (s *sink) write() {
	if s.err == nil {
		_, s.err = s.w.Write(s.buf)
	}
}

func (s *sink) failed() bool { return s != nil && s.err != nil }

// close writes the rest and returns what went wrong with the file.
func (s *sink) close() error {
	if s == nil || s.closed { // verdicts and events may share one
		return nil
	}
	s.closed = true
	err := s.err
	if e := s.w.Flush(); err == nil {
		err = e
	}
	if s.c != nil {
		if e := s.c.Close(); err == nil {
			err = e
		}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	return nil
}
