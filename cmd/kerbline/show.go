package main

import (
	"context"
	"fmt"
	"io"
	"sync"
	"time"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/engine"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/fusion"
	"kerbline/tui"
)

// show carries what a live run gives to whoever looks: the dashboard, or a line
// for each change. Its look and state are called by the engine and return at
// once; what is not taken in time is dropped, oldest first.
type show struct {
	feed *tui.Feed

	mu   sync.Mutex
	n    [4]int // verdicts
	rec  *recorder.Status
	said map[string]string // last words of sources and recording
	todo []string          // lines not yet printed
	kick chan struct{}

	verdict fusion.Verdict
	advice  fusion.Advice
	begun   bool
}

const maxLines = 500 // waiting for an output that takes none

func newShow(view tui.View) *show {
	return &show{feed: tui.NewFeed(view), said: map[string]string{}, kick: make(chan struct{}, 1)}
}

// look takes what the monitor gave.
func (s *show) look(snap *fusion.Snapshot, events []fusion.Event) {
	s.feed.Step(snap, events)
	if snap != nil {
		s.feed.Publish(time.Now())
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range events {
		if e := &events[i]; e.Kind != fusion.EventVerdict { // the line itself shows it
			s.add(fmt.Sprintf("         %s: %s", e.Kind, tui.Clean(e.Detail)))
		}
	}
	if snap == nil {
		return
	}
	s.n[snap.Verdict]++
	if !s.begun || snap.Verdict != s.verdict || snap.Advice != s.advice {
		s.begun, s.verdict, s.advice = true, snap.Verdict, snap.Advice
		s.add(tui.PlainLine(s.feed.Latest()))
	}
}

// past takes what was before this screen began to look: its history, not its present.
func (s *show) past(p bus.Past) {
	for i := range p.Verdicts {
		snap := publish.Snapshot(&p.Verdicts[i])
		s.feed.Step(&snap, nil)
	}
	s.look(nil, p.Events)
}

// outsides puts the state of sources and recording into the words of a screen.
func outsides(st engine.State) (list []tui.Source, rec tui.Recording) {
	for _, src := range st.Sources {
		list = append(list, tui.Source{Name: src.Channel.String(), OK: src.OK, Words: src.Words})
	}
	for _, b := range st.Beside {
		list = append(list, tui.Source(b))
	}
	if f := st.Forward; f != nil {
		words := f.Words
		ok := f.OK
		if st.Dropped > 0 {
			words += fmt.Sprintf(", %d bytes not taken", st.Dropped)
		}
		list = append(list, tui.Source{Name: "forward", OK: ok, Words: words})
	}
	if r := st.Recording; r != nil {
		rec = tui.Recording{Wanted: true, OK: r.OK, File: r.File, Bytes: r.Bytes, Words: r.Words}
	}
	return list, rec
}

// state takes the state of sources and recording.
func (s *show) state(st engine.State) {
	list, rec := outsides(st)
	s.mu.Lock()
	s.rec = st.Recording
	s.mu.Unlock()
	s.outside(list, rec)
}

// outside takes how the inputs and the recording are.
func (s *show) outside(list []tui.Source, rec tui.Recording) {
	s.feed.Set(func(v *tui.View) { v.Sources, v.Recording = list, rec })
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, src := range list {
		s.say(src.Name, src.OK, src.Words)
	}
	if rec.Wanted {
		words := "to " + rec.File
		if !rec.OK {
			words = "NOT RECORDING: " + rec.Words
		}
		s.say("recording", rec.OK, words)
	}
}

// say adds a line where the words changed; running numbers are no change.
func (s *show) say(name string, ok bool, words string) {
	key := fmt.Sprint(ok) + sources.Digitless(words)
	if s.said[name] != key {
		s.said[name] = key
		s.add(fmt.Sprintf("         %s: %s", name, tui.Clean(words)))
	}
}

func (s *show) add(line string) {
	if len(s.todo) >= maxLines {
		s.todo = append(s.todo[:0], s.todo[1:]...)
	}
	s.todo = append(s.todo, line)
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// lines prints what changes until ctx ends or the output has no reader.
func (s *show) lines(ctx context.Context, w io.Writer) error {
	for {
		last := false
		select {
		case <-ctx.Done():
			last = true
		case <-s.kick:
		}
		s.mu.Lock()
		todo := s.todo
		s.todo = nil
		s.mu.Unlock()
		for _, l := range todo {
			if _, err := fmt.Fprintln(w, l); err != nil {
				return fmt.Errorf("the output has no reader: %w", err)
			}
		}
		if last {
			return nil
		}
	}
}
