package acceptance

import (
	"math"
	"path/filepath"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/score"
)

// countdown is how the countdown of one coast did.
type countdown struct {
	from   float64 // s, what it said on the first line of the coast
	early  float64 // s by which it ended before any line had said
	late   float64 // s by which it ended after the first line had said
	ended  bool    // the handover was forced in the time looked at
	beyond bool    // the true error passed its limit before a handover that began at its end was over
}

// watchCoast cuts GNSS off and follows the countdown to its end.
func (s *session) watchCoast(m *fusion.Monitor, next int, at *fusion.Snapshot, keep func(*fusion.Measurement) bool) (c countdown) {
	first, latest, end, over := math.NaN(), math.Inf(-1), math.NaN(), math.NaN()
	s.cut(m, next, at, keep, 24, func(snap *fusion.Snapshot) {
		if lat, lon, _, ok := s.errors(snap); ok && !math.IsNaN(end) && snap.T <= over && (math.Abs(lat) > snap.ALLat || math.Abs(lon) > snap.ALLon) {
			c.beyond = true
		}
		if !math.IsNaN(end) || snap.Verdict == fusion.Usable {
			return
		}
		if snap.Verdict == fusion.Coasting && snap.Advice == fusion.AdviseMapSlow {
			if math.IsNaN(first) {
				first, c.from = snap.T+snap.LeaveIn, snap.LeaveIn
			}
			latest = math.Max(latest, snap.T+snap.LeaveIn)
			return
		}
		end, over = snap.T, snap.T+snap.Handover
		c.ended = true
		if math.IsNaN(first) {
			c.from, first, latest = 0, end, end
		}
	})
	if c.ended {
		c.early, c.late = latest-end, end-first
	}
	return c
}

// The countdown on the screen ends when it said that it would: the handover is
// never forced more than 0.3 s before, nor more than a line after.
func TestCountdown(t *testing.T) {
	coasts, early, late, beyond, others := 0, 0, 0, 0, 0 // others: early or late at settings of their own
	var from, ahead []float64
	as := func(*fusion.Config) {}
	for _, c := range []struct {
		name string
		keep func(*fusion.Measurement) bool
		set  func(*fusion.Config)
		n    uint64
	}{ // the defaults first
		{"with wheel", nil, as, 2},
		{"without", noWheel, as, 2},
		{"wide limits, slow to hand over", nil, func(c *fusion.Config) { c.Limits.Lateral, c.Limits.Along, c.Vehicle.Reaction = 0.8, 1.5, 1.5 }, 1},
		{"narrow limits, little risk", nil, func(c *fusion.Config) { c.Limits.Lateral, c.Limits.Risk, c.Limits.RiskCoast = 0.4, 1e-6, 1e-3 }, 1},
	} {
		for _, seed := range seeds(c.n, 10) {
			s := generate(t, fixtures.Standard("no_tap", seed+3020))
			c.set(&s.cfg)
			s.branch(t, s.cfg, c.keep, 5, func(m *fusion.Monitor, next int, at *fusion.Snapshot) {
				if s.since(at.T) > s.sc.Duration-25 {
					return
				}
				k := s.watchCoast(m, next, at, c.keep)
				if !k.ended {
					t.Errorf("%s, %s: a coast at %.1f s never ended", s.name, c.name, s.since(at.T))
					return
				}
				coasts++
				if k.beyond {
					beyond++
				}
				if c.n == 1 && (k.early > 0.3 || k.late > 0.15) {
					others++
					t.Logf("%s, %s: at %.1f s it said %.1f s and ended %.1f s early, %.1f s late", s.name, c.name, s.since(at.T), k.from, k.early, k.late)
					return
				}
				from, ahead = append(from, k.from), append(ahead, k.early)
				if k.early > 0.3 {
					early++
					t.Logf("%s, %s: at %.1f s it said %.1f s and ended %.1f s early", s.name, c.name, s.since(at.T), k.from, k.early)
				}
				if k.late > 0.15 {
					late++
					t.Logf("%s, %s: at %.1f s it said %.1f s and ended %.1f s late", s.name, c.name, s.since(at.T), k.from, k.late)
				}
			})
		}
	}
	t.Logf("%d coasts: said %.1f s in the median (p5 %.1f, p95 %.1f); ended early by more than 0.3 s %d times, late %d times, true error beyond its limit during the handover %d times; early by p95 %.2f s",
		coasts, score.Quantile(from, 0.5), score.Quantile(from, 0.05), score.Quantile(from, 0.95), early, late, beyond, score.Quantile(ahead, 0.95))
	if coasts < 100 || late > 0 || beyond > 0 {
		t.Errorf("%d coasts, %d late, %d beyond, want at least 100 and none", coasts, late, beyond)
	}
	if others > 0 {
		goal(t, "%d of %d coasts ended early or late at settings other than the defaults, want none", others, coasts)
	}
	if early > 0 { // to the safe side, but a driver counts on it
		t.Errorf("%d of %d coasts ended more than 0.3 s early, want none", early, coasts)
	}
}

// The same over what the practice recordings hold.
func TestCountdown_Practice(t *testing.T) {
	found := practice(t)
	if len(found) == 0 {
		t.Skip("no practice recordings: set KERBLINE_RECORDINGS")
	}
	coasts, forced := 0, 0
	for _, dir := range found {
		s := decode(t, filepath.Base(dir), folder(t, dir))
		first, latest := math.NaN(), math.NaN()
		s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, _ []fusion.Event) {
			switch {
			case snap == nil:
				return
			case snap.Verdict == fusion.Coasting && snap.Advice == fusion.AdviseMapSlow:
				if math.IsNaN(first) {
					coasts++
					first, latest = snap.T+snap.LeaveIn, snap.T+snap.LeaveIn
				}
				latest = math.Max(latest, snap.T+snap.LeaveIn)
				return
			case snap.Verdict == fusion.Usable:
			case !math.IsNaN(first):
				forced++
				if early, late := latest-snap.T, snap.T-first; early > 0.3 || late > 0.15 {
					t.Errorf("%s: at %.1f %s %s: the countdown ended %.1f s early, %.1f s late: %v", s.name, snap.T, snap.Verdict, snap.Advice, early, late, snap.Reasons[:snap.NReasons])
				}
			}
			first, latest = math.NaN(), math.NaN()
		})
	}
	t.Logf("%d coasts, %d of them until the handover", coasts, forced)
}
