package carrier

import (
	"math"
	"math/rand/v2"
	"testing"

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

// drive is an antenna on a circle of 40 m at 10 m/s, its sky, and a path that follows.
type drive struct {
	sky   *sky.Sky
	rx    *sky.Receiver
	path  Path
	rate  float64 // Hz
	n     int     // epochs
	frame geodesy.Frame
}

func newDrive(seed uint64) *drive {
	d := &drive{sky: sky.New(seed, home.ECEF()), rx: sky.NewReceiver(seed), rate: 5, frame: geodesy.NewFrame(home)}
	d.rx.Zenith = ZenithDelay(home.ECEF())
	d.rx.Clock = 2e-4
	return d
}

func (d *drive) now() gnsstime.Time { return d.sky.Start.Add(float64(d.n) / d.rate) }

func (d *drive) place() geodesy.ECEF {
	s, c := math.Sincos(float64(d.n) / d.rate * 10 / 40)
	return d.frame.ToECEF(geodesy.ENU{E: 40 * s, N: 40 * (1 - c)})
}

func (d *drive) epoch() *observation.Epoch { return d.sky.Observe(d.rx, d.now(), d.place()) }

// step drives on to the next epoch; edit may spoil it.
func (d *drive) step(edit func(*observation.Epoch)) *State {
	d.n++
	e := d.epoch()
	if edit != nil {
		edit(e)
	}
	return d.path.Observe(e, &d.sky.Orbits, d.place())
}

// start drives for 15 s and anchors the path.
func (d *drive) start() {
	for range int(15 * d.rate) {
		d.step(nil)
	}
	d.path.Anchor(d.place())
}

// bound is the level of the carried position in m, horizontally (0) or up (1).
func bound(st *State, axis int) float64 { return st.Bias[axis] + Missed*st.Sub[axis] }

// off is the error of the carried position in m, horizontally and up.
func (d *drive) off(st *State) (h, u float64) {
	f := geodesy.NewFrame(d.place().LLA())
	e := f.FromECEF(st.Position)
	return math.Hypot(e.E, e.N), math.Abs(e.U)
}

func TestPath_Exact(t *testing.T) {
	d := newDrive(1)
	d.start()
	for i := range 300 {
		// A free clock: it drifts, and jumps by whole milliseconds.
		d.rx.Clock += 2e-7 / d.rate
		if i%50 == 25 {
			d.rx.Clock += 1e-3
		}
		st := d.step(nil)
		if st.Lack != None || st.RateLack != None {
			t.Fatalf("epoch %d: %v, rate %v", i, st.Lack, st.RateLack)
		}
		if h, u := d.off(st); h > 0.002 || u > 0.004 {
			t.Fatalf("epoch %d: %.4f m, %.4f m up", i, h, u)
		}
		v := math.Hypot(st.Rate[0], st.Rate[1])
		if chord := 10.0; math.Abs(v-chord) > 0.03 {
			t.Fatalf("epoch %d: %.3f m/s, want %.3f", i, v, chord)
		}
		if math.Abs(st.Time.Sub(d.now())) > 5e-8 || math.Abs(st.Clock-d.rx.Clock) > 5e-8 {
			t.Fatalf("epoch %d: clock %.9f s, want %.9f", i, st.Clock, d.rx.Clock)
		}
		if st.Dual != st.Satellites || st.Systems != 2 || st.LeftOut != 0 || st.Slips != 0 {
			t.Fatalf("epoch %d: %+v", i, st)
		}
	}
}

func TestPath_Slips(t *testing.T) {
	for _, c := range []struct {
		name string
		slip func(rx *sky.Receiver, sats []satellite.ID)
	}{
		{"half a cycle of one carrier", func(rx *sky.Receiver, s []satellite.ID) { rx.Slip(s[2], l1, 0.5, false) }},
		{"half a cycle of both carriers", func(rx *sky.Receiver, s []satellite.ID) {
			rx.Slip(s[2], l1, 0.5, false)
			rx.Slip(s[2], l5, 0.5, false)
		}},
		{"as many metres on both carriers", func(rx *sky.Receiver, s []satellite.ID) {
			rx.Slip(s[3], l1, 154, false)
			rx.Slip(s[3], l5, 115, false)
		}},
		{"two satellites, another way each", func(rx *sky.Receiver, s []satellite.ID) {
			rx.Slip(s[0], l1, 1, false)
			rx.Slip(s[5], l5, -1, false)
		}},
		{"told by the lock time", func(rx *sky.Receiver, s []satellite.ID) { rx.Slip(s[4], l1, 3, true) }},
	} {
		d := newDrive(2)
		d.rx.Phase = 0.002
		d.start()
		slips := 0
		for i := range 150 {
			if i == 50 {
				c.slip(d.rx, d.sky.Satellites())
			}
			st := d.step(nil)
			slips += st.Slips
			if st.Lack != None {
				t.Fatalf("%s: epoch %d: %v", c.name, i, st.Lack)
			}
			if h, u := d.off(st); h > 0.02 || u > 0.06 {
				t.Fatalf("%s: epoch %d: %.3f m, %.3f m up", c.name, i, h, u)
			}
		}
		if slips == 0 || slips > 8 {
			t.Errorf("%s: %d slips", c.name, slips)
		}
	}
}

// An unresolved half cycle that is resolved is a new arc, not a displacement.
func TestPath_HalfCycle(t *testing.T) {
	d := newDrive(3)
	sat := d.sky.Satellites()[1]
	open := func(e *observation.Epoch) { e.Find(sat, l1).HalfCycle = true }
	for range 75 {
		d.step(open)
	}
	d.path.Anchor(d.place())
	for i := range 100 {
		edit := open
		if i >= 50 {
			edit = nil
		}
		if i == 50 {
			d.rx.Slip(sat, l1, 0.5, false)
		}
		st := d.step(edit)
		if h, _ := d.off(st); st.Lack != None || h > 0.003 {
			t.Fatalf("epoch %d: %v, %.3f m", i, st.Lack, h)
		}
		if i == 50 && st.LeftOut != 0 {
			t.Error("the bit did not end the arc")
		}
	}
}

// Arcs that end one after the other hand the position over; all at once end it.
func TestPath_HandOver(t *testing.T) {
	d := newDrive(4)
	d.rx.Phase = 0.002
	d.start()
	sats := d.sky.Satellites()
	for i := range 5 * 12 * len(sats) {
		if i%60 == 30 {
			s := sats[(i/60)%len(sats)]
			d.rx.Slip(s, l1, 7, true)
			d.rx.Slip(s, l5, 7, true)
		}
		st := d.step(nil)
		if st.Lack != None {
			t.Fatalf("epoch %d: %v", i, st.Lack)
		}
		if h, _ := d.off(st); h > 0.06 || h > bound(st, 0) {
			t.Fatalf("epoch %d: %.3f m, level %.3f", i, h, bound(st, 0))
		}
	}
	if age := d.path.State().Age; age < 100 {
		t.Errorf("carried for %.0f s only", age)
	}
	for _, s := range sats {
		d.rx.Slip(s, l1, 3, true)
		d.rx.Slip(s, l5, 3, true)
	}
	for range 20 {
		if st := d.step(nil); st.Lack == None {
			t.Fatal("carried over a slip of all phases")
		}
	}
}

// A silence of the observations longer than an arc survives ends it, a shorter
// one does not.
func TestPath_Gap(t *testing.T) {
	for _, c := range []struct {
		gap  float64
		want bool
	}{{2, true}, {6, false}} {
		d := newDrive(5)
		d.start()
		d.n += int(c.gap * d.rate)
		st := d.step(nil)
		if got := st.Lack == None; got != c.want {
			t.Errorf("after %g s: %v", c.gap, st.Lack)
		}
		if h, _ := d.off(st); c.want && h > 0.003 {
			t.Errorf("after %g s: %.3f m off", c.gap, h)
		}
	}
}

// What a satellite's clock, a wrong ephemeris or an unhealthy satellite does is seen
// or inside the level.
func TestPath_FaultySatellite(t *testing.T) {
	for _, speed := range []float64{0.0005, 0.002, 0.01, 0.1, 5} {
		d := newDrive(6)
		d.rx.Phase = 0.002
		bad := d.sky.Satellites()[3]
		d.start()
		from := d.now()
		d.rx.Clocks = func(s satellite.ID, at gnsstime.Time) float64 {
			if s == bad {
				return speed * at.Sub(from)
			}
			return 0
		}
		for i := range 300 {
			st := d.step(nil)
			if st.Lack != None {
				t.Fatalf("%g m/s: epoch %d: %v", speed, i, st.Lack)
			}
			h, u := d.off(st)
			if h > bound(st, 0) || u > bound(st, 1) {
				t.Fatalf("%g m/s: epoch %d: %.3f m off, level %.3f, up %.3f, %.3f", speed, i, h, bound(st, 0), u, bound(st, 1))
			}
		}
	}
}

func TestPath_UnhealthySatelliteIsLeft(t *testing.T) {
	d := newDrive(7)
	d.start()
	before := d.step(nil).Satellites
	sick := d.sky.Orbits.Sets(d.sky.Satellites()[0])[0]
	sick.Health = 1
	sick.Toe = sick.Toe.Add(1)
	d.sky.Orbits.Add(&sick)
	if st := d.step(nil); st.Satellites != before-1 {
		t.Errorf("%d satellites, %d before one was unhealthy", st.Satellites, before)
	}
}

// A new ephemeris is gone over to where the path is anchored, and moves nothing.
func TestPath_NewEphemeris(t *testing.T) {
	d := newDrive(12)
	d.start()
	for _, sat := range d.sky.Satellites() {
		set := d.sky.Orbits.Sets(sat)[0]
		set.Toc = set.Toc.Add(60) // another clock, the same orbit
		set.Af0 += 3e-9
		set.Af1 += 1e-13
		set.Issue++
		d.sky.Orbits.Add(&set)
	}
	for i := range 100 {
		st := d.step(nil)
		if h, _ := d.off(st); st.Lack != None || h > 0.003 || st.LeftOut > 0 {
			t.Fatalf("epoch %d: %v, %.3f m, %d left out", i, st.Lack, h, st.LeftOut)
		}
		if i%20 == 10 {
			d.path.Anchor(d.place())
		}
	}
}

// Without orbits, without enough satellites, without an anchor: the reason.
func TestPath_SaysWhatItLacks(t *testing.T) {
	d := newDrive(8)
	for range 50 {
		d.step(nil)
	}
	if st := d.step(nil); st.Lack != NoAnchor || st.RateLack != None {
		t.Errorf("never anchored: %v, rate %v", st.Lack, st.RateLack)
	}
	d.path.Anchor(d.place())
	few := func(e *observation.Epoch) { e.Obs = e.Obs[:8] }
	for range 5 {
		if st := d.step(few); st.Lack != FewPhases {
			t.Errorf("four satellites: %v", st.Lack)
		}
	}
	var p Path
	var none orbit.Store
	for range 3 {
		d.n++
		p.Observe(d.epoch(), &none, d.place())
		p.Anchor(d.place())
	}
	d.n++
	if st := p.Observe(d.epoch(), &none, d.place()); st.Lack != NoEphemeris {
		t.Errorf("no ephemerides: %v", st.Lack)
	}
}

// With errors as they are taken to be, drawn anew 60 times: the displacement after
// a minute is inside its level, and its normalized error squared is no larger than its
// three degrees of freedom allow.
func TestPath_Consistent(t *testing.T) {
	const runs = 60
	nees := 0.0
	for run := range runs {
		seed := uint64(100 + run)
		d := newDrive(seed)
		d.rate = 1
		d.rx.Phase = phaseSigma
		r := rand.New(rand.NewPCG(seed, 2))
		d.start()
		from := d.now()
		clock, iono := map[satellite.ID]float64{}, map[satellite.ID]float64{}
		for _, s := range d.sky.Satellites() {
			clock[s], iono[s] = r.NormFloat64(), r.NormFloat64()
		}
		d.rx.Clocks = func(s satellite.ID, at gnsstime.Time) float64 {
			return clock[s] * ClockDrift(s.System, at.Sub(from))
		}
		d.rx.Iono = func(s satellite.ID, at gnsstime.Time) float64 { return iono[s] * ionoRate * at.Sub(from) * 1.5 }
		var st *State
		for range 60 {
			st = d.step(nil)
		}
		if st.Lack != None {
			t.Fatalf("run %d: %v", run, st.Lack)
		}
		if h, u := d.off(st); h > bound(st, 0) || u > bound(st, 1) {
			t.Errorf("run %d: %.3f m of %.3f, up %.3f of %.3f", run, h, bound(st, 0), u, bound(st, 1))
		}
		nees += normalized(d, st)
	}
	// What is claimed is inflated; without that the sum is chi-square of 3·60 degrees of
	// freedom: 144.7 to 219.0 in 95 % (by its normal approximation of Wilson and
	// Hilferty 1931, from memory).
	claimed := nees
	if nees *= inflation * inflation; nees > 219.0 || nees < 144.7 {
		t.Errorf("normalized errors squared sum to %.0f without inflation, want 145 to 219; %.0f as claimed", nees, claimed)
	}
}

// normalized is e'·inv(P)·e of the carried position.
func normalized(d *drive, st *State) float64 {
	f := geodesy.NewFrame(d.place().LLA())
	o := f.FromECEF(st.Position)
	e := [3]float64{o.E, o.N, o.U}
	p := st.Cov
	// Gauss.
	x := e
	for i := range 3 {
		for j := i + 1; j < 3; j++ {
			m := p[j][i] / p[i][i]
			for k := range 3 {
				p[j][k] -= m * p[i][k]
			}
			x[j] -= m * x[i]
		}
	}
	for i := 2; i >= 0; i-- {
		for k := i + 1; k < 3; k++ {
			x[i] -= p[i][k] * x[k]
		}
		x[i] /= p[i][i]
	}
	return e[0]*x[0] + e[1]*x[1] + e[2]*x[2]
}

func TestPath_AllocatesNothing(t *testing.T) {
	d := newDrive(10)
	d.start()
	var epochs []*observation.Epoch
	for range 60 {
		d.n++
		epochs = append(epochs, d.epoch())
	}
	i := 0
	if n := testing.AllocsPerRun(50, func() {
		d.path.Observe(epochs[i], &d.sky.Orbits, home.ECEF())
		d.path.Anchor(d.path.position())
		i++
	}); n != 0 {
		t.Errorf("%g allocations an epoch", n)
	}
	if d.path.State().Lack != None {
		t.Error(d.path.State().Lack)
	}
}

func BenchmarkObserve(b *testing.B) {
	d := newDrive(11)
	d.start()
	var epochs []*observation.Epoch
	for range 500 {
		d.n++
		epochs = append(epochs, d.epoch())
	}
	b.ReportMetric(float64(len(epochs[0].Obs)), "phases")
	i := 0
	for b.Loop() {
		if i == len(epochs) {
			b.StopTimer()
			d.path.Reset()
			d.path.Observe(epochs[0], &d.sky.Orbits, home.ECEF())
			d.path.Anchor(home.ECEF())
			i = 1
			b.StartTimer()
		}
		d.path.Observe(epochs[i], &d.sky.Orbits, home.ECEF())
		i++
	}
}
