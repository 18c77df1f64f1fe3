// Package sweep plays recordings under many settings on all cores and keeps
// the results: the part of tuning that reads files and starts goroutines. What is
// pure stands in [kerbline/fusion/tune].
//
// Each recording is decoded once and held while every setting plays it, each
// worker with a monitor of its own; so memory depends on the longest recording
// and the number of cores, not on the number of settings. Results do not depend
// on the number of cores. Start at [Load] and [Run].
package sweep

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/fusion/smooth"
	"kerbline/fusion/tune"
)

// labelsFile names the faults of a recording, in its folder.
const labelsFile = "labels.json"

// LabelsBeside returns where the labels of a recording in one file stand.
func LabelsBeside(path string) string {
	return strings.TrimSuffix(path, filepath.Ext(path)) + "." + labelsFile
}

// Labels reads the labels of the recording at arg: of a folder those in it, of
// a file those beside it; nil where there are none.
func Labels(arg string) (*score.Labels, error) {
	if arg == "" {
		return nil, nil
	}
	path := filepath.Join(arg, labelsFile)
	if fi, err := os.Stat(arg); err == nil && !fi.IsDir() {
		path = LabelsBeside(arg)
	}
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("sweep: labels: %w", err)
	}
	defer f.Close()
	l, err := score.ReadLabels(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name(), err)
	}
	return l, nil
}

// Input is one recording of a sweep.
type Input struct {
	Name string // as given
	Rec  *recording.Recording
	Base settings.File // the settings the sweep starts from
	// Notes are remarks for the user, filled by Load.
	Notes []string
}

// Loaded is an input in memory.
type Loaded struct {
	*Input
	Tape *tune.Tape
	Ref  tune.Reference
}

// Load decodes in and finds what it can be judged by: truth and labels, or
// labels, or with neither the trajectory smoothed with the settings of the input.
func Load(ctx context.Context, in *Input) (*Loaded, error) {
	l := &Loaded{Input: in, Tape: &tune.Tape{}}
	feed, err := in.Rec.Feed(in.Base.Config)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", in.Name, err)
	}
	defer feed.Close()
	for ctx.Err() == nil {
		batch, err := feed.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", in.Name, err)
		}
		for i := range batch {
			l.Tape.Add(&batch[i])
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if d := feed.Damage(); d != "" {
		in.Notes = append(in.Notes, in.Name+": "+d)
	}
	if l.Ref.Truth, err = in.Rec.Truth(); err != nil {
		return nil, err
	}
	if l.Ref.Labels, err = Labels(in.Name); err != nil {
		return nil, err
	}
	if l.Ref.Truth == nil && l.Ref.Labels == nil {
		s := smooth.New(in.Base.Config)
		l.Tape.Each(s.Add)
		tr, err := s.Run()
		if err == nil {
			l.Ref.Truth, err = tr.Reference()
		}
		if err != nil {
			in.Notes = append(in.Notes, in.Name+": cannot be judged, only counted: "+err.Error())
		}
	}
	return l, nil
}

// Reference says what l is judged by.
func (l *Loaded) Reference() string {
	switch {
	case l.Ref.Truth != nil && !l.Ref.Truth.Exact():
		return "smoothed"
	case l.Ref.Truth != nil && l.Ref.Labels != nil:
		return "truth and labels"
	case l.Ref.Truth != nil:
		return "truth"
	case l.Ref.Labels != nil:
		return "labels"
	}
	return "nothing"
}

// Source identifies l in a file of results.
func (l *Loaded) Source() tune.Source {
	return tune.Source{Name: filepath.Base(l.Name), Sum: l.Tape.Sum(), Settings: tune.SumOf(l.Base.Config), Reference: l.Reference()}
}

// Play runs one setting, given as key=value each, over l.
func (l *Loaded) Play(assign []string) (tune.Figures, error) {
	cfg, err := Apply(l.Base, assign)
	if err != nil {
		return tune.Figures{}, err
	}
	crs, err := l.Rec.Course() // one for each run: it is bound to the run's frame
	if err != nil {
		return tune.Figures{}, err
	}
	return tune.Play(l.Tape, cfg, crs, l.Ref), nil
}

// Apply returns the settings of base with assignments, key=value each.
func Apply(base settings.File, assign []string) (fusion.Config, error) {
	for _, a := range assign {
		if err := base.Set(a); err != nil {
			return base.Config, err
		}
	}
	return base.Config, nil
}

// Run plays the settings over l on cores goroutines (0 means all) and hands
// each outcome to each, one at a time, in no particular order. source is the
// number of l among the recordings, assign gives a setting's assignments.
func Run(ctx context.Context, l *Loaded, source int, todo []int, assign func(setting int) []string, cores int, each func(*tune.Outcome) error) error {
	if cores <= 0 {
		cores = runtime.GOMAXPROCS(0)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	next := make(chan int)
	var wg sync.WaitGroup
	var mu sync.Mutex
	var failed error
	fail := func(err error) {
		if failed == nil {
			failed = err
		}
		cancel()
	}
	for range min(cores, len(todo)) {
		wg.Go(func() {
			for s := range next {
				f, err := l.Play(assign(s))
				mu.Lock()
				switch {
				case err != nil:
					fail(fmt.Errorf("setting %v: %w", assign(s), err))
				case failed == nil:
					if err := each(&tune.Outcome{Cell: tune.Cell{Setting: s, Source: source}, Figures: f}); err != nil {
						fail(err)
					}
				}
				mu.Unlock()
			}
		})
	}
feed:
	for _, s := range todo {
		select {
		case next <- s:
		case <-ctx.Done():
			break feed
		}
	}
	close(next)
	wg.Wait()
	if failed != nil {
		return failed
	}
	return errors.Join(ctx.Err())
}
