package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/calibrate"
	"kerbline/fusion/navigation"
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
			c, cfg, name, err := collectMotion(cmd, &in, args)
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
				err = res.Write(cmd.OutOrStdout())
			}
			if err != nil {
				return err
			}
			if err := writeFile(plot, cmd.OutOrStdout(), res.WriteSVG); err != nil {
				return err
			}
			return writeFile(out, cmd.OutOrStdout(), func(w io.Writer) error { return writeFound(w, name, &cfg, res) })
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
func collectMotion(cmd *cobra.Command, in *inputs, args []string) (*navigation.Recording, settings.File, string, error) {
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
	_, err = runner.Each(cmd.Context(), rec, cfg.Config, bar.at, func(m *fusion.Measurement) error { m.AddTo(c); return nil })
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
	if value, sigma, evidence := foundLever(cfg, res); value != "" {
		put("vehicle.antenna_m", value, evidence)
		put("vehicle.antenna_sigma_m", sigma, "m: largest of the axes above")
	}
	for _, sec := range []string{"gnss.", "imu."} { // a table may stand only once
		for i := range res.Items {
			it := &res.Items[i]
			if !strings.HasPrefix(it.Key, sec) || it.Verdict != calibrate.Measured || isMount(it) {
				continue
			}
			value, sigma := it.Text()
			evidence := fmt.Sprintf("%s: ±%s", it.Unit, sigma)
			if it.Note != "" {
				evidence += ", " + it.Note
			}
			put(it.Key, decimal(value), evidence)
			if it.Key == "gnss.latency_s" {
				// Another day, another load of the receiver.
				s := math.Max(0.005, math.Ceil(it.Sigma*1e3)/1e3)
				put("gnss.latency_sigma_s", strconv.FormatFloat(s, 'f', 3, 64), "s: by the above, 5 ms at least")
			}
		}
	}
	for _, it := range foundMount(res) {
		value, sigma := it.Text()
		put(it.Key, decimal(value), "deg: ±"+sigma)
	}
	if !any {
		fmt.Fprintln(b, "# The recording shows none of the settings well enough.")
	}
	return b.Flush()
}

const leverKey = "vehicle.antenna_m"

// foundLever returns the lever arm to write and the largest sigma of it, empty
// where no axis was measured. An axis that agrees with the settings stays as it
// is where they know it better, and so does one that the recording does not
// show.
func foundLever(cfg *settings.File, res *calibrate.Result) (value, sigma, evidence string) {
	tape := cfg.Vehicle.AntennaSigma
	var v, e []string
	worst, measured := 0.0, false
	for i := range res.Items {
		it := &res.Items[i]
		if it.Key != leverKey {
			continue
		}
		axis := it.Name[len(it.Name)-1:]
		text, s := it.Text()
		kept := strconv.FormatFloat(it.Configured, 'f', -1, 64)
		switch agrees := math.Abs(it.Value-it.Configured) <= 3*math.Hypot(it.Sigma, tape); {
		case it.Verdict != calibrate.Measured:
			v, e = append(v, decimal(kept)), append(e, axis+" as it was, "+it.Verdict.String())
		case agrees && tape < it.Sigma:
			measured = true
			worst = math.Max(worst, tape)
			v, e = append(v, decimal(kept)), append(e, fmt.Sprintf("%s as it was, %s ±%s agrees", axis, text, s))
		default:
			measured = true
			worst = math.Max(worst, it.Sigma)
			v, e = append(v, decimal(text)), append(e, fmt.Sprintf("%s ±%s", axis, s))
		}
	}
	if !measured {
		return "", "", ""
	}
	return "[" + strings.Join(v, ", ") + "]", decimal(strconv.FormatFloat(worst, 'g', 2, 64)), "m: " + strings.Join(e, "; ")
}

func isMount(it *calibrate.Item) bool { return strings.HasPrefix(it.Key, "imu.mount_") }

// foundMount returns the mounting angles to write. The three belong together:
// all of them, or none where the drive agrees with the settings.
func foundMount(res *calibrate.Result) (angles []*calibrate.Item) {
	differs := false
	for i := range res.Items {
		it := &res.Items[i]
		if !isMount(it) {
			continue
		}
		angles = append(angles, it)
		off := math.Abs(math.Remainder(it.Value-it.Configured, 360))
		// Roll alone is not searched for: it comes with the axes.
		if roll := it.Key == "imu.mount_roll_deg"; !roll && it.Verdict != calibrate.Measured {
			return nil
		} else if it.Verdict == calibrate.Measured && off > 3*it.Sigma {
			differs = true
		}
	}
	if !differs {
		return nil
	}
	return angles
}

// decimal makes a number one that TOML reads as a float.
func decimal(s string) string {
	if strings.ContainsAny(s, ".e") {
		return s
	}
	return s + ".0"
}
