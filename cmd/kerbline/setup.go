package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/setup"
	"kerbline/fusion"
)

const settingsName = "kerbline.toml"

func newSetup() *cobra.Command {
	var (
		in          inputs
		out, record string
		yes, plain  bool
	)
	cmd := &cobra.Command{
		Use:   "setup [RECORDING]",
		Short: "Find the settings that a recording or live inputs show, and write them after a yes",
		Long: `Read a first recording and say what it holds, what its settings should be and why,
beside what is set: columns, units and clocks of the tables, the base, then what
calibration finds of the car. What the recording does not show is named with what
to do for it. With a yes the settings file is written, and the recording judged
with the old settings and the new.

A good recording stands still for a minute, with the receiver fixed before the car
moves off, then drives two laps with turns both ways and speed that changes.

Without a recording it takes the inputs of kerbline live (--gnss serial://..., or
[sources] of --config), says what to do next and how far it has come, records, and
goes on with what was recorded when enough is shown, or after q.

The file is kerbline.toml in the recording's folder, or in the present one for a
recording that is a single file; what stood there stays beside it as
kerbline.toml.before.`,
		Example: `  kerbline setup morning/
  kerbline setup drive.db3 --wheel topic:/wheel/twist -o car.toml --yes
  kerbline setup --gnss serial:///dev/ttyACM0?baud=460800 --imu udp://:9001`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			var own *settings.Alarm // of the car, which a recording does not hold
			if in.isLive(args) {
				path, alarm, err := guided(cmd, &in, record, plain)
				if err != nil {
					return err
				}
				if out == "" {
					out = in.paths.Config // the car's own
				}
				own = &alarm
				in, args = inputs{}, []string{path} // which holds settings and map
			}
			bar := newProgress(cmd.ErrOrStderr(), "reading")
			rep, err := setup.Examine(cmd.Context(), in.opener(args), func(what string, done, total int64) { bar.at(done, total) })
			bar.end()
			if err != nil {
				return err
			}
			if own != nil {
				rep.Settings.Alarm = *own
			}
			w := cmd.OutOrStdout()
			writeSetup(w, rep)
			if len(rep.Findings) == 0 {
				fmt.Fprintln(w, "The settings agree with the recording; nothing is written.")
				return nil
			}
			if err := compareSettings(cmd, &in, args, rep); err != nil {
				return err
			}
			path := settingsPath(out, args)
			if !yes {
				ok, err := confirmed(cmd, path)
				if err != nil || !ok {
					return err
				}
			}
			return writeSettings(w, path, args0(args), rep)
		},
	}
	in.flags(cmd)
	cmd.Flags().StringVarP(&out, "output", "o", "", "write the settings to this file")
	cmd.Flags().BoolVar(&yes, "yes", false, "write without asking")
	cmd.Flags().StringVar(&record, "record", "", "live: record to this .mcap file, or into this folder/ (setup_DATE.mcap)")
	cmd.Flags().BoolVar(&plain, "plain", false, "live: print lines instead of opening the dashboard")
	return cmd
}

// opener opens the recording with settings changed.
func (in *inputs) opener(args []string) setup.Opener {
	return func(set []string) (*recording.Recording, settings.File, error) {
		with := *in
		with.set = append(append([]string(nil), in.set...), set...)
		return with.open(args)
	}
}

func writeSetup(w io.Writer, rep *setup.Report) {
	for _, i := range rep.Inputs {
		fmt.Fprintf(w, "%-14s %s\n", i.Name, i.What)
	}
	if len(rep.Findings) > 0 {
		fmt.Fprintln(w)
	}
	for _, f := range rep.Findings {
		fmt.Fprintf(w, "%-26s %s -> %s\n%26s %s\n", f.Key, f.Was, f.Value, "", f.Evidence)
	}
	section := func(head string, lines []string) {
		if len(lines) > 0 {
			fmt.Fprintf(w, "\n%s\n", head)
		}
		for _, l := range lines {
			fmt.Fprintf(w, "  %s\n", l)
		}
	}
	section("No setting mends this:", rep.Trouble)
	section("Not shown by this recording; to do:", rep.Next)
	fmt.Fprintln(w)
}

