package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/excerpt"
	"kerbline/cmd/kerbline/internal/report"
)

func newReport() *cobra.Command {
	var (
		in                        inputs
		output, csvDir, pngs, day string
		choice                    excerpt.Choice
	)
	cmd := &cobra.Command{
		Use:   "report RECORDING... -o FILE.html",
		Short: "One page of what a session showed: may we drive, how fast, what broke when and where",
		Long: `Write one self-contained HTML page: the day check's answer, what broke when and
where, verdict, protection levels and errors, corrections, receiver, integrity
diagram where there is truth, every criterion, settings and versions. It needs no
network, is whole without scripts, and prints on A4 in grey. One lap or minute is
enlarged: the one with the most time lost, or the one asked for; in a browser any.

` + excerpt.Help + `

Of several recordings those that belong together give the answer, as in daycheck;
what was left out is said, and all are compared.`,
		Example: `  kerbline report run.mcap -o run.html
  kerbline report run.mcap -o run.html --lap 4
  kerbline report monday.mcap tuesday.mcap -o week.html --csv week/`,
		Args: wrong(cobra.ArbitraryArgs),
		RunE: func(cmd *cobra.Command, args []string) error {
			if output == "" && csvDir == "" && pngs == "" {
				return usage(errors.New("nothing to write, want -o FILE.html, --csv DIR or --png DIR"))
			}
			if err := choice.Check(); err != nil {
				return usage(err)
			}
			ask, err := askFor(day)
			if err != nil {
				return err
			}
			runs, err := gather(cmd.Context(), &in, args, cmd.ErrOrStderr(), &choice)
			if err != nil {
				return err
			}
			if choice.Given() && !slices.ContainsFunc(runs, func(g gathered) bool { return g.part != nil }) {
				return usage(fmt.Errorf("%s is in none of the recordings", &choice))
			}
			inputs := make([]report.Input, len(runs))
			for i, r := range runs {
				inputs[i] = report.Input{Session: r.session, Course: r.course, Settings: r.settings, Trace: r.trace, Part: r.part}
			}
			p, err := report.New(inputs, ask)
			if err != nil {
				return err
			}
			if err := writeReport(p, output, csvDir, pngs, cmd.OutOrStdout()); err != nil {
				return err
			}
			for _, path := range []string{output, csvDir, pngs} {
				tellWritten(cmd.ErrOrStderr(), path)
			}
			return nil
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	choice.Flags(f, "enlarge")
	f.StringVar(&day, "day", "", dayUsage)
	f.StringVarP(&output, "output", "o", "", "write the page to this file, - for standard output")
	f.StringVar(&csvDir, "csv", "", "write the data of the figures into this folder")
	f.StringVar(&pngs, "png", "", "write the figures into this folder")
	return cmd
}

func writeReport(p *report.Page, output, csvDir, pngs string, out io.Writer) error {
	if err := writeFile(output, out, p.Write); err != nil {
		return err
	}
	for _, dir := range []string{csvDir, pngs} {
		if dir != "" {
			if err := os.MkdirAll(dir, 0o777); err != nil {
				return err
			}
		}
	}
	if csvDir != "" {
		err := p.EachTable(func(name string, t *report.Table) error {
			return writeFile(filepath.Join(csvDir, name+".csv"), nil, t.WriteCSV)
		})
		if err != nil {
			return err
		}
	}
	if pngs == "" {
		return nil
	}
	return p.Each(func(name string, f *report.Figure) error {
		return writeFile(filepath.Join(pngs, name+".png"), nil, f.PNG)
	})
}
