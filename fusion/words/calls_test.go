package words

import (
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/integrity"
	"kerbline/fusion/verdict"
)

// What the monitor tells is in the table, whatever happens in whatever order, and
// every row of the table happens.
func TestCalls_All(t *testing.T) {
	seen := map[string]bool{}
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 21))
		var m verdict.Memory
		var j verdict.Judgement
		car, timing := verdict.DefaultCar(), verdict.DefaultTiming()
		tests := integrity.BlankTests()
		e := verdict.Evidence{Silence: 0.35, Tests: &tests, ALLat: 0.5, ALLon: 1, ALYaw: 0.05}
		odds := func(n int) bool { return r.IntN(n) == 0 }
		for i := range 4000 {
			for _, b := range []*bool{&e.IMUSilent, &e.ReceiverSilent, &e.SettingsWrong, &e.Stepped, &e.Drifted, &e.Requalifying, &e.SettingsOpen, &e.Carried, &e.Refused} {
				if odds(40) {
					*b = odds(4)
				}
			}
			for _, b := range []*bool{&e.IMUHeard, &e.ReceiverHeard, &e.Aligned, &e.Proven, &e.Fixed} {
				if odds(20) {
					*b = !odds(8)
				}
			}
			e.Empty = !e.Aligned && odds(2)
			e.PLLat = verdict.PL{Total: 0.3 * r.ExpFloat64()}
			e.PLLon, e.PLYaw = e.PLLat, verdict.PL{Total: 0.01}
			if odds(20) {
				e.Speed = 15 * r.Float64()
			}
			e.Coast = 8 * r.Float64()
			e.Leave = e.Coast - 1.5 // a handover takes time
			if odds(50) {
				e.Coast, e.Speed = math.NaN(), math.NaN()
			}
			j.Begin()
			verdict.Judge(&e, &car, &timing, &j)
			told := m.Tell(float64(i)*0.1, 0, &e, &j, &car, &timing)
			c, ok := CallOf(told.Verdict, told.Advice, e.Speed < Walking)
			if !ok {
				t.Fatalf("seed %d, line %d: %s with %s is not in the table", seed, i, told.Verdict, told.Advice)
			}
			seen[c.Word+c.Means] = true
		}
	}
	for _, c := range Calls {
		if !seen[c.Word+c.Means] {
			t.Errorf("%s for %s, %s never happens", c.Word, c.Verdict, c.Advice)
		}
	}
}

// What does not go together is never better than a handover.
func TestCalls_Others(t *testing.T) {
	for v := range fusion.Verdict(4) {
		for a := range fusion.Advice(4) {
			for _, standing := range []bool{false, true} {
				c, ok := CallOf(v, a, standing)
				if !ok && c.Word != "HAND OVER" {
					t.Errorf("%s with %s is called %s", v, a, c.Word)
				}
				if (c.Word == "GO" || c.Word == "SLOW") != (ok && v == fusion.Usable) {
					t.Errorf("%s with %s is called %s", v, a, c.Word)
				}
				if c.Means == "" || !strings.HasSuffix(c.Do, ".") {
					t.Errorf("%s with %s: %+v", v, a, c)
				}
			}
		}
	}
}

// The guide for users holds the very table.
func TestCalls_README(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range Calls {
		row := "| `" + c.Word + "` | `" + c.Verdict.String() + "` | `" + c.Advice.String() + "` | " + c.Means + " |"
		if !strings.Contains(string(text), row) {
			t.Errorf("README has no row %s", row)
		}
	}
}
