package integers

import (
	"math"
	"slices"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// basePlace is the antenna of the base of the moving rover, 5.2 km away.
var basePlace = geodesy.ECEF{X: -3959400.631, Y: 3385704.533, Z: 3667523.111}

// The moving rover with its base. The truth was made by the same method by another
// hand: this checks the code, not the truth.
func TestChecker_RealRover(t *testing.T) {
	rover, base := readObs(t, "rover_moving.obs"), readObs(t, "base_moving.obs")
	orbits, truth := readNav(t, "nav_moving.rnx"), readTruth(t)
	both := func(o *observation.Observation) bool {
		return o.Sat.System == satellite.GPS || o.Sat.System == satellite.Galileo
	}
	gps := func(o *observation.Observation) bool { return o.Sat.System == satellite.GPS }
	for _, c := range []struct {
		name   string
		keep   func(*observation.Observation) bool
		single bool    // every epoch for itself
		late   float64 // s, the base's epoch
		moving float64 // share confirmed of the epochs in motion, at least
		none   bool
	}{
		{"two systems, two carriers, single epochs", both, true, 0, 0.98, false},
		{"two systems, two carriers", both, false, 0, 0.98, false},
		{"the base's epoch 3 s old", both, true, 3, 0.95, false},
		{"GPS, two carriers", gps, true, 0, 0.5, false},
		{"GPS, one carrier, single epochs", func(o *observation.Observation) bool { return gps(o) && o.Signal.Band == '1' }, true, 0, 0, true},
		{"GPS, one carrier", func(o *observation.Observation) bool { return gps(o) && o.Signal.Band == '1' }, false, 0, 0, true},
	} {
		es, bs := only(rover, c.keep), only(base, c.keep)
		var k Checker
		var errs []float64
		why := map[Reason]int{}
		wrong, moving, confirmed, b := 0, 0, 0, 0
		var last geodesy.ECEF
		for _, e := range es {
			if c.single {
				k.Reset()
				b = 0
			}
			for ; b < len(bs) && bs[b].Time.Sub(e.Time) <= 0.1-c.late; b++ {
				if !c.single || b == len(bs)-1 || bs[b+1].Time.Sub(e.Time) > 0.1-c.late {
					k.Base(bs[b], basePlace)
				}
			}
			want := truth[math.Round(e.Time.TOW)]
			near := geodesy.ECEF{X: want.X + 7, Y: want.Y - 5, Z: want.Z + 3}
			r := k.Rover(e, orbits, near)
			why[r.Why]++
			drives := last != (geodesy.ECEF{}) && want.Dist(last) > 0.3
			last = want
			if drives {
				moving++
			}
			if r.Why != Decided {
				continue
			}
			f := geodesy.NewFrame(want.LLA())
			d := f.FromECEF(r.Position)
			err := math.Hypot(d.E, d.N)
			errs = append(errs, err)
			switch o, _ := r.Judge(want, [2]float64{0.01, 0.02}); {
			case err > 0.05 || o == Refuted:
				wrong++
			case drives && o == Confirmed:
				confirmed++
			}
		}
		slices.Sort(errs)
		p95, most := math.NaN(), math.NaN()
		if n := len(errs); n > 0 {
			p95, most = errs[n*95/100], errs[n-1]
		}
		t.Logf("%s: confirmed %d of %d in motion, %d decided, %d wrong; error p95 %.3f max %.3f m; %v", c.name, confirmed, moving, len(errs), wrong, p95, most, why)
		if wrong > 0 || float64(confirmed) < c.moving*float64(moving) || moving < 180 || c.none && len(errs) > 0 {
			t.Errorf("%s: confirmed %d of %d in motion, %d decided, %d wrong", c.name, confirmed, moving, len(errs), wrong)
		}
	}
}
