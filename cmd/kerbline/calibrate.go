package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/setup"
	"kerbline/fusion"
	"kerbline/fusion/calibrate"
	"kerbline/fusion/navigation"
	"kerbline/gnss/reception"
)

func newCalibrate() *cobra.Command {
	var (
		in        inputs
		out, plot string
		asJSON    bool
	)
	cmd := &cobra.Command{
		Use:   "calibrate [RECORDING]",
		Short: "Find sensor noise, lever arm, latency, mounting and wheel scale from a recording",
		Long: `Find from a recording what would else be measured with a tape or taken from a data
sheet: the noise of the inertial sensor (Allan deviation of the still parts), its
biases and mounting, the lever arm to the antenna, the receiver's latency and the
scale of the wheel speed, each with its standard deviation and whether the
recording excites it enough to say. Wrong units and axes are said in words.

A good recording stands still for a minute, with the receiver fixed before the car
moves off, then drives laps with turns both ways and speed that changes. For bias
instability the sensor must lie still for hours: --imu FILE alone will do.

-o writes only the settings that were found, with their evidence.`,
		Example: `  kerbline calibrate morning/ -o found.toml --plot allan.svg
  kerbline calibrate run.mcap --json
  kerbline calibrate --imu night.csv --plot allan.svg`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			watch := reception.New()
			c, cfg, name, err := collectMotion(cmd, &in, args, watch)
			if err != nil {
				return err
			}
			bar := newProgress(cmd.ErrOrStderr(), "calibrating")
			res, err := calibrate.Run(c, func(done, total int) { bar.at(int64(done), int64(total)) })
			bar.end()
			if err != nil {
				return err
			}
			if asJSON {
				err = json.NewEncoder(cmd.OutOrStdout()).Encode(res)
			} else {
				err = errors.Join(res.Write(cmd.OutOrStdout()), writeReception(cmd.OutOrStdout(), watch.State()))
			}
			if err != nil {
				return err
			}
			if err := writeFile(plot, cmd.OutOrStdout(), res.WriteSVG); err != nil {
				return err
			}
			if err := writeFile(out, cmd.OutOrStdout(), func(w io.Writer) error { return writeFound(w, name, &cfg, res) }); err != nil {
				return err
			}
			tellWritten(cmd.ErrOrStderr(), plot)
			tellWritten(cmd.ErrOrStderr(), out)
			return nil
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	f.StringVarP(&out, "output", "o", "", "write the settings found to this TOML file")
	f.StringVar(&plot, "plot", "", "draw the Allan deviations to this SVG file")
	f.BoolVar(&asJSON, "json", false, "print the result as one JSON object")
	return cmd
}

// collectMotion gives a calibrator everything that the recording says about
// motion, and returns the settings and the recording's name.
func collectMotion(cmd *cobra.Command, in *inputs, args []string, watch *reception.Watch) (*navigation.Recording, settings.File, string, error) {
	p := &in.paths
	if len(args) == 0 && p.GNSS == "" && p.Corrections == "" && p.IMU != "" {
		return collectIMU(cmd.Context(), in)
	}
	rec, cfg, err := in.open(args)
	if err != nil {
		return nil, cfg, "", err
	}
	for _, note := range rec.Notes {
		fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s\n", "note", note)
	}
	c := &navigation.Recording{Settings: cfg.Navigation()}
	bar := newProgress(cmd.ErrOrStderr(), "reading")
	_, err = runner.Each(cmd.Context(), rec, cfg.Config, bar.at, func(m *fusion.Measurement) error {
		m.AddTo(c)
		if !m.Receive(m.T, watch) && m.Kind == fusion.KindFrame {
			watch.Said(m.Frame)
		}
		return nil
	})
	bar.end()
	if err != nil {
		return nil, cfg, "", err
	}
	name := p.GNSS
	if len(args) > 0 {
		name = args[0]
	}
	return c, cfg, filepath.Base(name), nil
}

// writeReception writes whether the rover's second port sends what carrier
// phases need; nothing without one.
func writeReception(w io.Writer, st *reception.State) error {
	if st.NTypes == 0 {
		return nil
	}
	var b strings.Builder
	b.WriteString("\nobservations\n")
	for _, t := range st.Text() {
		fmt.Fprintf(&b, "  %s\n", t)
	}
	needs := append(st.Needs(), st.AtBase()...)
	if len(needs) == 0 {
		b.WriteString("  carrier phases: everything needed is sent\n")
	}
	for _, f := range needs {
		fmt.Fprintf(&b, "  %s: %s\n", f.Seen, f.Do)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// collectIMU reads inertial samples alone: a sensor on a bench, without
// receiver or car.
func collectIMU(ctx context.Context, in *inputs) (*navigation.Recording, settings.File, string, error) {
	cfg, err := loadSettings(in.paths.Config, in.set)
	if err != nil {
		return nil, cfg, "", usage(err)
	}
	f, err := os.Open(in.paths.IMU)
	if err != nil {
		return nil, cfg, "", err
	}
	defer f.Close()
	c, d := &navigation.Recording{Settings: cfg.Navigation()}, fusion.NewDecoder(cfg.Config)
	add := func(m *fusion.Measurement) { m.AddTo(c) }
	buf := make([]byte, 1<<16)
	for {
		n, err := f.Read(buf)
		d.Decode(fusion.Record{Channel: fusion.ChanIMU, Data: buf[:n]}, add)
		if err == io.EOF {
			d.Close(0, add)
			return c, cfg, filepath.Base(in.paths.IMU), nil
		}
		if err != nil {
			return nil, cfg, "", err
		}
		if ctx.Err() != nil {
			return nil, cfg, "", runner.ErrInterrupted
		}
	}
}

// writeFound writes the settings that the recording shows, each with its
// evidence.
func writeFound(w io.Writer, name string, cfg *settings.File, res *calibrate.Result) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "# Found by kerbline calibrate in %q: still %.0f s, driven %.0f s, %d epochs used.\n", name, res.Still, res.Driven, res.Epochs)
	fmt.Fprintln(b, "# Only what the recording shows stands here; ± is 1 sigma.")
	check := settings.Default()
	section, any := "", false
	put := func(key, value, evidence string) {
		sec, leaf, _ := strings.Cut(key, ".")
		if sec != section {
			section = sec
			fmt.Fprintf(b, "\n[%s]\n", sec)
		}
		any = true
		if err := check.Set(key + "=" + value); err != nil {
			fmt.Fprintf(b, "# %s = %s is not possible: %s\n", leaf, value, strings.TrimPrefix(err.Error(), "settings: "))
			return
		}
		fmt.Fprintf(b, "%s = %s  # %s\n", leaf, value, evidence)
	}
	for _, f := range setup.Found(cfg, res) {
		put(f.Key, f.Value, f.Evidence)
	}
	if !any {
		fmt.Fprintln(b, "# The recording shows none of the settings well enough.")
	}
	return b.Flush()
}
