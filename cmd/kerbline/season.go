package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/season"
	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion"
	"kerbline/fusion/day"
)

func newSeason() *cobra.Command {
	var (
		in     inputs
		asJSON bool
		again  bool
	)
	cmd := &cobra.Command{
		Use:   "season DIR",
		Short: "A folder of recordings over days: what changed, what costs most, how far the evidence has come",
		Long: `Read every recording below a folder once, keep what it showed in a file beside it
(NAME` + season.Suffix + `), and say of all of them: day by day how they drove and what changed,
what is new since the day before, which place, base, receiver rate, settings or hour of
day costs most, and how far the driving has come towards each accepted rate.

A recording is read again when it, the settings given here or the program changed.
All cores read; once read, the answer takes a moment.`,
		Example: `  kerbline season runs/
  kerbline season runs/ --json | jq '.costs'`,
		Args: wrong(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			found, err := season.Find(args[0])
			if err != nil {
				return err
			}
			if len(found) == 0 {
				return fmt.Errorf("%s: no recording in it, want .mcap files, or folders with nmea.log", args[0])
			}
			ds, notes, err := digests(cmd, &in, found, again)
			for _, n := range notes {
				fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s\n", "note", n)
			}
			if err != nil {
				return err
			}
			s := season.Sum(ds)
			switch {
			case s == nil:
				return errors.New("no recording could be read")
			case asJSON:
				return s.WriteJSON(cmd.OutOrStdout())
			}
			return s.Write(cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.BoolVar(&again, "again", false, "read every recording again")
	return cmd
}

// digests returns the digest of every recording, those that hold no more read
// again on all cores. One that cannot be read is a note and stops no other.
func digests(cmd *cobra.Command, in *inputs, found []string, again bool) (out []*season.Digest, notes []string, err error) {
	var given string
	if in.paths.Config != "" {
		data, err := os.ReadFile(in.paths.Config)
		if err != nil {
			return nil, nil, usage(err)
		}
		given = string(data)
	}
	ds := make([]*season.Digest, len(found))
	said := make([]string, len(found))
	keys := make([]string, len(found))
	var todo []int
	for i, path := range found {
		if keys[i], err = season.Key(path, given, fmt.Sprint(in.set), fmt.Sprint(in.paths), version.String()); err != nil {
			return nil, nil, err
		}
		if ds[i] = season.Load(season.Beside(path), keys[i]); ds[i] == nil || again {
			todo = append(todo, i)
		}
	}
	bar := newProgress(cmd.ErrOrStderr(), "reading")
	defer bar.end()
	ctx, next, done := cmd.Context(), atomic.Int64{}, atomic.Int64{}
	var group sync.WaitGroup
	var show sync.Mutex
	for range min(runtime.GOMAXPROCS(0), len(todo)) {
		group.Go(func() {
			for k := next.Add(1) - 1; k < int64(len(todo)) && ctx.Err() == nil; k = next.Add(1) - 1 {
				i := todo[k]
				ds[i], said[i] = digest(ctx, in, found[i], keys[i])
				show.Lock()
				bar.at(done.Add(1), int64(len(todo)))
				show.Unlock()
			}
		})
	}
	group.Wait()
	if ctx.Err() != nil {
		return nil, nil, ctx.Err()
	}
	for i, d := range ds {
		if d != nil {
			out = append(out, d)
		}
		if said[i] != "" {
			notes = append(notes, said[i])
		}
	}
	return out, notes, nil
}

// digest reads one recording and keeps its digest beside it.
func digest(ctx context.Context, in *inputs, path, key string) (*season.Digest, string) {
	fail := func(err error) (*season.Digest, string) { return nil, fmt.Sprintf("%s: %v; passed over", path, err) }
	one := *in
	rec, cfg, err := one.open([]string{path})
	if err != nil {
		return fail(err)
	}
	truth, err := rec.Truth()
	if err != nil {
		return fail(err)
	}
	crs, err := rec.Course()
	if err != nil {
		return fail(err)
	}
	base := filepath.Base(filepath.Clean(path))
	col := day.NewCollector(strings.TrimSuffix(base, filepath.Ext(base)), &cfg.Config, truth)
	if crs != nil {
		onMap(col, crs)
	}
	p := &pipeline{rec: rec, cfg: cfg.Config, look: func(s *fusion.Snapshot, ev []fusion.Event) { col.Add(s, ev) }}
	if _, err := p.run(ctx); err != nil {
		return fail(err)
	}
	d := season.Of(col.Session(), key)
	if err := d.Save(season.Beside(path)); err != nil {
		return d, fmt.Sprintf("%s: its digest is not kept: %v", path, err)
	}
	return d, ""
}
