package acceptance

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss"
)

// outcome is what the runs of one kind came to.
type outcome struct {
	kind string
	sum  *score.Result
	steps, alarmed,
	back, slowBack,
	refix, slowRefix int
	backMax, refixMax float64 // s
	events            map[fusion.EventKind]int
}

// watch follows one run beside the scorer: whether every step of the receiver
// was alarmed at the epoch that carried it, and how long it took to be usable
// again.
type watch struct {
	o *outcome
	s *session
	t *testing.T

	quality gnss.Quality // of the epoch before
	utc     float64      // s, of the epoch before
	verdict fusion.Verdict
	away    []bool  // by fault: the receiver is on the other foot
	backAt  float64 // host s of the last step back, NaN when nothing is waited for
	fixAt   float64 // host s at which a fix came back after an outage, NaN when nothing is waited for
	lost    bool    // float, single or none since the last fix
}

// shifts reports whether a fault is a step of a receiver that says fixed.
func shifts(kind string) bool { return kind == faults.Jump || kind == faults.WrongFix }

func (w *watch) line(snap *fusion.Snapshot, ev []fusion.Event) {
	for i := range ev {
		w.o.events[ev[i].Kind]++
	}
	if snap == nil {
		return
	}
	e := &snap.Epoch
	if fresh := e.UTC != w.utc && !math.IsNaN(e.UTC); fresh {
		w.epoch(snap, ev)
		w.quality, w.utc = e.Quality, e.UTC
	}
	if snap.Verdict == fusion.Usable {
		if !math.IsNaN(w.backAt) {
			d := snap.T - w.backAt
			w.o.back++
			w.o.backMax = math.Max(w.o.backMax, d)
			if d > 5 {
				w.o.slowBack++
				w.t.Logf("%s: usable %.1f s after the step back at %.1f s", w.s.name, d, w.s.since(w.backAt))
			}
			w.backAt = math.NaN()
		}
		if !math.IsNaN(w.fixAt) {
			d := snap.T - w.fixAt
			w.o.refix++
			w.o.refixMax = math.Max(w.o.refixMax, d)
			if d > 10 {
				w.o.slowRefix++
				w.t.Logf("%s: usable %.1f s after the fix came back at %.1f s", w.s.name, d, w.s.since(w.fixAt))
			}
			w.fixAt = math.NaN()
		}
	}
	w.verdict = snap.Verdict
}

// epoch judges a new epoch.
func (w *watch) epoch(snap *fusion.Snapshot, ev []fusion.Event) {
	sc := w.s.sc
	e := &snap.Epoch
	t := e.UTC - sc.Start
	alarm := slices.ContainsFunc(ev, func(e fusion.Event) bool { return e.Kind == fusion.EventJump })
	fixed := e.Quality == gnss.QualityFixed && w.quality == gnss.QualityFixed && e.UTC-w.utc < 1
	for i := range sc.Faults {
		f := &sc.Faults[i]
		if !shifts(f.Kind) {
			continue
		}
		on := t >= f.From-1e-9 && t < f.To-1e-9 && e.Quality == gnss.QualityFixed
		if on == w.away[i] {
			continue
		}
		w.away[i] = on
		if !fixed {
			continue // through float: no step under a fix
		}
		if on && w.verdict == fusion.Usable && f.Size >= 0.15 {
			w.o.steps++
			if alarm {
				w.o.alarmed++
			} else {
				w.t.Logf("%s: step of %.3f m at %.1f s not alarmed at its epoch (statistic %.1f of %.1f)", w.s.name, f.Size, t, snap.Tests[fusion.TestJump].Stat, snap.Tests[fusion.TestJump].Threshold)
			}
		}
		if !on && f.Kind == faults.Jump {
			w.backAt = snap.T
		}
	}
	switch {
	case e.Quality != gnss.QualityFixed:
		w.lost = w.lost || t > sc.Still+score.SettleTime
		w.fixAt = math.NaN()
	case w.lost:
		w.lost, w.fixAt = false, snap.T
	}
}

// judge plays n seeds of a kind.
func judge(t *testing.T, kind string, list []uint64) *outcome {
	t.Helper()
	o := &outcome{kind: kind, events: map[fusion.EventKind]int{}}
	for _, seed := range list {
		s := generate(t, fixtures.Standard(kind, seed))
		sc := score.New(s.truth, s.labels)
		w := &watch{o: o, s: s, t: t, away: make([]bool, len(s.sc.Faults)), backAt: math.NaN(), fixAt: math.NaN(), utc: math.NaN()}
		s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, ev []fusion.Event) {
			sc.Add(snap, ev)
			w.line(snap, ev)
		})
		r := sc.Result()
		if r.MisleadingLines > 0 {
			t.Logf("%s: %d misleading lines, worst %.3f m beyond the limit", s.name, r.MisleadingLines, r.WorstMisleading)
		}
		if o.sum == nil {
			o.sum = r
		} else {
			o.sum.Merge(r)
		}
	}
	return o
}

// String is one row of the table.
func (o *outcome) String() string {
	r := o.sum
	_, missed := r.Delays()
	s := fmt.Sprintf("%-18s %2d runs, misleading %d lines, usable %6.2f %% from 20 s after moving off, |err| <= PL %.5f of %d lines, median PL %.3f m, jumps %d (false %d), drifts %d (false %d), missed %d",
		o.kind, r.Runs, r.MisleadingLines, 100*r.DrivingAvailability(), r.Bounding(), r.AllLines, r.Axes[score.Lateral].MedianPL(), r.Jumps, r.FalseJumps, r.Drifts, r.FalseDrift, missed)
	if o.steps > 0 {
		s += fmt.Sprintf(", steps alarmed at once %d of %d", o.alarmed, o.steps)
	}
	if o.back > 0 {
		s += fmt.Sprintf(", usable after a step back %d times, at most %.1f s", o.back, o.backMax)
	}
	if o.refix > 0 {
		s += fmt.Sprintf(", usable after a new fix %d times, at most %.1f s", o.refix, o.refixMax)
	}
	return s
}

