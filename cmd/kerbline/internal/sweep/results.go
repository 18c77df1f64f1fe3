package sweep

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"

	"kerbline/fusion/tune"
)

// Results is a file of results that grows as outcomes come in: JSON, a plan and
// then one line an outcome. What was written when the sweep was stopped is found
// again. The zero value keeps outcomes in memory only.
type Results struct {
	f    *os.File
	w    *bufio.Writer
	All  []tune.Outcome
	done map[tune.Cell]bool
}

// OpenResults opens the file of results at path for plan, or makes it; "" keeps
// outcomes in memory only. A file that belongs to another plan is refused.
func OpenResults(path string, plan *tune.Plan) (*Results, error) {
	r := &Results{done: map[tune.Cell]bool{}}
	if path == "" {
		return r, nil
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("sweep: results: %w", err)
	}
	fail := func(err error) (*Results, error) {
		f.Close()
		return nil, err
	}
	fi, err := f.Stat()
	if err != nil {
		return fail(fmt.Errorf("sweep: results: %w", err))
	}
	r.f, r.w = f, bufio.NewWriter(f)
	if fi.Size() == 0 {
		if err := errors.Join(tune.WritePlan(r.w, plan), r.w.Flush()); err != nil {
			return fail(fmt.Errorf("sweep: results: %s: %w", path, err))
		}
		return r, nil
	}
	old, good, err := tune.ReadResults(path, f, r.keep)
	if err != nil {
		return fail(err)
	}
	if !old.Same(plan) {
		return fail(fmt.Errorf("sweep: results: %s belongs to another sweep (other keys, values, recordings, settings or references), want a new file", path))
	}
	// A line that was cut off is written over.
	if err := f.Truncate(good); err != nil {
		return fail(fmt.Errorf("sweep: results: %s: %w", path, err))
	}
	if _, err := f.Seek(good, io.SeekStart); err != nil {
		return fail(fmt.Errorf("sweep: results: %s: %w", path, err))
	}
	return r, nil
}

func (r *Results) keep(o *tune.Outcome) {
	if !r.done[o.Cell] {
		r.done[o.Cell] = true
		r.All = append(r.All, *o)
	}
}

// Done reports whether the outcome of a cell is there.
func (r *Results) Done(c tune.Cell) bool { return r.done[c] }

// Add takes a new outcome; it is on the disk's way when Add returns.
func (r *Results) Add(o *tune.Outcome) error {
	r.keep(o)
	if r.w == nil {
		return nil
	}
	return errors.Join(o.Write(r.w), r.w.Flush())
}

// Close closes the file.
func (r *Results) Close() error {
	if r.f == nil {
		return nil
	}
	return r.f.Close()
}

// Merge reads several files of results of one sweep.
func Merge(paths []string) (*tune.Plan, *Results, error) {
	r := &Results{done: map[tune.Cell]bool{}}
	var plan *tune.Plan
	for _, path := range paths {
		f, err := os.Open(path)
		if err != nil {
			return nil, nil, fmt.Errorf("sweep: merge: %w", err)
		}
		p, _, err := tune.ReadResults(path, f, r.keep)
		f.Close()
		if err != nil {
			return nil, nil, err
		}
		if plan == nil {
			plan = p
		}
		if !plan.Same(p) {
			return nil, nil, fmt.Errorf("sweep: merge: %s and %s belong to different sweeps, want parts of one", paths[0], path)
		}
	}
	return plan, r, nil
}
