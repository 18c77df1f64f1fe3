package campaign

import (
	"os"
	"strings"
	"testing"

	"kerbline/fixtures"
)

// trustRows are the kinds of drive after whose breaks a fix must earn its trust, and
// those whose settings must.
func trustRows() (rows []string) {
	for _, r := range fixtures.Rows() {
		name, _ := strings.CutSuffix(r, "/right")
		switch name {
		case "float_fixed", "silence_fixed", "no_fix_fixed", "flapping_fixed", "blink", "step_before_start", "step_at_halt", "wander_at_halt",
			"refix_before_start", "refix_at_halt", "ramp_1s", "ramp_3s", "ramp_10s", "imu_gap_step", "drift_0.1", "drift_0.05", "drift_0.02",
			"lever_sign", "lever_off", "lever_unset", "mount_90", "long_wrong", "frozen", "float_as_fixed", "time_off":
			rows = append(rows, r)
		}
	}
	return rows
}

// A fix that is wrong after a break, and settings that are, mislead no line and break
// no level; a right one is usable again soon. KERBLINE_LONG=1: twenty seeds of every
// kind, with wheels and without.
func TestTrust(t *testing.T) {
	rows, seeds := []string{"float_fixed", "float_fixed/right", "silence_fixed/right", "step_at_halt", "ramp_3s", "drift_0.02", "lever_unset", "long_wrong"}, 1
	if os.Getenv("KERBLINE_LONG") != "" {
		rows, seeds = trustRows(), 20
		for _, r := range rows[:len(rows):len(rows)] {
			rows = append(rows, r+"+nowheels")
		}
	}
	var jobs []job
	for _, row := range rows {
		for i := range seeds {
			jobs = append(jobs, job{row, 1001 + uint64(i)})
		}
	}
	for i, out := 0, work(jobs); i < len(rows); i++ {
		var s sums
		for _, o := range out[i*seeds : (i+1)*seeds] {
			s.add(o)
		}
		soon := quantile(s.breaks, 0.95)
		t.Logf("%-28s %2d drives: %d misleading, %d excursions, %d of %d back (%d unproven, named), usable again after %.1f s (median), %.1f s (p95)",
			rows[i], s.drives, s.misleading, s.excursions, s.backs, s.mustBack, s.named, quantile(s.breaks, 0.5), soon)
		if s.misleading > 0 || s.excursions > 0 {
			t.Errorf("%s: %d misleading events, up to %.2f m, and %d excursions beyond the level", rows[i], s.misleading, s.worst, s.excursions)
		}
		// An inertial gap, seconds without wheels and a new fix before moving off leave
		// dead reckoning blunt.
		if sharp := strings.HasSuffix(rows[i], "/right") && !strings.HasPrefix(rows[i], "imu_gap") && !strings.HasPrefix(rows[i], "refix_before") && !strings.HasSuffix(rows[i], "+nowheels"); sharp && !(soon <= 3) {
			t.Errorf("%s: usable again after %.1f s at 95 %%, want 3 s", rows[i], soon)
		}
	}
}

// Where a refused fix stood is no place to measure a later one from: phases carried
// the car past a long wrong fix, and the drift tests took the right fix behind it for
// a drift, and moved the car by a metre while it was usable.
func TestTrust_AfterARefusedFix(t *testing.T) {
	for _, o := range work([]job{{"long_wrong+raw", 40001}, {"long_wrong+raw", 40008}}) {
		if len(o.misleading)+len(o.excursions) > 0 || !o.back {
			t.Errorf("seed %d: misleading %+v, beyond the level %+v, back %v", o.seed, o.misleading, o.excursions, o.back)
		}
	}
}
