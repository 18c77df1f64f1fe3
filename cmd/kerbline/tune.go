package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/sweep"
	"kerbline/fusion"
	"kerbline/fusion/tune"
	"kerbline/gnss/geodesy"
)

// tuning is the tune command.
type tuning struct {
	in       inputs
	vary     []string
	check    []string
	shard    string
	resume   string
	merge    []string
	csv      string
	plot     string
	out      string
	choose   int
	cores    int
	compare  bool
	chooseIt bool
	bus      busFlags
	remote   bool
}

func newTune() *cobra.Command {
	var t tuning
	cmd := &cobra.Command{
		Use:   "tune RECORDING... --vary KEY=FROM..TO/NUMBER[log] ...",
		Short: "Find the settings with which recordings would have been judged right",
		Long: `Run the monitor over recordings with every combination of the varied settings, and
print those that nothing beats: by misleading seconds, availability, time to
alert and false alarms, with exact bounds on what the counts prove.

A recording is judged by its truth.csv and its labels.json (see kerbline inject)
where it has them; with neither, by its own trajectory smoothed over the whole
recording, as far as that knows better than the limits. Each setting is laid over the
recording's own kerbline.toml.

The present settings are kept unless others are better beyond chance and cost no more
misleading seconds. A value at the edge of what was tried, and one that weakens a gate,
is warned of.

--vary takes KEY=FROM..TO/NUMBER (evenly spaced), KEY=FROM..TO/NUMBERlog (even ratios)
or KEY=VALUE,VALUE. --check names recordings that have no part in the choice:
what was chosen is then reported on them, and whether that differs beyond chance.

--resume FILE keeps every result as it comes; the same command goes on where it was
stopped. --shard I/N does part I of N into that file, on as many machines as one
likes; --merge FILE, repeated, puts the parts together.

--compare A.toml B.toml RECORDING runs two settings side by side and prints every
stretch of time on which their verdicts differ, and why.`,
		Example: `  kerbline tune morning/ noon/ --vary tests.dwell_s=1..6/6 --vary gnss.max_age_s=3..30/4log --check evening/ -o tuned.toml --plot tuned.svg
  kerbline tune season/* --vary limits.risk=1e-7..1e-3/5log --shard 3/16 --resume part3.ndjson
  kerbline tune --merge part1.ndjson --merge part2.ndjson --csv all.csv
  kerbline tune --compare old.toml new.toml morning/`,
		RunE: func(cmd *cobra.Command, args []string) error {
			t.chooseIt = cmd.Flags().Changed("choose")
			switch {
			case t.compare:
				return t.side(cmd, args)
			case len(t.merge) > 0:
				return t.merged(cmd, args)
			}
			return t.sweep(cmd, args)
		},
	}
	t.in.flags(cmd)
	f := cmd.Flags()
	f.StringArrayVar(&t.vary, "vary", nil, "a setting and its values; may be repeated")
	f.StringArrayVar(&t.check, "check", nil, "held-out recording; may be repeated")
	f.StringVar(&t.shard, "shard", "", "do only part I/N of the settings; needs --resume")
	f.StringVar(&t.resume, "resume", "", "file of results: kept as they come, and gone on with when there")
	f.StringArrayVar(&t.merge, "merge", nil, "file of results of a part; may be repeated")
	f.StringVar(&t.csv, "csv", "", "write all settings with their figures to this file, - for standard output")
	f.StringVar(&t.plot, "plot", "", "draw availability against misleading seconds to this SVG file")
	f.StringVarP(&t.out, "output", "o", "", "write the chosen settings, with their evidence, to this TOML file")
	f.IntVar(&t.choose, "choose", 0, "choose this setting of the table, better beyond chance or not")
	f.IntVar(&t.cores, "cores", 0, "cores to use, 0 for all")
	t.bus = busFlags{car: "tune", queue: true}
	f.BoolVar(&t.remote, "publish-remote", false, "allow --bus to serve other computers")
	t.bus.serving(cmd)
	f.BoolVar(&t.compare, "compare", false, "compare two settings files on one recording: A.toml B.toml RECORDING")
	return cmd
}

