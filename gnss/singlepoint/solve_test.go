package singlepoint

import (
	"math"
	"testing"

	"kerbline/gnss/atmosphere"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

var (
	when  = gnsstime.Time{Week: 2446, TOW: 300000}
	place = geodesy.LLA{Lat: 0.8, Lon: 0.2, H: 300}.ECEF()
)

// sky returns circular orbits of two systems, evenly spread.
func sky() *orbit.Store {
	s := &orbit.Store{}
	for _, sys := range []satellite.System{satellite.GPS, satellite.Galileo} {
		for n := range 24 {
			e := orbit.Ephemeris{Sat: satellite.ID{System: sys, Number: uint8(n + 1)}, Toe: when, Toc: when, Af0: 1e-5 * float64(n-12), GroupDelay: [2]float64{3e-9, 4e-9}}
			e.Kepler = orbit.Kepler{SqrtA: 5153.6 + 280*float64(sys), Ecc: 0.004, I0: 0.96, Omega0: float64(n%6) * math.Pi / 3, M0: float64(n)*1.1 + float64(sys)}
			if sys == satellite.Galileo {
				e.Source = orbit.INAV
			}
			s.Add(&e)
		}
	}
	return s
}

// observe returns what a receiver at place observes: ranges through the air by
// the models of this project, the receiver's clock ahead by clock m.
func observe(s *orbit.Store, clock float64, ion *atmosphere.Klobuchar, second bool) observation.Epoch {
	e := observation.Epoch{Time: when}
	frame := geodesy.NewFrame(place.LLA())
	tag := clock / satellite.SpeedOfLight // what the tag is ahead of true time
	for _, sys := range []satellite.System{satellite.GPS, satellite.Galileo} {
		for n := uint8(1); n <= 24; n++ {
			id := satellite.ID{System: sys, Number: n}
			set := s.Find(id, when)
			received := when.Add(-tag)
			travel := 0.07
			var st orbit.State
			for range 5 {
				st = set.At(received.Add(-travel))
				travel = place.Dist(orbit.Rotate(st.Pos, travel)) / satellite.SpeedOfLight
			}
			az, el := orbit.Look(&frame, orbit.Rotate(st.Pos, travel))
			if el < 12*geodesy.Degree {
				continue
			}
			for _, sig := range []satellite.Signal{{Band: '1', Attribute: 'C'}, {Band: '7', Attribute: 'Q'}, {Band: '2', Attribute: 'W'}} {
				hz := sys.Frequency(sig, 0)
				if hz == 0 || sig.Band != '1' && !second {
					continue
				}
				delay, _ := set.Delay(sig)
				code := travel*satellite.SpeedOfLight + clock - (st.Clock-delay)*satellite.SpeedOfLight + atmosphere.Troposphere(place.LLA().Lat, place.LLA().H, el)
				if ion != nil {
					code += ion.Delay(place.LLA(), el, az, when.TOW) * (atmosphere.L1 / hz) * (atmosphere.L1 / hz)
				}
				e.Obs = append(e.Obs, observation.Observation{Sat: id, Signal: sig, Hz: hz, Code: code})
			}
		}
	}
	return e
}

var storm = atmosphere.Klobuchar{Alpha: [4]float64{3.82e-8, 1.49e-8, -1.79e-7, 0}, Beta: [4]float64{1.43e5, 0, -3.28e5, 1.13e5}}

// The solver finds where exact ranges were made, under every model, from the
// centre of the Earth, whatever the clock.
func TestSolve(t *testing.T) {
	sets := sky()
	for _, clock := range []float64{0, 1e5, -1.5e6} {
		for _, c := range []struct {
			name   string
			ion    *atmosphere.Klobuchar
			second bool
			solver Solver
			model  Ionosphere
			within float64
		}{
			{"broadcast", &storm, false, Solver{Sets: sets, Ionosphere: storm}, Broadcast, 1e-3},
			{"two frequencies", &storm, true, Solver{Sets: sets}, DualFrequency, 1e-3},
			{"none", nil, false, Solver{Sets: sets}, Unmodelled, 1e-3},
			{"unmodelled", &storm, false, Solver{Sets: sets}, Unmodelled, 40},
		} {
			e := observe(sets, clock, c.ion, c.second)
			sol := c.solver.Solve(&e, geodesy.ECEF{})
			if sol.Failure != Solved || sol.Model != c.model || !(sol.Pos.Dist(place) < c.within) {
				t.Errorf("%s, clock %g m: %v, %v, %.4f m off", c.name, clock, sol.Failure, sol.Model, sol.Pos.Dist(place))
			}
			if c.within < 1 && math.Abs(sol.Systems[satellite.GPS].Clock-clock) > 1e-3 {
				t.Errorf("%s: clock %.4f m, want %g", c.name, sol.Systems[satellite.GPS].Clock, clock)
			}
		}
	}
}

// A satellite that is off is left out; a system whose ranges are off by as much
// each keeps the position; ranges of nothing give no position.
func TestSolve_Faults(t *testing.T) {
	sets := sky()
	s := Solver{Sets: sets}
	e := observe(sets, 0, nil, true)
	if len(e.Obs) < 24 {
		t.Fatalf("%d observations", len(e.Obs))
	}
	bad := e.Obs[4].Sat
	for i := range e.Obs {
		if e.Obs[i].Sat == bad {
			e.Obs[i].Code += 150
		}
	}
	sol := s.Solve(&e, place)
	if sol.Failure != Solved || sol.Excluded != 1 || sol.Systems[bad.System].Excluded != 1 || !(sol.Pos.Dist(place) < 1e-3) {
		t.Errorf("one satellite 150 m off: %+v, %.3f m off", sol, sol.Pos.Dist(place))
	}
	for i := range e.Obs {
		if e.Obs[i].Sat == bad {
			e.Obs[i].Code -= 150
		}
		if e.Obs[i].Sat.System == satellite.Galileo {
			e.Obs[i].Code += 1000
		}
	}
	if sol = s.Solve(&e, place); sol.Failure != Solved || sol.Excluded > 0 || !(sol.Pos.Dist(place) < 5e-3) {
		t.Errorf("another clock: %+v", sol)
	}
	for i := range e.Obs {
		e.Obs[i].Code += 1e5 * math.Sin(float64(7*i*i))
	}
	if sol = s.Solve(&e, place); sol.Failure == Solved && sol.Pos.Dist(place) < 1e4 && sol.Excluded == 0 {
		t.Errorf("ranges of nothing: %+v", sol)
	}
	few := observation.Epoch{Time: when, Obs: observe(sets, 0, nil, false).Obs[:3]}
	if sol = s.Solve(&few, place); sol.Failure != TooFew {
		t.Errorf("three satellites: %v", sol.Failure)
	}
	late := observe(sets, 0, nil, false)
	late.Time = when.Add(1e5)
	if sol = s.Solve(&late, place); sol.Failure != NoEphemerides || sol.Without == 0 {
		t.Errorf("old sets: %v", sol.Failure)
	}
	if sol = s.Solve(&observation.Epoch{Time: when}, place); sol.Failure != TooFew {
		t.Errorf("nothing observed: %v", sol.Failure)
	}
}

func TestSolve_AllocatesNothing(t *testing.T) {
	sets := sky()
	s := Solver{Sets: sets}
	e := observe(sets, 0, nil, true)
	if n := testing.AllocsPerRun(20, func() { s.Solve(&e, place) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

// Thresholds of the chi-square law at 1e-5, from the project's table (scipy):
// the approximation is never below, and at most 12 % above.
func TestChiSquare(t *testing.T) {
	for k, want := range map[float64]float64{1: 19.511421, 2: 23.025851, 3: 25.901750, 4: 28.473255, 6: 33.107057, 10: 41.296158, 20: 59.044550, 30: 75.023432} {
		if got := chiSquare(k); got < want || got > 1.12*want {
			t.Errorf("%g degrees of freedom: %.3f, want %.3f", k, got, want)
		}
	}
}

func BenchmarkSolve(b *testing.B) {
	sets := sky()
	s := Solver{Sets: sets}
	e := observe(sets, 0, nil, true)
	for b.Loop() {
		s.Solve(&e, place)
	}
}
