package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/day"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/course"
)

// errDayNo is the answer no: an exit code, and nothing more to print.
var errDayNo = coded{exitNo, errors.New("")}

func newDaycheck() *cobra.Command {
	var (
		in     inputs
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "daycheck [RECORDING...]",
		Short: "Is map-based driving safe today? Yes, yes below a speed, or no, with criteria",
		Long: `Say from one or several recordings of today whether map-based driving is safe:
yes, yes below a speed, or no; what decides it and what to do about it; every
criterion with value, limit and how sure it is. Recordings count together, so leave
out what was recorded before a fault was mended.

The limits stand in the settings, [day]. Exit code 0 means yes or yes below a
speed, 3 means no.`,
		Example: `  kerbline daycheck morning.mcap
  kerbline daycheck run1/ run2/ --set day.least_driving_s=600
  kerbline daycheck run.mcap --json`,
		Args: wrong(cobra.ArbitraryArgs),
		RunE: func(cmd *cobra.Command, args []string) error {
			runs, err := gather(cmd.Context(), &in, args, cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			sessions := make([]*day.Session, len(runs))
			for i := range runs {
				sessions[i] = runs[i].session
			}
			limits := &runs[len(runs)-1].settings.Config // several may differ: the last ones count
			return answerDay(day.Judge(sessions, limits), asJSON, cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

func answerDay(c *day.Check, asJSON bool, out io.Writer) error {
	write := c.Write
	if asJSON {
		write = c.WriteJSON
	}
	if err := write(out); err != nil {
		return err
	}
	if c.Answer == day.No {
		return errDayNo
	}
	return nil
}

// gathered is what one recording showed, and with what it was judged.
type gathered struct {
	session  *day.Session
	course   *course.Course // nil without a map
	settings settings.File
}

// gather runs the recordings that args and flags name, one after another.
func gather(ctx context.Context, in *inputs, args []string, errOut io.Writer) ([]gathered, error) {
	if len(args) == 0 {
		args = []string{""} // the flags alone
	}
	var out []gathered
	for i, arg := range args {
		var open []string
		if arg != "" {
			open = []string{arg}
		}
		one := *in // opening puts the files of a folder into it
		rec, cfg, err := one.open(open)
		if err != nil {
			return nil, err
		}
		for _, note := range rec.Notes {
			fmt.Fprintf(errOut, "%-14s %s\n", "note", note)
		}
		truth, err := rec.Truth()
		if err != nil {
			return nil, err
		}
		crs, err := rec.Course()
		if err != nil {
			return nil, usage(err)
		}
		col := day.NewCollector(sessionName(arg, in), &cfg.Config, truth)
		p := &pipeline{rec: rec, cfg: cfg.Config, look: func(s *fusion.Snapshot, ev []fusion.Event) { col.Add(s, ev) }}
		what := "checking"
		if len(args) > 1 {
			what = fmt.Sprintf("checking %d/%d", i+1, len(args))
		}
		p.progress = newProgress(errOut, what)
		sum, err := p.run(ctx)
		p.progress.end()
		if err != nil {
			return nil, err
		}
		if sum.damage != "" {
			fmt.Fprintf(errOut, "%-14s %s\n", "damage", sum.damage)
		}
		out = append(out, gathered{col.Session(), crs, cfg})
	}
	return out, nil
}

// sessionName is what a recording is called on paper: without folders, which
// are nobody else's business.
func sessionName(arg string, in *inputs) string {
	if arg == "" {
		arg = in.paths.GNSS
	}
	name := filepath.Base(filepath.Clean(arg))
	return strings.TrimSuffix(name, filepath.Ext(name))
}