// open opens the recordings.
func (t *tuning) open(args []string) ([]*sweep.Input, error) {
	if len(args) == 0 {
		args = []string{""}
	} else if len(args) > 1 && (t.in.paths.GNSS != "" || t.in.paths.Observations != "" || t.in.paths.Corrections != "" || t.in.paths.IMU != "" || t.in.paths.Wheel != "" || t.in.paths.Truth != "") {
		return nil, usage(errors.New("--gnss, --observations, --corrections, --imu, --wheel and --truth name files of one recording, want one RECORDING with them"))
	}
	var ins []*sweep.Input
	for _, a := range args {
		rec, cfg, err := t.in.open([]string{a})
		if err != nil {
			return nil, err
		}
		in, err := sweep.Open(a, rec, cfg)
		if err != nil {
			return nil, err
		}
		if in.Name == "" {
			in.Name = t.in.paths.GNSS
		}
		for _, n := range rec.Notes {
			in.Notes = append(in.Notes, in.Name+": "+n)
		}
		ins = append(ins, in)
	}
	return ins, nil
}

// grid reads --vary and checks every value against the settings.
func (t *tuning) grid(base settings.File) (tune.Grid, error) {
	var g tune.Grid
	for _, v := range t.vary {
		a, err := tune.ParseAxis(v)
		if err != nil {
			return nil, usage(err)
		}
		for _, x := range a.Values {
			if _, err := sweep.Apply(base, []string{a.Key + "=" + x}); err != nil {
				return nil, usage(fmt.Errorf("--vary %s: %w", v, err))
			}
		}
		g = append(g, a)
	}
	return g, usage(g.Check())
}

func (t *tuning) sweep(cmd *cobra.Command, args []string) error {
	ins, err := t.open(args)
	if err != nil {
		return err
	}
	plan := &tune.Plan{}
	if plan.Grid, err = t.grid(ins[0].Base); err != nil {
		return err
	}
	var shard tune.Shard
	if t.shard != "" {
		if shard, err = tune.ParseShard(t.shard); err != nil {
			return usage(err)
		}
		if t.resume == "" {
			return usage(errors.New("--shard does a part only, want --resume FILE to keep it in"))
		}
	}
	for _, in := range ins {
		src, err := in.Source()
		if err != nil {
			return err
		}
		plan.Sources = append(plan.Sources, src)
	}
	res, err := sweep.OpenResults(t.resume, plan)
	if err != nil {
		return usage(err)
	}
	defer res.Close()
	if err := t.play(cmd, ins, plan, res, shard); err != nil {
		return err
	}
	for _, in := range ins {
		for _, n := range in.Notes {
			fmt.Fprintln(cmd.ErrOrStderr(), "note     ", n)
		}
	}
	if shard.N > 1 {
		fmt.Fprintf(cmd.OutOrStdout(), "part %d of %d is done and stands in %s; --merge puts the parts together\n", shard.I, shard.N, t.resume)
		return nil
	}
	base := &ins[0].Base
	for _, in := range ins[1:] {
		if !reflect.DeepEqual(in.Base, *base) {
			base = nil
			break
		}
	}
	return t.report(cmd, plan, res, ins[0].Base.Config, base)
}

// play runs what is not done yet, one recording after the other.
func (t *tuning) play(cmd *cobra.Command, ins []*sweep.Input, plan *tune.Plan, res *sweep.Results, shard tune.Shard) error {
	todo := make([][]int, len(ins))
	var total, done int64
	for k := range ins {
		for s := -1; s < plan.Grid.Len(); s++ {
			if shard.Has(s) && !res.Done(tune.Cell{Setting: s, Source: k}) {
				todo[k] = append(todo[k], s)
				total++
			}
		}
	}
	if total == 0 {
		return nil
	}
	bar := newProgress(cmd.ErrOrStderr(), "tuning")
	defer bar.end()
	bar.at(0, total)
	if t.bus.at != "" {
		nc, closeBus, err := t.bus.connect(t.remote, cmd.ErrOrStderr())
		if err != nil {
			return usage(err)
		}
		defer closeBus()
		err = t.handOut(cmd.Context(), nc, plan, todo, func(o *tune.Outcome) error {
			done++
			bar.at(done, total)
			return res.Add(o)
		})
		return t.interrupted(err, done, total)
	}
	for k, in := range ins {
		if len(todo[k]) == 0 {
			continue
		}
		l, err := in.Load(cmd.Context())
		if err == nil {
			err = sweep.Run(cmd.Context(), l, k, todo[k], assigner(plan.Grid), t.cores, func(o *tune.Outcome) error {
				done++
				bar.at(done, total)
				return res.Add(o)
			})
		}
		if err != nil {
			return t.interrupted(err, done, total)
		}
	}
	return nil
}

