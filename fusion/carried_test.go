package fusion

import (
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
	"kerbline/gnss/geodesy"
)

// The normalised error of the position that phases carry through an outage of two
// minutes, in the whole monitor: it claims less than it knows, with the default settings
// and with the generator's own noise of the fixes in them. Deviations are inflated for
// the levels, and the generator's phases are better than package carrier takes them to
// be, so the mean is below the bounds; with errors as they are taken, and without the
// inflation, the displacement is within both (TestPath_Consistent in package carrier).
func TestConsistency_Carried(t *testing.T) {
	runs := uint64(3)
	if long {
		runs = 50
	}
	const least = 0.05 // below, the deviations would say nothing
	instants := []float64{15, 30, 60, 90, 118}
	var own, usual tally
	for seed := range runs {
		sc := fixtures.Standard("nominal", 700+seed)
		sc.Duration = 225
		sc.Observe = signals.Config{Rate: []float64{1, 5}[seed%2], Second: []string{"L2", "L5"}[seed/2%2], Drift: 2e-7, Still: 0.3, Moving: 0.5,
			SlipRate: 0.01, HalfTime: 5, WindUp: true, EphEvery: 30}
		sc.Faults = faults.Set{{Kind: faults.Silent, From: 100, To: 220}}
		d := drives(t, sc)
		cfg := d.cfg
		noiseOfTheGenerator(&cfg, "nominal")
		cfg.GNSS.Multipath = 0.001
		for _, c := range []struct {
			cfg Config
			sum *tally
		}{{cfg, &own}, {d.cfg, &usual}} {
			m := d.monitor(t, c.cfg)
			n := 0
			for i := range d.in {
				if m.Step(&d.in[i]); n == len(instants) || d.in[i].Kind != KindObservation || d.in[i].Channel != ChanObservations || d.sc.UTC(d.in[i].T) < 100+instants[n] {
					continue
				}
				st := m.phases.check.State()
				if st.Lack != 0 || !m.phasesLead() {
					t.Fatalf("seed %d, %g s into the outage: %v", seed, instants[n], st.Lack)
				}
				at := d.antenna(&m.frame, st.Time.UTC()-d.sc.Start)
				p := m.frame.FromECEF(st.Position)
				x, y := p.E-at.E, p.N-at.N
				c.sum.add(n, (x*x+y*y)/(st.Sigma[0]*st.Sigma[0]), 2)
				n++
			}
			if n < len(instants) {
				t.Fatalf("seed %d: %d instants", seed, n)
			}
		}
	}
	mean, _, hi, _ := own.judge(runs)
	def, _, _, _ := usual.judge(runs)
	t.Logf("carried: %.3f with the generator's noise, %.3f with the default settings, at most %.3f in 95 %% (%d runs)", mean, def, hi, runs)
	for i, m := range []float64{mean, def} {
		if !(m >= least && m <= hi) {
			t.Errorf("carried, settings %d: %.3f, want %.2f to %.3f", i, m, least, hi)
		}
	}
}

// antenna is where the antenna truly is, t s of UTC after the start.
func (d *drive) antenna(f *geodesy.Frame, t float64) geodesy.ENU {
	p, st := d.where(f, d.sc.Host(t))
	arm := [3]float64{}
	for i := range 3 {
		for j := range 3 {
			arm[i] += st.Body[i][j] * d.sc.Lever[j]
		}
	}
	return geodesy.ENU{E: p.E + arm[0], N: p.N + arm[1], U: p.U + arm[2]}
}
