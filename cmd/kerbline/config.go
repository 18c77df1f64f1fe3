package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/settings"
)

func newConfig() *cobra.Command {
	return &cobra.Command{
		Use:   "config [FILE]",
		Short: "Print every setting with its default, unit, meaning and source; or check FILE",
		Long: `Without FILE, print the defaults as a settings file: every key with its unit,
its meaning and where the default comes from.

With FILE, check it and print what differs from the defaults. An unknown key, a
wrong type or an impossible value is an error that names the line and the
nearest right key.`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				d := settings.Default()
				return settings.Print(cmd.OutOrStdout(), &d)
			}
			f, err := settings.Load(args[0])
			if err != nil {
				return usage(err)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "# %s is good; it differs from the defaults in:\n", args[0])
			return settings.PrintChanged(cmd.OutOrStdout(), &f)
		},
	}
}
