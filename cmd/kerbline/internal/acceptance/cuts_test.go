package acceptance

import (
	"math"
	"slices"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/integrity"
	"kerbline/fusion/score"
)

// cutLength is how long a cut lasts, s.
const cutLength = 10.0

// noWheel drops wheel speed.
func noWheel(m *fusion.Measurement) bool { return m.Kind != fusion.KindWheel }

// cut drops every epoch for cutLength from the line at on and calls look with
// every line until then.
func (s *session) cut(m *fusion.Monitor, next int, at *fusion.Snapshot, keep func(*fusion.Measurement) bool, length float64, look func(*fusion.Snapshot)) {
	for i := next; i < len(s.in); i++ {
		in := &s.in[i]
		if in.Kind == fusion.KindEpoch || keep != nil && !keep(in) {
			continue
		}
		if snap, _ := m.Step(in); snap != nil {
			look(snap)
			if snap.T-at.T >= length {
				return
			}
		}
	}
}

// Ten seconds without a satellite while lapping: how far the position is off at
// the end, and whether the filter knows.
func TestTenSecondsWithoutGNSS(t *testing.T) {
	type figures struct {
		end            []float64 // m, horizontal, at the end of each cut
		inside, lines  int       // within 3 sigma, lateral and along
		worst          float64   // sigmas
		sigmaAtTheEnd  []float64 // m, of the larger axis
		insideOfTheEnd int
	}
	var with, without figures
	gather := func(f *figures, keep func(*fusion.Measurement) bool, s *session) {
		s.branch(t, s.cfg, keep, 9, func(m *fusion.Monitor, next int, at *fusion.Snapshot) {
			if s.since(at.T) > s.sc.Duration-cutLength-1 {
				return
			}
			var lat, lon float64
			var last fusion.Snapshot
			s.cut(m, next, at, keep, cutLength, func(snap *fusion.Snapshot) {
				var ok bool
				if lat, lon, _, ok = s.errors(snap); !ok {
					t.Fatal(s.name, "no truth or no position in a cut")
				}
				q := math.Max(math.Abs(lat)/snap.SigmaLat, math.Abs(lon)/snap.SigmaLon)
				f.lines++
				f.worst = math.Max(f.worst, q)
				if q <= 3 {
					f.inside++
				}
				last = *snap
			})
			f.end = append(f.end, math.Hypot(lat, lon))
			f.sigmaAtTheEnd = append(f.sigmaAtTheEnd, math.Max(last.SigmaLat, last.SigmaLon))
			if math.Abs(lat) <= 3*last.SigmaLat && math.Abs(lon) <= 3*last.SigmaLon {
				f.insideOfTheEnd++
			}
		})
	}
	for _, seed := range seeds(2, 20) {
		sc := fixtures.Standard("no_tap", seed)
		s := generate(t, sc)
		gather(&with, nil, s)
		gather(&without, noWheel, s)
	}
	for _, f := range []struct {
		name  string
		f     *figures
		limit float64 // m, p95 at the end
	}{{"with wheel", &with, 0.35}, {"without", &without, 1.2}} {
		g := f.f
		n := len(g.end)
		p95 := score.Quantile(g.end, 0.95)
		share := float64(g.inside) / float64(g.lines)
		t.Logf("%s: %d cuts: end error median %.3f p95 %.3f (limit %.2f) worst %.3f m; own sigma at the end median %.3f m; within 3 sigma %.4f of lines, %d of %d ends, worst %.1f sigma",
			f.name, n, score.Quantile(g.end, 0.5), p95, f.limit, slices.Max(g.end), score.Quantile(g.sigmaAtTheEnd, 0.5), share, g.insideOfTheEnd, n, g.worst)
		if n < 40 {
			t.Errorf("%s: %d cuts, want 40", f.name, n)
		}
		if !(p95 <= f.limit) {
			t.Errorf("%s: p95 %.3f m, want at most %.2f", f.name, p95, f.limit)
		}
		if !(share >= 0.99) {
			t.Errorf("%s: %.4f of lines within 3 sigma, want 0.99", f.name, share)
		}
	}
}

