// Package alarm runs a command of the user's when a usable position ends: a horn, a
// lamp, a message to the pit. It is beside the terminal's bell, for who does not sit at
// the screen, and no part of the verdict: nothing waits for it, and what fails is said
// once.
//
// Times are those of the computer's clock. Start at [Start].
package alarm

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"time"

	"kerbline/fusion"
)

const (
	// stale is how long a usable verdict holds without a new one, as for published
	// verdicts and the bell.
	stale = 500 * time.Millisecond
	// longest is how long a command may run. Common practice, no source.
	longest = 10 * time.Second
	waiting = 64 // verdicts that may wait; they come ten times a second
)

// Alarm watches verdicts. The methods of a nil Alarm do nothing.
type Alarm struct {
	run   func(ctx context.Context, why string) error
	every time.Duration
	say   func(ok bool, words string)

	in   chan ending
	stop chan struct{}
	done sync.WaitGroup
}

// ending is what a verdict says.
type ending struct {
	usable bool
	why    string // the first reason's code
}

// Start returns an alarm that runs command by the shell when usable ends, at most once
// in every; nil for an empty command. say takes how it went, from another goroutine:
// that it ran, and the first of failures in a row. Close it.
func Start(command string, every time.Duration, say func(ok bool, words string)) *Alarm {
	if command == "" {
		return nil
	}
	return start(shell(command), every, say)
}

func start(run func(context.Context, string) error, every time.Duration, say func(bool, string)) *Alarm {
	a := &Alarm{run: run, every: every, say: say, in: make(chan ending, waiting), stop: make(chan struct{})}
	a.done.Add(1)
	go func() { defer a.done.Done(); a.watch() }()
	return a
}

// Send takes a verdict; it never waits.
func (a *Alarm) Send(s *fusion.Snapshot) {
	if a == nil {
		return
	}
	e := ending{usable: s.Verdict == fusion.Usable}
	if s.NReasons > 0 {
		e.why = s.Reasons[0].Code
	}
	select {
	case a.in <- e:
	default: // the next one says it
	}
}

// Close ends the watch; a command that still runs is ended with it.
func (a *Alarm) Close() {
	if a != nil {
		close(a.stop)
		a.done.Wait()
	}
}

func (a *Alarm) watch() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var last time.Time
	usable, running, failed := false, false, false
	ran := make(chan error, 1)
	ended := func(why string) {
		usable = false
		if now := time.Now(); !running && (last.IsZero() || now.Sub(last) >= a.every) {
			last, running = now, true
			a.done.Add(1)
			go func() { defer a.done.Done(); ran <- a.try(ctx, why) }()
		}
	}
	silence := time.NewTimer(stale)
	defer silence.Stop()
	for {
		select {
		case <-a.stop:
			return
		case e := <-a.in:
			silence.Reset(stale)
			if usable && !e.usable {
				ended(e.why)
			}
			usable = e.usable
		case <-silence.C:
			if usable {
				ended("silent")
			}
		case err := <-ran:
			running = false
			switch {
			case err == nil:
				failed = false
				a.say(true, "ran")
			case !failed:
				failed = true
				a.say(false, err.Error())
			}
		}
	}
}

func (a *Alarm) try(ctx context.Context, why string) error {
	ctx, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	return a.run(ctx, why)
}

// shell runs a command with the reason in KERBLINE_REASON, and no password.
func shell(command string) func(context.Context, string) error {
	return func(ctx context.Context, why string) error {
		cmd := exec.CommandContext(ctx, "sh", "-c", command)
		cmd.WaitDelay = time.Second // whoever it left behind holds nothing up
		for _, kv := range os.Environ() {
			if name, _, _ := strings.Cut(kv, "="); !strings.HasSuffix(name, "_PASSWORD") {
				cmd.Env = append(cmd.Env, kv)
			}
		}
		cmd.Env = append(cmd.Env, "KERBLINE_REASON="+why)
		out, err := cmd.CombinedOutput()
		switch {
		case ctx.Err() == context.DeadlineExceeded:
			return fmt.Errorf("%.40q did not end within %.0f s", command, longest.Seconds())
		case err != nil:
			said, _, _ := strings.Cut(strings.TrimSpace(string(out)), "\n")
			return fmt.Errorf("%.40q: %w %.80s", command, err, said)
		}
		return nil
	}
}
