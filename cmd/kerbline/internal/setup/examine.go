package setup

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/calibrate"
	"kerbline/fusion/columns"
	"kerbline/fusion/navigation"
)

// Input is one input of a recording, in words.
type Input struct{ Name, What string }

// Report is what a recording shows.
type Report struct {
	Inputs   []Input
	Findings []Finding // what differs from the settings
	Trouble  []string  // what is wrong and no setting mends
	Next     []string  // what to do for what the recording does not show
	Settings settings.File

	before int      // troubles found before motion was looked at
	follow []string // offsets of clocks that take what calibration says of the latency
}

// Opener opens the recording with some settings changed, key=value each.
type Opener func(set []string) (*recording.Recording, settings.File, error)

// Progress says what is being done and how far it has come; total 0 is unknown.
type Progress func(what string, done, total int64)

// Examine reads a recording and says what its settings should be.
func Examine(ctx context.Context, open Opener, progress Progress) (*Report, error) {
	rec, cfg, err := open(nil)
	if err != nil {
		return nil, err
	}
	s, err := look(ctx, rec, &cfg, func(done, total int64) { progress("reading", done, total) })
	if err != nil {
		return nil, err
	}
	r := &Report{Inputs: s.inputs(rec), Settings: cfg}
	if cfg.Taken != "" {
		r.Inputs = append(r.Inputs, Input{"taken", "for that run, and part of what is written: " + cfg.Taken})
		r.Settings.Taken = ""
	}
	if rec.Untimed() {
		r.follow = []string{"columns.imu_offset_s"}
		if s.wheelTimes.n > 0 {
			r.follow = append(r.follow, "columns.wheel_offset_s")
		}
	}
	r.clocks(s)
	r.tables(s)
	r.reference(s)
	r.before = len(r.Trouble)
	// What is found changes how the rest is seen: axes before lever arms.
	for range mostRounds {
		found := len(r.Findings)
		if err := r.motion(ctx, open, progress); err != nil {
			return nil, err
		}
		if len(r.Findings) == found {
			break
		}
	}
	if err := r.mapFits(ctx, open, progress); err != nil {
		return nil, err
	}
	r.Findings = slices.DeleteFunc(r.Findings, func(f Finding) bool { return r.Settings.Get(f.Key) == f.Was })
	return r, nil
}

const (
	mostRounds = 3
	leastShift = 0.005 // s: clocks closer than this are left alone
)

// Set returns the findings as settings to be changed.
func (r *Report) Set() (set []string) {
	for _, f := range r.Findings {
		set = append(set, f.Key+"="+f.Value)
	}
	return set
}

// propose takes a finding that differs from what is set.
func (r *Report) propose(f Finding) error {
	changed := r.Settings
	if err := changed.Set(f.Key + "=" + f.Value); err != nil {
		return err
	}
	f.Was = r.Settings.Get(f.Key)
	if changed.Get(f.Key) == f.Was {
		return nil
	}
	r.Settings = changed
	for i := range r.Findings {
		if r.Findings[i].Key == f.Key { // found again, better
			r.Findings[i].Value, r.Findings[i].Evidence = f.Value, f.Evidence
			return nil
		}
	}
	r.Findings = append(r.Findings, f)
	return nil
}

func (r *Report) trouble(format string, a ...any) {
	r.Trouble = append(r.Trouble, fmt.Sprintf(format, a...))
}

const (
	gpsAhead  = 18.0 // s, GPS minus UTC since 2017-01-01 (IERS Bulletin C 52)
	leastLink = 20   // correction epochs that make a latency known
)

// clocks finds sentences that tell GPS time: the corrections, whose epochs are
// dated by their system, then seem 18 s older than they can be. A link as slow as
// that would leave the receiver without a fix.
func (r *Report) clocks(s *survey) {
	if len(s.late) < leastLink {
		return
	}
	slices.Sort(s.late)
	usual := s.late[len(s.late)/2]
	switch off := usual - gpsAhead; {
	case off > -1 && off < 8:
		r.must(Finding{Key: "columns.gnss_offset_s", Value: "-18.0",
			Evidence: fmt.Sprintf("s: by the sentences' time every correction is %.1f s old: they tell GPS time, not UTC", usual)})
	case math.Abs(usual) > 60:
		r.trouble("the sentences' time and the corrections' differ by %.0f s: one of the two is of another day or clock", usual)
	}
}

func (r *Report) must(f Finding) {
	if err := r.propose(f); err != nil {
		r.trouble("%v", err)
	}
}

// tables finds what the columns of the tables hold, where the present settings
// do not read them as the drive shows them.
func (r *Report) tables(s *survey) {
	for _, t := range []struct {
		name, key string
		lines     [][]byte
		read      span
		table     func() (columns.Table, error)
		find      func([][]byte, columns.Reference) (columns.Recognised, error)
	}{
		{"inertial sensor", "columns.imu", s.imu.All, s.imuTimes, r.Settings.Columns.IMUTable, columns.RecogniseIMU},
		{"wheel", "columns.wheel", s.wheel.All, s.wheelTimes, r.Settings.Columns.WheelTable, columns.RecogniseWheel},
	} {
		if len(t.lines) == 0 {
			continue
		}
		found, err := t.find(t.lines, s.ref)
		works := t.read.n > 100 && t.read.last > s.ref.From && t.read.first < s.ref.To
		switch {
		case err != nil && !works:
			r.trouble("%s: %v", t.name, err)
			continue
		case err != nil || works && !found.Sure:
			continue
		}
		table, err := t.table()
		if err != nil {
			r.trouble("%v", err)
			continue
		}
		if works && sameReading(table, found, t.lines) {
			continue
		}
		why := "sizes alone; a drive with turns confirms it"
		if found.Sure {
			why = "confirmed by the drive"
		}
		r.must(Finding{Key: t.key, Value: found.List, Evidence: "recognised from the numbers, " + why})
		if t.key == "columns.imu" && found.Rough {
			r.follow = []string{t.key + "_offset_s"}
		}
		if found.Offset != 0 {
			r.must(Finding{Key: t.key + "_offset_s", Value: strconv.FormatFloat(found.Offset, 'f', 3, 64), Evidence: "s: the times are " + found.Clock})
		}
	}
}

