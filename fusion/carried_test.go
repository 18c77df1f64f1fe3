package fusion

import (
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
	"kerbline/gnss/geodesy"
)

// The normalised error of the position that phases carry through an outage of two
// minutes, in the whole monitor: with the generator's own noise of the fixes in the
// settings and without what deviations are inflated by it is not beyond the bounds of
// its chi-square variable, and with what is claimed it is below. The generator's phases
// are better than package carrier takes them to be, so neither reaches the lower one;
// with errors as taken the phases' own displacement is within both (TestPath_Consistent).
func TestConsistency_Carried(t *testing.T) {
	runs := uint64(3)
	if long {
		runs = 50
	}
	const inflated = 1.5 // by package carrier, of every deviation
	const least = 0.2    // below, the deviations would say nothing
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
			cfg  Config
			wide float64
			sum  *tally
		}{{cfg, inflated, &own}, {d.cfg, 1, &usual}} {
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
				v := st.Path.Cov
				rest := st.Sigma[0]*st.Sigma[0] - max(v[0][0], v[1][1])
				w := c.wide * c.wide
				a, b, g := v[0][0]/w+rest, v[0][1]/w, v[1][1]/w+rest
				c.sum.add(n, (g*x*x-2*b*x*y+a*y*y)/(a*g-b*b), 2)
				n++
			}
			if n < len(instants) {
				t.Fatalf("seed %d: %d instants", seed, n)
			}
		}
	}
	mean, lo, hi, inside := own.judge(runs)
	def, _, _, _ := usual.judge(runs)
	t.Logf("carried: %.3f with the generator's noise, 95 %% bounds %.3f to %.3f, inside at %d of %d instants; %.3f as claimed (%d runs); %.3f", mean, lo, hi, inside, len(instants), def, runs, own.sum)
	if !(mean >= least && mean <= hi) || !(def <= hi) {
		t.Errorf("carried: %.3f, want %.3f to %.3f; as claimed %.3f", mean, least, hi, def)
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