// interrupted says of a run that was stopped how it can go on.
func (t *tuning) interrupted(err error, done, total int64) error {
	switch {
	case !errors.Is(err, runner.ErrInterrupted) && !errors.Is(err, context.Canceled):
		return err
	case t.resume != "":
		return fmt.Errorf("%w: %d of %d runs are done, the same command goes on", runner.ErrInterrupted, done, total)
	}
	return fmt.Errorf("%w: with --resume FILE the next run would have gone on", runner.ErrInterrupted)
}

// assigner gives the assignments of a setting; none for the settings the sweep
// started from.
func assigner(g tune.Grid) func(int) []string {
	return func(s int) []string {
		if s < 0 {
			return nil
		}
		return g.Assign(s)
	}
}

func (t *tuning) merged(cmd *cobra.Command, args []string) error {
	if len(args) > 0 || len(t.vary) > 0 {
		return usage(errors.New("--merge takes its recordings and settings from the files, want neither RECORDING nor --vary"))
	}
	plan, res, err := sweep.Merge(t.merge)
	if err != nil {
		return err
	}
	base := settings.Default()
	if t.in.paths.Config != "" {
		if base, err = settings.Load(t.in.paths.Config); err != nil {
			return usage(err)
		}
	}
	return t.report(cmd, plan, res, base.Config, nil)
}

// report ranks, checks, prints and writes. whole is the settings file that all
// recordings share, or nil.
func (t *tuning) report(cmd *cobra.Command, plan *tune.Plan, res *sweep.Results, base fusion.Config, whole *settings.File) error {
	rows, missing := tune.Gather(plan, res.All, sweep.Steps(plan.Grid, &base))
	tune.Rank(rows)
	r := &sweep.Report{Plan: plan, Base: base, Rows: rows, Missing: missing, Chosen: tune.Choose(rows)}
	if t.chooseIt {
		r.Chosen = -1
		for i := range rows {
			if rows[i].Index == t.choose {
				r.Chosen = i
			}
		}
		if r.Chosen < 0 {
			return usage(fmt.Errorf("--choose %d: no such setting, want 0 to %d", t.choose, plan.Grid.Len()-1))
		}
	}
	if len(rows) == 0 {
		return errors.Join(r.Write(cmd.OutOrStdout()), errors.New("no setting has all its runs"))
	}
	if len(t.check) > 0 {
		c, err := t.held(cmd, r)
		if err != nil {
			return err
		}
		r.Check = c
	}
	text := cmd.OutOrStdout()
	if t.csv == "-" {
		text = cmd.ErrOrStderr()
	}
	if err := r.Write(text); err != nil {
		return err
	}
	for _, f := range []struct {
		path  string
		write func(io.Writer) error
	}{{t.csv, r.WriteCSV}, {t.plot, r.WriteSVG}, {t.out, func(w io.Writer) error { return r.WriteTOML(w, whole) }}} {
		if err := writeFile(f.path, cmd.OutOrStdout(), f.write); err != nil {
			return err
		}
		tellWritten(cmd.ErrOrStderr(), f.path)
	}
	return nil
}

