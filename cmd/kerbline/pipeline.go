package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"kerbline/cmd/kerbline/internal/excerpt"
	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fusion"
	"kerbline/fusion/score"
)

// pipeline runs a recording through the monitor and writes what results from it.
type pipeline struct {
	rec *recording.Recording
	cfg fusion.Config

	verdicts, events *sink                                          // nil when not wanted
	score            *score.Scorer                                  // nil without truth
	look             func(snap *fusion.Snapshot, ev []fusion.Event) // nil where nothing looks
	hear             func(*fusion.Measurement)                      // nil where nothing hears
	part             *excerpt.Tracker                               // nil where all lines are wanted
	progress         *progress

	sum summary
}

// errSink ends a run whose lines cannot be written; close says why.
var errSink = errors.New("lines cannot be written")

// run plays the whole recording and returns what it came to.
func (p *pipeline) run(ctx context.Context) (*summary, error) {
	_, damage, err := runner.Monitor(ctx, p.rec, p.cfg, runner.Watch{Progress: p.progress.at, Before: p.input, After: p.output})
	p.sum.damage = damage
	if errors.Is(err, errSink) {
		err = nil
	}
	return &p.sum, errors.Join(err, p.verdicts.close(), p.events.close())
}

func (p *pipeline) input(m *fusion.Measurement) {
	p.sum.input(m)
	if p.hear != nil {
		p.hear(m)
	}
}

func (p *pipeline) output(snap *fusion.Snapshot, events []fusion.Event) error {
	var err error
	if snap != nil {
		p.sum.verdicts[snap.Verdict]++
		p.sum.taken = snap.Taken
		if p.part == nil || p.part.Line(snap) {
			err = p.verdicts.write(func(b []byte) []byte { return lines.AppendVerdict(b, snap) })
		}
	}
	for i := range events {
		p.sum.event(&events[i])
		if p.part != nil && !p.part.Event(&events[i]) {
			continue
		}
		err = errors.Join(err, p.events.write(func(b []byte) []byte { return lines.AppendEvent(b, &events[i]) }))
	}
	if p.score != nil {
		p.score.Add(snap, events)
	}
	if p.look != nil {
		p.look(snap, events)
	}
	return err
}

// sink is a file of output lines. The methods of a nil sink do nothing.
type sink struct {
	name string
	w    *bufio.Writer
	c    io.Closer // nil for standard output
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

// write writes the line that add appends to a buffer.
func (s *sink) write(add func([]byte) []byte) error {
	if s == nil {
		return nil
	}
	if _, err := s.w.Write(add(s.w.AvailableBuffer())); err != nil {
		return errSink
	}
	return nil
}

// close writes the rest and returns what went wrong with the file.
func (s *sink) close() error {
	if s == nil || s.w == nil { // verdicts and events may share one
		return nil
	}
	err := s.w.Flush()
	s.w = nil
	if s.c != nil {
		err = cmp.Or(err, s.c.Close())
	}
	if err != nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	return nil
}
