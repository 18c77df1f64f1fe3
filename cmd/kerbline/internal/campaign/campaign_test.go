package campaign

import (
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/score/bounds"
	"kerbline/gnss/geodesy"
)

// conf is the confidence of every bound printed.
const conf = 0.95

// job is one drive to make.
type job struct {
	row  string
	seed uint64
}

// plan shares hours of driving out over the rows, at least a drive each.
func plan(rows []string, hours float64, seed uint64) (jobs []job) {
	for _, row := range rows {
		n := max(1, int(math.Round(hours*3600/float64(len(rows))/fixtures.NewDrive(row, seed).Duration)))
		for i := range n {
			jobs = append(jobs, job{row, seed + uint64(i)})
		}
	}
	return jobs
}

// work plays the jobs on both cores and returns the outcomes in their order.
func work(jobs []job) []*outcome {
	out := make([]*outcome, len(jobs))
	var wg sync.WaitGroup
	next := make(chan int)
	for range 2 {
		wg.Go(func() {
			for i := range next {
				out[i] = play(jobs[i].row, jobs[i].seed)
			}
		})
	}
	for i := range jobs {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

// goal is what a kind of drive is to reach: share of the time usable, %, and
// median lateral level, m.
type goal struct{ usable, level float64 }

// goals by kind; what breaks something has none beside no misleading event, no
// excursion and a way back.
var goals = map[string]goal{
	"nominal": {99, 0.25}, "gyro_scale_0.3": {99, 0.25}, "gyro_scale_1": {99, 0.25}, "acc_scale": {99, 0.25}, "mount_2": {99, 0.25}, "gyro_warm": {99, 0.25},
	"imu_ahead": {99, 0.25}, "shake_1g": {99, 0.25}, "shake_3g": {80, 0.25}, "consumer": {95, 0.25},
	"multipath_3": {97, 0.4}, "multipath_5": {97, 0.4}, "multipath_8": {0, 0.5}, "gnss_1hz_wheels": {95, 0.4}, "gnss_1hz": {60, 0.4},
	"velocity_late": {99, 0.25}, "velocity_smoothed": {99, 0.25}, "gga_only": {95, 0.4}, "gga_gst": {95, 0.4},
	"robot_1mps": {90, 0.25}, "kart_3mps": {99, 0.25}, "oval_60mps": {95, 0.25},
	"grade_8": {99, 0.25}, "banked": {99, 0.25},
	"tyres_give": {99, 0.25}, "soft_springs": {99, 0.25}, "driven_wheel": {99, 0.25},
}

// sums is a row of the table.
type sums struct {
	name                         string
	drives                       int
	hours, live                  float64
	settled, available           float64
	misleading, excursions       int
	misled                       int     // drives with a misleading event
	worst                        float64 // m
	falseAlarms, mustBack, backs int
	named                        int // not back, for want of evidence that was named
	breaks                       []float64
	level, lateral               []float32
	bad                          []*outcome
	untold                       bool
}

func (s *sums) add(o *outcome) {
	s.drives++
	s.hours += o.hours
	s.live += o.live
	s.settled += o.settled
	s.available += o.available
	s.misleading += len(o.misleading)
	s.excursions += len(o.excursions)
	if len(o.misleading) > 0 {
		s.misled++
	}
	for _, r := range o.misleading {
		s.worst = math.Max(s.worst, r.worst)
	}
	s.falseAlarms += o.falseAlarms
	if o.mustBack {
		s.mustBack++
		if o.back {
			s.backs++
		} else if o.named {
			s.named++
		}
	}
	s.breaks = append(s.breaks, o.breaks...)
	s.level = append(s.level, o.level...)
	s.lateral = append(s.lateral, o.lateral...)
	s.untold = s.untold || o.untold
	s.bad = append(s.bad, o)
}

func quantile[T float32 | float64](x []T, q float64) T {
	if len(x) == 0 {
		return T(math.NaN())
	}
	slices.Sort(x)
	return x[max(0, int(math.Ceil(q*float64(len(x))))-1)]
}

// percent is a share, or nothing.
func percent(part, whole float64) string {
	if whole == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", 100*part/whole)
}

var head = "| kind | drives | h | usable % | goal | misleading | drives with | an hour < | worst m | excursions | an hour < | level m | goal | error p95 m | false alarms | an hour < | back | at least % | to usable s | p95 s |\n" +
	"|" + strings.Repeat("---|", 20) + "\n"

func (s *sums) write(w io.Writer) {
	name := s.name
	if s.untold {
		name += " (settings not known)"
	}
	back, least := "-", "-"
	if s.mustBack > 0 {
		back = fmt.Sprintf("%d/%d", s.backs, s.mustBack)
		if s.named > 0 {
			back += fmt.Sprintf(" (%d unproven, named)", s.named)
		}
		lo, _ := bounds.BinomialInterval(s.backs, s.mustBack, 2*conf-1)
		least = fmt.Sprintf("%.0f", 100*lo)
	}
	rate := func(n int, hours float64) string {
		if hours == 0 {
			return "-"
		}
		return fmt.Sprintf("%.2f", bounds.PoissonUpper(n, conf)/hours)
	}
	usable, level, median := "", "", float64(quantile(s.level, 0.5))
	if g, ok := goals[s.name]; ok {
		usable, level = fmt.Sprintf("%g", g.usable), fmt.Sprintf("%g", g.level)
		if !(s.available >= g.usable/100*s.settled) {
			usable += " missed"
		}
		if !(median <= g.level) {
			level += " missed"
		}
	}
	num := func(v float64, decimals int) string {
		switch {
		case math.IsNaN(v):
			return "-"
		case math.IsInf(v, 1):
			return "never"
		}
		return strconv.FormatFloat(v, 'f', decimals, 64)
	}
	fmt.Fprintf(w, "| %s | %d | %.2f | %s | %s | %d | %d | %s | %.2f | %d | %s | %s | %s | %s | %d | %s | %s | %s | %s | %s |\n",
		name, s.drives, s.hours, percent(s.available, s.settled), usable, s.misleading, s.misled, rate(s.misleading, s.live), s.worst,
		s.excursions, rate(s.excursions, s.live), num(median, 3), level, num(float64(quantile(s.lateral, 0.95)), 3),
		s.falseAlarms, rate(s.falseAlarms, s.hours), back, least, num(quantile(s.breaks, 0.5), 1), num(quantile(s.breaks, 0.95), 1))
}

// worstSeeds lists the drives of a row that misled, broke a level or did not come
// back, and those of the rest to look at first.
func (s *sums) worstSeeds(w io.Writer) {
	badness := func(o *outcome) float64 {
		b := 0.0
		for _, r := range o.misleading {
			b += 1000 + r.worst
		}
		b += 100 * float64(len(o.excursions))
		if o.mustBack && !o.back {
			b += 10
		}
		if o.settled > 0 {
			b += 1 - o.available/o.settled
		}
		return b
	}
	slices.SortStableFunc(s.bad, func(a, b *outcome) int {
		switch x, y := badness(a), badness(b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	for i, o := range s.bad {
		if b := badness(o); b < 0.05 || b < 10 && i >= 3 {
			break
		}
		what := fmt.Sprintf("usable %s %%", percent(o.available, o.settled))
		if o.available < 0.95*o.settled {
			what += ", last reason " + o.reason
		}
		if o.mustBack && !o.back {
			what += ", not back"
			if o.named {
				what += " (unproven, named)"
			}
		}
		if n := len(o.misleading); n > 0 {
			r := slices.MaxFunc(o.misleading, func(a, b run) int { return int(math.Copysign(1, a.worst-b.worst)) })
			what += fmt.Sprintf(", %d misleading, %.2f m from %.1f to %.1f s", n, r.worst, r.from, r.last)
		}
		if n := len(o.excursions); n > 0 {
			r := slices.MaxFunc(o.excursions, func(a, b run) int { return int(math.Copysign(1, a.worst-b.worst)) })
			what += fmt.Sprintf(", %d excursions, %.1f times the level from %.1f to %.1f s", n, r.worst, r.from, r.last)
		}
		fmt.Fprintf(w, "%-28s seed %-6d %s\n", o.row, o.seed, what)
	}
}

// print writes the table: every kind in the order of rows, then all together.
func print(w io.Writer, rows []string, out []*outcome) {
	by := map[string]*sums{}
	all := &sums{name: "all"}
	for _, o := range out {
		if by[o.row] == nil {
			by[o.row] = &sums{name: o.row}
		}
		by[o.row].add(o)
		all.add(o)
	}
	io.WriteString(w, head)
	for _, row := range rows {
		by[row].write(w)
	}
	all.untold = false
	all.write(w)
	fmt.Fprintln(w)
	for _, row := range rows {
		by[row].worstSeeds(w)
	}
}

// TestCampaign prints the table: KERBLINE_CAMPAIGN hours over KERBLINE_ROWS
// (names or beginnings of names, by commas) from KERBLINE_SEED on.
func TestCampaign(t *testing.T) {
	hours, err := strconv.ParseFloat(os.Getenv("KERBLINE_CAMPAIGN"), 64)
	if err != nil {
		t.Skip("no KERBLINE_CAMPAIGN")
	}
	seed, _ := strconv.ParseUint(os.Getenv("KERBLINE_SEED"), 10, 64)
	rows := fixtures.Rows()
	if want := os.Getenv("KERBLINE_ROWS"); want == "list" {
		fmt.Println(strings.Join(rows, "\n"))
		return
	} else if want != "" {
		all := rows
		rows = nil
		for _, w := range strings.Split(want, ",") {
			w, mark, marked := strings.Cut(w, "+")
			if marked {
				mark = "+" + mark
			}
			for _, r := range all {
				if r != w && !(strings.HasSuffix(w, "*") && strings.HasPrefix(r, w[:len(w)-1])) {
					continue
				}
				rows = append(rows, r+mark)
			}
		}
		if len(rows) == 0 {
			t.Fatalf("KERBLINE_ROWS is %q, want some of %s", want, strings.Join(fixtures.Rows(), " "))
		}
	}
	print(os.Stdout, rows, work(plan(rows, hours, seed)))
}

// The same seed shows the same, whatever runs beside it.
func TestSameSeedSameOutcome(t *testing.T) {
	jobs := []job{{"float_fixed", 5}, {"gnss_4hz", 5}, {"float_fixed", 5}}
	out := work(jobs)
	a, b := out[0], out[2]
	if fmt.Sprint(*a) != fmt.Sprint(*b) || a.live == 0 {
		t.Errorf("one drive twice: %+v and %+v", *a, *b)
	}
}

// What is played in memory is what a recording of the same drive replays: the
// same verdicts at the same times. Values differ by the digits of the files; what a
// drift test sees beside its threshold is in the level of a line or not at all.
func TestMemoryIsTheRecording(t *testing.T) {
	d := fixtures.NewDrive("float_fixed/right", 2)
	d.Duration = 160
	rec := d.Record()
	files, _ := d.Files()
	folder, err := recording.FromFiles(files)
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := folder.Settings()
	if err != nil {
		t.Fatal(err)
	}
	course := func() *course.Course {
		c, err := folder.Course()
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	var want []fusion.Snapshot
	played, err := folder.Feed(cfg.Config)
	if err != nil {
		t.Fatal(err)
	}
	defer played.Close()
	mon := fusion.NewMonitor(cfg.Config, course())
	for {
		batch, err := played.Next()
		if err != nil {
			break
		}
		for i := range batch {
			if snap, _ := mon.Step(&batch[i]); snap != nil {
				want = append(want, *snap)
			}
		}
	}
	k, usable, beside := 0, 0, 0
	mon = fusion.NewMonitor(cfg.Config, course())
	feed(rec, fusion.NewDecoder(cfg.Config), func(m *fusion.Measurement) {
		snap, _ := mon.Step(m)
		if snap == nil || k >= len(want) {
			return
		}
		w := &want[k]
		k++
		if snap.Verdict == fusion.Usable {
			usable++
		}
		if math.Abs(snap.PLLat.Drift-w.PLLat.Drift) > 0.01 {
			beside++
		}
		if snap.Verdict != w.Verdict || math.Abs(snap.T-w.T) > 2e-3 || math.Abs(snap.PLLat.Total-snap.PLLat.Drift-w.PLLat.Total+w.PLLat.Drift) > 0.01 {
			t.Fatalf("line %d: in memory %s at %.3f, level %.3f; of the files %s at %.3f, level %.3f", k, snap.Verdict, snap.T, snap.PLLat.Total, w.Verdict, w.T, w.PLLat.Total)
		}
	})
	if k < len(want)-2 || usable < 500 || beside > 5 {
		t.Errorf("%d lines in memory of %d, %d usable, %d with another drift in their levels", k, len(want), usable, beside)
	}
}

// The judge counts what it is there to count: a position that is off, a level
// that does not hold it, a run that did not come back.
func TestJudge(t *testing.T) {
	d := fixtures.NewDrive("long_wrong/right", 1)
	d.Duration = 240
	rec := d.Record()
	o := &outcome{}
	j := newJudge(o, &d, rec)
	for k := range 2400 {
		at := float64(k) / 10
		st := rec.Truth.AtUTC(at)
		snap := fusion.Snapshot{T: st.Host, Verdict: fusion.Usable, HasPos: true, Yaw: st.Yaw, Speed: st.Speed, Vel: st.Vel}
		snap.PLLat.Total, snap.PLLon.Total, snap.PLYaw.Total = 0.3, 0.3, 0.05
		off := 0.0
		switch {
		case at >= 110 && at < 112:
			off = 0.4 // beyond its level
		case at >= 115 && at < 116, at >= 117 && at < 118, at >= 121 && at < 122:
			off = 0.7 // beyond the limit: the first two are one run
		case at >= 215:
			snap.Verdict = fusion.Unproven
		}
		sin, cos := math.Sincos(st.Yaw)
		f := rec.Truth.Frame()
		snap.Pos = f.ToLLA(geodesy.ENU{E: st.ENU.E - off*sin, N: st.ENU.N + off*cos, U: st.ENU.U})
		j.line(&snap, nil)
	}
	j.close([]fusion.Event{{Kind: fusion.EventJump, T: d.Host(90)}, {Kind: fusion.EventJump, T: d.Host(d.Faults[0].From + 1)}})
	if len(o.misleading) != 2 || math.Abs(o.misleading[0].worst-0.7) > 0.02 || len(o.excursions) != 3 {
		t.Errorf("misleading %v, excursions %v, want 2 runs of 0.7 m, and 3", o.misleading, o.excursions)
	}
	if o.falseAlarms != 1 || !o.mustBack || o.back {
		t.Errorf("%d false alarms, back %t of %t, want 1, false of true", o.falseAlarms, o.back, o.mustBack)
	}
	if share := o.available / o.settled; math.Abs(share-(215-100)/140.0) > 0.01 {
		t.Errorf("available %.3f, want 0.82", share)
	}
}

// The statistic of the jump test on generated drives without fault stays within its
// covariance at every rate, and that covariance is no more than some times too wide.
func TestJumpStatistic(t *testing.T) {
	for _, row := range []string{"gnss_1hz", "gnss_1hz_wheels", "gnss_4hz", "nominal"} {
		d := fixtures.NewDrive(row, 41)
		rec := d.Record()
		cfg, err := settings.Parse("kerbline.toml", rec.Settings)
		if err != nil {
			t.Fatal(err)
		}
		mon := fusion.NewMonitor(cfg.Config, nil)
		sum, n, used := 0.0, 0.0, uint64(0)
		feed(rec, fusion.NewDecoder(cfg.Config), func(m *fusion.Measurement) {
			s, _ := mon.Step(m)
			if s == nil || s.Counts.EpochsUsed == used || s.Speed < 2 || !(s.Tests[fusion.TestJump].Stat > 0) {
				return
			}
			used = s.Counts.EpochsUsed
			sum, n = sum+s.Tests[fusion.TestJump].Stat/3, n+1
		})
		t.Logf("%s: %.2f of %.0f epochs", row, sum/n, n)
		if !(n > 100) || !(sum/n > 0.2 && sum/n < 1) {
			t.Errorf("%s: the statistic by its degrees of freedom is %.2f in the mean, want 0.2 to 1", row, sum/n)
		}
	}
}
