package integers

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fusion/carrier"
	"kerbline/fusion/internal/sky"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

var (
	home = geodesy.LLA{Lat: 0.8, Lon: 0.2, H: 300}
	l1   = satellite.Signal{Band: '1', Attribute: 'C'}
	l5   = satellite.Signal{Band: '5', Attribute: 'Q'}
)

// pit is a rover on a circle of 40 m at 10 m/s, and a base.
type pit struct {
	sky         *sky.Sky
	rover, base *sky.Receiver
	at          geodesy.ECEF // of the base
	checker     Checker
	frame       geodesy.Frame
	t           float64 // s
}

func newPit(seed uint64, baseline float64) *pit {
	p := &pit{sky: sky.New(seed, home.ECEF()), rover: sky.NewReceiver(2 * seed), base: sky.NewReceiver(2*seed + 1), frame: geodesy.NewFrame(home)}
	p.at = p.frame.ToECEF(geodesy.ENU{E: 0.8 * baseline, N: -0.6 * baseline})
	for _, r := range []*sky.Receiver{p.rover, p.base} {
		r.Code, r.Phase = 0.3, 0.002
		r.Zenith = carrier.ZenithDelay(home.ECEF())
	}
	p.rover.Clock, p.base.Clock = 3e-4, -2e-7
	// An ionosphere that differs by 1 mm/km, one deviation.
	r := rand.New(rand.NewPCG(seed, 3))
	slope := map[satellite.ID]float64{}
	for _, s := range p.sky.Satellites() {
		slope[s] = 1e-6 * baseline * r.NormFloat64() * 1.5
	}
	p.rover.Iono = func(s satellite.ID, _ gnsstime.Time) float64 { return slope[s] }
	return p
}

func (p *pit) place() geodesy.ECEF {
	s, c := math.Sincos(p.t * 10 / 40)
	return p.frame.ToECEF(geodesy.ENU{E: 40 * s, N: 40 * (1 - c), U: 1})
}

func (p *pit) now() gnsstime.Time { return p.sky.Start.Add(p.t) }

func (p *pit) hearBase(edit func(*observation.Epoch)) {
	e := p.sky.Observe(p.base, p.now(), p.at)
	if edit != nil {
		edit(e)
	}
	p.checker.Base(e, p.at)
}

func (p *pit) hearRover(edit func(*observation.Epoch)) *Result {
	e := p.sky.Observe(p.rover, p.now(), p.place())
	if edit != nil {
		edit(e)
	}
	near := p.place()
	near.X += 3
	near.Z -= 4
	return p.checker.Rover(e, &p.sky.Orbits, near)
}

// wrong is by how much a place is off, when that is more than noise: other integers
// move it by decimetres.
func (p *pit) wrong(r *Result) float64 {
	f := geodesy.NewFrame(p.place().LLA())
	d := f.FromECEF(r.Position)
	if h := math.Hypot(d.E, d.N); h > 0.02+4*math.Sqrt(r.Cov[0][0]+r.Cov[1][1]) {
		return h
	}
	if math.Abs(d.U) > 0.04+4*math.Sqrt(r.Cov[2][2]) {
		return math.Abs(d.U)
	}
	return 0
}

func TestChecker_Baselines(t *testing.T) {
	for _, baseline := range []float64{10, 1000, 5000} {
		decided, n := 0, 0
		for seed := range uint64(10) {
			p := newPit(10+seed, baseline)
			for range 10 {
				p.checker.Reset() // single epochs
				p.hearBase(nil)
				r := p.hearRover(nil)
				n++
				if r.Why == Decided {
					decided++
					if d := p.wrong(r); d > 0 {
						t.Errorf("baseline %g m, sky %d: %.3f m off", baseline, seed, d)
					}
				}
				p.t += 7
			}
		}
		if decided < n*7/10 {
			t.Errorf("baseline %g m: %d of %d decided", baseline, decided, n)
		}
	}
	// What one epoch leaves open at 10 km, some seconds decide, by wide lanes where not
	// all integers can be told apart; and no place is so blunt that a wrong fix passes.
	decided, lanes, n := 0, 0, 20
	for seed := range uint64(n) {
		p := newPit(50+seed, 10_000)
		first := true
		for range 30 {
			p.hearBase(nil)
			if r := p.hearRover(nil); r.Why == Decided {
				if first {
					decided++
				}
				first = false
				if r.Lanes > 0 {
					lanes++
				}
				p.judged(t, r)
			}
			p.t++
		}
	}
	if decided < n*17/20 || lanes < 10 {
		t.Errorf("10 km: %d of %d decided in 30 s, %d epochs by wide lanes", decided, n, lanes)
	}
	p := newPit(3, 20_000)
	p.hearBase(nil)
	if r := p.hearRover(nil); r.Why != BaseFar {
		t.Errorf("20 km: %v", r.Why)
	}
}

