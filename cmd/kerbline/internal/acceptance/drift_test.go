package acceptance

import (
	"math"
	"slices"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss"
)

// drifted plays on from a usable line while the receiver's positions wander by
// rate (m/s) along dir (east, north), and returns when a drift or jump alarm
// came (s after the first wandering epoch, +Inf when none did before the end)
// and how far the receiver had wandered by then and when the position was no
// longer usable, m.
func (s *session) drifted(m *fusion.Monitor, next int, rate float64, dir [2]float64, keep func(*fusion.Measurement) bool, most float64) (after, size, held float64) {
	frame := *s.truth.Frame()
	from := math.NaN()
	for i := next; i < len(s.in); i++ {
		in := s.in[i]
		if keep != nil && !keep(&in) {
			continue
		}
		if in.Kind == fusion.KindEpoch && in.Epoch.Quality == gnss.QualityFixed {
			if math.IsNaN(from) {
				from = in.Epoch.UTC
			}
			e := *in.Epoch
			size = rate * (e.UTC - from)
			p := frame.FromLLA(e.Pos)
			p.E += size * dir[0]
			p.N += size * dir[1]
			e.Pos = frame.ToLLA(p)
			in.Epoch = &e
		}
		snap, ev := m.Step(&in)
		if snap != nil && snap.Verdict == fusion.Usable {
			held = size
		}
		for j := range ev {
			if k := ev[j].Kind; k == fusion.EventDrift || k == fusion.EventJump {
				return size / rate, size, held
			}
		}
		if size > most {
			return math.Inf(1), size, held
		}
	}
	return math.NaN(), math.NaN(), held // the recording ended first
}

// A position that wanders slowly under "fixed": when is it noticed, by rate and
// direction.
func TestDriftUnderFixed(t *testing.T) {
	const most = 1.5 // m, wandered without an alarm: missed
	rates := []float64{0.05, 0.075, 0.10, 0.15}
	type cell struct{ after, size, held []float64 }
	cells := map[string]*cell{}
	name := func(wheel bool, along bool, k int) string {
		n := [2]string{"without", "with wheel"}
		d := [2]string{"across", "along"}
		b := map[bool]int{true: 1}
		return n[b[wheel]] + " " + d[b[along]] + " " + string(rune('0'+k))
	}
	period := 30.0
	if long {
		period = 20
	}
	for _, seed := range seeds(2, 12) {
		s := generate(t, fixtures.Standard("no_tap", seed))
		for _, wheel := range []bool{true, false} {
			keep := noWheel
			if wheel {
				keep = nil
			}
			s.branch(t, s.cfg, keep, period, func(m *fusion.Monitor, next int, at *fusion.Snapshot) {
				sin, cos := math.Sincos(at.Yaw)
				for k, rate := range rates {
					for _, along := range []bool{true, false} {
						dir := [2]float64{-sin, cos}
						if along {
							dir = [2]float64{cos, sin}
						}
						after, size, held := s.drifted(m.Clone(), next, rate, dir, keep, most)
						if math.IsNaN(after) {
							continue
						}
						key := name(wheel, along, k)
						if cells[key] == nil {
							cells[key] = &cell{}
						}
						cells[key].after = append(cells[key].after, after)
						cells[key].size = append(cells[key].size, size)
						cells[key].held = append(cells[key].held, held)
					}
				}
			})
		}
	}
	for _, wheel := range []bool{true, false} {
		for k, rate := range rates {
			early, n := 0, 0
			for _, along := range []bool{true, false} {
				c := cells[name(wheel, along, k)]
				missed, within := 0, 0
				var seen []float64
				for i, a := range c.after {
					switch {
					case math.IsInf(a, 1):
						missed++
					default:
						seen = append(seen, a)
					}
					if !math.IsInf(a, 1) && c.size[i] < 0.6 {
						within++
					}
				}
				if limit := map[bool]float64{true: 1.0, false: 0.5}[along]; slices.Max(c.held) > limit {
					t.Errorf("%s %.3f m/s: still usable at %.2f m, limit %.1f m", name(wheel, along, k), rate, slices.Max(c.held), limit)
				}
				early += within
				n += len(c.after)
				t.Logf("%-20s %.3f m/s: %3d drifts, alarm after median %.1f p90 %.1f s, at %.2f m in the median; before 0.6 m %3.0f %%, none before %.1f m %d; usable up to median %.2f p95 %.2f most %.2f m",
					name(wheel, along, k)[:len(name(wheel, along, k))-2], rate, len(c.after), score.Quantile(seen, 0.5), score.Quantile(seen, 0.9), rate*score.Quantile(seen, 0.5), 100*float64(within)/float64(len(c.after)), most, missed,
					score.Quantile(c.held, 0.5), score.Quantile(c.held, 0.95), slices.Max(c.held))
			}
			if rate == 0.10 && float64(early) < 0.9*float64(n) {
				t.Errorf("wheel %v, %.2f m/s: %d of %d alarmed before 0.6 m, want 90 %%", wheel, rate, early, n)
			}
		}
	}
}