// writeFile writes a file with write; "" writes none, "-" is out.
func writeFile(path string, out io.Writer, write func(io.Writer) error) error {
	switch path {
	case "":
		return nil
	case "-":
		return write(out)
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}

// held runs the chosen settings and those the sweep started from over the
// held-out recordings.
func (t *tuning) held(cmd *cobra.Command, r *sweep.Report) (*sweep.Check, error) {
	ins, err := t.open(t.check)
	if err != nil {
		return nil, err
	}
	c := &sweep.Check{}
	for _, in := range ins {
		l, err := in.Load(cmd.Context())
		if err != nil {
			return nil, err
		}
		for _, n := range in.Notes {
			fmt.Fprintln(cmd.ErrOrStderr(), "note     ", n)
		}
		c.Names = append(c.Names, filepath.Base(in.Name))
		for _, x := range []struct {
			assign []string
			to     *tune.Figures
		}{{r.Assign(), &c.Chosen}, {nil, &c.Old}} {
			f, err := l.Play(x.assign)
			if err != nil {
				return nil, err
			}
			x.to.Merge(&f)
		}
	}
	return c, nil
}

// side compares two settings files on one recording.
func (t *tuning) side(cmd *cobra.Command, args []string) error {
	if len(args) != 3 {
		return usage(fmt.Errorf("--compare has %d arguments, want A.toml B.toml RECORDING", len(args)))
	}
	ins, err := t.open(args[2:])
	if err != nil {
		return err
	}
	var cfg [2]settings.File
	for i := range cfg {
		if cfg[i], err = overlay(ins[0].Base, args[i]); err != nil {
			return usage(err)
		}
	}
	l, err := ins[0].Load(cmd.Context())
	if err != nil {
		return err
	}
	ca, err := l.Rec.Course()
	if err != nil {
		return usage(err)
	}
	cb, err := l.Rec.Course()
	if err != nil {
		return usage(err)
	}
	w := bufio.NewWriter(cmd.OutOrStdout())
	start, _ := l.Rec.Span()
	fmt.Fprintf(w, "%-9s %-8s  %-9s %-34s  %-9s %-34s\n", "from s", "for s", "A", "why", "B", "why")
	n := 0
	total := tune.Lockstep(l.Decoded, cfg[0].Config, cfg[1].Config, ca, cb, l.Ref.Truth, func(d *tune.Difference) {
		n++
		fmt.Fprintf(w, "%-9.1f %-8.1f  %-9s %-34s  %-9s %-34s\n", d.From-start, d.To-d.From, d.A.Verdict, why(&d.A), d.B.Verdict, why(&d.B))
	})
	fmt.Fprintf(w, "\n%d stretches differ; seconds by verdict, A in rows, B in columns:\n%-10s", n, "")
	names := [4]fusion.Verdict{fusion.Unproven, fusion.Usable, fusion.Coasting, fusion.Unusable}
	for _, v := range names {
		fmt.Fprintf(w, " %10s", v)
	}
	fmt.Fprintln(w)
	for _, a := range names {
		fmt.Fprintf(w, "%-10s", a)
		for _, b := range names {
			fmt.Fprintf(w, " %8.1f s", total[a][b])
		}
		fmt.Fprintln(w)
	}
	for i := range cfg {
		crs, err := l.Rec.Course()
		if err != nil {
			return err
		}
		f := tune.Play(l.Decoded, cfg[i].Config, crs, l.Ref)
		fmt.Fprintf(w, "\n%s: %s\n", "AB"[i:i+1], args[i])
		for _, e := range sweep.Evidence(&f) {
			fmt.Fprintf(w, "  %s\n", e)
		}
	}
	return w.Flush()
}

// why says the first reason of a side with its value and limit, and its error.
func why(s *tune.Side) string {
	out := s.Reason.Code
	if !math.IsNaN(s.Reason.Value) && out != "" {
		v, limit, unit := s.Reason.Value, s.Reason.Limit, s.Reason.Unit
		if unit == "rad" {
			v, limit, unit = v/geodesy.Degree, limit/geodesy.Degree, "deg"
		}
		out += fmt.Sprintf(" %.3g", v)
		if !math.IsNaN(limit) {
			out += fmt.Sprintf("/%.3g", limit)
		}
		if unit != "" {
			out += " " + unit
		}
	}
	if !math.IsNaN(s.Error) {
		if out != "" {
			out += ", "
		}
		out += fmt.Sprintf("off %.2f m", s.Error)
	}
	return out
}

// overlay lays the settings file at path over base: keys it does not name stay.
func overlay(base settings.File, path string) (settings.File, error) {
	if _, err := settings.Load(path); err != nil { // says what is wrong, by line
		return base, err
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return base, err
	}
	if err := toml.Unmarshal(b, &base); err != nil {
		return base, fmt.Errorf("%s: %w", path, err)
	}
	return base, nil
}
