//go:build unix

package bench

import (
	"context"
	"math"
	"slices"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fixtures"
	"kerbline/fixtures/signals"
	"kerbline/fusion"
	"kerbline/fusion/carrier"
	"kerbline/fusion/integers"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rtcm"
	"kerbline/gnss/satellite"
)

// sky30 is a minute of what a base, once a second, and a rover, five times, observe of
// thirty satellites on two carriers.
type sky30 struct {
	rover, base []*observation.Epoch
	orbits      orbit.Store
	at, home    geodesy.ECEF // of the base; of the drive
	known       geodesy.ECEF // of the rover at epoch anchorAt
}

const (
	skyRate   = 5
	skyLength = 60 // s
	most      = 30 // satellites
	anchorAt  = 15 * skyRate
)

func newSky30(tb testing.TB) *sky30 {
	tb.Helper()
	const start = 1.79e9
	s := &sky30{home: geodesy.LLA{Lat: 0.85, Lon: 0.16, H: 300}.ECEF()}
	frame := geodesy.NewFrame(s.home.LLA())
	s.at = frame.ToECEF(geodesy.ENU{E: 400, N: -300})
	cfg := signals.Config{Rate: skyRate, Second: "L5", GLONASS: true, Still: 0.3, Moving: 0.4}
	circle := func(t float64) signals.Antenna {
		sin, cos := math.Sincos(t * 10 / 40)
		return signals.Antenna{Pos: frame.ToECEF(geodesy.ENU{E: 40 * sin, N: 40 * (1 - cos)}), Yaw: t * 10 / 40, Dist: 10 * t}
	}
	p := signals.New(&cfg, 4, start, s.at, circle)
	var seen []satellite.ID
	keep := func(e *observation.Epoch) *observation.Epoch {
		c := *e
		c.Obs = nil
		for _, o := range e.Obs {
			if !slices.Contains(seen, o.Sat) && len(seen) < most {
				seen = append(seen, o.Sat)
			}
			if slices.Contains(seen, o.Sat) {
				c.Obs = append(c.Obs, o)
			}
		}
		return &c
	}
	for n := range skyRate * skyLength {
		e, at := p.Rover.Epoch(n)
		if n == anchorAt {
			s.known = circle(at).Pos
		}
		if n == 0 {
			for _, f := range p.Ephemerides(e) {
				var m rtcm.Ephemeris
				if err := m.Decode(f, e.Time); err != nil {
					tb.Fatal(err)
				}
				s.orbits.Add(&m.Set)
			}
		}
		s.rover = append(s.rover, keep(e))
		if n%skyRate == 0 {
			b, _ := p.Base.Epoch(n / skyRate)
			s.base = append(s.base, keep(b))
		}
	}
	if len(seen) < most {
		tb.Fatalf("%d satellites, want %d", len(seen), most)
	}
	return s
}

// carried and decided play the minute through the displacement and the integers.
func (s *sky30) carried(p *carrier.Path) (n int) {
	p.Reset()
	for i, e := range s.rover {
		st := p.Observe(e, &s.orbits, s.home)
		if i == anchorAt {
			p.Anchor(s.known)
		}
		if st.Lack == carrier.None {
			n++
		}
	}
	return n
}

func (s *sky30) decided(c *integers.Checker) (n int) {
	c.Reset()
	for i, e := range s.rover {
		if i%skyRate == 0 {
			c.Base(s.base[i/skyRate], s.at)
		}
		if c.Rover(e, &s.orbits, s.home).Why == integers.Decided {
			n++
		}
	}
	return n
}

// phases times what carrier phases and integers of our own add to an hour.
func phases(t *testing.T, tb *table, peer *foreign) {
	s := newSky30(t)
	var path carrier.Path
	var checker integers.Checker
	if n := s.carried(&path); n < 40*skyRate {
		t.Fatalf("carried at %d epochs", n)
	}
	if n := s.decided(&checker); n < 50*skyRate {
		t.Fatalf("integers at %d epochs", n)
	}
	with, without := observedDrive(t, true), observedDrive(t, false)
	play := func(d *drive) job {
		return func(n int) {
			for range n {
				d.replay(t, func(*fusion.Snapshot, []fusion.Event) {})
			}
		}
	}
	r := fastest(func(n int) {
		for range n {
			s.carried(&path)
		}
	}, func(n int) {
		for range n {
			s.decided(&checker)
		}
	}, play(with), play(without), func(n int) {
		for range n {
			twin(newTwin(), 20000)
		}
	})
	beside, of := r[4]*3600*200/20000, "dense twin in gonum, 15 states"
	if peer != nil {
		beside, of = peer.hour*1e9, "dense C++, 15 states"
	}
	tb.pair("an hour of phases, 5 Hz, 30 satellites on two carriers", r[0]*3600/skyLength, beside, of)
	tb.pair("an hour of integers of our own, the same", r[1]*3600/skyLength, beside, of)
	tb.pair("both in a replay from bytes, with decoding and reception", (r[2]-r[3])*3600/observedLength, beside, of)
}

const observedLength = 120.0 // s

// observedDrive is a drive whose rover observes, or the same without that.
func observedDrive(tb testing.TB, observes bool) *drive {
	tb.Helper()
	sc := fixtures.Standard("nominal", 3)
	sc.Duration = observedLength
	sc.Observe = signals.Config{Rate: skyRate, Second: "L5", GLONASS: true, Still: 0.3, Moving: 0.4, SlipRate: 0.002, EphEvery: 30}
	files, _ := sc.Files()
	if !observes {
		delete(files, fixtures.ObservationsFile)
	}
	d := &drive{track: files[fixtures.CourseFile]}
	var err error
	if d.rec, err = recording.FromFiles(files); err != nil {
		tb.Fatal(err)
	}
	if d.cfg, err = d.rec.Settings(); err != nil {
		tb.Fatal(err)
	}
	return d
}

// What is timed does its work, on as many satellites as it says.
func TestPhasesAreUsed(t *testing.T) {
	s := newSky30(t)
	var path carrier.Path
	var checker integers.Checker
	carried, decided := s.carried(&path), s.decided(&checker)
	if carried < 44*skyRate || decided < 55*skyRate || path.State().Satellites < 20 {
		t.Errorf("carried at %d epochs by %d satellites, integers at %d, of %d", carried, path.State().Satellites, decided, len(s.rover))
	}
	heard := 0
	d := observedDrive(t, true)
	if _, _, err := runner.Monitor(context.Background(), d.rec, d.cfg.Config, runner.Watch{After: func(snap *fusion.Snapshot, _ []fusion.Event) error {
		if snap != nil && snap.Phases.Carried && snap.Phases.Opinion == integers.Confirmed {
			heard++
		}
		return nil
	}}); err != nil || heard < 500 {
		t.Errorf("%d lines with both, %v", heard, err)
	}
}

func BenchmarkPhases(b *testing.B) {
	s := newSky30(b)
	var path carrier.Path
	var checker integers.Checker
	b.Run("carried", func(b *testing.B) {
		for b.Loop() {
			s.carried(&path)
		}
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)*60/1e9, "s/hour")
	})
	b.Run("decided", func(b *testing.B) {
		for b.Loop() {
			s.decided(&checker)
		}
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)*60/1e9, "s/hour")
	})
}
