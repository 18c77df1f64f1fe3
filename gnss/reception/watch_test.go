package reception_test

import (
	"math"
	"strings"
	"testing"

	"kerbline/fixtures/signals"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/reception"
	"kerbline/gnss/rtcm"
	"kerbline/gnss/satellite"
)

const start = 1_791_367_200

var base = geodesy.LLA{Lat: 45 * geodesy.Degree, Lon: 12 * geodesy.Degree, H: 200}.ECEF()

// run plays s seconds of two receivers into a Watch; each sees it every second.
func run(t *testing.T, cfg signals.Config, s int, said geodesy.ECEF, each func(i int, w *reception.Watch)) *reception.State {
	t.Helper()
	cfg.Rate = 2
	p := signals.New(&cfg, 11, start, base, func(float64) signals.Antenna {
		return signals.Antenna{Pos: geodesy.ECEF{X: base.X + 100, Y: base.Y - 50, Z: base.Z + 30}}
	})
	w := reception.New()
	near := gnsstime.AtUTC(start)
	var m rtcm.Message
	frame := func(b []byte) *rtcm.Message { m.Decode(b); return &m }
	for i := range s {
		at := float64(start + i)
		b, _ := p.Base.Epoch(i)
		if said != (geodesy.ECEF{}) {
			w.Said(frame(rtcm.EncodeBase(1005, 1, said, 0)))
		}
		if cfg.EphEvery > 0 && i%int(cfg.EphEvery) == 0 {
			for _, f := range p.Ephemerides(b) {
				var e rtcm.Ephemeris
				if err := e.Decode(f, near); err != nil {
					t.Fatal(err)
				}
				w.Frame(frame(f))
				w.Ephemeris(&e.Set, false)
			}
		}
		w.Base(at, b)
		for k := range 2 {
			r, _ := p.Rover.Epoch(2*i + k)
			for _, f := range signals.Messages(r, 0, 7, false) {
				if f != nil {
					w.Frame(frame(f))
				}
			}
			w.Rover(at+0.5*float64(k), r)
		}
		if each != nil {
			each(i, w)
		}
	}
	return w.State()
}

func full() signals.Config {
	return signals.Config{Second: "L2", EphEvery: 30, Still: 0.3, Moving: 0.3}
}

// All signals that fall together are interference, at the rover alone or at the
// base too; a sky half hidden, however many satellites it takes, is not.
func TestInterference(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*signals.Config)
		fell   bool
		base   bool
	}{
		{"rover", func(c *signals.Config) {
			c.Faults = []signals.Fault{{Kind: signals.Interference, From: 60, To: 80, Size: 8}}
		}, true, false},
		{"both", func(c *signals.Config) {
			c.Faults = []signals.Fault{{Kind: signals.Interference, From: 60, To: 80, Size: 12, Base: true}}
		}, true, true},
		{"hidden", func(c *signals.Config) {
			c.Hidden = func(t float64) float64 {
				if t >= 60 && t < 80 {
					return 45 * geodesy.Degree
				}
				return 0
			}
		}, false, false},
		{"trees", func(c *signals.Config) {
			c.Faults = []signals.Fault{{Kind: signals.BadPlace, From: 60, To: 80, Size: 25}}
		}, false, false},
		{"nothing", func(*signals.Config) {}, false, false},
	} {
		cfg := full()
		c.change(&cfg)
		var fell, baseFell, after int
		run(t, cfg, 120, base, func(i int, w *reception.Watch) {
			dB, atBase, heard := w.State().Interference()
			if !heard {
				t.Errorf("%s: the base is not heard at %d s", c.name, i)
			}
			switch {
			case i > 61 && i < 80 && dB > 0:
				fell++
				if atBase {
					baseFell++
				}
				if want := cfg.Faults[0].Size; math.Abs(dB-want) > 2 {
					t.Errorf("%s: fell by %.1f dB, was made to by %.1f", c.name, dB, want)
				}
			case (i < 60 || i > 82) && dB > 0:
				after++
			}
		})
		if (fell >= 16) != c.fell || fell > 0 && !c.fell || (baseFell >= 16) != c.base || after > 0 {
			t.Errorf("%s: fell at %d s of 18, the base at %d, outside at %d", c.name, fell, baseFell, after)
		}
	}
}

