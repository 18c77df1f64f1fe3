package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/tui"
)

func newDemo() *cobra.Command {
	var (
		in    inputs
		plain bool
	)
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show the dashboard on a built-in recording: a good lap, a link outage, a jump",
		Long: `Play a built-in recording in the dashboard: a good lap, a dropout of the
correction link, a position jump, and what becomes of the verdict.

With --plain, or where there is no terminal, print a line for each second and
each change instead.`,
		Args: wrong(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			rec, err := recording.FromFiles(fixtures.Demo())
			if err != nil {
				return err
			}
			cfg, err := in.settings(rec)
			if err != nil {
				return err
			}
			const name = "demo: Halfmoon Autonomy at Quarry Loop (simulated)"
			if !plain && terminal(cmd.OutOrStdout()) != nil {
				return showRecording(cmd.Context(), rec, &cfg, name, 0)
			}
			view := baseView(name, &cfg, nil)
			view.Replay = &tui.Replay{}
			p := &pipeline{rec: rec, cfg: cfg.Config, look: plainLines(cmd.OutOrStdout(), view)}
			fmt.Fprintf(cmd.OutOrStdout(), "%s. It advises only: it drives nothing.\n", name)
			began := time.Now()
			sum, err := p.run(cmd.Context())
			if err != nil {
				return err
			}
			sum.write(cmd.OutOrStdout(), time.Since(began))
			return nil
		},
	}
	cmd.Flags().BoolVar(&plain, "plain", false, "print lines instead of opening the dashboard")
	cmd.Flags().StringArrayVar(&in.set, "set", nil, "change one setting, key=value; may be repeated")
	return cmd
}

// plainLines returns a look that prints a line when a second has passed, when
// verdict or advice change, and for each event.
func plainLines(w io.Writer, view tui.View) func(*fusion.Snapshot, []fusion.Event) {
	next, verdict, advice := 0.0, fusion.Unproven, fusion.AdviseStop
	return func(s *fusion.Snapshot, events []fusion.Event) {
		for i := range events {
			e := &events[i]
			if e.Kind != fusion.EventVerdict { // the line itself shows it
				fmt.Fprintf(w, "         %s: %s\n", e.Kind, tui.Clean(e.Detail))
			}
		}
		if s == nil || s.T < next && s.Verdict == verdict && s.Advice == advice {
			return
		}
		next, verdict, advice = math.Floor(s.T)+1, s.Verdict, s.Advice
		view.Snap = *s
		fmt.Fprintln(w, tui.PlainLine(&view))
	}
}
