package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/dropouts"
)

func newDropouts() *cobra.Command {
	var (
		in             inputs
		asJSON, fields bool
	)
	cmd := &cobra.Command{
		Use:   "dropouts [RECORDING]",
		Short: "Why corrections were lost: every outage with cause, evidence and what to try",
		Long: `Say what the correction link did: a timeline, one paragraph an outage with its
cause and the evidence for it, whether outages come back at a period or a place,
the message types with rates and gaps, the base, and what could not be determined.

A file of corrections alone will do (--corrections): then it says which bases it
holds and how far apart they are, which constellations, where epochs are missing,
and which counts of time turned over, as they should.`,
		Example: `  kerbline dropouts run.mcap
  kerbline dropouts morning/ --json | jq '.outages[].cause'
  kerbline dropouts --corrections base.rtcm3`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if fields {
				return dropouts.Fields(cmd.OutOrStdout())
			}
			rec, cfg, err := in.open(args)
			if err != nil {
				return err
			}
			for _, note := range rec.Notes {
				fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s\n", "note", note)
			}
			bar := newProgress(cmd.ErrOrStderr(), "reading")
			r, err := dropouts.Run(cmd.Context(), rec, cfg.Config, bar.at)
			bar.end()
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
	f := cmd.Flags()
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.BoolVar(&fields, "json-fields", false, "list its fields with their meaning and stop")
	return cmd
}
