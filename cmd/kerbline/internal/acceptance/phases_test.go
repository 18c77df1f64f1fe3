package acceptance

import (
	"bytes"
	"math"
	"slices"
	"testing"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
	"kerbline/fusion"
	"kerbline/fusion/integers"
	"kerbline/fusion/score/bounds"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// observed is a nominal day whose rover sends its raw observations: two carriers of
// three systems, a free clock, slips, and places that hide a part of the sky.
func observed(seed uint64, duration float64) fixtures.Scenario {
	sc := fixtures.Standard("nominal", seed)
	sc.Duration = duration
	sc.Observe = signals.Config{Rate: []float64{1, 5}[seed%2], Second: []string{"L2", "L5"}[seed/2%2], Drift: 2e-7,
		Still: 0.3, Moving: 0.5, SlipRate: 0.01, HalfTime: 5, WindUp: true, EphEvery: 30, EphOnLink: true,
		Places: []signals.Place{{From: 100, To: 115, Elevation: 40 * geodesy.Degree, Left: true}}}
	return sc
}

// An outage of the corrections is carried by phases: usable without a break, and
// where the car is. One of four minutes is one of 30 s and all between, as long as it
// lasts.
func TestPhases_Outages(t *testing.T) {
	spans := []struct{ after, share, err float64 }{{30, 0.99, 0.05}, {60, 0.98, 0.08}, {120, 0.95, 0.12}, {240, 0.80, 0.20}}
	if !long {
		spans = spans[:2]
	}
	most := spans[len(spans)-1].after
	whole := make([]int, len(spans))
	errs := make([][]float64, len(spans))
	n, beyond, lines, drifts := 0, 0, 0, 0
	for _, seed := range seeds(4, 300) {
		sc := observed(seed, 150+most)
		sc.Faults = faults.Set{{Kind: faults.Silent, From: 120, To: 120 + most}}
		s := generate(t, sc)
		broke := math.Inf(1)
		last := make([]float64, len(spans))
		s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, ev []fusion.Event) {
			for i := range ev {
				if ev[i].Kind == fusion.EventDrift {
					drifts++
				}
			}
			if snap == nil {
				return
			}
			at := s.since(snap.T) - 120
			lat, lon, _, ok := s.errors(snap)
			if ok && (snap.Verdict == fusion.Usable || snap.Verdict == fusion.Coasting) {
				lines++
			}
			if s.beyond(snap) {
				beyond++
			}
			if at > -1 && at < most && snap.Verdict != fusion.Usable && math.IsInf(broke, 1) {
				broke = at
			}
			for i := range spans {
				if at > 0 && at < spans[i].after {
					last[i] = math.Hypot(lat, lon)
				}
			}
		})
		n++
		for i := range spans {
			if broke >= spans[i].after {
				whole[i]++
			}
			errs[i] = append(errs[i], last[i])
		}
	}
	for i, c := range spans {
		slices.Sort(errs[i])
		p95 := errs[i][int(0.95*float64(n-1)+0.5)]
		lo, hi := bounds.BinomialInterval(whole[i], n, 0.95)
		t.Logf("outage of %g s: usable without a break in %d of %d (%.1f to %.1f %% at 95 %%), error at the end p95 %.3f m", c.after, whole[i], n, 100*lo, 100*hi, p95)
		if float64(whole[i]) < c.share*float64(n) || p95 > c.err {
			t.Errorf("outage of %g s: usable without a break in %d of %d, want %.2f; error p95 %.3f m, want %.2f", c.after, whole[i], n, c.share, p95, c.err)
		}
	}
	lo, hi := bounds.BinomialInterval(beyond, lines, 0.95)
	t.Logf("%d of %d lines beyond their level (%.1g to %.1g at 95 %%), %d drifts without one", beyond, lines, lo, hi, drifts)
	if beyond > 0 || drifts > 0 {
		t.Errorf("%d of %d lines beyond their level, %d drifts without one", beyond, lines, drifts)
	}
}

