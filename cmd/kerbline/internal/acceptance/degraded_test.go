package acceptance

import (
	"math"
	"slices"
	"testing"

	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
	"kerbline/fusion"
	"kerbline/fusion/carrier"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// What makes phases poor is said, the level follows, and nothing that is usable rests
// on them beyond it: through an outage of a minute with less than all, and with faults of
// satellites, orbits and clocks.
func TestPhases_Degraded(t *testing.T) {
	observations := func(edit func(e *observation.Epoch, at float64)) func(*session, *fusion.Measurement) {
		return func(s *session, m *fusion.Measurement) {
			if m.Observed != nil && m.Channel == fusion.ChanObservations {
				edit(m.Observed, s.since(m.T))
			}
		}
	}
	ephemerides := func(edit func(e *orbit.Ephemeris, at float64)) func(*session, *fusion.Measurement) {
		return func(s *session, m *fusion.Measurement) {
			if m.Ephemeris != nil {
				edit(m.Ephemeris, s.since(m.T))
			}
		}
	}
	only := func(sys satellite.System) func(*session, *fusion.Measurement) {
		return observations(func(e *observation.Epoch, _ float64) {
			e.Obs = slices.DeleteFunc(e.Obs, func(o observation.Observation) bool { return o.Sat.System != sys })
		})
	}
	for _, c := range []struct {
		name   string
		config func(*signals.Config)
		edit   func(*session, *fusion.Measurement)
		holds  bool         // usable through the outage
		lack   carrier.Lack // that is said in it, None: any or none
	}{
		{"one system on two carriers", nil, only(satellite.GPS), true, carrier.None},
		{"one carrier", func(c *signals.Config) { c.Second = "" }, nil, true, carrier.None},
		{"once a second, without Doppler", func(c *signals.Config) { c.Rate, c.MSM = 1, 4 }, nil, true, carrier.None},
		{"a clock that jumps by milliseconds", func(c *signals.Config) { c.Drift, c.Jumps = 3e-5, true }, nil, true, carrier.None},
		{"no ephemerides", func(c *signals.Config) { c.EphEvery = 0 }, nil, false, carrier.NoEphemeris},
		{"stale ephemerides", nil, ephemerides(func(e *orbit.Ephemeris, _ float64) { e.Toe = e.Toe.Add(-6 * 3600) }), false, carrier.NoEphemeris},
		{"wrong ephemeris of one satellite", nil, ephemerides(func(e *orbit.Ephemeris, _ float64) {
			if e.Sat.System == satellite.GPS && e.Sat.Number%5 == 0 {
				e.Af1 += 3e-10 // 9 cm/s
			}
		}), true, carrier.None},
		{"a satellite that calls itself unhealthy, in the outage", nil, ephemerides(func(e *orbit.Ephemeris, at float64) {
			if e.Sat.System == satellite.Galileo && e.Sat.Number%3 == 0 && at > 100 {
				e.Health = 1
			}
		}), true, carrier.None},
		{"interference", func(c *signals.Config) {
			c.Faults = []signals.Fault{{Kind: signals.Interference, From: 120, To: 140, Size: 40}}
		}, nil, false, carrier.FewPhases},
		{"trees: phases slip all the time", func(c *signals.Config) { c.SlipRate = 3 }, nil, false, carrier.None},
		{"half cycles that stay open", func(c *signals.Config) { c.HalfTime = 1e6 }, nil, true, carrier.None},
	} {
		for _, seed := range seeds(1, 10) {
			sc := observed(seed, 165)
			sc.Observe.Rate = 5
			sc.Observe.Places = nil
			if c.config != nil {
				c.config(&sc.Observe)
			}
			sc.Faults = faults.Set{{Kind: faults.Silent, From: 90, To: 150}}
			s := generate(t, sc)
			if c.edit != nil {
				for i := range s.in {
					c.edit(s, &s.in[i])
				}
			}
			usable, lines, beyond, silent := 0.0, 0.0, 0, 0
			said := map[carrier.Lack]int{}
			s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, _ []fusion.Event) {
				if snap == nil {
					return
				}
				if s.beyond(snap) {
					beyond++
				}
				if at := s.since(snap.T); at > 105 && at < 149 {
					if lines++; snap.Verdict == fusion.Usable {
						usable++
					} else if snap.NReasons == 0 {
						silent++
					}
					if x := &snap.Phases; x.Heard && !x.Carried {
						said[x.Lack]++
					}
				}
			})
			share := usable / math.Max(1, lines)
			if beyond > 0 || silent > 0 || c.holds != (share > 0.95) || c.lack != carrier.None && said[c.lack] == 0 {
				t.Errorf("%s, seed %d: usable %.0f %% of the outage, %d lines beyond their level, %d without a reason, said %v", c.name, seed, 100*share, beyond, silent, said)
			}
			t.Logf("%s, seed %d: usable %.0f %%, said %v", c.name, seed, 100*share, said)
		}
	}
}
