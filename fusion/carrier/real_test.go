package carrier

import (
	"bufio"
	"fmt"
	"math"
	"slices"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// trial is a position carried over some seconds, again and again.
type trial struct {
	errs   []float64 // m, horizontal, in order
	levels []float64 // m
	over   int       // errors beyond their level
	lacks  map[Lack]int
}

// carry anchors a path to the truth at every so many epochs and compares with the
// truth span seconds later. Each path has seen 15 s before.
func carry(epochs []*observation.Epoch, orbits *orbit.Store, truth func(*observation.Epoch) (geodesy.ECEF, bool), span float64, every int) trial {
	tr := trial{lacks: map[Lack]int{}}
	for first := every; first < len(epochs); first += every {
		at, ok := truth(epochs[first])
		if !ok || epochs[first].Time.Sub(epochs[0].Time) < 15 {
			continue
		}
		var p Path
		for _, e := range epochs {
			age := e.Time.Sub(epochs[first].Time)
			if age < -15 {
				continue
			}
			st := p.Observe(e, orbits, at)
			if age == 0 {
				p.Anchor(at)
			}
			want, ok := truth(e)
			if age < span-0.01 || !ok {
				continue
			}
			if age > span+0.5 {
				break
			}
			tr.lacks[st.Lack]++
			if st.Lack == None {
				f := geodesy.NewFrame(want.LLA())
				d := f.FromECEF(st.Position)
				err, level := math.Hypot(d.E, d.N), math.Max(bound(st, 0), 4.417*math.Sqrt(st.Cov[0][0]+st.Cov[1][1]))
				tr.errs, tr.levels = append(tr.errs, err), append(tr.levels, level)
				if err > level {
					tr.over++
				}
			}
			break
		}
	}
	slices.Sort(tr.errs)
	slices.Sort(tr.levels)
	return tr
}

func quantile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	return v[int(math.Ceil(p*float64(len(v)-1)))]
}

func (tr *trial) String() string {
	return fmt.Sprintf("%d carried, error p50 %.3f p95 %.3f max %.3f m, level p50 %.2f p95 %.2f m, %d beyond; %v",
		len(tr.errs), quantile(tr.errs, 0.5), quantile(tr.errs, 0.95), quantile(tr.errs, 1), quantile(tr.levels, 0.5), quantile(tr.levels, 0.95), tr.over, tr.lacks)
}

// A rover in motion on a circuit, parked in the end (see the folder's own notes):
// positions carried by GPS and Galileo.
func TestPath_RealRover(t *testing.T) {
	epochs, orbits, truth := readObs(t, "rover_moving.obs"), readNav(t, "nav_moving.rnx"), readTruth(t)
	position := func(e *observation.Epoch) (geodesy.ECEF, bool) {
		p, ok := truth[math.Round(e.Time.TOW)]
		return p, ok
	}
	both := func(o *observation.Observation) bool {
		return o.Sat.System == satellite.GPS || o.Sat.System == satellite.Galileo
	}
	for _, c := range []struct {
		name string
		keep func(*observation.Observation) bool
		span float64
		p95  float64 // m, wanted
		from int     // carried at least, of 115 less the span
	}{
		{"GPS and Galileo", both, 5, 0.03, 110},
		{"GPS and Galileo", both, 30, 0.05, 100},
		{"GPS and Galileo", both, 60, 0.05, 90},
		{"GPS and Galileo", both, 120, 0.10, 70},
		{"GPS and Galileo, one carrier", func(o *observation.Observation) bool { return both(o) && o.Signal.Band == '1' }, 60, 0.10, 90},
		{"GPS, one carrier", func(o *observation.Observation) bool {
			return o.Sat.System == satellite.GPS && o.Signal.Band == '1'
		}, 30, 0.20, 60},
	} {
		tr := carry(only(epochs, c.keep), orbits, position, c.span, 3)
		t.Logf("%s, %g s: %s", c.name, c.span, tr.String())
		if p := quantile(tr.errs, 0.95); !(p <= c.p95) || tr.over > 0 || len(tr.errs) < c.from {
			t.Errorf("%s, %g s: %s; want p95 %.3f, none beyond, %d carried", c.name, c.span, tr.String(), c.p95, c.from)
		}
	}
}

// The same kind of receiver at rest on a roof.
func TestPath_RealRoof(t *testing.T) {
	epochs, orbits := readObs(t, "rover_roof.obs.gz"), readNav(t, "nav_roof.rnx")
	where := geodesy.ECEF{X: -3962108.673, Y: 3381309.574, Z: 3668678.638}
	truth := func(*observation.Epoch) (geodesy.ECEF, bool) { return where, true }
	for _, span := range []float64{30, 60, 120, 300} {
		tr := carry(epochs, orbits, truth, span, 20)
		t.Logf("%g s: %s", span, tr.String())
		if p := quantile(tr.errs, 0.95); !(p <= 0.03) || tr.over > 0 {
			t.Errorf("%g s: %s", span, tr.String())
		}
	}
}

// A car in a deep city street, GPS and GLONASS on one carrier, half of the phases
// slipping and no lock times: there is a reason and no number.
func TestPath_RealCityStreet(t *testing.T) {
	epochs := readObs(t, "city_street.obs")
	orbits := readNav(t, "city_street_gps.nav", "city_street_glonass.nav")
	ref := map[int]geodesy.ECEF{}
	for sc := bufio.NewScanner(open(t, "city_street_reference.txt")); sc.Scan(); {
		var s float64
		var p geodesy.ECEF
		if n, _ := fmt.Sscanf(sc.Text(), "point3 %g %g %g %g", &s, &p.X, &p.Y, &p.Z); n == 4 {
			ref[int(math.Round(10*s))] = p
		}
	}
	truth := func(e *observation.Epoch) (geodesy.ECEF, bool) {
		p, ok := ref[int(math.Round(10*e.Time.Sub(epochs[0].Time)))]
		return p, ok
	}
	for _, span := range []float64{1, 5, 30} {
		tr := carry(epochs, orbits, truth, span, 5)
		t.Logf("%g s: %s", span, tr.String())
		if len(tr.errs) > 0 || len(tr.lacks) == 0 {
			t.Errorf("%g s: %s", span, tr.String())
		}
	}
}