// judged checks a place, and what it says of the right fix and of some 0.3 m off.
func (p *pit) judged(t *testing.T, r *Result) {
	t.Helper()
	if d := p.wrong(r); d > 0 {
		t.Errorf("%.0f m: %.3f m off", r.Baseline, d)
	}
	f := geodesy.NewFrame(p.place().LLA())
	if o, _ := r.Judge(p.place(), [2]float64{0.01, 0.02}); o == Refuted {
		t.Errorf("%.0f m: the right fix refuted, by %d satellites", r.Baseline, r.Satellites)
	}
	for k := range 8 {
		sin, cos := math.Sincos(float64(k) * math.Pi / 4)
		if o, _ := r.Judge(f.ToECEF(geodesy.ENU{E: 0.3 * sin, N: 0.3 * cos}), [2]float64{0.01, 0.02}); o == Confirmed {
			t.Errorf("%.0f m: a fix 0.3 m off confirmed, by %d satellites", r.Baseline, r.Satellites)
		}
	}
}

func TestChecker_Judge(t *testing.T) {
	p := newPit(4, 800)
	p.hearBase(nil)
	r := p.hearRover(nil)
	if r.Why != Decided {
		t.Fatal(r.Why)
	}
	f := geodesy.NewFrame(p.place().LLA())
	for _, c := range []struct {
		off  geodesy.ENU
		want Opinion
	}{
		{geodesy.ENU{}, Confirmed},
		{geodesy.ENU{E: 0.03, N: -0.03, U: 0.05}, Confirmed},
		{geodesy.ENU{E: 0.17}, None},
		{geodesy.ENU{E: 0.3}, Refuted},
		{geodesy.ENU{E: -0.2, N: 0.25}, Refuted},
		{geodesy.ENU{U: 0.6}, Refuted},
		{geodesy.ENU{E: 1.1, N: -0.9, U: 2}, Refuted},
	} {
		got, off := r.Judge(f.ToECEF(c.off), [2]float64{0.01, 0.02})
		if got != c.want || math.Abs(off.E-c.off.E) > 0.03 || math.Abs(off.N-c.off.N) > 0.03 || math.Abs(off.U-c.off.U) > 0.08 {
			t.Errorf("off by %+v: %v, %+v, want %v", c.off, got, off, c.want)
		}
	}
	if o, _ := (&Result{Why: Undecided}).Judge(p.place(), [2]float64{}); o != None {
		t.Errorf("undecided, but %v", o)
	}
}

// The base once a second, late, the rover five times; integers are held and carried.
func TestChecker_SlowBase(t *testing.T) {
	p := newPit(5, 2000)
	decided, held := 0, 0
	for i := range 150 {
		if i%5 == 0 && i%50 < 40 { // and silences of 2 s
			p.hearBase(nil)
		}
		r := p.hearRover(nil)
		if r.Why == Decided {
			decided++
			if d := r.Position.Dist(p.place()); d > 0.05 {
				t.Errorf("epoch %d: %.3f m off", i, d)
			}
		}
		if r.Held {
			held++
		}
		p.t += 0.2
	}
	if decided < 148 || held < 140 {
		t.Errorf("%d decided, %d by held integers", decided, held)
	}
	p.t += 15
	if r := p.hearRover(nil); r.Why != BaseLate {
		t.Errorf("base silent for 15 s: %v", r.Why)
	}
}

// A stream whose codes and phases were moved by 1.5 million m of clock, its tag
// not.
func TestChecker_ReReferencedBase(t *testing.T) {
	const shift = 1.5e6
	p := newPit(6, 3000)
	for range 20 {
		p.checker.Reset()
		p.hearBase(func(e *observation.Epoch) {
			for i := range e.Obs {
				o := &e.Obs[i]
				o.Code += shift
				o.Phase += shift / o.Wavelength()
			}
		})
		r := p.hearRover(nil)
		if r.Why != Decided || r.Position.Dist(p.place()) > 0.05 {
			t.Fatalf("%v, %.3f m off", r.Why, r.Position.Dist(p.place()))
		}
		p.t++
	}
	// A base whose clock truly is 5 ms off.
	q := newPit(6, 3000)
	q.base.Clock = 5e-3
	q.hearBase(nil)
	if r := q.hearRover(nil); r.Why != Decided || r.Position.Dist(q.place()) > 0.05 {
		t.Errorf("clock 5 ms off: %v, %.3f m off", r.Why, r.Position.Dist(q.place()))
	}
}

// Unresolved half cycles are half integers: right whether or not half a cycle is in
// the phase.
func TestChecker_HalfCycles(t *testing.T) {
	p := newPit(7, 500)
	sats := p.sky.Satellites()
	p.rover.Slip(sats[1], l1, 0.5, false)
	p.rover.Slip(sats[4], l1, 0.5, false)
	p.rover.Slip(sats[4], l5, 0.5, false)
	open := func(e *observation.Epoch) {
		for _, k := range []int{1, 2, 4} {
			e.Find(sats[k], l1).HalfCycle = true
			e.Find(sats[k], l5).HalfCycle = true
		}
	}
	p.hearBase(nil)
	r := p.hearRover(open)
	if r.Why != Decided || r.Position.Dist(p.place()) > 0.05 || r.LeftOut > 0 {
		t.Errorf("%v, %.3f m off, %d left out", r.Why, r.Position.Dist(p.place()), r.LeftOut)
	}
}