// sameReading reports whether a table reads its lines as what was recognised
// would.
func sameReading(table columns.Table, found columns.Recognised, lines [][]byte) bool {
	for _, line := range lines[:min(len(lines), 20)] {
		table.Header(line)
	}
	return table.SameAs(found, lines[len(lines)/2])
}

// reference finds the base's coordinates.
func (r *Report) reference(s *survey) {
	if s.bases == 0 {
		return
	}
	b := s.base
	set := r.Settings.Base.ECEF
	if set == [3]float64{} {
		r.must(Finding{Key: "base.ecef_m", Value: fmt.Sprintf("[%.4f, %.4f, %.4f]", b.X, b.Y, b.Z),
			Evidence: fmt.Sprintf("m: heard %d times on the link; it is the surveyed place only if the base stands on the mark of the map's survey", s.bases)})
		r.must(Finding{Key: "base.station", Value: strconv.Itoa(s.station), Evidence: "heard on the link"})
		return
	}
	if off := math.Sqrt((b.X-set[0])*(b.X-set[0]) + (b.Y-set[1])*(b.Y-set[1]) + (b.Z-set[2])*(b.Z-set[2])); off > r.Settings.Base.Tolerance {
		r.trouble("the base broadcasts coordinates %.2f m from base.ecef_m: another place, another survey, or set up again by averaging", off)
	}
}

// motion calibrates with what was found so far.
func (r *Report) motion(ctx context.Context, open Opener, progress Progress) error {
	rec, cfg, err := open(r.Set())
	if err != nil {
		return err
	}
	c := &navigation.Recording{Settings: cfg.Navigation()}
	damage, err := runner.Each(ctx, rec, cfg.Config, func(done, total int64) { progress("reading", done, total) },
		func(m *fusion.Measurement) error { m.AddTo(c); return nil })
	if err != nil {
		return err
	}
	r.Next, r.Trouble = nil, r.Trouble[:r.before]
	if damage != "" {
		r.trouble("the recording %s", damage)
	}
	res, err := calibrate.Run(c, func(done, total int) { progress("calibrating", int64(done), int64(total)) })
	if err != nil {
		r.trouble("%v", err)
		r.Next = append(r.Next, "record a drive: stand still for a minute, then two laps with turns both ways and changing speed")
		return nil
	}
	r.Trouble = append(r.Trouble, res.Findings...)
	for _, f := range Found(&cfg, res) {
		if len(r.follow) > 0 && strings.HasPrefix(f.Key, "gnss.latency_") {
			continue
		}
		if err := r.propose(f); err != nil {
			r.trouble("%v", err)
		}
	}
	r.shift(&cfg, res)
	r.next(res)
	return nil
}

// shift moves the clocks of the sensors by what calibration says of the latency,
// where receiver and sensors share no clock: only their difference shows in a
// drive, and the latency stays what the settings say, known as well as that is.
func (r *Report) shift(cfg *settings.File, res *calibrate.Result) {
	it := res.Item("gnss latency")
	if len(r.follow) == 0 || it == nil || it.Verdict == calibrate.NoData || !(math.Abs(it.Value-cfg.GNSS.Latency) > max(3*it.Sigma, leastShift)) {
		return
	}
	for _, key := range r.follow {
		was, _ := strconv.ParseFloat(r.Settings.Get(key), 64)
		r.must(Finding{Key: key, Value: strconv.FormatFloat(was+it.Value-cfg.GNSS.Latency, 'f', 3, 64),
			Evidence: fmt.Sprintf("s: ±%.3f, by the turns: receiver and sensors have clocks of their own", it.Sigma)})
	}
	r.must(Finding{Key: "gnss.latency_sigma_s", Value: latencySigma(it), Evidence: "s: that of the offset of the clocks, 5 ms at least"})
}

// next says what to do for what was not shown.
func (r *Report) next(res *calibrate.Result) {
	for _, n := range []struct {
		todo string
		of   func(it *calibrate.Item) bool
	}{
		{"stand still for 60 s, engine off, receiver fixed: the noise and bias of the inertial sensor", func(it *calibrate.Item) bool {
			return len(it.Key) > 4 && it.Key[:4] == "imu." && !isMount(it)
		}},
		{"two laps with turns both ways, braking and accelerating: the antenna's place, the latency, the mounting", func(it *calibrate.Item) bool {
			return (it.Key == leverKey && it.Index < 2) || it.Key == "gnss.latency_s" || isMount(it) && it.Key != "imu.mount_roll_deg"
		}},
		{"measure the antenna's height above the rear axle with a tape: a drive on the level does not show it", func(it *calibrate.Item) bool {
			return it.Key == leverKey && it.Index == 2
		}},
	} {
		for i := range res.Items {
			if it := &res.Items[i]; n.of(it) && it.Verdict != calibrate.Measured {
				r.Next = append(r.Next, n.todo)
				break
			}
		}
	}
}
