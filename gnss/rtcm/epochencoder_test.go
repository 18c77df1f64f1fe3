package rtcm

import (
	"math"
	"testing"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// Epochs with tags between milliseconds, phases millions of cycles from their codes,
// more pairs than a mask holds and signals that no message names come back with the
// same ranges at the same instant of the receiver's clock, and with whole cycles
// that stay until the phase slips.
func TestEpochEncoder(t *testing.T) {
	sigs := map[satellite.System][]satellite.Signal{}
	for sys, codes := range map[satellite.System][]string{satellite.GPS: {"1C", "1W", "2W", "2L", "5Q", "1L"}, satellite.GLONASS: {"1C", "2P"}, satellite.BeiDou: {"2I", "7I"}, satellite.NavIC: {"5A"}} {
		for _, c := range codes {
			sigs[sys] = append(sigs[sys], satellite.Signal{Band: c[0], Attribute: c[1]})
		}
	}
	var w EpochEncoder
	var join Epochs
	var sc Scanner
	whole := map[arc]float64{}
	near := gnsstime.Time{Week: 2300, TOW: 1000}
	slipped := arc{satellite.ID{System: satellite.GPS, Number: 3}, satellite.Signal{Band: '2', Attribute: 'W'}}
	for k := range 20 {
		e := observation.Epoch{Time: near.Add(float64(k)*0.2 + 1e-4*math.Sin(float64(k)))}
		add := func(sys satellite.System, n int) {
			for j, sig := range sigs[sys] {
				hz := sys.Frequency(sig, n%13-7)
				if hz == 0 {
					hz = 1.17645e9
				}
				code := 2.1e7 + 1e5*float64(n) + 40*float64(k) + 3*float64(j)
				o := observation.Observation{Sat: satellite.ID{System: sys, Number: uint8(n)}, Signal: sig, Hz: hz, Code: code, Phase: (code-0.3)*hz/satellite.SpeedOfLight + 5e6*float64(j),
					Doppler: -200 * hz / satellite.SpeedOfLight, CN0: 44, Lock: math.NaN()}
				if id := (arc{o.Sat, sig}); id == slipped && k >= 10 {
					o.Phase += 17
					o.Slip = k == 10
				}
				e.Obs = append(e.Obs, o)
			}
		}
		for n := 1; n <= 14; n++ {
			add(satellite.GPS, n)
		}
		add(satellite.GLONASS, 5)
		add(satellite.BeiDou, 20)
		add(satellite.NavIC, 2)
		var got []observation.Epoch
		sc.Push(w.Append(nil, &e), func(m *Message) {
			if err := join.Push(sc.Raw(), near, func(e *observation.Epoch) {
				c := *e
				c.Obs = append([]observation.Observation(nil), e.Obs...)
				got = append(got, c)
			}); err != nil {
				t.Fatal(err)
			}
		}, nil)
		if len(got) != 1 || len(got[0].Obs) != len(e.Obs)-1 {
			t.Fatalf("epoch %d: %d epochs, %d of %d observations", k, len(got), len(got[0].Obs), len(e.Obs))
		}
		shift := got[0].Time.Sub(e.Time)
		for i := range got[0].Obs {
			o := &got[0].Obs[i]
			was := e.Find(o.Sat, o.Signal)
			if d := o.Code - shift*satellite.SpeedOfLight - was.Code; math.Abs(d) > 0.02 {
				t.Fatalf("%v %v: code off by %g m", o.Sat, o.Signal, d)
			}
			n := o.Phase - shift*o.Hz - was.Phase
			if math.Abs(n-math.Round(n)) > 0.1 {
				t.Fatalf("%v %v: phase off by %g cycles of a whole number", o.Sat, o.Signal, n-math.Round(n))
			}
			id := arc{o.Sat, o.Signal}
			if before, ok := whole[id]; ok && math.Round(n) != before && !(id == slipped && k == 10) {
				t.Errorf("%v %v: moved by %g cycles, by %g before", o.Sat, o.Signal, math.Round(n), before)
			}
			whole[id] = math.Round(n)
			if id == slipped && k == 10 && o.Lock != 0 || id != slipped && k > 10 && o.Lock < 1 {
				t.Errorf("epoch %d, %v %v: lock %g s", k, o.Sat, o.Signal, o.Lock)
			}
			if d := o.Doppler - was.Doppler; math.Abs(d) > 0.01 || math.Abs(o.CN0-44) > 0.1 {
				t.Errorf("%v %v: Doppler off by %g Hz, C/N0 %g", o.Sat, o.Signal, d, o.CN0)
			}
		}
	}
	if w.Dropped != 20 {
		t.Errorf("%d observations dropped, want the 20 that no message holds", w.Dropped)
	}
}
