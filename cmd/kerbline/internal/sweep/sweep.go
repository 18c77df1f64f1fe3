// Package sweep plays recordings under many settings on all cores and keeps
// the results: the part of tuning that reads files and starts goroutines. What is
// pure stands in [kerbline/fusion/tune].
//
// Each recording is decoded once and held while every setting plays it, each
// worker with a monitor of its own; so memory depends on the longest recording
// and the number of cores, not on the number of settings. Results do not depend
// on the number of cores. Start at [Open] and [Run].
package sweep

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/navigation"
	"kerbline/fusion/score"
	"kerbline/fusion/smooth"
	"kerbline/fusion/tune"
	"kerbline/gnss/geodesy"
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
	// Notes are remarks for the user, added to by Load.
	Notes []string

	truth  *score.Truth
	labels *score.Labels
}

// Open finds what the recording rec, given as name, can be judged by.
func Open(name string, rec *recording.Recording, base settings.File) (in *Input, err error) {
	in = &Input{Name: name, Rec: rec, Base: base}
	if in.truth, err = rec.Truth(); err != nil {
		return nil, err
	}
	in.labels, err = Labels(name)
	return in, err
}

// Source identifies in in a file of results.
func (in *Input) Source() (tune.Source, error) {
	s, err := in.Rec.Stream(in.Base.GNSS.Latency)
	if err != nil {
		return tune.Source{}, fmt.Errorf("%s: %w", in.Name, err)
	}
	defer s.Close()
	_, size := s.Progress()
	from, to := in.Rec.Span()
	ref := "the smoothed trajectory"
	switch {
	case in.truth != nil && in.labels != nil:
		ref = "truth and labels"
	case in.truth != nil:
		ref = "truth"
	case in.labels != nil:
		ref = "labels"
	}
	return tune.Source{Name: filepath.Base(in.Name), Sum: fmt.Sprintf("%.6f-%.6f-%d", from, to, size), Settings: tune.SumOf(in.Base.Config), Reference: ref}, nil
}

// Loaded is an input in memory.
type Loaded struct {
	*Input
	*tune.Decoded
	Ref tune.Reference
}

// Load decodes in. Where it has neither truth nor labels it is smoothed with the
// settings the sweep starts from, and judged by that.
func (in *Input) Load(ctx context.Context) (*Loaded, error) {
	l := &Loaded{Input: in, Decoded: &tune.Decoded{}, Ref: tune.Reference{Truth: in.truth, Labels: in.labels}}
	damage, err := runner.Each(ctx, in.Rec, in.Base.Config, nil, func(m *fusion.Measurement) error { l.Decoded.Add(m); return nil })
	if err != nil {
		return nil, fmt.Errorf("%s: %w", in.Name, err)
	}
	if damage != "" {
		in.Notes = append(in.Notes, in.Name+": "+damage)
	}
	if l.Ref.Truth == nil && l.Ref.Labels == nil {
		rec := navigation.Recording{Settings: in.Base.Config.Navigation()}
		l.Decoded.Each(func(m *fusion.Measurement) { m.AddTo(&rec) })
		tr, err := smooth.Run(&rec)
		if err == nil {
			l.Ref.Truth, err = reference(tr)
		}
		if err != nil {
			in.Notes = append(in.Notes, in.Name+": cannot be judged, only counted: "+err.Error())
		}
	}
	return l, nil
}

// reference returns a smoothed trajectory, sealed, as a reference to judge by.
func reference(tr *smooth.Trajectory) (*score.Truth, error) {
	const least = 1e-4 // m, 1 sigma
	ref := score.NewTruth(tr.Frame.Origin())
	for i := range tr.Smoothed {
		p := &tr.Smoothed[i]
		if i > 0 && p.T <= tr.Smoothed[i-1].T {
			continue // two nodes of one instant
		}
		lla := tr.Frame.ToLLA(geodesy.ENU{E: p.State.Pos.X, N: p.State.Pos.Y, U: p.State.Pos.Z})
		if err := ref.Add(p.T, lla, p.Yaw, math.Max(p.SigmaH(), least)); err != nil {
			return nil, err
		}
	}
	ref.Seal()
	return ref, nil
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
	return tune.Play(l.Decoded, cfg, crs, l.Ref), nil
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
	if ctx.Err() != nil {
		return runner.ErrInterrupted
	}
	return nil
}