// The coast budget against what the monitor then does when the loss comes. What
// it cannot know is the speed on the road ahead.
func TestCoastBudget(t *testing.T) {
	cuts, tooEarly := 0, 0
	for _, c := range []struct {
		name string
		keep func(*fusion.Measurement) bool
	}{{"with wheel", nil}, {"without", noWheel}} {
		var n, whole, close, beyond, early int
		var off, ratio []float64
		for _, seed := range seeds(2, 20) {
			s := generate(t, fixtures.Standard("no_tap", seed))
			k := integrity.K(s.cfg.Limits.RiskCoast)
			s.branch(t, s.cfg, c.keep, 5, func(m *fusion.Monitor, next int, at *fusion.Snapshot) {
				if s.since(at.T) > s.sc.Duration-25 {
					return
				}
				budget := at.Coast
				reached, truth := math.Inf(1), math.Inf(1)
				s.cut(m, next, at, c.keep, 24, func(snap *fusion.Snapshot) {
					dt := snap.T - at.T
					if p := over(k, snap); p && math.IsInf(reached, 1) {
						reached = dt
					}
					if lat, lon, _, ok := s.errors(snap); ok && (math.Abs(lat) > snap.ALLat || math.Abs(lon) > snap.ALLon) && dt < truth {
						truth = dt
					}
				})
				n++
				if truth < budget {
					early++
					t.Logf("%s: %s: a cut at %.1f s: true error beyond its limit after %.1f s of a budget of %.1f s", s.name, c.name, s.since(at.T), truth, budget)
				}
				if at.CoastMax {
					whole++
					// The horizon was reached: the limit must not come well before it.
					if reached < 0.8*budget {
						beyond++
					}
					return
				}
				off = append(off, reached-budget)
				ratio = append(ratio, reached/budget)
				if d := math.Abs(reached - budget); d <= 0.5 || d <= 0.2*reached {
					close++
				}
			})
		}
		t.Logf("%s: %d cuts, %d of them with a budget beyond the horizon (%d reached their limit early); of the other %d, %d within 20 %% or 0.5 s: reached less predicted p5 %.2f median %.2f p95 %.2f s, ratio p5 %.2f median %.2f p95 %.2f; true error beyond its limit before the budget ended %d times",
			c.name, n, whole, beyond, n-whole, close, score.Quantile(off, 0.05), score.Quantile(off, 0.5), score.Quantile(off, 0.95),
			score.Quantile(ratio, 0.05), score.Quantile(ratio, 0.5), score.Quantile(ratio, 0.95), early)
		if good := close + whole - beyond; float64(good) < 0.8*float64(n) {
			goal(t, "%s: %d of %d budgets within 20 %% or 0.5 s of when the limit was reached, want 80 %%", c.name, good, n)
		}
		if r := score.Quantile(ratio, 0.5); !(math.Abs(r-1) < 0.1) {
			t.Errorf("%s: the limit is reached after %.2f of the budget in the median, want 0.9 to 1.1", c.name, r)
		}
		cuts, tooEarly = cuts+n, tooEarly+early
	}
	if float64(tooEarly) > 0.001*float64(cuts) {
		t.Errorf("true error beyond its limit before the budget ended %d times of %d, want 0.1 %%", tooEarly, cuts)
	}
}

// over reports whether some protection level of a line, taken with k, is at its
// limit.
func over(k float64, s *fusion.Snapshot) bool {
	return k*s.PLLat.Sigma+s.PLLat.Step+s.PLLat.Drift+s.PLLat.Timing >= s.ALLat ||
		k*s.PLLon.Sigma+s.PLLon.Step+s.PLLon.Drift+s.PLLon.Timing >= s.ALLon ||
		k*s.PLYaw.Sigma+s.PLYaw.Timing >= s.ALYaw
}