// GPS L1 alone carries half a minute, and has no opinion on the fix.
func TestPhases_OneCarrier(t *testing.T) {
	held, n, opinions, drifts, beyond := 0, 0, 0, 0, 0
	for _, seed := range seeds(3, 50) {
		sc := observed(seed, 155)
		sc.Observe.Second = ""
		sc.Faults = faults.Set{{Kind: faults.Silent, From: 120, To: 150}}
		s := generate(t, sc)
		broken := false
		for i := range s.in {
			if e := s.in[i].Observed; e != nil {
				e.Obs = slices.DeleteFunc(e.Obs, func(o observation.Observation) bool { return o.Sat.System != satellite.GPS })
			}
		}
		s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, ev []fusion.Event) {
			for _, e := range ev {
				if e.Kind == fusion.EventDrift {
					drifts++
				}
			}
			if snap == nil {
				return
			}
			if snap.Phases.Opinion != integers.None {
				opinions++
			}
			if s.beyond(snap) {
				beyond++
			}
			if at := s.since(snap.T); at > 119 && at < 150 {
				broken = broken || snap.Verdict != fusion.Usable
			}
		})
		if n++; !broken {
			held++
		}
	}
	t.Logf("GPS L1 alone: usable through 30 s in %d of %d", held, n)
	if opinions > 0 || drifts > 0 || beyond > 0 {
		t.Errorf("%d opinions from one system on one carrier, %d drifts without one, %d lines beyond their level", opinions, drifts, beyond)
	}
	if float64(held) < 0.8*float64(n) {
		t.Errorf("GPS L1 alone: usable through 30 s in %d of %d, want 0.8", held, n)
	}
}

// Bridges hide the whole sky for two seconds a lap, in an outage too: dead reckoning
// carries the position across, and the phases go on behind them, where they come five
// times a second. Once a second the level grows faster, and follows.
func TestPhases_Bridges(t *testing.T) {
	for _, rate := range []float64{5, 1} {
		lost, beyond, n := 0.0, 0, 0
		for _, seed := range seeds(2, 20) {
			sc := observed(seed, 180)
			sc.Observe.Rate = rate
			sc.Observe.Places = []signals.Place{{From: 140, To: 155, Elevation: math.Pi / 2}}
			sc.Faults = faults.Set{{Kind: faults.Silent, From: 110, To: 170}}
			s := generate(t, sc)
			last := math.NaN()
			n++
			s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, _ []fusion.Event) {
				if snap == nil {
					return
				}
				if s.beyond(snap) {
					beyond++
				}
				at := s.since(snap.T)
				if at > 110 && at < 169 && snap.Verdict != fusion.Usable && !math.IsNaN(last) {
					lost += at - last
				}
				last = at
			})
		}
		t.Logf("%g Hz: not usable for %.1f s of %d outages of a minute, %d lines beyond their level", rate, lost, n, beyond)
		if rate > 1 && lost > 0.02*60*float64(n) || beyond > 0 {
			t.Errorf("%g Hz: not usable for %.1f s of %d outages of a minute, %d lines beyond their level", rate, lost, n, beyond)
		}
	}
}

// What our own integers say of right and of wrong fixes, epoch by epoch, and how soon.
func TestPhases_Opinions(t *testing.T) {
	epochs, given, wrong, refutedRight := 0, 0, 0, 0
	var first []float64
	for _, seed := range seeds(2, 90) {
		sc := observed(seed, 400)
		a := 1.3 * float64(seed)
		sc.Faults = faults.Set{{Kind: faults.WrongFix, From: 200, To: 300, Size: 0.3 + 0.15*float64(seed%9), Dir: [3]float64{math.Cos(a), math.Sin(a), 0.4}, Mode: "step"}}
		s := generate(t, sc)
		start, heard, soon := math.NaN(), math.NaN(), math.NaN()
		s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, _ []fusion.Event) {
			if snap == nil || !snap.Phases.Heard || snap.Epoch.Quality != gnss.QualityFixed {
				return
			}
			at := s.since(snap.T)
			if math.IsNaN(start) {
				start = at
			}
			if epochs++; snap.Phases.Opinion == integers.None {
				return
			}
			given++
			if math.IsNaN(heard) {
				heard = at
				soon = at - start
			}
			// An opinion holds for some epochs: not judged around the step.
			off := at > 200 && at < 300
			if math.Abs(at-200) < 4 || math.Abs(at-300) < 4 {
				return
			}
			if (snap.Phases.Opinion == integers.Confirmed) == off {
				if wrong++; !off {
					refutedRight++
				}
			}
		})
		first = append(first, soon)
	}
	slices.Sort(first)
	p95 := first[int(0.95*float64(len(first)-1)+0.5)]
	t.Logf("%d fixed epochs, an opinion on %d, wrong %d, of them right fixes refuted %d; first opinion after %.1f s p95", epochs, given, wrong, refutedRight, p95)
	if wrong*10_000 > epochs || refutedRight > 0 {
		t.Errorf("%d of %d opinions wrong, %d right fixes refuted", wrong, given, refutedRight)
	}
	if !(p95 <= 5) {
		goal(t, "first opinion after %.1f s in 95 %%, want 5", p95)
	}
}

