package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/dropouts"
	"kerbline/cmd/kerbline/internal/engine"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/fusion"
	"kerbline/gnss/corrections"
)

func newBase() *cobra.Command {
	var (
		fl  liveFlags
		all bool
		at  = busFlags{car: "base"}
	)
	cmd := &cobra.Command{
		Use:   "base",
		Short: "At the base: record what it sends, before the radio, and watch it",
		Long: `Run this on a computer at the base, on a tap between the base receiver and the
radio. It records every byte that the base sends, and once a second a mark of life
of this computer, so that afterwards a base receiver that stopped, a computer that
stopped and a radio that lost are distinguished:

  kerbline dropouts car.mcap --base base.mcap

It prints a line when the base begins or stops sending, changes what it sends or
where it says it stands, and one a minute. It writes nothing to the base. With --bus
the car (kerbline live --base nats://HOST/NAME) knows at once whether the base sends.`,
		Example: `  kerbline base --corrections serial:///dev/ttyUSB0?baud=57600 --record runs/
  kerbline base --corrections tcp://192.0.2.10:2101 --config kerbline.toml --record base.mcap`,
		Args: wrong(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error { return watchBase(cmd, &fl, &at, all) },
	}
	f := cmd.Flags()
	f.StringVar(&fl.corrections, "corrections", "", "what the base sends, RTCM 3: serial://, tcp://, udp://, a path, - for standard input")
	f.StringVar(&fl.config, "config", "", "settings: the surveyed base and [sources] corrections")
	f.StringArrayVar(&fl.set, "set", nil, "change one setting, key=value; may be repeated")
	f.StringVar(&fl.record, "record", "", "record to this .mcap file, or into this folder/, made if need be")
	f.Int64Var(&fl.maxMB, "record-part-mb", 512, "begin a new file at this size, MB")
	f.StringVar(&at.car, "name", at.car, "name of this base on the bus")
	f.BoolVar(&fl.remote, "publish-remote", false, "allow --bus to serve other computers")
	at.serving(cmd)
	f.BoolVar(&all, "every-second", false, "print a line a second")
	return cmd
}

// aliveEvery is how often a mark of life is written.
const aliveEvery = time.Second

// watchBase records and watches the base's end until it is stopped.
func watchBase(cmd *cobra.Command, fl *liveFlags, at *busFlags, every bool) error {
	cfg, err := loadSettings(fl.config, fl.set)
	if err != nil {
		return usage(err)
	}
	if fl.corrections != "" {
		cfg.Sources.Corrections = fl.corrections
	}
	if cfg.Sources.Corrections == "" {
		return usage(fmt.Errorf("nothing to watch, want --corrections with %s", sources.Forms))
	}
	spec, err := sources.Parse(cfg.Sources.Corrections)
	if err != nil {
		return usage(err)
	}
	cfg.Sources.Corrections = spec.String()
	cfg.Sources.GNSS, cfg.Sources.IMU, cfg.Sources.Wheel, cfg.Sources.Observations = "", "", "", ""
	o := engine.Options{Config: cfg.Config, Inputs: []engine.Input{{Channel: fusion.ChanCorrections, Spec: spec}}}
	if fl.record != "" {
		if o.Record, err = fl.recording(&cfg, nil); err != nil {
			return usage(err)
		}
	} else {
		fmt.Fprintln(cmd.ErrOrStderr(), "kerbline: nothing is recorded, want --record to join it with the car's recording")
	}
	lines := &baseLines{w: cmd.OutOrStdout(), every: every}
	if at.at != "" {
		nc, closeBus, err := at.connect(fl.remote, cmd.ErrOrStderr())
		if err != nil {
			return usage(err)
		}
		defer closeBus()
		if lines.bus, err = bus.NewBasePublisher(nc, at.car); err != nil {
			return usage(err)
		}
		o.Heard = lines.heard
	}
	o.Look, o.State = lines.look, lines.state
	e, err := engine.New(o)
	if err != nil {
		return usage(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go func() {
		tick := time.NewTicker(aliveEvery)
		defer tick.Stop()
		for {
			e.Note(dropouts.NoteAlive)
			select {
			case <-tick.C:
			case <-cmd.Context().Done():
				e.Note(dropouts.NoteEnded) // before the engine stops taking notes
				stop()
				return
			}
		}
	}()
	err = e.Run(ctx)
	if r := lines.rec; r != nil {
		fmt.Fprintf(cmd.ErrOrStderr(), "recorded %s, %.1f MB\n", r.File, float64(r.Bytes)/1e6)
		if !r.OK {
			err = errors.Join(err, fmt.Errorf("the recording is not whole: %s", r.Words))
		}
	}
	return err
}

// baseLines prints what the base does.
type baseLines struct {
	w     io.Writer
	every bool
	last  string  // what the last line said, without its figures
	at    float64 // host Unix s of it
	src   string  // what the source said last, without figures
	rec   *recState
	bus   *bus.BasePublisher // nil: not on a bus
	busAt float64            // host Unix s of the last message
}

// recState is the recording as the last line saw it.
type recState struct {
	OK    bool
	File  string
	Bytes int64
	Words string
}

func (b *baseLines) state(st engine.State) {
	if r := st.Recording; r != nil {
		if b.rec != nil && b.rec.OK && !r.OK {
			fmt.Fprintf(b.w, "%s  NOT RECORDING: %s\n", time.Now().UTC().Format("15:04:05"), r.Words)
		}
		b.rec = &recState{r.OK, r.File, r.Bytes, r.Words}
	}
	for _, s := range st.Sources {
		if head := sources.Digitless(s.String()); !s.OK && head != b.src {
			fmt.Fprintf(b.w, "%s  %s\n", time.Now().UTC().Format("15:04:05"), s)
			b.src = head
		} else if s.OK {
			b.src = ""
		}
	}
}

// baseEvery is how often the bus hears of the base, s: not oftener than its own
// silence can be seen.
const baseEvery = 0.5

// baseMinute is how often a line comes while nothing changes, s.
const baseMinute = 60.0

// heard tells the bus of each frame of observations.
func (b *baseLines) heard(m *fusion.Measurement) {
	if m.Kind == fusion.KindFrame && m.Frame.EpochMs >= 0 {
		b.bus.Frame(m.Frame.CRC)
	}
}

func (b *baseLines) look(s *fusion.Snapshot, _ []fusion.Event) {
	if s == nil {
		return
	}
	head, figures := baseWords(&s.Link)
	if b.bus != nil && (s.T-b.busAt >= baseEvery || s.T < b.busAt) {
		b.busAt = s.T
		l := &s.Link
		b.bus.Send(bus.Base{Sends: l.Tapped && l.Condition != corrections.Silent, Frames: l.Frames, Station: l.Station, Words: head})
	}
	wait := baseMinute
	if b.every {
		wait = 1
	}
	if head == b.last && s.T-b.at < wait && s.T >= b.at {
		return
	}
	b.last, b.at = head, s.T
	fmt.Fprintf(b.w, "%s  %s%s\n", time.UnixMilli(int64(s.T*1000)).UTC().Format("15:04:05"), head, figures)
}

// baseWords says what the base does: what a change of is worth a line, and the
// figures behind it.
func baseWords(l *corrections.State) (head, figures string) {
	switch {
	case !l.Tapped:
		return "nothing heard of the base yet", ""
	case l.Condition == corrections.Silent:
		return "SILENT: the base sends nothing", ""
	case l.Condition == corrections.Corrupt:
		head = "sends broken bytes: check baud and cable"
	case l.Condition == corrections.Sparse:
		head = "sends less than usual"
	case l.Condition == corrections.Late:
		head = "sends late"
	default:
		head = "sends"
	}
	var types []int
	for _, t := range l.Types[:l.NTypes] {
		types = append(types, t.Number)
	}
	slices.Sort(types)
	for _, n := range types {
		head += fmt.Sprintf(" %d", n)
	}
	switch l.Base {
	case corrections.BaseUnheard:
		head += ", no coordinates yet"
	case corrections.BaseElsewhere:
		head += fmt.Sprintf(", COORDINATES %.2f m FROM THE REFERENCE", l.BaseOff)
	case corrections.BaseUnconfirmed:
		head += ", another station, coordinates not heard yet"
	case corrections.BaseAsSurveyed:
		head += ", coordinates as surveyed"
	}
	figures = fmt.Sprintf("; %.0f bytes/s, %d frames", l.BytesPerS, l.Frames)
	if l.JunkBytes > 0 {
		figures += fmt.Sprintf(", %d bytes outside frames", l.JunkBytes)
	}
	sats := 0
	for _, n := range l.Systems {
		sats += int(n)
	}
	if sats > 0 {
		figures += fmt.Sprintf(", %d satellites", sats)
	}
	return head, figures
}
