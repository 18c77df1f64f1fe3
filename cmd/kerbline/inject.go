package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/inject"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/sweep"
	"kerbline/fusion"
)

func newInject() *cobra.Command {
	var (
		in       inputs
		out      string
		specs    []string
		scatters []string
		after    float64
		opt      = inject.Options{Model: inject.DefaultModel()}
	)
	cmd := &cobra.Command{
		Use:   "inject [RECORDING] -o OUT --fault KIND:FROM..TO[:SIZE][:DIRECTION] ...",
		Short: "Add labelled faults to a recording by rewriting its raw bytes",
		Long: `Add labelled faults to a recording: sentences are rewritten with their checksums
and TAG blocks, correction frames with their CRC, inertial and wheel lines. A clean
recording without truth becomes a test with labels, for replay and tune.

FROM and TO are seconds after the start of the recording, or host Unix seconds; no
TO is the end. DIRECTION is left, right, ahead or back of the travel at FROM, or
a compass bearing in degrees. SIZE and DIRECTION may be left out:

` + inject.Help() + `
--scatter spreads a number of like faults over the recording, apart from each
other, the same for the same --seed.

OUT is a new folder, or a file ending in .mcap with its labels beside it.`,
		Example: `  kerbline inject morning/ -o morning_jumps --scatter jump=20:0.15..1
  kerbline inject run.mcap -o bad.mcap --fault link_silent:120..150 --fault jump:200..205:0.3:left`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return usage(errors.New("no output named, want -o OUT"))
			}
			if len(specs)+len(scatters) == 0 {
				return usage(errors.New("no fault named, want --fault or --scatter"))
			}
			rec, cfg, err := in.open(args)
			if err != nil {
				return err
			}
			from, to := rec.Span()
			faults, err := faultsOf(specs, scatters, after, to-from-5, opt.Seed)
			if err != nil {
				return usage(err)
			}

			src := ""
			if len(args) > 0 {
				src = args[0]
			}
			if opt.Labels, err = sweep.Labels(src); err != nil {
				return err
			}
			opt.Latency = cfg.GNSS.Latency
			bar := newProgress(cmd.ErrOrStderr(), "reading")
			recs, err := allRecords(rec, opt.Latency, bar.at)
			bar.end()
			if err != nil {
				return err
			}
			res, err := inject.Apply(recs, faults, opt)
			if err != nil {
				return usage(err)
			}
			others, err := rec.Attached()
			if err != nil {
				return err
			}
			if err := writeInjected(res, out, others, &cfg); err != nil {
				return err
			}
			w := cmd.ErrOrStderr()
			for _, n := range append(rec.Notes, res.Notes...) {
				fmt.Fprintf(w, "%-14s %s\n", "note", n)
			}
			fmt.Fprintf(w, "%-14s %d records, %d faults labelled\n", "injected", len(res.Records), len(res.Labels.Faults))
			tellWritten(w, out)
			return nil
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	f.StringVarP(&out, "output", "o", "", "folder to make, or MCAP file")
	f.StringArrayVar(&specs, "fault", nil, "one fault; may be repeated")
	f.StringArrayVar(&scatters, "scatter", nil, "KIND=NUMBER[:SMALL..LARGE], that many faults at places drawn from the seed; may be repeated")
	f.Float64Var(&after, "scatter-after", 60, "s after the start before the first scattered fault")
	f.Uint64Var(&opt.Seed, "seed", 1, "of what is drawn: places, damage, float errors")
	f.Float64Var(&opt.Model.HoldFixed, "hold-fixed", opt.Model.HoldFixed, "s of correction age after which the rover falls to float")
	f.Float64Var(&opt.Model.HoldFloat, "hold-float", opt.Model.HoldFloat, "s of correction age after which the rover falls to single")
	f.Float64Var(&opt.Model.Refix, "refix", opt.Model.Refix, "s of float after corrections are back")
	return cmd
}

// allRecords holds every record of rec in memory.
func allRecords(rec *recording.Recording, latency float64, progress func(done, total int64)) (all []fusion.Record, err error) {
	_, err = runner.Records(rec, latency, progress, func(r fusion.Record) error {
		r.Data = bytes.Clone(r.Data)
		all = append(all, r)
		return nil
	})
	return all, err
}

// faultsOf reads the faults named one by one and those to be spread over length
// s of a recording.
func faultsOf(specs, scatters []string, after, length float64, seed uint64) (faults []inject.Fault, err error) {
	for _, s := range specs {
		f, err := inject.ParseFault(s)
		if err != nil {
			return nil, err
		}
		faults = append(faults, f)
	}
	var many []inject.Scatter
	for _, s := range scatters {
		sc, err := inject.ParseScatter(s)
		if err != nil {
			return nil, err
		}
		many = append(many, sc)
	}
	spread, err := inject.Spread(many, after, length, seed)
	return append(faults, spread...), err
}

// writeInjected writes the recording as a folder or as one file, by the name of
// out.
func writeInjected(res *inject.Result, out string, others []recorder.Attachment, cfg *settings.File) error {
	if strings.EqualFold(filepath.Ext(out), ".mcap") {
		return writeMCAP(res, out, others, cfg)
	}
	files := make([]inject.File, len(others))
	for i, a := range others {
		files[i] = inject.File{Name: a.Name, Data: a.Data}
	}
	return res.Write(out, files)
}

// writeMCAP writes the recording with its map and the settings in force as one
// file, and its labels beside it. The truth has no place in it.
func writeMCAP(res *inject.Result, path string, others []recorder.Attachment, cfg *settings.File) error {
	var text bytes.Buffer
	if err := settings.Print(&text, cfg); err != nil {
		return err
	}
	head := recorder.Head{Attachments: []recorder.Attachment{{Name: recorder.SettingsName, MediaType: "application/toml", Data: text.Bytes()}}}
	for _, a := range others {
		if a.Name == recorder.CourseName {
			head.Attachments = append(head.Attachments, a)
		}
	}
	f, err := recorder.Create(path, head)
	if err != nil {
		return err
	}
	for i := range res.Records {
		r := &res.Records[i]
		if err := f.Write(recorder.Nanos(r.T), r.Channel, r.Data); err != nil {
			f.Abandon()
			return err
		}
	}
	if err := f.Close(); err != nil {
		return err
	}
	l, err := os.Create(sweep.LabelsBeside(path))
	if err != nil {
		return err
	}
	return errors.Join(res.Labels.Write(l, res.Start), l.Close())
}
