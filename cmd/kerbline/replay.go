package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/excerpt"
	"kerbline/cmd/kerbline/internal/sweep"
	"kerbline/fusion/score"
)

func newReplay() *cobra.Command {
	var (
		in               inputs
		verdicts, events string
		screen           bool
		choice           excerpt.Choice
	)
	cmd := &cobra.Command{
		Use:   "replay [RECORDING]",
		Short: "Run the monitor over a recording: verdict and event lines, or the dashboard",
		Long: `Run the monitor over a recording, as fast as it can, and write one JSON object a
line for each verdict and each event. With --screen, play it in the dashboard.

RECORDING is an MCAP file or a folder with nmea.log and, where there is one,
corrections.csv, imu.csv, wheel.csv, truth.csv, track.geojson, kerbline.toml.
Flags take the place of its files; flags alone do without a recording. In an MCAP
file of another program, --gnss, --imu and --corrections may be topic:NAME.

` + excerpt.Help + `
With --screen, --at and --from are where the dashboard begins to play.`,
		Example: `  kerbline replay run.mcap --verdicts verdicts.ndjson --events events.ndjson
  kerbline replay morning/ --set tests.dwell_s=5 --verdicts - | head
  kerbline replay run.mcap --lap 4 --verdicts lap4.ndjson
  kerbline replay run.mcap --screen --at 09:12:40
  kerbline replay --gnss nmea.log --imu imu.csv --screen`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if screen && (verdicts != "" || events != "") {
				return usage(fmt.Errorf("--screen writes no lines, want it or --verdicts and --events"))
			}
			if screen && (choice.Lap != 0 || choice.To != "") {
				return usage(fmt.Errorf("--screen begins at a time and plays on, want --at or --from"))
			}
			if err := choice.Check(); err != nil {
				return usage(err)
			}
			rec, cfg, err := in.open(args)
			if err != nil {
				return err
			}
			part, err := choice.Of(rec, &cfg.Config)
			if err != nil {
				return usage(err)
			}
			for _, note := range rec.Notes {
				fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s\n", "note", note)
			}
			if screen {
				return showRecording(cmd.Context(), rec, &cfg, args0(args), part.Begin())
			}
			p := &pipeline{rec: rec, cfg: cfg.Config}
			if part != nil {
				p.part = part.NewTracker(rec, &cfg.Config)
			}
			truth, err := rec.Truth()
			if err != nil {
				return err
			}
			labels, err := sweep.Labels(args0(args))
			if err != nil {
				return err
			}
			if truth != nil || labels != nil {
				p.score = score.New(truth, labels)
			}
			if p.verdicts, err = openSink(verdicts, cmd.OutOrStdout()); err != nil {
				return err
			}
			if events == verdicts {
				p.events = p.verdicts
			} else if p.events, err = openSink(events, cmd.OutOrStdout()); err != nil {
				return err
			}
			p.progress = newProgress(cmd.ErrOrStderr(), "replaying")
			began := time.Now()
			sum, err := p.run(cmd.Context())
			p.progress.end()
			if err != nil {
				return err
			}
			sum.write(cmd.ErrOrStderr(), time.Since(began))
			if part != nil {
				if _, _, err := p.part.Span(); err != nil {
					return usage(err)
				}
				fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s; the figures here are of the whole recording\n", "lines of", part)
			}
			if p.score != nil {
				return p.score.Result().Write(cmd.ErrOrStderr())
			}
			return nil
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	f.StringArrayVar(&in.take, "take", nil, takeUsage)
	f.StringVar(&verdicts, "verdicts", "", "write verdict lines to this file, - for standard output")
	f.StringVar(&events, "events", "", "write event lines to this file, - for standard output")
	choice.Flags(f, "write only")
	f.BoolVar(&screen, "screen", false, "play the recording in the dashboard")
	return cmd
}
