package day

import (
	"math"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/integers"
	"kerbline/fusion/phasecheck"
)

// TestThreats compares what a day says of each threat with what watched for it.
func TestThreats(t *testing.T) {
	tested := func(s *fusion.Snapshot) {
		s.Tests[fusion.TestJump].Set(1, 28, 0.12, "m")
		s.Tests[fusion.TestDrift1].Set(1, 28, 0.3, "m")
		s.Tests[fusion.TestDrift2].Set(1, 28, 0.5, "m")
	}
	observed := func(s *fusion.Snapshot) {
		tested(s)
		s.Phases = fusion.Phases{Heard: true, Opinion: integers.Confirmed, Drift: phasecheck.Drift{Known: true, Detectable: 0.001}}
	}
	for _, c := range []struct {
		what  string
		touch func(s *fusion.Snapshot)
		want  map[string]Watch
		seen  map[string]string
	}{
		{"nothing was tested", nil, map[string]Watch{"step": Uncovered, "drift": Uncovered, "from_the_start": Uncovered, "wrong_fix": Watched}, map[string]string{"step": "nothing watched"}},
		{"tests with references", tested, map[string]Watch{"step": Watched, "drift": Partly, "from_the_start": Uncovered},
			map[string]string{"step": "0.12 m", "drift": "from 0.30 m on"}},
		{"observations too", observed, map[string]Watch{"step": Watched, "drift": Watched, "from_the_start": Watched},
			map[string]string{"drift": "0.0010 m/s", "from_the_start": "100.0 % of driving"}},
	} {
		d := newDrive(12)
		d.run(360, c.touch)
		got := d.judge().Threats
		for key, want := range c.want {
			th := threat(t, got, key)
			if th.State != want || !strings.Contains(th.Seen, c.seen[key]) || th.Left == "" {
				t.Errorf("%s: %s is %s, %q, left %q, want %s, %q", c.what, key, th.State, th.Seen, th.Left, want, c.seen[key])
			}
		}
	}

	half := newDrive(12)
	half.run(180, tested)
	half.run(180, nil)
	if th := threat(t, half.judge().Threats, "step"); th.State != Partly || !strings.Contains(th.Seen, "% of usable lines") {
		t.Errorf("watched half of the time: %s, %q, want partly", th.State, th.Seen)
	}

	never := newDrive(12)
	never.run(360, func(s *fusion.Snapshot) { s.Verdict, s.SpeedCap = fusion.Unusable, math.NaN() })
	if got := never.judge().Threats; got != nil {
		t.Errorf("nothing was usable, and %d threats are listed: nothing can have misled", len(got))
	}

	lines := newDrive(12)
	lines.c.LinesOnly()
	lines.run(360, nil)
	if th := threat(t, lines.judge().Threats, "wrong_fix"); th.State != Partly || th.Seen != untold {
		t.Errorf("verdict lines alone: %s, %q, want partly: %q", th.State, th.Seen, untold)
	}
}

func threat(t *testing.T, ts []Threat, key string) *Threat {
	t.Helper()
	for i := range ts {
		if ts[i].Key == key {
			return &ts[i]
		}
	}
	t.Fatalf("no threat %q among %d", key, len(ts))
	return nil
}
