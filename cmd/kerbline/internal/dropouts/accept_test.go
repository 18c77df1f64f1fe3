package dropouts

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
)

// examine runs a recording held in memory.
func examine(t testing.TB, files map[string][]byte) *Report {
	t.Helper()
	rec, err := recording.FromFiles(files)
	if err != nil {
		t.Fatal(err)
	}
	return run(t, rec)
}

func run(t testing.TB, rec *recording.Recording) *Report {
	t.Helper()
	cfg, err := rec.Settings()
	if err != nil {
		t.Fatal(err)
	}
	r, err := Run(context.Background(), rec, cfg.Config, nil, func(done, total int64) {})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// isLink reports whether a fault of this kind is one of the link, the base or
// the receiver that an outage tells of.
func isLink(kind string) bool {
	switch kind {
	case faults.Silent, faults.Corrupt, faults.Sparse, faults.Late, faults.Restarted,
		faults.BaseMoved, faults.NotUsing, faults.Sky, faults.Receiver:
		return true
	}
	return false
}

// tally is how many labelled faults were named rightly.
type tally struct{ right, all, extra int }

// tolerance is how far start and end may be off, s: 2, but no better than
// anyone could know.
func tolerance(f *fixtures.Fault, s *fixtures.Scenario) float64 {
	switch {
	case f.Kind == faults.Sparse && f.Mode == "types":
		// Station messages that come every so often may have stopped, and begun
		// again, at any moment between two.
		return math.Max(2, math.Min(s.BaseInterval, 10)/2+1)
	}
	return 2
}

// judge compares the outages of r with the labelled faults. The end compared is
// that of the fault, To, not Until: late corrections that are still queued and a
// station id that stays are effects which the outage's flowing_t and the base's
// state tell of.
func (c *tally) judge(t testing.TB, what string, r *Report, l *fixtures.Labels) {
	zero := l.StartUnix + l.HostMinusUTC
	used := make([]bool, len(r.Outages))
	for i := range l.Faults {
		f := &l.Faults[i]
		if !isLink(f.Kind) {
			continue
		}
		c.all++
		tol := tolerance(f, &l.Params)
		say := fmt.Sprintf("%s: %s %s from %.2f s to %.2f s:", what, f.Kind, f.Mode, f.From, f.To)
		right := false
		for k := range r.Outages {
			o := &r.Outages[k]
			a, b := float64(o.T)-zero-f.From, float64(o.End)-zero-f.To
			if float64(o.T)-zero > f.To+2 || float64(o.End)-zero < f.From-2 {
				continue
			}
			say += fmt.Sprintf(" %s %+.2f %+.2f (%v)", o.Cause, a, b, o.Facts)
			right = right || !used[k] && o.Cause == f.Kind && math.Abs(a) <= tol && math.Abs(b) <= tol
			used[k] = true
		}
		if right {
			c.right++
		} else {
			t.Log(say)
		}
	}
	for k := range r.Outages {
		if !used[k] {
			c.extra++
			t.Errorf("%s: an outage without a fault: %s", what, r.Outages[k].Text)
		}
	}
}

func seeds() uint64 {
	if os.Getenv("KERBLINE_LONG") != "" {
		return 20
	}
	return 2
}

// Every kind of fault of the link, 2 seeds each or, with KERBLINE_LONG set, 20:
// the cause right and start and end within 2 s in at least 95 %.
func TestCauses_Fixtures(t *testing.T) {
	for _, kind := range []string{"link_silent", "link_corrupt", "link_sparse", "link_late", "base_restarted", "base_moved",
		"receiver_not_using", "sky_blocked", "receiver_silent", "long_outage", "mixed"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			var c tally
			for seed := range seeds() {
				s := fixtures.Standard(kind, seed+1)
				files, labels := s.Files()
				c.judge(t, fmt.Sprintf("seed %d", seed+1), examine(t, files), labels)
			}
			t.Logf("%d of %d right", c.right, c.all)
			if c.all == 0 || float64(c.right) < 0.95*float64(c.all) {
				t.Errorf("%d of %d right, want 95 %%", c.right, c.all)
			}
		})
	}
}

// Without a fault of the link there is no outage.
func TestNoOutage_Fixtures(t *testing.T) {
	for _, kind := range []string{"nominal", "jump", "wheel_slip", "halt", "stall"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			for seed := range seeds() {
				files, labels := fixtures.Standard(kind, seed+1).Files()
				var c tally
				c.judge(t, fmt.Sprintf("seed %d", seed+1), examine(t, files), labels)
			}
		})
	}
}

// outside returns the folder that an environment variable names, or skips.
func outside(t testing.TB, env string) string {
	t.Helper()
	dir := os.Getenv(env)
	if dir == "" {
		t.Skipf("%s names no folder of recordings", env)
	}
	return dir
}

// The same for recordings that another simulator wrote.
func TestCauses_Recordings(t *testing.T) {
	folders, err := filepath.Glob(filepath.Join(outside(t, "KERBLINE_RECORDINGS"), "*", fixtures.LabelsFile))
	if err != nil || len(folders) == 0 {
		t.Skip("no recordings with labels: ", err)
	}
	var c tally
	for _, f := range folders {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		labels, err := fixtures.ReadLabels(b)
		if err != nil {
			t.Fatal(err)
		}
		rec, err := recording.Open(filepath.Dir(f), recording.Paths{})
		if err != nil {
			t.Fatal(err)
		}
		c.judge(t, filepath.Base(filepath.Dir(f)), run(t, rec), labels)
	}
	t.Logf("%d of %d right", c.right, c.all)
	if float64(c.right) < 0.95*float64(c.all) {
		t.Errorf("%d of %d right, want 95 %%", c.right, c.all)
	}
}
