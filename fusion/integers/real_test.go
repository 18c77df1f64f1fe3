package integers

import (
	"math"
	"slices"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

var basePlace = geodesy.ECEF{X: -3959400.631, Y: 3385704.533, Z: 3667523.111}

func only(epochs []*observation.Epoch, keep func(*observation.Observation) bool) (out []*observation.Epoch) {
	for _, e := range epochs {
		c := *e
		c.Obs = nil
		for i := range e.Obs {
			if keep(&e.Obs[i]) {
				c.Obs = append(c.Obs, e.Obs[i])
			}
		}
		out = append(out, &c)
	}
	return out
}

func TestChecker_RealRover(t *testing.T) {
	rover, base := readObs(t, "rover_moving.obs"), readObs(t, "base_moving.obs")
	orbits, truth := readNav(t, "nav_moving.rnx"), readTruth(t)
	both := func(o *observation.Observation) bool {
		return o.Sat.System == satellite.GPS || o.Sat.System == satellite.Galileo
	}
	for _, c := range []struct {
		name   string
		keep   func(*observation.Observation) bool
		single bool
		late   float64
	}{
		{"GPS+Galileo single epoch", both, true, 0},
		{"GPS+Galileo held", both, false, 0},
		{"GPS+Galileo single epoch, base 3 s old", both, true, 3},
		{"GPS two carriers", func(o *observation.Observation) bool { return o.Sat.System == satellite.GPS }, true, 0},
		{"GPS+Galileo L1", func(o *observation.Observation) bool { return both(o) && o.Signal.Band == '1' }, true, 0},
		{"GPS L1", func(o *observation.Observation) bool { return o.Sat.System == satellite.GPS && o.Signal.Band == '1' }, true, 0},
	} {
		es, bs := only(rover, c.keep), only(base, c.keep)
		var k Checker
		var errs []float64
		why := map[Reason]int{}
		wrong, moving, movingOK := 0, 0, 0
		fails, ratios := []float64{}, []float64{}
		b := 0
		var last geodesy.ECEF
		for _, e := range es {
			if c.single {
				k.Reset()
				b = 0
			}
			want := truth[math.Round(e.Time.TOW)]
			for b < len(bs) && bs[b].Time.Sub(e.Time) <= -c.late+0.1 {
				if !c.single || b == len(bs)-1 || bs[b+1].Time.Sub(e.Time) > -c.late+0.1 {
					k.Base(bs[b], basePlace)
				}
				b++
			}
			near := want
			near.X += 7
			near.Y -= 5
			r := k.Rover(e, orbits, near)
			why[r.Why]++
			m := last != (geodesy.ECEF{}) && want.Dist(last) > 0.3
			last = want
			if m {
				moving++
			}
			if r.Why != Decided {
				continue
			}
			fails = append(fails, r.Failure)
			ratios = append(ratios, r.Ratio)
			f := geodesy.NewFrame(want.LLA())
			d := f.FromECEF(r.Position)
			err := math.Hypot(d.E, d.N)
			errs = append(errs, err)
			if err > 0.05 {
				wrong++
				t.Logf("   wrong at %v: %.3f %.3f %.3f sats %d ratio %.3f fail %.2g left %d", e.Time, d.E, d.N, d.U, r.Satellites, r.Ratio, r.Failure, r.LeftOut)
			} else if m {
				movingOK++
			}
		}
		slices.Sort(errs)
		slices.Sort(fails)
		slices.Sort(ratios)
		q := func(v []float64, p float64) float64 {
			if len(v) == 0 {
				return math.NaN()
			}
			return v[int(p*float64(len(v)-1))]
		}
		t.Logf("%s: %v; moving %d/%d; p50 %.3f p95 %.3f max %.3f; wrong %d; failure p50 %.2g p95 %.2g; ratio p50 %.2f p95 %.2f", c.name, why, movingOK, moving, q(errs, .5), q(errs, .95), q(errs, 1), wrong, q(fails, .5), q(fails, .95), q(ratios, .5), q(ratios, .95))
	}
}

var _ gnsstime.Time
