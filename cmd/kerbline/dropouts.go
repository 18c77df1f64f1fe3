package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/dropouts"
	"kerbline/cmd/kerbline/internal/excerpt"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/settings"
)

func newDropouts() *cobra.Command {
	var (
		in             inputs
		asJSON, fields bool
		base           string
		before, after  string
		choice         excerpt.Choice
	)
	cmd := &cobra.Command{
		Use:   "dropouts [RECORDING]",
		Short: "Why corrections were lost: every outage with cause, evidence and what to try",
		Long: `Say what the correction link did: a timeline, one paragraph an outage with its
cause and the evidence for it, whether outages come back at a period or a place,
the message types with rates and gaps, the base, and what could not be determined.

A file of corrections alone will do (--corrections): then it says which bases it
holds and how far apart they are, which constellations, where epochs are missing,
and which counts of time turned over, as they should.

Of all outages together it says where along the lap and how far from the base epochs
were lost, and what that points at. --before and --after take a recording each and say
whether what was changed between them helped beyond chance.

With a record of the base's end (--base, as kerbline base writes it) every frame sent
is looked for at the car: what was silence becomes a base receiver, a base computer,
the way through the air, or the car's radio. The two clocks need not agree.

` + excerpt.Help + `
So are the outages told one by one and the timeline; sums are of the whole.`,
		Example: `  kerbline dropouts run.mcap
  kerbline dropouts morning/ --json | jq '.outages[].cause'
  kerbline dropouts --corrections base.rtcm3
  kerbline dropouts car.mcap --base base.mcap
  kerbline dropouts run.mcap --from 09:10 --to 09:20
  kerbline dropouts --before morning.mcap --after noon.mcap`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if fields {
				return dropouts.Fields(cmd.OutOrStdout())
			}
			if err := choice.Check(); err != nil {
				return usage(err)
			}
			if before != "" || after != "" {
				if before == "" || after == "" || len(args) > 0 || base != "" || choice.Given() {
					return usage(errors.New("--before and --after compare two recordings, want both and nothing else"))
				}
				return compareLinks(cmd, in, before, after, asJSON)
			}
			rec, cfg, r, err := readLink(cmd, in, args, &choice)
			if err == nil && base != "" {
				err = joinBase(r, rec, base, &cfg)
			}
			switch {
			case err != nil:
				return err
			case asJSON:
				return r.WriteJSON(cmd.OutOrStdout())
			}
			return r.Write(cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	cmd.Flags().StringVar(&before, "before", "", "recording before a change of the link")
	cmd.Flags().StringVar(&after, "after", "", "recording after it")
	cmd.Flags().StringVar(&base, "base", "", "record of the base's end: a recording of kerbline base, or a folder with corrections.csv")
	f := cmd.Flags()
	choice.Flags(f, "tell only of")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.BoolVar(&fields, "json-fields", false, "list its fields with their meaning and stop")
	return cmd
}

// readLink says what the link of the recording that args and flags name did.
func readLink(cmd *cobra.Command, in inputs, args []string, choice *excerpt.Choice) (*recording.Recording, settings.File, *dropouts.Report, error) {
	rec, cfg, err := in.open(args)
	if err != nil {
		return nil, cfg, nil, err
	}
	for _, note := range rec.Notes {
		fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s\n", "note", note)
	}
	var part *excerpt.Part
	if choice != nil {
		if part, err = choice.Of(rec, &cfg.Config); err != nil {
			return nil, cfg, nil, usage(err)
		}
	}
	bar := newProgress(cmd.ErrOrStderr(), "reading")
	r, err := dropouts.Run(cmd.Context(), rec, cfg.Config, part, bar.at)
	bar.end()
	if missing := excerpt.NotThere(""); errors.As(err, &missing) {
		err = usage(err)
	}
	return rec, cfg, r, err
}

// compareLinks says whether the link was better after a change than before.
func compareLinks(cmd *cobra.Command, in inputs, before, after string, asJSON bool) error {
	_, _, a, err := readLink(cmd, in, []string{before}, nil)
	if err != nil {
		return err
	}
	_, _, b, err := readLink(cmd, in, []string{after}, nil)
	if err != nil {
		return err
	}
	c, err := dropouts.Compare(a, b)
	switch {
	case err != nil:
		return err
	case asJSON:
		return c.WriteJSON(cmd.OutOrStdout())
	}
	return c.Write(cmd.OutOrStdout())
}

// joinBase adds what the record of the base's end at path shows.
func joinBase(r *dropouts.Report, car *recording.Recording, path string, cfg *settings.File) error {
	base, err := recording.Open(path, recording.Paths{})
	if err != nil {
		return err
	}
	radio := cfg.Radio.Both()
	if err := r.JoinBase(car, base, &radio); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
