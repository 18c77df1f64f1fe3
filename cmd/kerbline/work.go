package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"strconv"
	"sync"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/sweep"
	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion/tune"
)

func newWork() *cobra.Command {
	var (
		t  tuning
		at busFlags
	)
	cmd := &cobra.Command{
		Use:   "work RECORDING... --bus URL",
		Short: "Lend this computer to a sweep: take settings from kerbline tune --bus and play them",
		Long: `Lend this computer to a sweep that kerbline tune --bus hands out. RECORDING are this
computer's own copies of the recordings, with the same settings: only results go over
the bus. Any number of computers may work, and come and go: what one that dies had
begun another does again, and the result is that of a sweep on one computer.

It waits for a sweep, and goes on to the next one, until it is stopped.`,
		Example: `  kerbline tune season/* --vary limits.risk=1e-7..1e-3/5log --bus 0.0.0.0:4222 --publish-remote --bus-users users
  kerbline work season/* --bus nats://pit@laptop.local`,
		Args: wrong(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !bus.Is(at.at) {
				return usage(errors.New("no bus to work for, want --bus nats://user@host:4222"))
			}
			ins, err := t.open(args)
			if err != nil {
				return err
			}
			target, err := at.target(at.at)
			if err != nil {
				return usage(err)
			}
			w := &worker{byKind: map[string]*sweep.Input{}}
			var kinds []string
			for _, in := range ins {
				src, err := in.Source()
				if err != nil {
					return err
				}
				kind := kindOf(src)
				if w.byKind[kind] == nil {
					w.byKind[kind] = in
					kinds = append(kinds, kind)
				}
			}
			cores := t.cores
			if cores <= 0 {
				cores = runtime.GOMAXPROCS(0)
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "working for %s on %d recordings with %d cores\n", target, len(kinds), cores)
			return w.run(cmd.Context(), target, kinds, cores)
		},
	}
	t.in.flags(cmd)
	cmd.Flags().IntVar(&t.cores, "cores", 0, "cores to use, 0 for all")
	cmd.Flags().StringVar(&at.at, "bus", "", "bus of the sweep: nats://user@host:4222")
	at.watcher(cmd)
	return cmd
}

// play is one setting over one recording, as it goes over the bus.
type play struct {
	Build  string
	Kind   string // of the recording
	Cell   tune.Cell
	Assign []string
}

// kindOf names a recording with what it is played with and judged by; machines keep
// files under other names.
func kindOf(s tune.Source) string {
	s.Name = ""
	return tune.SumOf(s)
}

// worker plays what it is handed.
type worker struct {
	byKind map[string]*sweep.Input

	mu     sync.Mutex
	loaded *sweep.Loaded // the last recording, in memory
	kind   string        // which
}

func (w *worker) run(ctx context.Context, target bus.Target, kinds []string, cores int) error {
	nc, err := bus.Connect(target)
	if err != nil {
		return err
	}
	defer nc.Close()
	return bus.Work(ctx, nc, kinds, cores, w.do)
}

// load returns the recording of a kind. One is held at a time: the queue hands them
// out one after the other.
func (w *worker) load(ctx context.Context, kind string) (*sweep.Loaded, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.kind == kind {
		return w.loaded, nil
	}
	w.loaded, w.kind = nil, ""
	l, err := w.byKind[kind].Load(ctx)
	if err != nil {
		return nil, err
	}
	w.loaded, w.kind = l, kind
	return l, nil
}

func (w *worker) do(ctx context.Context, data []byte) ([]byte, error) {
	var p play
	if err := json.Unmarshal(data, &p); err != nil {
		return nil, fmt.Errorf("a task cannot be read: %w", err)
	}
	if b := version.String(); p.Build != b {
		return nil, fmt.Errorf("a worker is build %s, the sweep is build %s: want the same program on every computer", b, p.Build)
	}
	if w.byKind[p.Kind] == nil {
		return nil, fmt.Errorf("a worker was handed a recording that it has not")
	}
	l, err := w.load(ctx, p.Kind)
	if err != nil {
		return nil, err
	}
	f, err := l.Play(p.Assign)
	if err != nil {
		return nil, err
	}
	return json.Marshal(tune.Outcome{Cell: p.Cell, Figures: f})
}

// handOut plays what is not done yet on whoever works at the bus.
func (t *tuning) handOut(ctx context.Context, nc *nats.Conn, plan *tune.Plan, todo [][]int, done func(*tune.Outcome) error) error {
	assign := assigner(plan.Grid)
	var tasks []bus.Task
	for k, list := range todo {
		kind := kindOf(plan.Sources[k])
		for _, s := range list {
			p := play{Build: version.String(), Kind: kind, Cell: tune.Cell{Setting: s, Source: k}, Assign: assign(s)}
			data, err := json.Marshal(p)
			if err != nil {
				return err
			}
			tasks = append(tasks, bus.Task{Kind: kind, Key: strconv.Itoa(k) + "." + strconv.Itoa(s), Data: data})
		}
	}
	return bus.Offer(ctx, nc, tasks, func(_ string, result []byte) error {
		var o tune.Outcome
		if err := json.Unmarshal(result, &o); err != nil {
			return fmt.Errorf("a worker's result cannot be read: %w", err)
		}
		return done(&o)
	})
}