// share is how much of the driving was usable.
type share struct {
	usable, driving int
	first           float64 // s after moving off, NaN for never
	moved           float64
}

const drivingSpeed = 1.0 // m/s

func (s *share) add(snap *fusion.Snapshot) {
	if math.IsNaN(snap.Epoch.Speed) && math.IsNaN(snap.Speed) {
		return
	}
	if !(math.Max(snap.Epoch.Speed, 0) > drivingSpeed || snap.Speed > drivingSpeed) {
		return
	}
	if s.driving++; s.driving == 1 {
		s.moved = snap.T
	}
	if snap.Verdict == fusion.Usable {
		if s.usable++; s.usable == 1 {
			s.first = snap.T - s.moved
		}
	}
}

func (s *share) String() string {
	if s.driving == 0 {
		return "the car did not drive"
	}
	text := fmt.Sprintf("usable %.1f %% of driving", 100*float64(s.usable)/float64(s.driving))
	if s.usable > 0 {
		text += fmt.Sprintf(", first %.0f s after moving off", s.first)
	}
	return text
}

// compareSettings judges the recording with the settings as they are and as they
// are proposed.
func compareSettings(cmd *cobra.Command, in *inputs, args []string, rep *setup.Report) error {
	for _, with := range []struct {
		name string
		set  []string
	}{{"as set now", nil}, {"as proposed", rep.Set()}} {
		s, err := usableShare(cmd.Context(), in.opener(args), with.set)
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%-14s %s\n", with.name, s)
	}
	fmt.Fprintln(cmd.OutOrStdout())
	return nil
}

func usableShare(ctx context.Context, open setup.Opener, set []string) (*share, error) {
	rec, cfg, err := open(set)
	if err != nil {
		return nil, err
	}
	s := &share{first: math.NaN()}
	_, _, err = runner.Monitor(ctx, rec, cfg.Config, runner.Watch{After: func(snap *fusion.Snapshot, _ []fusion.Event) error {
		if snap != nil {
			s.add(snap)
		}
		return nil
	}})
	return s, err
}

// settingsPath is where the settings go: beside the recording where it is a
// folder.
func settingsPath(out string, args []string) string {
	if out != "" {
		return out
	}
	if fi, err := os.Stat(args0(args)); err == nil && fi.IsDir() {
		return filepath.Join(args0(args), settingsName)
	}
	return settingsName
}

// confirmed asks a person. Without a terminal nothing is written.
func confirmed(cmd *cobra.Command, path string) (bool, error) {
	f, ok := cmd.InOrStdin().(*os.File)
	if ok && !term.IsTerminal(int(f.Fd())) {
		return false, usage(errors.New("no terminal to ask on, want --yes to write the settings"))
	}
	fmt.Fprintf(cmd.OutOrStdout(), "Write %s? [y/N] ", path)
	answer, err := bufio.NewReader(cmd.InOrStdin()).ReadString('\n')
	if err != nil && err != io.EOF {
		return false, err
	}
	answer = strings.ToLower(strings.TrimSpace(answer))
	if answer != "y" && answer != "yes" {
		fmt.Fprintln(cmd.OutOrStdout(), "Nothing is written.")
		return false, nil
	}
	return true, nil
}

// writeSettings writes the proposed settings with their evidence and keeps what
// stood there.
func writeSettings(w io.Writer, path, name string, rep *setup.Report) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Settings of this car, written by kerbline setup from %q.\n# What was found there, with its evidence (± is 1 sigma):\n", filepath.Base(name))
	for _, f := range rep.Findings {
		fmt.Fprintf(&b, "#   %s: %s\n", f.Key, f.Evidence)
	}
	if err := settings.PrintChanged(&b, &rep.Settings); err != nil {
		return err
	}
	before := path + ".before"
	switch old, err := os.ReadFile(path); {
	case err == nil && len(bytes.TrimSpace(old)) > 0:
		if err := os.WriteFile(before, old, 0o600); err != nil {
			return err
		}
		fmt.Fprintf(w, "kept           %s\n", before)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	}
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		return err
	}
	fmt.Fprintf(w, "wrote          %s\n", path)
	return nil
}