// The base stands where it says, or in another town.
func TestBaseElsewhere(t *testing.T) {
	st := run(t, full(), 40, base, nil)
	if st.Elsewhere() || !(st.BaseOff < 15) || len(st.AtBase()) != 0 || len(st.Needs()) != 0 {
		t.Errorf("%.1f m off after %d positions: %v; %v", st.BaseOff, st.BasePlaces, st.AtBase(), st.Needs())
	}
	town := geodesy.LLA{Lat: 45.1 * geodesy.Degree, Lon: 12 * geodesy.Degree, H: 200}.ECEF()
	st = run(t, full(), 40, town, nil)
	if !st.Elsewhere() || math.Abs(st.BaseOff-11113) > 30 {
		t.Errorf("%.0f m off", st.BaseOff)
	}
	if f := st.AtBase(); len(f) != 1 || !strings.Contains(f[0].Seen, "11 km from where its own observations place it") {
		t.Errorf("said: %v", f)
	}
}

func has(list []reception.Finding, text string) bool {
	for _, f := range list {
		if strings.Contains(f.Seen, text) && f.Do != "" {
			return true
		}
	}
	return false
}

func TestFindings(t *testing.T) {
	cfg := full()
	cfg.EphEvery = 0
	st := run(t, cfg, 30, base, nil)
	if !has(st.Needs(), "no ephemerides on either stream") || st.BasePlaces > 0 {
		t.Errorf("without ephemerides: %v", st.Needs())
	}
	cfg = full()
	cfg.Second = ""
	st = run(t, cfg, 30, base, nil)
	if !has(st.Needs(), "0 satellites on two carriers (L1 E1 B1I)") {
		t.Errorf("one frequency: %v", st.Needs())
	}
	cfg = full()
	cfg.Faults = []signals.Fault{{Kind: signals.Lacks, From: 0, To: 1e9, Size: float64(satellite.Galileo), Base: true}}
	st = run(t, cfg, 40, base, nil)
	if !has(st.AtBase(), "the base lacks all of Galileo") || st.Common < 10 {
		t.Errorf("the base lacks a system: %v, %d in common", st.AtBase(), st.Common)
	}
	cfg = full()
	cfg.Faults = []signals.Fault{{Kind: signals.BadPlace, From: 0, To: 1e9, Size: 15, Base: true}}
	st = run(t, cfg, 60, base, nil)
	if !has(st.AtBase(), "cycle slips a minute") || !has(st.AtBase(), "mean C/N0 at the base") {
		t.Errorf("a bad place: %v; %.1f slips a minute, %.1f dB-Hz", st.AtBase(), st.Base.SlipRate, st.Base.CN0)
	}
	good := run(t, full(), 60, base, nil)
	if good.Base.SlipRate > 0 || good.Rover.SlipRate > 0 || math.Abs(good.Rover.Rate()-2) > 0.01 || good.LeastMSM != 7 {
		t.Errorf("a good place: %.0f and %.0f slips, %.2f Hz", good.Base.SlipRate, good.Rover.SlipRate, good.Rover.Rate())
	}
	if text := strings.Join(good.Text(), "\n"); !strings.Contains(text, "rover: 2 Hz, GPS ") || !strings.Contains(text, "messages 1019") {
		t.Errorf("text:\n%s", text)
	}
	if w := reception.New(); !has(w.State().Needs(), "sent no frame") {
		t.Errorf("nothing: %v", w.State().Needs())
	}
}

func TestAllocatesNothing(t *testing.T) {
	cfg := full()
	cfg.Rate = 1
	p := signals.New(&cfg, 11, start, base, func(float64) signals.Antenna { return signals.Antenna{Pos: base} })
	w := reception.New()
	e, _ := p.Base.Epoch(0)
	for _, f := range p.Ephemerides(e) {
		var m rtcm.Ephemeris
		if err := m.Decode(f, e.Time); err != nil {
			t.Fatal(err)
		}
		w.Ephemeris(&m.Set, true)
	}
	at := float64(start)
	step := func() {
		at++
		w.Base(at, e)
		w.Rover(at, e)
	}
	step()
	if n := testing.AllocsPerRun(50, step); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
