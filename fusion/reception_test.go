package fusion_test

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
	"kerbline/fusion"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/reception"
	"kerbline/gnss/rtcm"
)

// receive plays a session through a monitor and returns its events and what it
// knows of the reception at the end. change may alter packets of the link.
func receive(t *testing.T, s fixtures.Scenario, change func([]byte)) ([]fusion.Event, *reception.State) {
	t.Helper()
	r := s.Record()
	var recs []fusion.Record
	for _, l := range r.Lines {
		recs = append(recs, fusion.Record{T: l.T, Channel: fusion.ChanNMEA, Data: l.Text})
	}
	for i, list := range [][]fixtures.Packet{r.Packets, r.Observed} {
		for _, p := range list {
			ch := fusion.ChanCorrections
			if i == 1 {
				ch = fusion.ChanObservations
			}
			recs = append(recs, fusion.Record{T: p.T, Channel: ch, Data: p.Data})
		}
	}
	for _, x := range r.Samples {
		recs = append(recs, fusion.Record{T: x.T, Channel: fusion.ChanIMU, Data: fmt.Appendf(nil, "%.6f,%g,%g,%g,%g,%g,%g\n", x.T, x.W[0], x.W[1], x.W[2], x.F[0], x.F[1], x.F[2])})
	}
	sort.SliceStable(recs, func(i, j int) bool { return recs[i].T < recs[j].T })
	cfg := fusion.DefaultConfig()
	mon, dec := fusion.NewMonitor(cfg, nil), fusion.NewDecoder(cfg)
	var events []fusion.Event
	emit := func(m *fusion.Measurement) {
		if m.Kind == fusion.KindRefused && m.Channel == fusion.ChanObservations {
			t.Errorf("refused: %s", m.Note)
		}
		_, ev := mon.Step(m)
		events = append(events, ev...)
	}
	for _, rec := range recs {
		if rec.Channel == fusion.ChanCorrections && change != nil {
			change(rec.Data)
		}
		dec.Decode(rec, emit)
	}
	dec.Close(recs[len(recs)-1].T, emit)
	events = append(events, mon.Close()...)
	return events, mon.Snapshot().Reception
}

func observedSession(name string) fixtures.Scenario {
	s := fixtures.Standard("nominal", 5)
	s.Name, s.Duration = name, 200
	s.Observe = signals.Config{Rate: 2, Second: "L2", Drift: 1e-7, Still: 0.3, Moving: 0.3, HalfTime: 3, WindUp: true, EphEvery: 30}
	return s
}

func outages(events []fusion.Event) (causes []string, detail string) {
	for _, e := range events {
		if e.Kind == fusion.EventOutage {
			causes = append(causes, e.Cause)
			detail = e.Detail
		}
	}
	return causes, detail
}

// The same loss of satellites and quality is interference where all C/N0 fell
// together, a blocked sky where they did not.
func TestInterferenceIsToldFromABlockedSky(t *testing.T) {
	s := observedSession("interference")
	s.Faults = faults.Set{{Kind: faults.Sky, From: 120, To: 132, Mode: "total"}}
	events, st := receive(t, s, nil)
	if causes, detail := outages(events); len(causes) != 1 || causes[0] != "sky_blocked" {
		t.Errorf("a blocked sky: %v, %s", causes, detail)
	}
	if st == nil || len(st.Needs()) != 0 || st.Rover.Falls != 0 {
		t.Errorf("reception: %v, %d falls", st.Needs(), st.Rover.Falls)
	}

	// The receiver loses as much, but to a transmitter: what it still hears is
	// weaker by 9 dB.
	s.Observe.Ignore = true
	s.Observe.Faults = []signals.Fault{{Kind: signals.Interference, From: 120, To: 132, Size: 9}}
	events, _ = receive(t, s, nil)
	causes, detail := outages(events)
	if len(causes) != 1 || causes[0] != "interference" || !strings.Contains(detail, "by up to 9 dB, but not at the base") && !strings.Contains(detail, "by up to 10 dB, but not at the base") {
		t.Errorf("interference: %v, %s", causes, detail)
	}
	told := 0
	for _, e := range events {
		if e.Kind == fusion.EventInterference {
			told++
			if math.Abs(e.Size-9) > 2 {
				t.Errorf("by %.1f dB, want 9", e.Size)
			}
		}
	}
	if told != 1 {
		t.Errorf("told %d times", told)
	}
}

// Coordinates of another town are named; those of the base are not.
func TestBaseOfAnotherTown(t *testing.T) {
	s := observedSession("town")
	s.Duration = 90
	events, st := receive(t, s, nil)
	for _, e := range events {
		if e.Kind == fusion.EventBaseElsewhere {
			t.Errorf("the right base: %s", e.Detail)
		}
	}
	if st.BasePlaces < 30 || !(st.BaseOff < 20) {
		t.Errorf("%d positions, %.1f m off", st.BasePlaces, st.BaseOff)
	}
	town := geodesy.ECEF{X: st.BaseSaid.X, Y: st.BaseSaid.Y + 30000, Z: st.BaseSaid.Z}
	// Whole 1005 frames within a packet; what is cut stays as it was, the
	// coordinates then change to and fro: only whole ones are sent.
	s.RadioRate, s.Spoiled, s.BaseInterval = 60000, 0, 20
	events, st = receive(t, s, func(b []byte) {
		for i := 0; i+25 <= len(b); i++ {
			if b[i] == 0xD3 && b[i+1] == 0 && b[i+2] == 19 && rtcm.CRC24Q(b[i:i+25]) == 0 {
				rtcm.MoveBase(b[i:i+25], town)
			}
		}
	})
	said := 0
	for _, e := range events {
		if e.Kind == fusion.EventBaseElsewhere {
			said++
			if e.Size < 29000 || e.Size > 31000 {
				t.Errorf("%.0f m off", e.Size)
			}
		}
	}
	if said == 0 {
		t.Errorf("not said: %.0f m off after %d positions", st.BaseOff, st.BasePlaces)
	}
}