// Without observations the same outage ends the verdict as ever.
func TestPhases_NeedObservations(t *testing.T) {
	sc := observed(1000, 200)
	sc.Faults = faults.Set{{Kind: faults.Silent, From: 120, To: 180}}
	s := generate(t, sc)
	usable := 0.0
	none := func(m *fusion.Measurement) bool { return m.Channel != fusion.ChanObservations }
	s.play(t, s.cfg, none, func(snap *fusion.Snapshot, _ []fusion.Event) {
		if snap != nil && snap.Verdict == fusion.Usable && s.since(snap.T) < 179 {
			usable = s.since(snap.T)
		}
		if snap != nil && snap.Phases.Heard {
			t.Fatal("phases without observations")
		}
	})
	if usable < 115 || usable > 150 {
		t.Errorf("usable until %.1f s, the corrections end at 120", usable)
	}
}

// Without observations of the rover nothing changes, to the byte: what the base's
// messages hold of them, and ephemerides, is neither here nor there.
func TestPhases_NothingChangesWithout(t *testing.T) {
	for _, seed := range []uint64{1001, 1002} {
		sc := observed(seed, 260)
		sc.Faults = faults.Set{{Kind: faults.Silent, From: 120, To: 150}, {Kind: faults.Jump, From: 200, To: 215, Size: 0.5, Dir: [3]float64{1, 0, 0}}}
		s := generate(t, sc)
		said := func(keep func(*fusion.Measurement) bool) (b []byte) {
			s.play(t, s.cfg, keep, func(snap *fusion.Snapshot, ev []fusion.Event) {
				if snap != nil {
					b = lines.AppendVerdict(b, snap)
				}
				for i := range ev {
					b = lines.AppendEvent(b, &ev[i])
				}
			})
			return b
		}
		dropped := 0
		with := said(func(m *fusion.Measurement) bool { return m.Channel != fusion.ChanObservations })
		without := said(func(m *fusion.Measurement) bool {
			content := m.Kind == fusion.KindObservation || m.Kind == fusion.KindEphemeris
			if content {
				dropped++
			}
			return m.Channel != fusion.ChanObservations && !content
		})
		if !bytes.Equal(with, without) || len(with) < 100_000 || dropped < 200 {
			t.Errorf("seed %d: %d and %d bytes, %d measurements left out: want the same lines", seed, len(with), len(without), dropped)
		}
	}
}

// A fix that is wrong from the first epoch on is refuted before it is ever usable; one
// that is right is never.
func TestPhases_WrongStart(t *testing.T) {
	for _, seed := range seeds(3, 40) {
		sc := observed(seed, 240)
		a := float64(seed) * 0.7
		sc.Faults = faults.Set{{Kind: faults.Jump, From: -1, To: 160, Size: 0.3 + 0.2*float64(seed%7), Dir: [3]float64{math.Cos(a), math.Sin(a), 0}}}
		s := generate(t, sc)
		refuted, usable, late, again := false, 0, 0, false
		s.play(t, s.cfg, nil, func(snap *fusion.Snapshot, ev []fusion.Event) {
			for _, e := range ev {
				refuted = refuted || e.Kind == fusion.EventRefuted
				if e.Kind == fusion.EventRefuted && s.since(e.T) > 165 {
					late++
				}
			}
			if snap == nil || snap.Verdict != fusion.Usable {
				return
			}
			if s.since(snap.T) < 160 {
				usable++
			}
			again = true
		})
		if !refuted || usable > 0 || late > 0 || !again {
			t.Errorf("seed %d, %.1f m: refuted %v, %d usable lines while wrong, %d refuted when right, usable afterwards %v", seed, sc.Faults[0].Size, refuted, usable, late, again)
		}
	}
}

// drifting moves the fixed epochs of a session: by gives metres, s seconds after the
// first that from lets pass, in the direction of an angle.
type drifting struct {
	from  float64 // s
	by    func(s float64) float64
	angle float64 // rad, counter-clockwise from east
	begun float64 // UTC of the first, NaN before
	now   float64 // m
}

// move returns the measurement as a receiver that drifts would have sent it.
func (d *drifting) move(s *session, in fusion.Measurement) fusion.Measurement {
	if in.Kind != fusion.KindEpoch || in.Epoch.Quality != gnss.QualityFixed || s.since(in.T) <= d.from {
		return in
	}
	if math.IsNaN(d.begun) {
		d.begun = in.Epoch.UTC
	}
	d.now = d.by(in.Epoch.UTC - d.begun)
	frame, e := s.truth.Frame(), *in.Epoch
	p := frame.FromLLA(e.Pos)
	p.E += d.now * math.Cos(d.angle)
	p.N += d.now * math.Sin(d.angle)
	e.Pos = frame.ToLLA(p)
	in.Epoch = &e
	return in
}

