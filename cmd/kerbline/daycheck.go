package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/excerpt"
	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/cmd/kerbline/internal/report"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/day"
	"kerbline/fusion/outlook"
	"kerbline/fusion/words"
	"kerbline/gnss/geodesy"
)

// errDayNo is an answer without a yes: an exit code, and nothing more to print.
var errDayNo = coded{exitNo, errors.New("")}

func newDaycheck() *cobra.Command {
	var (
		in     inputs
		asJSON bool
		live   string
		during time.Duration
		date   string
	)
	cmd := &cobra.Command{
		Use:   "daycheck [RECORDING...]",
		Short: "Is map-based driving safe today? Yes, provisionally yes, yes below a speed, no or cannot say",
		Long: `Say from one or several recordings whether map-based driving is safe today, what
decides it and what to do about it; every criterion with value, limit and how sure
it is. The answers, from the best:

` + degreesHelp() + `
Recordings of one day, one track, one base and one set of settings count together;
what is left out is said with its reason. The day is that of the newest recording
unless --day names one. Leave out what was recorded before a fault was mended.

With --live it hears for a while what kerbline live --publish sends; verdict lines
say less than a recording, and what they do not say is left open.

The limits stand in the settings, [day]. Exit code 0 means a yes of any degree, 3
means no or cannot say.`,
		Example: `  kerbline daycheck morning.mcap
  kerbline daycheck run1/ run2/ --set day.least_driving_s=600
  kerbline daycheck runs/*.mcap --day 2026-11-27
  kerbline daycheck run.mcap --json
  kerbline daycheck --live udp://127.0.0.1:47100 --for 10m --course track.geojson`,
		Args: wrong(cobra.ArbitraryArgs),
		RunE: func(cmd *cobra.Command, args []string) error {
			ask, err := askFor(date)
			if err != nil {
				return err
			}
			if live != "" {
				if len(args) > 0 {
					return usage(errors.New("--live hears verdicts and reads no recording, want one or the other"))
				}
				s, _, err := hear(cmd.Context(), live, during, &in)
				if err != nil {
					return err
				}
				return answerDay(day.Judge([]*day.Session{s}, ask), asJSON, cmd.OutOrStdout())
			}
			runs, err := gather(cmd.Context(), &in, args, cmd.ErrOrStderr(), nil)
			if err != nil {
				return err
			}
			sessions := make([]*day.Session, len(runs))
			for i := range runs {
				sessions[i] = runs[i].session
			}
			return answerDay(day.Judge(sessions, ask), asJSON, cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	f.StringVar(&date, "day", "", dayUsage)
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.StringVar(&live, "live", "", "hear verdicts published to this udp://host:port instead of reading a recording")
	f.DurationVar(&during, "for", 10*time.Minute, "how long to hear, by the time of the verdicts")
	return cmd
}

const dayUsage = "judge the recordings of this day, YYYY-MM-DD where they were driven (default the day of the newest)"

// askFor reads --day.
func askFor(date string) (day.Ask, error) {
	if date != "" {
		if _, err := time.Parse(time.DateOnly, date); err != nil {
			return day.Ask{}, usage(fmt.Errorf("--day %q, want YYYY-MM-DD", date))
		}
	}
	return day.Ask{Day: date, Now: time.Now()}, nil
}

// degreesHelp lists the answers with their meaning.
func degreesHelp() string {
	var b strings.Builder
	for a := day.Yes; ; a-- {
		word, meaning := a.Meaning()
		b.WriteString(strings.Join(words.Wrap(fmt.Sprintf("  %-28s", word), strings.Repeat(" ", 30), meaning, 84), "\n") + "\n")
		if a == 0 {
			return b.String()
		}
	}
}

func answerDay(c *day.Check, asJSON bool, out io.Writer) error {
	write := c.Write
	if asJSON {
		write = c.WriteJSON
	}
	if err := write(out); err != nil {
		return err
	}
	if !c.Answer.Drive() {
		return errDayNo
	}
	return nil
}

// gathered is what one recording showed, and with what it was judged.
type gathered struct {
	session  *day.Session
	course   *course.Course // nil without a map
	settings settings.File
	trace    *report.Trace // for the report alone
	part     *report.Part  // what was asked to be enlarged, nil where this recording has it not
}

// gather runs the recordings that args and flags name, one after another. enlarge
// is what the report is to enlarge, nil for the day check.
func gather(ctx context.Context, in *inputs, args []string, errOut io.Writer, enlarge *excerpt.Choice) ([]gathered, error) {
	if len(args) == 0 {
		args = []string{""} // the flags alone
	}
	var out []gathered
	var before *outlook.Learner
	for i, arg := range args {
		var open []string
		if arg != "" {
			open = []string{arg}
		}
		one := *in // opening puts the files of a folder into it
		rec, cfg, err := one.open(open)
		if err != nil {
			return nil, err
		}
		for _, note := range rec.Notes {
			fmt.Fprintf(errOut, "%-14s %s\n", "note", note)
		}
		truth, err := rec.Truth()
		if err != nil {
			return nil, err
		}
		crs, err := rec.Course()
		if err != nil {
			return nil, err
		}
		col := day.NewCollector(sessionName(arg, in), &cfg.Config, truth)
		if crs != nil {
			onMap(col, crs)
		}
		sky := &outlook.Learner{}
		if i > 0 {
			sky.Share(before)
		}
		before = sky
		p := &pipeline{rec: rec, cfg: cfg.Config, hear: func(m *fusion.Measurement) { hearSky(sky, m) }}
		look := func(s *fusion.Snapshot, ev []fusion.Event) {
			col.Add(s, ev)
			placeSky(sky, s)
		}
		p.look = look
		var trace *report.Trace
		if enlarge != nil {
			part, err := enlarge.Of(rec, &cfg.Config)
			if missing := excerpt.NotThere(""); errors.As(err, &missing) && len(args) > 1 {
				part = nil // another recording has it
			} else if err != nil {
				return nil, usage(err)
			}
			if part != nil {
				p.part = part.NewTracker(rec, &cfg.Config)
			}
			trace = &report.Trace{}
			p.look = func(s *fusion.Snapshot, ev []fusion.Event) {
				look(s, ev)
				trace.Add(s)
			}
		}
		what := "checking"
		if len(args) > 1 {
			what = fmt.Sprintf("checking %d/%d", i+1, len(args))
		}
		p.progress = newProgress(errOut, what)
		sum, err := p.run(ctx)
		p.progress.end()
		if err != nil {
			return nil, err
		}
		if sum.damage != "" {
			fmt.Fprintf(errOut, "%-14s %s\n", "damage", sum.damage)
		}
		ses := col.Session()
		ses.Foresee(sky)
		g := gathered{session: ses, course: crs, settings: cfg, trace: trace}
		if p.part != nil {
			from, to, err := p.part.Span()
			switch {
			case err == nil:
				g.part = &report.Part{Text: enlarge.String(), From: from - g.session.HostStart, To: to - g.session.HostStart}
			case len(args) == 1:
				return nil, usage(err)
			}
		}
		out = append(out, g)
	}
	return out, nil
}

// hearSky gives the learner what was heard of the satellites.
func hearSky(l *outlook.Learner, m *fusion.Measurement) {
	switch {
	case m.Kind == fusion.KindEphemeris:
		l.Set(m.Ephemeris)
	case m.Kind == fusion.KindObservation && m.Channel == fusion.ChanObservations:
		l.Observed(m.Observed)
	}
}

// placeSky says where that was, while the position is proven.
func placeSky(l *outlook.Learner, s *fusion.Snapshot) {
	if s == nil || !s.HasPos || s.Verdict != fusion.Usable && s.Verdict != fusion.Coasting {
		return
	}
	w := outlook.Where{Pos: s.Pos, Yaw: s.Yaw}
	if s.HasCourse {
		w.M, w.Length = s.Station, s.LapLength
	}
	l.At(w)
}

// onMap says which map the session of col is driven on.
func onMap(col *day.Collector, crs *course.Course) {
	col.OnMap(crs.Fingerprint())
	col.SurveyedBy(crs.Base())
}

// hear collects published verdicts for a while, or until interrupted.
func hear(ctx context.Context, addr string, during time.Duration, in *inputs) (*day.Session, settings.File, error) {
	cfg, err := loadSettings(in.paths.Config, in.set)
	if err != nil {
		return nil, cfg, usage(err)
	}
	crs, _, err := loadCourse(in.paths.Course)
	if err != nil {
		return nil, cfg, usage(err)
	}
	key, err := publish.LoadKey("")
	if err != nil {
		return nil, cfg, usage(err)
	}
	l, err := publish.Listen(addr, key)
	if err != nil {
		return nil, cfg, usage(err)
	}
	defer l.Close()
	stop := context.AfterFunc(ctx, func() { l.Close() })
	defer stop()
	ses, err := heardDay(ctx, l.Next, l.Addr(), during, &cfg, crs)
	return ses, cfg, err
}

// heardDay makes a session of the verdicts that next gives, as [publish.Listener]
// does.
func heardDay(ctx context.Context, next func(context.Context) (lines.Verdict, error), addr string, during time.Duration, cfg *settings.File, crs *course.Course) (*day.Session, error) {
	var frame geodesy.Frame
	if crs != nil {
		frame = geodesy.NewFrame(crs.Origin())
		crs.Bind(frame)
	}
	col := day.NewCollector("verdicts at "+addr, &cfg.Config, nil)
	if crs != nil {
		onMap(col, crs)
	}
	col.LinesOnly()
	var (
		last  fusion.Snapshot
		first = math.NaN()
		hint  = -1
	)
	for last.T-first < during.Seconds() || math.IsNaN(first) {
		v, err := next(ctx)
		var snap fusion.Snapshot
		switch {
		case ctx.Err() != nil: // what was heard so far counts
			if math.IsNaN(first) {
				return nil, runner.ErrInterrupted
			}
			return col.Session(), nil
		case err == nil:
			snap = publish.Snapshot(&v)
			if math.IsNaN(first) {
				first = snap.T
			}
			locate(&snap, crs, &frame, &hint)
		case errors.Is(err, publish.ErrSilent):
			if math.IsNaN(first) {
				continue // it begins with the first verdict
			}
			snap = publish.Nothing(&last)
			snap.T += publish.Hold
		default:
			return nil, err
		}
		col.Add(&snap, nil)
		last = snap
	}
	return col.Session(), nil
}

// locate puts the place on the map, which verdict lines do not say, into s.
func locate(s *fusion.Snapshot, crs *course.Course, frame *geodesy.Frame, hint *int) {
	if crs == nil || !s.HasPos {
		return
	}
	if p := crs.Locate(frame.FromLLA(s.Pos), hint); p.OK {
		s.HasCourse, s.LapLength = true, crs.Length()
		s.Station, s.Cross, s.HalfWidth, s.CourseYaw = p.S, p.Cross, p.HalfWidth, p.Yaw
	}
}

// sessionName is what a recording is called on paper: without folders, which
// are nobody else's business.
func sessionName(arg string, in *inputs) string {
	if arg == "" {
		arg = in.paths.GNSS
	}
	name := filepath.Base(filepath.Clean(arg))
	return strings.TrimSuffix(name, filepath.Ext(name))
}
