package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
)

// commands lists every command; each stands in a file of its own.
var commands = []func() *cobra.Command{
	newDemo,
	newReplay,
	newDropouts,
	newSetup, newCalibrate,
	newDaycheck,
	newReport,
	newSeason,
	newConfig,
	newInject,
	newLive,
	newBase,
	newListen,
	newWall,
	newConvert,
	newMounts,
	newTune, newWork,
	newVersion,
}

// Exit codes.
const (
	exitDone   = 0 // done; the day check says yes
	exitFailed = 1
	exitUsage  = 2 // wrong usage or configuration
	exitNo     = 3 // the day check says no
)

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "kerbline",
		Short: "Is the position good enough for map-based driving, here, now, at this speed?",
		Long: `Is the position good enough for map-based driving, here, now, at this speed?
If not: what broke, what should the car do this second, what to mend in the paddock.

It advises only. It is no safety device, drives nothing, and replaces no
emergency stop, no trackside marshal and no event rule.`,
		SilenceUsage:  true,
		SilenceErrors: true,
		// Without arguments print the help; a word that is no command is an error.
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			hint := "kerbline help lists them"
			if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
				hint = "did you mean " + strings.Join(near, " or ") + "?"
			}
			return usage(fmt.Errorf("unknown command %q, %s", args[0], hint))
		},
		RunE:                       func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		SuggestionsMinimumDistance: 2,
	}
	root.SetFlagErrorFunc(unknownFlag)
	for _, c := range commands {
		root.AddCommand(c())
	}
	return root
}

// coded is an error with the exit code it means.
type coded struct {
	code int
	err  error
}

func (c coded) Error() string { return c.err.Error() }
func (c coded) Unwrap() error { return c.err }

// usage marks an error as wrong usage or configuration.
func usage(err error) error {
	if err == nil {
		return nil
	}
	return coded{exitUsage, err}
}

// exitCode prints err and returns the code it means.
func exitCode(err error, errOut io.Writer) int {
	if err == nil {
		return exitDone
	}
	code := exitFailed
	var c coded
	var w recording.Wrong
	switch {
	case errors.As(err, &c):
		code = c.code
	case errors.As(err, &w):
		code = exitUsage
	}
	if text := err.Error(); text != "" {
		for _, line := range strings.Split(text, "\n") {
			fmt.Fprintln(errOut, "kerbline:", line)
		}
	}
	return code
}

// inputs are the flags that read alike in every command that takes a recording.
type inputs struct {
	paths recording.Paths
	set   []string
	take  []string // for this run alone: said wherever the run is told of
}

func (in *inputs) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&in.paths.GNSS, "gnss", "", "receiver's sentences: plain, or each behind a TAG block with the host time")
	f.StringVar(&in.paths.Corrections, "corrections", "", "corrections: lines t,hex, RTCM 3 bytes, or the base's observations in RINEX")
	f.StringVar(&in.paths.Observations, "observations", "", "rover's own observations and ephemerides: lines t,hex, RTCM 3 bytes, or RINEX")
	f.StringArrayVar(&in.paths.Navigation, "navigation", nil, "ephemerides in RINEX, for observations that come without; may be repeated")
	f.StringVar(&in.paths.IMU, "imu", "", "inertial sensor: lines t,wx,wy,wz,fx,fy,fz")
	f.StringVar(&in.paths.Wheel, "wheel", "", "wheel speed: lines t,v")
	f.StringVar(&in.paths.Truth, "truth", "", "reference trajectory to judge by: columns t,lat,lon,h and perhaps yaw")
	f.StringVar(&in.paths.Course, "course", "", "map: GeoJSON line with half_width_m")
	f.StringVar(&in.paths.Config, "config", "", "settings (kerbline config prints them)")
	f.StringArrayVar(&in.set, "set", nil, "change one setting, key=value; may be repeated")
}

// open opens the recording that the argument, if any, and the flags name, and
// reads its settings.
func (in *inputs) open(args []string) (*recording.Recording, settings.File, error) {
	if len(args) == 0 && in.paths.GNSS == "" && in.paths.Corrections == "" {
		return nil, settings.File{}, usage(errors.New("RECORDING is missing: nothing to read, want a recording or --gnss FILE"))
	}
	paths := in.paths
	paths.Set = slices.Clone(in.set)
	for _, list := range in.take {
		paths.Set = append(paths.Set, fusion.Assignments(list)...)
	}
	rec, err := recording.Open(args0(args), paths)
	if err != nil {
		return nil, settings.File{}, err
	}
	cfg, err := in.settings(rec)
	return rec, cfg, err
}

// args0 is the recording argument, "" without one.
func args0(args []string) string {
	if len(args) == 0 {
		return ""
	}
	return args[0]
}

// settings reads the settings of rec and applies --set.
func (in *inputs) settings(rec *recording.Recording) (settings.File, error) {
	cfg, err := rec.Settings()
	if err != nil {
		return cfg, err
	}
	for _, s := range in.set {
		if err := cfg.Set(s); err != nil {
			return cfg, usage(err)
		}
	}
	return cfg, takeAll(&cfg, in.take)
}

// takeAll takes values for this run alone.
func takeAll(cfg *settings.File, lists []string) error {
	for _, list := range lists {
		if err := cfg.Take(list); err != nil {
			return usage(err)
		}
	}
	return nil
}

const takeUsage = "take KEY=VALUE for this run alone, as a reason proposes it; screen, lines, recording and report say so; may be repeated"