// A receiver whose position drifts slowly, its velocity with it: it is accused in time,
// and stays accused while it is off.
func TestPhases_Drift(t *testing.T) {
	rates := [...]float64{0.005, 0.01, 0.02, 0.05}
	var found, beyond, lost [len(rates)]int
	all := seeds(2, 100)
	for _, seed := range all {
		s := generate(t, observed(seed, 300))
		// What is observed once a second is judged up to a second later.
		late := 0.0
		if s.sc.Observe.Rate < 2 {
			late = 1 / s.sc.Observe.Rate
		}
		for i, rate := range rates {
			d := drifting{from: 170, by: func(s float64) float64 { return rate * s }, angle: float64(seed), begun: math.NaN()}
			alarm, scatter := math.NaN(), math.NaN()
			m := fusion.NewMonitor(s.cfg, s.track(t))
			for k := range s.in {
				in := d.move(s, s.in[k])
				snap, ev := m.Step(&in)
				for j := range ev {
					switch {
					case ev[j].Kind == fusion.EventDrift && math.IsNaN(d.begun):
						t.Errorf("seed %d: a drift without one: %s", seed, ev[j].Detail)
					case ev[j].Kind == fusion.EventDrift && math.IsNaN(alarm):
						alarm, scatter = d.now, m.Snapshot().Phases.Drift.Scatter
					}
				}
				if snap == nil {
					continue
				}
				if s.beyond(snap) {
					beyond[i]++
				}
				if !math.IsNaN(alarm) && snap.Verdict != fusion.Usable {
					lost[i]++
				}
			}
			if alarm-rate*late <= math.Max(0.15, 8*scatter) {
				found[i]++
			} else {
				t.Logf("%.3f m/s, seed %d: alarm at %.3f m, scatter %.3f m", rate, seed, alarm, scatter)
			}
		}
	}
	for i, rate := range rates {
		t.Logf("%.3f m/s: %d of %d found before the larger of 0.15 m and 8 times the scatter, %d lines beyond their level, %d not usable after the alarm", rate, found[i], len(all), beyond[i], lost[i])
		if float64(found[i]) < 0.99*float64(len(all)) || beyond[i] > 0 {
			t.Errorf("%.3f m/s: %d of %d found, want 0.99; %d lines beyond their level", rate, found[i], len(all), beyond[i])
		}
	}
}

// A receiver that drifts and comes back is believed again, not before it is back: by our
// own integers, where the base sends no observations by the phases alone, and where the
// rover's were lost meanwhile by the integers too. Without either it takes dead reckoning
// that is sharp enough still: in some drives.
func TestPhases_DriftReturns(t *testing.T) {
	none := func(*session, *fusion.Measurement) bool { return false }
	base := func(_ *session, in *fusion.Measurement) bool {
		return in.Channel == fusion.ChanCorrections && in.Kind == fusion.KindObservation
	}
	gap := func(s *session, in *fusion.Measurement) bool {
		at := s.since(in.T)
		return in.Channel == fusion.ChanObservations && at > 190 && at < 198
	}
	blind, again := 0, 0
	both := func(s *session, in *fusion.Measurement) bool { return base(s, in) || gap(s, in) }
	for _, seed := range seeds(2, 20) {
		s := generate(t, observed(seed, 300))
		for _, c := range []struct {
			name string
			lost func(*session, *fusion.Measurement) bool
		}{{"all observe", none}, {"the base does not", base}, {"the rover does not for 8 s", gap}, {"nor does the base", both}} {
			out := func(s float64) float64 { return 0.02 * math.Max(0, math.Min(s, 60-s)) }
			d := drifting{from: 170, by: out, angle: float64(seed), begun: math.NaN()}
			m := fusion.NewMonitor(s.cfg, s.track(t))
			early, beyond, alarmed, back := 0, 0, false, false
			for i := range s.in {
				in := d.move(s, s.in[i])
				if c.lost(s, &in) {
					continue
				}
				snap, ev := m.Step(&in)
				for j := range ev {
					alarmed = alarmed || ev[j].Kind == fusion.EventDrift
				}
				if snap == nil {
					continue
				}
				if s.beyond(snap) {
					beyond++
				}
				if alarmed && d.now > 0.2 && snap.EpochUsed && snap.Verdict == fusion.Usable {
					early++
				}
				back = snap.Verdict == fusion.Usable && !snap.Phases.Lead
			}
			if c.name == "nor does the base" {
				if blind++; back {
					again++
				}
				back = true
			}
			if !alarmed || early > 0 || beyond > 0 || !back {
				t.Errorf("seed %d, %s: alarm %v, %d usable lines with a fix that is off, %d beyond their level, usable with the fix in the end %v", seed, c.name, alarmed, early, beyond, back)
			}
		}
	}
	t.Logf("with neither: back in %d of %d", again, blind)
	if again == 0 {
		t.Errorf("with neither: back in %d of %d", again, blind)
	}
}