// One satellite whose phase is off is left out; a slip while integers are held takes
// them from that signal alone.
func TestChecker_BadSatellite(t *testing.T) {
	p := newPit(8, 500)
	sats := p.sky.Satellites()
	p.rover.Slip(sats[3], l1, 0.37, false)
	p.hearBase(nil)
	r := p.hearRover(nil)
	if r.Why != Decided || r.Position.Dist(p.place()) > 0.05 || r.LeftOut != 1 {
		t.Errorf("%v, %.3f m off, %d left out", r.Why, r.Position.Dist(p.place()), r.LeftOut)
	}
	for i := range 60 {
		p.t += 0.2
		if i%5 == 4 {
			p.hearBase(nil)
		}
		if i == 20 {
			p.rover.Slip(sats[5], l5, 1, false)
		}
		if i == 40 {
			p.base.Slip(sats[6], l1, 2, true)
		}
		r := p.hearRover(nil)
		if r.Why != Decided || r.Position.Dist(p.place()) > 0.05 {
			t.Errorf("epoch %d: %v, %.3f m off", i, r.Why, r.Position.Dist(p.place()))
		}
	}
}

func TestChecker_SaysWhy(t *testing.T) {
	p := newPit(9, 500)
	if r := p.hearRover(nil); r.Why != NoBase {
		t.Errorf("without a base: %v", r.Why)
	}
	p.hearBase(nil)
	if r := p.hearRover(func(e *observation.Epoch) { e.Obs = e.Obs[:6] }); r.Why != FewSignals {
		t.Errorf("three satellites: %v", r.Why)
	}
	glonass := func(e *observation.Epoch) {
		for i := range e.Obs {
			e.Obs[i].Sat.System = satellite.GLONASS
		}
	}
	p.checker.Reset()
	p.hearBase(glonass)
	if r := p.hearRover(glonass); r.Why != FewSignals {
		t.Errorf("GLONASS alone: %v", r.Why)
	}
	p.checker.Reset()
	p.hearBase(nil)
	var none orbit.Store
	e := p.sky.Observe(p.rover, p.now(), p.place())
	if r := p.checker.Rover(e, &none, p.place()); r.Why != FewSignals {
		t.Errorf("no orbits: %v", r.Why)
	}
	// GPS on one carrier, from one epoch.
	one := func(e *observation.Epoch) {
		k := 0
		for _, o := range e.Obs {
			if o.Sat.System == satellite.GPS && o.Signal == l1 {
				e.Obs[k] = o
				k++
			}
		}
		e.Obs = e.Obs[:k]
	}
	q := newPit(11, 500)
	q.hearBase(one)
	if r := q.hearRover(one); r.Why != OneCarrier {
		t.Errorf("GPS on one carrier: %v", r.Why)
	}
}

// Over many skies wrong places are rarer than the rate that is promised, and the
// codes of a rover in motion are as noisy as they may be.
func TestChecker_RarelyWrong(t *testing.T) {
	wrong, decided, n := 0, 0, 0
	for seed := range uint64(150) {
		p := newPit(1000+seed, 3000)
		p.rover.Code, p.rover.Phase = 0.6, 0.003
		for range 5 {
			p.checker.Reset()
			p.hearBase(nil)
			r := p.hearRover(nil)
			n++
			if r.Why == Decided {
				decided++
				if p.wrong(r) > 0 {
					wrong++
				}
			}
			p.t += 50
		}
	}
	if wrong > 1 || decided < n/2 {
		t.Errorf("%d of %d decided, %d wrong", decided, n, wrong)
	}
}

func TestChecker_AllocatesNothing(t *testing.T) {
	p := newPit(12, 1000)
	var rover, base []*observation.Epoch
	for range 60 {
		base = append(base, p.sky.Observe(p.base, p.now(), p.at))
		rover = append(rover, p.sky.Observe(p.rover, p.now(), p.place()))
		p.t++
	}
	for _, single := range []bool{false, true} {
		i := 0
		if n := testing.AllocsPerRun(50, func() {
			if single {
				p.checker.held = holding{}
			}
			p.checker.Base(base[i], p.at)
			p.checker.Rover(rover[i], &p.sky.Orbits, p.place())
			i++
		}); n != 0 {
			t.Errorf("%g allocations an epoch, searched at every one: %v", n, single)
		}
	}
}

func BenchmarkRover(b *testing.B) {
	p := newPit(13, 1000)
	base, rover := p.sky.Observe(p.base, p.now(), p.at), p.sky.Observe(p.rover, p.now(), p.place())
	near := p.place()
	for _, search := range []bool{false, true} {
		name := "held"
		if search {
			name = "searched"
		}
		b.Run(name, func(b *testing.B) {
			p.checker.Reset()
			p.checker.Base(base, p.at)
			for b.Loop() {
				if search {
					p.checker.held = holding{}
				}
				e := *rover
				if r := p.checker.Rover(&e, &p.sky.Orbits, near); r.Why != Decided {
					b.Fatal(r.Why)
				}
			}
		})
	}
}
