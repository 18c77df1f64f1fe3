package carrier

import (
	"math"
	"slices"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// trial carries a position over span seconds from every start and compares with
// the truth there.
type trial struct {
	errs   []float64 // m, horizontal
	ratios []float64 // error over level, level at 1e-5
	levels []float64 // m
	lacks  map[Lack]int
}

func carry(epochs []*observation.Epoch, orbits *orbit.Store, truth func(e *observation.Epoch) (geodesy.ECEF, bool), span float64, every int) trial {
	tr := trial{lacks: map[Lack]int{}}
	for first := 0; first < len(epochs); first += every {
		at, ok := truth(epochs[first])
		if !ok {
			continue
		}
		var p Path
		for _, e := range epochs[first:] {
			st := p.Observe(e, orbits, at)
			age := e.Time.Sub(epochs[first].Time)
			if age == 0 {
				p.Anchor(at)
				continue
			}
			if age < span-0.01 {
				continue
			}
			want, ok := truth(e)
			if !ok || age > span+0.01 {
				break
			}
			tr.lacks[st.Lack]++
			if st.Lack != None {
				break
			}
			f := geodesy.NewFrame(want.LLA())
			d := f.FromECEF(st.Position)
			err := math.Hypot(d.E, d.N)
			tr.errs = append(tr.errs, err)
			level := math.Max(st.Fault[0], 4.417*math.Sqrt(st.Cov[0][0]+st.Cov[1][1]))
			tr.ratios = append(tr.ratios, err/level)
			tr.levels = append(tr.levels, level)
			break
		}
	}
	slices.Sort(tr.errs)
	slices.Sort(tr.ratios)
	slices.Sort(tr.levels)
	return tr
}

func at(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	return v[int(p*float64(len(v)-1))]
}

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

func TestPath_RealRover(t *testing.T) {
	epochs, orbits, truth := readObs(t, "rover_moving.obs"), readNav(t, "nav_moving.rnx"), readTruth(t)
	position := func(e *observation.Epoch) (geodesy.ECEF, bool) {
		p, ok := truth[math.Round(e.Time.TOW)]
		return p, ok
	}
	t.Log(len(epochs), "epochs", epochs[0].Time, len(truth))
	for _, c := range []struct {
		name string
		keep func(o *observation.Observation) bool
	}{
		{"GPS+Galileo", func(o *observation.Observation) bool {
			return o.Sat.System == satellite.GPS || o.Sat.System == satellite.Galileo
		}},
		{"GPS+Galileo L1", func(o *observation.Observation) bool {
			return o.Signal.Band == '1' && (o.Sat.System == satellite.GPS || o.Sat.System == satellite.Galileo)
		}},
		{"GPS", func(o *observation.Observation) bool { return o.Sat.System == satellite.GPS }},
		{"GPS L1", func(o *observation.Observation) bool { return o.Sat.System == satellite.GPS && o.Signal.Band == '1' }},
	} {
		es := only(epochs, c.keep)
		for _, span := range []float64{1, 5, 30, 60, 120, 240} {
			tr := carry(es, orbits, position, span, 3)
			t.Logf("%s %3.0f s: %d, p50 %.3f p95 %.3f max %.3f m; error/level max %.2f, level median %.2f p90 %.2f  %v", c.name, span, len(tr.errs), at(tr.errs, .5), at(tr.errs, 0.95), at(tr.errs, 1), at(tr.ratios, 1), at(tr.levels, .5), at(tr.levels, .9), tr.lacks)
		}
	}
}

func TestPath_RealRoof(t *testing.T) {
	epochs, orbits := readObs(t, "rover_roof.obs.gz"), readNav(t, "nav_roof.rnx")
	where := geodesy.ECEF{X: -3962108.673, Y: 3381309.574, Z: 3668678.638}
	for _, span := range []float64{1, 5, 30, 60, 120, 240} {
		tr := carry(epochs, orbits, func(*observation.Epoch) (geodesy.ECEF, bool) { return where, true }, span, 10)
		t.Logf("roof %3.0f s: %d, p50 %.3f p95 %.3f max %.3f m; error/level max %.2f, level median %.2f p90 %.2f  %v", span, len(tr.errs), at(tr.errs, .5), at(tr.errs, 0.95), at(tr.errs, 1), at(tr.ratios, 1), at(tr.levels, .5), at(tr.levels, .9), tr.lacks)
	}
}
