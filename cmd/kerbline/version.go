package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/version"
)

func newVersion() *cobra.Command {
	var modules bool
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Print the version and revision of this build",
		Long: `Print the version and revision of this build and the compiler it was made with.
Recordings and reports hold the same line, so that a replay can be compared with
the build that ran.`,
		Args: wrong(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			list := []string{version.String(), version.Toolchain()}
			if modules {
				list = append(list, version.Modules()...)
			}
			_, err := fmt.Fprintln(cmd.OutOrStdout(), strings.Join(list, "\n"))
			return err
		},
	}
	cmd.Flags().BoolVar(&modules, "modules", false, "list the modules it is built with")
	return cmd
}
