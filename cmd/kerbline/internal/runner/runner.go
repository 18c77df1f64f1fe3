// Package runner plays a recording from its beginning to its end, as fast as it
// can: the one loop behind every command that reads a recording whole. (The
// dashboard's replay pauses and seeks; package player takes the same
// measurements at its own pace.)
//
// Times are host Unix seconds. Start at [Monitor]; [Each] is for what needs the
// decoded measurements and no monitor, [Records] for what needs the bytes.
package runner

import (
	"context"
	"errors"
	"fmt"
	"io"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fusion"
)

// ErrInterrupted is the end of a run whose context ended.
var ErrInterrupted = errors.New("interrupted")

// Each hands every measurement of rec, decoded with cfg, to take, in the order
// of host time; each is valid during its call. It ends early with an error of take,
// or with [ErrInterrupted], and returns what the recording had lost. progress hears the bytes read
// and in all; it may be nil.
func Each(ctx context.Context, rec *recording.Recording, cfg fusion.Config, progress func(done, total int64), take func(*fusion.Measurement) error) (damage string, err error) {
	feed, err := rec.Feed(cfg)
	if err != nil {
		return "", err
	}
	defer feed.Close()
	for {
		batch, err := feed.Next()
		if err == io.EOF {
			return feed.Damage(), nil
		}
		if err != nil {
			return feed.Damage(), err
		}
		for i := range batch {
			if err := take(&batch[i]); err != nil {
				return "", err
			}
		}
		if progress != nil {
			progress(feed.Progress())
		}
		if ctx.Err() != nil {
			return "", ErrInterrupted
		}
	}
}

// Records hands every raw record of rec to take; each is valid during its call.
// Untimed sentences get the latency given, s. It returns notes for the user: what
// was left out because it could not be turned into bytes, what the recording had
// lost. progress hears the bytes read and in all; it may be nil.
func Records(rec *recording.Recording, latency float64, progress func(done, total int64), take func(fusion.Record) error) (notes []string, err error) {
	s, err := rec.Stream(latency)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	left := 0
	for n := 0; ; n++ {
		r, ok := s.Next()
		if !ok {
			break
		}
		if n%4096 == 0 && progress != nil {
			progress(s.Progress())
		}
		if _, why, refused := s.Refused(); !refused {
			err = take(r)
		} else if left++; left == 1 {
			notes = append(notes, "left out: "+why)
		}
		if err != nil {
			return notes, err
		}
	}
	if left > 1 {
		notes = append(notes, fmt.Sprintf("left out in all: %d lines", left))
	}
	if d := s.Damage(); d != "" {
		notes = append(notes, "the recording "+d)
	}
	return notes, s.Err()
}

// Watch is what a run of the monitor is watched by.
type Watch struct {
	Progress func(done, total int64)   // may be nil
	Before   func(*fusion.Measurement) // may be nil
	// After takes what the monitor returned, where it returned anything; an error
	// ends the run.
	After func(*fusion.Snapshot, []fusion.Event) error
	// Begin takes the monitor before its first step; may be nil.
	Begin func(m *fusion.Monitor, hasMap bool)
}

// Monitor plays rec through a monitor with the settings cfg, closes it, also
// where the run ends early, and returns it with what the recording had lost.
func Monitor(ctx context.Context, rec *recording.Recording, cfg fusion.Config, w Watch) (m *fusion.Monitor, damage string, err error) {
	crs, err := rec.Course()
	if err != nil {
		return nil, "", err
	}
	m = fusion.NewMonitor(cfg, crs)
	if w.Begin != nil {
		w.Begin(m, crs != nil)
	}
	damage, err = Each(ctx, rec, cfg, w.Progress, func(in *fusion.Measurement) error {
		if w.Before != nil {
			w.Before(in)
		}
		if snap, events := m.Step(in); snap != nil || len(events) > 0 {
			return w.After(snap, events)
		}
		return nil
	})
	if events := m.Close(); len(events) > 0 {
		err = errors.Join(err, w.After(nil, events))
	}
	return m, damage, err
}
