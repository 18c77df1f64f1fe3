package corrections

import (
	"fmt"
	"math"
	"math/rand"
	"strings"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// splice returns the tap of one session with the rover of another.
func splice(tap, rover []arrival) []arrival {
	var in []arrival
	i, k := 0, 0
	for i < len(tap) || k < len(rover) {
		switch {
		case i < len(tap) && tap[i].epoch != nil:
			i++
		case k < len(rover) && rover[k].epoch == nil:
			k++
		case k == len(rover) || i < len(tap) && tap[i].t <= rover[k].t:
			in = append(in, tap[i])
			i++
		default:
			in = append(in, rover[k])
			k++
		}
	}
	return in
}

// only returns the cause of the single episode of in, "none" without one.
func only(t *testing.T, in []arrival) string {
	t.Helper()
	_, eps := play(simConfig(), in, nil)
	switch len(eps) {
	case 0:
		return "none"
	case 1:
		return eps[0].Cause.String()
	}
	var all []string
	for _, e := range eps {
		all = append(all, e.Cause.String())
	}
	return strings.Join(all, " ")
}

// Each cause rests on its evidence: taken away, the cause changes.
func TestCauses_WithoutTheirEvidence(t *testing.T) {
	faulty := func(f fault) []arrival {
		in, _ := session{seed: 4, length: 240, faults: []fault{f}}.arrivals()
		return in
	}
	sound, _ := session{seed: 4, length: 240}.arrivals()
	epochs := func(in []arrival, change func(*gnss.Epoch)) []arrival {
		out := append([]arrival(nil), in...)
		for i := range out {
			if out[i].epoch != nil {
				e := *out[i].epoch
				change(&e)
				out[i].epoch = &e
			}
		}
		return out
	}
	move := geodesy.ECEF{X: 0.3, Y: -0.2, Z: 0.1}

	silent := faulty(fault{kind: "link_silent", from: 100, to: 130})
	corrupt := faulty(fault{kind: "link_corrupt", from: 100, to: 130, p: 0.05})
	sparse := faulty(fault{kind: "link_sparse_rate", from: 100, to: 130, p: 5})
	late := faulty(fault{kind: "link_late", from: 100, to: 130, p: 9})
	restarted := faulty(fault{kind: "base_restarted", from: 100, to: 1e9, silent: 20, id: 9})
	moved := faulty(fault{kind: "base_moved", from: 100, to: 1e9, shift: move})
	unused := faulty(fault{kind: "receiver_not_using", from: 100, to: 130})
	blocked := faulty(fault{kind: "sky_blocked", from: 100, to: 130, p: 8})
	bare := faulty(fault{kind: "link_sparse_types", from: 100, to: 180})
	mute := faulty(fault{kind: "receiver_silent", from: 100, to: 130})

	for _, tt := range []struct {
		what string
		in   []arrival
		want string
	}{
		{"bytes missing", silent, "link_silent"},
		{"the same rover, bytes there", splice(sound, silent), "receiver_not_using"},
		{"bytes missing, the rover's age low", splice(silent, sound), "unknown"},
		{"bytes broken", corrupt, "link_corrupt"},
		{"the same rover, bytes sound", splice(sound, corrupt), "receiver_not_using"},
		{"every fifth epoch", sparse, "link_sparse"},
		{"the same rover, every epoch", splice(sound, sparse), "receiver_not_using"},
		{"no station messages", bare, "link_sparse"},
		{"the same rover, station messages there", splice(sound, bare), "none"},
		{"epochs late", late, "link_late"},
		{"the same rover, epochs on time", splice(sound, late), "receiver_not_using"},
		{"epochs late, the rover's age low", splice(late, sound), "unknown"},
		{"another base after a silence", restarted, "base_restarted"},
		{"the same silence, the same base", splice(faulty(fault{kind: "link_silent", from: 100, to: 120}), epochs(restarted, func(e *gnss.Epoch) {
			if e.Station == 9 {
				e.Station = 1201
			}
		})), "link_silent"},
		{"coordinates moved", moved, "base_moved"},
		{"the same rover, coordinates as they were", splice(sound, moved), "none"},
		{"corrections not used", unused, "receiver_not_using"},
		{"the same, not tapped", splice(nil, unused), "unknown"},
		{"satellites gone", blocked, "sky_blocked"},
		{"the same, satellites there", epochs(blocked, func(e *gnss.Epoch) { e.Sats, e.CN0 = 25, 44 }), "none"},
		{"the same, quality there", epochs(blocked, func(e *gnss.Epoch) { e.Quality = gnss.QualityFixed }), "none"},
		{"no sentences", mute, "receiver_silent"},
		{"the same tap, sentences there", splice(mute, sound), "none"},
		{"no sentences and no bytes", splice(silent, mute), "unknown"},
		// Without a tap the rover alone can tell these.
		{"satellites gone, not tapped", splice(nil, blocked), "sky_blocked"},
		{"no sentences, not tapped", splice(nil, mute), "receiver_silent"},
		{"late, not tapped", splice(nil, late), "link_late"},
		{"silent, not tapped", splice(nil, silent), "unknown"},
		{"another base, not tapped", splice(nil, restarted), "base_restarted"},
		// Without a receiver the tap alone, though nothing ties the clocks.
		{"as usual, no receiver", splice(sound, nil), "none"},
		{"silent, no receiver", splice(silent, nil), "link_silent"},
		{"broken, no receiver", splice(corrupt, nil), "link_corrupt"},
		{"every fifth epoch, no receiver", splice(sparse, nil), "link_sparse"},
		{"late, no receiver", splice(late, nil), "link_late"},
		{"another base, no receiver", splice(restarted, nil), "base_restarted"},
		{"moved, no receiver", splice(moved, nil), "base_moved"},
	} {
		if got := only(t, tt.in); got != tt.want {
			t.Errorf("%s: %s, want %s", tt.what, got, tt.want)
		}
	}
}

// The table itself: taking any one fact that a rule asks for away from exactly
// what it asks for leaves another cause, and every cause has a rule. (A healthy
// link only lets a blocked sky be told with a grown age too.)
func TestDecide_EveryFactCounts(t *testing.T) {
	seen := map[Cause]bool{CauseUnknown: true}
	for _, r := range rules {
		seen[r.cause] = true
		facts := r.all | r.any&-r.any // the least of the alternatives
		if got := Decide(facts); got != r.cause {
			t.Errorf("%v: %v, want %v", facts, got, r.cause)
		}
		for bit := Facts(1); bit < factsEnd; bit <<= 1 {
			if facts&bit == 0 {
				continue
			}
			if got := Decide(facts &^ bit); got == r.cause && facts&bit != LinkHealthy {
				t.Errorf("%v without %v is still %v", facts, bit, got)
			}
		}
		for bit := Facts(1); bit < factsEnd; bit <<= 1 {
			if r.none&bit != 0 && Decide(facts|bit) == r.cause {
				t.Errorf("%v with %v is still %v", facts, bit, r.cause)
			}
		}
	}
	for c := range NumCauses {
		if !seen[c] {
			t.Errorf("no rule for %v", c)
		}
		if c.Try() == "" || c.Words() == "" {
			t.Errorf("%v has no words", c)
		}
	}
}

// Numbers and contents as public message lists give them (pyrtcm and others).
func TestMessageWords(t *testing.T) {
	for n, want := range map[int]string{
		1005: "base coordinates", 1230: "GLONASS code-phase biases", 1074: "GPS MSM4: code, phase, C/N0",
		1137: "NavIC MSM7: code, phase, C/N0, Doppler, fine", 1070: "", 1078: "", 1138: "", 4072: "",
	} {
		if got := MessageWords(n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}

// With no tap the paragraph names what is missing.
func TestParagraph(t *testing.T) {
	in, off := session{seed: 4, length: 240, faults: []fault{{kind: "link_silent", from: 100, to: 130}}}.arrivals()
	l, eps := play(simConfig(), in, func(l *Link, t float64) { l.Where(math.Mod(8*t, 377), 377) })
	if len(eps) != 1 {
		t.Fatalf("%d episodes", len(eps))
	}
	p := eps[0].Paragraph(simStart+off, nil)
	for _, want := range []string{"At 99.", "UTC", "m along the lap", "m from the base", "link_silent", "Not a byte came for 3", "correction age reached 3", "fixed, float, fixed", "Try: "} {
		if !strings.Contains(p, want) {
			t.Errorf("%q is missing from: %s", want, p)
		}
	}
	if l.State().Episodes != 1 || l.State().LastCause != LinkSilent {
		t.Errorf("state %+v", l.State())
	}
	_, eps = play(simConfig(), splice(nil, in), nil)
	if p := eps[0].Paragraph(simStart, nil); !strings.Contains(p, "not tapped") {
		t.Errorf("what is missing is not said: %s", p)
	}
}

// The very frame that shows a move says so; an id alone is an event, and an
// alarm only until coordinates are heard.
func TestBase_Prompt(t *testing.T) {
	cfg := simConfig()
	l := New(cfg)
	var m rtcm.Message
	send := func(t float64, raw []byte) *State {
		l.Bytes(t, len(raw))
		m.Decode(raw)
		l.Frame(t, &m)
		return l.State()
	}
	obs := func(id int, ms int64) []byte {
		return rtcm.EncodeMSM(rtcm.MSM{System: rtcm.GPS, Type: 4, Station: id, EpochMs: ms, Sats: []int{1}, Signals: []int{2}})
	}
	near := geodesy.ECEF{X: simBase.X + 0.04, Y: simBase.Y, Z: simBase.Z}
	far := geodesy.ECEF{X: simBase.X + 0.06, Y: simBase.Y, Z: simBase.Z}
	for i, tt := range []struct {
		raw     []byte
		want    BaseState
		changes int
	}{
		{obs(5, 1000), BaseUnheard, 0},
		{rtcm.EncodeBase(1005, 5, simBase, 0), BaseAsSurveyed, 0},
		{rtcm.EncodeBase(1006, 5, near, 1), BaseAsSurveyed, 1},
		{rtcm.EncodeBase(1005, 5, far, 0), BaseElsewhere, 2},
		{rtcm.EncodeBase(1005, 5, simBase, 0), BaseAsSurveyed, 3},
		{obs(6, 2000), BaseUnconfirmed, 4},
		{rtcm.EncodeBase(1005, 6, simBase, 0), BaseAsSurveyed, 4},
		{obs(6, 3000), BaseAsSurveyed, 4},
		{obs(7, 4000), BaseUnconfirmed, 5},
		{rtcm.EncodeBase(1005, 7, far, 0), BaseElsewhere, 6},
	} {
		s := send(simStart+float64(i), tt.raw)
		if s.Base != tt.want || s.BaseChanges != tt.changes {
			t.Errorf("step %d: base %d after %d changes, want %d after %d", i, s.Base, s.BaseChanges, tt.want, tt.changes)
		}
	}
	if d := l.State().BaseOff; math.Abs(d-0.06) > 1e-4 {
		t.Errorf("off by %g m, want 0.06", d)
	}

	cfg.Surveyed = false
	l = New(cfg)
	if s := send(simStart, rtcm.EncodeBase(1005, 5, far, 0)); s.Base != BaseFirstHeard || s.BaseOff != 0 {
		t.Errorf("without a survey: %d, %g m", s.Base, s.BaseOff)
	}
	if s := send(simStart+1, rtcm.EncodeBase(1005, 5, simBase, 0)); s.Base != BaseElsewhere {
		t.Errorf("without a survey, moved: %d", s.Base)
	}
}

// The rover's station id gives a changed base away before its coordinates do.
func TestBase_RoverTells(t *testing.T) {
	l := New(simConfig())
	e := gnss.Epoch{UTC: simStart, Arrival: simStart, Complete: simStart, Quality: gnss.QualityFixed, Age: 1, Station: 5, Sats: 20}
	for i, tt := range []struct {
		id   int
		want BaseState
	}{{5, BaseUnheard}, {-1, BaseUnheard}, {5, BaseUnheard}, {6, BaseUnconfirmed}, {6, BaseUnconfirmed}} {
		e.Station = tt.id
		e.UTC += 0.1
		e.Arrival = e.UTC
		l.Epoch(&e, e.UTC)
		if got := l.State().Base; got != tt.want {
			t.Errorf("epoch %d, id %d: base %d, want %d", i, tt.id, got, tt.want)
		}
	}
}

// A start-up is no episode, whatever is missing.
func TestStartUp(t *testing.T) {
	for _, f := range []fault{
		{kind: "link_silent", from: 0, to: 60}, {kind: "link_corrupt", from: 0, to: 60, p: 0.1},
		{kind: "receiver_not_using", from: 0, to: 60}, {kind: "receiver_silent", from: 0, to: 60},
	} {
		in, _ := session{seed: 1, length: 150, faults: []fault{f}}.arrivals()
		if got := only(t, in); got != "none" {
			t.Errorf("%s at the start: %s, want none", f.kind, got)
		}
	}
}

// One lost epoch a minute and jitter are near misses, not episodes.
func TestNearMisses(t *testing.T) {
	in, off := session{seed: 2, length: 400}.arrivals()
	var kept []arrival
	for _, a := range in {
		if u := a.t - simStart - off; a.epoch == nil && u > 50 && math.Mod(u, 60) < 1 {
			continue
		}
		kept = append(kept, a)
	}
	l, eps := play(simConfig(), kept, nil)
	if len(eps) != 0 {
		t.Errorf("%d episodes, first %v", len(eps), eps[0].Cause)
	}
	r := l.State().Recurs
	if l.State().NearMisses != 6 {
		t.Errorf("%d near misses, want 6", l.State().NearMisses)
	}
	if r.Events != 6 || math.Abs(r.Period-60) > 1.5 || r.PeriodP > 0.01 {
		t.Errorf("recurrence %+v, want 6 events every 60 s", r)
	}
}

// Outages at one place are told from outages anywhere: 400 m lap, half of the
// time spent in its last quarter.
func TestRecurrence_Place(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	visit := func(r *recur) {
		for range 2000 {
			s := 300 * rng.Float64()
			if rng.Intn(2) == 0 {
				s = 300 + 100*rng.Float64()
			}
			r.spend(s, 400, 0.1)
		}
	}
	var r recur
	visit(&r)
	for i := range 5 {
		r.add(float64(100*i)+20*rng.Float64(), 120+10*rng.Float64())
	}
	if got := r.test(); math.Abs(got.Place-125) > 10 || got.PlaceN != 5 || got.PlaceP > 1e-4 {
		t.Errorf("five outages near 125 m: %+v", got)
	}
	// By chance alone, and across the start line too: false claims stay below
	// the stated probability.
	claims := 0
	for range 500 {
		var r recur
		visit(&r)
		for i := range 8 {
			s := 300 * rng.Float64()
			if rng.Intn(2) == 0 {
				s = 300 + 100*rng.Float64()
			}
			r.add(float64(i)*100+50*rng.ExpFloat64(), s)
		}
		if !math.IsNaN(r.test().Place) {
			claims++
		}
	}
	if claims > 10 {
		t.Errorf("%d of 500 random sets called a place, want at most about 5", claims)
	}
	var edge recur
	visit(&edge)
	for i, s := range []float64{395, 2, 398, 5} {
		edge.add(float64(100*i), s)
	}
	if got := edge.test(); math.IsNaN(got.Place) || got.Place > 5 && got.Place < 395 {
		t.Errorf("around the start line: %+v", got)
	}
}

// Poisson times must seldom look periodic.
func TestRecurrence_PeriodByChance(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	claims := 0
	for range 1000 {
		var r recur
		at := 0.0
		for range 8 {
			at += 20 + 100*rng.ExpFloat64()
			r.add(at, math.NaN())
		}
		if !math.IsNaN(r.test().Period) {
			claims++
		}
	}
	if claims > 30 {
		t.Errorf("%d of 1000 random sets called periodic, want at most about 10", claims)
	}
}

// Closed forms: p^n, 1-(1-p)^n, 10 p^9 (1-p) + p^10.
func TestBinomialTail(t *testing.T) {
	for _, tt := range []struct {
		n, k int
		p    float64
		want float64
	}{
		{2, 2, 0.1, 0.01}, {3, 1, 0.5, 0.875}, {4, 0, 0.3, 1}, {5, 5, 0.5, 1.0 / 32}, {10, 9, 0.9, 0.7360989291},
	} {
		if got := binomialTail(tt.n, tt.k, tt.p); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("P(X>=%d), n=%d, p=%g: %.10f, want %.10f", tt.k, tt.n, tt.p, got, tt.want)
		}
	}
}

func TestLink_AllocatesNothing(t *testing.T) {
	in, _ := session{seed: 3, length: 120, faults: []fault{{kind: "link_silent", from: 60, to: 80}}}.arrivals()
	links := []*Link{New(simConfig()), New(simConfig())} // one to warm up, one to measure
	run := 0
	var scan rtcm.Scanner
	var l *Link
	now := 0.0
	frame := func(m *rtcm.Message) { l.Frame(now, m) }
	junk := func(why rtcm.Refusal, n int) { l.Junk(now, why, n) }
	closed := 0
	take := func(*Episode) { closed++ }
	n := testing.AllocsPerRun(1, func() {
		l = links[run]
		run++
		for i := range in {
			a := &in[i]
			now = a.t
			l.Tick(now)
			if a.epoch != nil {
				l.Clock(a.epoch.Arrival - a.epoch.UTC - 0.08)
				l.Where(math.Mod(8*now, 377), 377)
				l.Epoch(a.epoch, now)
			} else {
				l.Bytes(now, len(a.bytes))
				scan.Push(a.bytes, frame, junk)
			}
			l.Take(take)
			_ = l.State()
		}
	})
	if n != 0 {
		t.Errorf("%g allocations in %d arrivals", n, len(in))
	}
	if closed != 2 {
		t.Errorf("%d episodes, want the one outage in each run", closed)
	}
}

// A host clock that is set is no outage: forward once that is known, back at
// once.
func TestClockStep(t *testing.T) {
	in, off := session{seed: 6, length: 200}.arrivals()
	for _, dt := range []float64{5, 40, -5, -3000} {
		l := New(simConfig())
		var scan rtcm.Scanner
		now, known, episodes := 0.0, false, 0
		tie := math.Inf(1)
		frame := func(m *rtcm.Message) { l.Frame(now, m) }
		take := func(e *Episode) {
			episodes++
			t.Errorf("step of %g s: %s", dt, e.Paragraph(simStart+off, nil))
		}
		for _, a := range in {
			at := a.t
			stepped := a.t-simStart-off > 100
			if stepped {
				at += dt
			}
			for now > 0 && at-now > 0.15 { // time passes on the clock
				now += 0.1
				l.Tick(now)
			}
			now = at
			if stepped && !known && a.epoch != nil {
				known, tie = true, math.Inf(1)
				l.ClockStep(dt)
			}
			if a.epoch != nil {
				e := *a.epoch
				if stepped {
					e.Arrival += dt
					e.Complete += dt
				}
				tie = math.Min(tie, e.Arrival-e.UTC-0.08)
				l.Clock(tie)
				l.Epoch(&e, now)
			} else {
				l.Bytes(now, len(a.bytes))
				scan.Push(a.bytes, frame, nil)
			}
			l.Take(take)
		}
		l.Close(now)
		l.Take(take)
		if s := l.State(); s.Condition != Flowing || s.Open {
			t.Errorf("step of %g s: link %v, open %v at the end", dt, s.Condition, s.Open)
		}
	}
}

// Times that run back, stand still or make no sense must not upset it.
func TestLink_WildInput(t *testing.T) {
	rng := rand.New(rand.NewSource(9))
	l := New(simConfig())
	var m rtcm.Message
	for range 200000 {
		at := simStart + 1000*rng.NormFloat64()
		switch rng.Intn(6) {
		case 0:
			l.Bytes(at, rng.Intn(1000))
		case 1:
			m = rtcm.Message{Number: 1000 + rng.Intn(300), Station: rng.Intn(4) - 1, System: rtcm.System(rng.Intn(int(rtcm.NSystems))),
				EpochMs: rng.Int63n(604800000), Day: rng.Intn(9) - 1, More: rng.Intn(2) == 0, Sats: rng.Intn(65)}
			if rng.Intn(5) == 0 {
				m.HasBase, m.System = true, rtcm.NoSystem
			}
			l.Frame(at, &m)
		case 2:
			l.Junk(at, rtcm.Refusal(rng.Intn(3)), rng.Intn(1000))
		case 3:
			l.Epoch(&gnss.Epoch{UTC: at + rng.NormFloat64(), Arrival: at, Complete: at, HasPos: true, HasH: true,
				Quality: gnss.Quality(rng.Intn(9)), Sats: rng.Intn(40) - 1, Age: []float64{math.NaN(), 0, 1, 100}[rng.Intn(4)],
				Station: rng.Intn(3) - 1, Speed: rng.Float64(), Course: rng.Float64(), CN0: math.NaN()}, at)
		case 4:
			l.Clock([]float64{math.NaN(), 0, 1e6}[rng.Intn(3)])
			l.Where(rng.Float64()*500-10, 400)
		default:
			l.Tick(at)
		}
		l.Take(func(e *Episode) { _ = fmt.Sprint(e.Paragraph(simStart, nil)) })
	}
	l.Close(simStart + 1e5)
}

func BenchmarkLink(b *testing.B) {
	in, _ := session{seed: 3, length: 120}.arrivals()
	var scan rtcm.Scanner
	now := 0.0
	l := New(simConfig())
	frame := func(m *rtcm.Message) { l.Frame(now, m) }
	junk := func(why rtcm.Refusal, n int) { l.Junk(now, why, n) }
	b.ReportAllocs()
	for b.Loop() {
		*l = *New(simConfig())
		for i := range in {
			a := &in[i]
			now = a.t
			if a.epoch != nil {
				l.Epoch(a.epoch, now)
			} else {
				l.Bytes(now, len(a.bytes))
				scan.Push(a.bytes, frame, junk)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(in)), "ns/arrival")
}