// faulty are the kinds whose faults shift the position, spoil the link or the
// other inputs; on none of them may a usable line be beyond its limit.
var faulty = []string{
	"jump", "wrong_fix", "drift", "base_moved", "base_restarted", "link_silent", "long_outage", "link_corrupt", "link_sparse", "link_late",
	"receiver_not_using", "sky_blocked", "receiver_silent", "receiver_late", "stall", "imu_gap", "wheel_slip", "clock_step",
	"garbled", "units", "axes", "lever", "optimistic", "mixed", "float", "moving_start",
}

// Never usable while beyond a limit, every step alarmed at once, and usable
// again soon.
func TestFaultsAreNeverMisleading(t *testing.T) {
	list := faulty
	if !long {
		list = []string{"jump", "wrong_fix", "drift", "base_moved", "link_silent", "receiver_late", "imu_gap", "wheel_slip", "mixed"}
	}
	var all outcome
	for _, kind := range list {
		o := judge(t, kind, seeds(1, 20))
		t.Log(o)
		if o.sum.MisleadingLines > 0 {
			t.Errorf("%s: %d misleading lines in %d runs, worst %.3f m beyond the limit", kind, o.sum.MisleadingLines, o.sum.MisleadingRuns, o.sum.WorstMisleading)
		}
		if kind == "lever" {
			continue // the protection levels cannot know of a wrong lever arm before the turns show it
		}
		if b := o.sum.Bounding(); o.sum.AllLines > 0 && b < 0.9999 {
			t.Errorf("%s: |err| <= PL on %.5f of lines, want 0.9999", kind, b)
		}
		all.steps += o.steps
		all.alarmed += o.alarmed
		all.back += o.back
		all.slowBack += o.slowBack
		all.refix += o.refix
		all.slowRefix += o.slowRefix
	}
	t.Logf("steps of 0.15 m and more alarmed at the first epoch: %d of %d; usable within 5 s of a step back: %d of %d; within 10 s of a new fix: %d of %d",
		all.alarmed, all.steps, all.back-all.slowBack, all.back, all.refix-all.slowRefix, all.refix)
	if float64(all.alarmed) < 0.99*float64(all.steps) || all.steps == 0 {
		t.Errorf("%d of %d steps alarmed at their first epoch, want 99 %%", all.alarmed, all.steps)
	}
	if all.slowBack > 0 || all.back == 0 {
		t.Errorf("%d of %d steps back took more than 5 s to usable", all.slowBack, all.back)
	}
	if all.slowRefix > 0 || all.refix == 0 {
		t.Errorf("%d of %d new fixes took more than 10 s to usable", all.slowRefix, all.refix)
	}
}

// Without a fault: usable, tightly bounded, and no alarm.
func TestNominalIsUsable(t *testing.T) {
	list := []string{"nominal", "halt", "no_wheel", "no_tap", "dual_antenna", "clock_off"}
	if !long {
		list = list[:3]
	}
	hours, jumps, drifts := 0.0, 0, 0
	for _, kind := range list {
		o := judge(t, kind, seeds(1, 17))
		t.Log(o)
		r := o.sum
		hours += r.Driving / 3600
		jumps += r.Jumps
		drifts += r.Drifts
		if r.MisleadingLines > 0 {
			t.Errorf("%s: %d misleading lines", kind, r.MisleadingLines)
		}
		if a := r.DrivingAvailability(); !(a >= 0.99) {
			t.Errorf("%s: usable %.4f from 20 s after moving off, want 0.99", kind, a)
		}
		if b := r.Bounding(); !(b >= 0.9999) {
			t.Errorf("%s: |err| <= PL on %.5f of lines, want 0.9999", kind, b)
		}
		if pl := r.Axes[score.Lateral].MedianPL(); !(pl <= 0.25) {
			t.Errorf("%s: median lateral protection level %.3f m, want at most 0.25", kind, pl)
		}
	}
	t.Logf("%d jump and %d drift alarms in %.1f h of driving without a fault", jumps, drifts, hours)
	if most := int(hours / 10); jumps > most {
		t.Errorf("%d false jump alarms in %.1f h, want at most 1 in 10 h", jumps, hours)
	}
	if drifts > int(hours/10) {
		t.Errorf("%d false drift alarms in %.1f h, want at most 1 in 10 h", drifts, hours)
	}
}

// The practice recordings: no misleading line, none of the labelled faults
// missed, nothing put down to a fault that was not there.
func TestPracticeVerdicts(t *testing.T) {
	dirs := practice(t)
	if len(dirs) == 0 {
		t.Skip("no practice recordings: set KERBLINE_RECORDINGS")
	}
	for _, dir := range dirs {
		s := decode(t, dir, folder(t, dir))
		r := s.score(t, s.cfg)
		o := outcome{kind: dir[strings.LastIndexByte(dir, '/')+1:], sum: r}
		t.Log(o.String())
		_, missed := r.Delays()
		if r.MisleadingLines > 0 || missed > 0 || r.FalseAlarms() > 0 || r.Bounding() < 0.9999 {
			t.Errorf("%s: %d misleading lines, %d faults missed, %d false alarms, bounding %.5f", o.kind, r.MisleadingLines, missed, r.FalseAlarms(), r.Bounding())
		}
	}
}
