package orbit

import (
	"math"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/satellite"
)

// sample returns plausible sets of every kind.
func samples() map[string]Ephemeris {
	toe := gnsstime.Time{Week: 2176, TOW: 288000}
	k := Kepler{SqrtA: 5153.7, Ecc: 0.012, M0: 0.9, DeltaN: 4.2e-9, Omega0: 1.9, OmegaDot: -8e-9, I0: 0.96, IDot: 2e-10, Omega: -1.1,
		Cuc: 3.3e-6, Cus: 9e-6, Crc: 210, Crs: -61, Cic: -1.2e-7, Cis: 8e-8}
	geo := k
	geo.SqrtA, geo.Ecc, geo.I0 = 6493.4, 4e-4, 0.1
	return map[string]Ephemeris{
		"GPS":        {Sat: satellite.ID{System: satellite.GPS, Number: 5}, Toe: toe, Toc: toe, Af0: 1e-4, Af1: 2e-12, Kepler: k},
		"Galileo":    {Sat: satellite.ID{System: satellite.Galileo, Number: 5}, Toe: toe, Toc: toe, Af0: 1e-4, Af1: 2e-12, Kepler: k},
		"BeiDou":     {Sat: satellite.ID{System: satellite.BeiDou, Number: 25}, Toe: toe, Toc: toe, Af0: 1e-4, Af1: 2e-12, Kepler: k},
		"BeiDou GEO": {Sat: satellite.ID{System: satellite.BeiDou, Number: 2}, Toe: toe, Toc: toe, Kepler: geo},
		"GLONASS": {Sat: satellite.ID{System: satellite.GLONASS, Number: 3}, Toe: toe, Toc: toe, Af0: -5e-5, Af1: 1e-12, Inertial: Inertial{
			Pos: geodesy.ECEF{X: 14260299.8, Y: -5967507.8, Z: 20344606.9}, Vel: geodesy.ECEF{X: -1383.9, Y: 2404.6, Z: 1675.7}, Acc: geodesy.ECEF{Z: -2.8e-6}}},
	}
}

// Velocity and clock drift are the derivatives of position and clock.
func TestVelocityIsTheDerivative(t *testing.T) {
	for name, e := range samples() {
		for _, dt := range []float64{-7000, -800, 0, 1234.5, 7000} {
			at := e.Toe.Add(dt)
			const h = 0.5
			a, b, m := e.At(at.Add(-h)), e.At(at.Add(h)), e.At(at)
			v := geodesy.ECEF{X: (b.Pos.X - a.Pos.X) / (2 * h), Y: (b.Pos.Y - a.Pos.Y) / (2 * h), Z: (b.Pos.Z - a.Pos.Z) / (2 * h)}
			if d := v.Dist(m.Vel); !(d < 1e-5) {
				t.Errorf("%s at %+g s: velocity off by %g m/s", name, dt, d)
			}
			if d := (b.Clock-a.Clock)/(2*h) - m.Drift; !(math.Abs(d) < 1e-17) {
				t.Errorf("%s at %+g s: clock drift off by %g", name, dt, d)
			}
		}
	}
}

// A geostationary satellite stands still over the Earth. Its elements refer to a
// plane tilted by 5 deg: an orbit over the equator has that inclination there.
func TestGeostationaryStandsStill(t *testing.T) {
	e := samples()["BeiDou GEO"]
	e.Kepler = Kepler{SqrtA: math.Sqrt(42164172), I0: 5 * math.Pi / 180, M0: 1, Omega0: math.Pi + earthBDS*e.toeOfWeek()}
	var first geodesy.LLA
	for h := range 25 {
		p := e.At(e.Toe.Add(float64(h) * 3600)).Pos
		lla := p.LLA()
		if h == 0 {
			first = lla
		}
		if d := math.Abs(lla.Lon - first.Lon); d > 0.01 || math.Abs(lla.Lat) > 1e-9 {
			t.Errorf("after %d h: %.2f N, %.2f deg from the first longitude", h, lla.Lat/geodesy.Degree, d/geodesy.Degree)
		}
	}
}

// The code shows the satellite's clock: sent at t by the system, a signal reads
// t + clock.
func TestTransmitted(t *testing.T) {
	for name, e := range samples() {
		sent := e.Toe.Add(321.5)
		s := e.At(sent)
		const delay = 7e-9
		tag := sent.Add(0.077) // at the receiver, on a perfect clock
		pr := satellite.SpeedOfLight * (0.077 - s.Clock + delay)
		when, got := e.Transmitted(tag, pr, delay)
		if d := when.Sub(sent); math.Abs(d) > 2e-10 {
			t.Errorf("%s: sent %g s off", name, d)
		}
		if d := got.Pos.Dist(s.Pos); d > 1e-5 || math.Abs(got.Clock-s.Clock) > 1e-18 {
			t.Errorf("%s: position %g m, clock %g s off", name, d, got.Clock-s.Clock)
		}
	}
}

func TestStore(t *testing.T) {
	s := Store{Keep: 2}
	e := samples()["GPS"]
	if !s.Add(&e) || s.Add(&e) {
		t.Error("the first is new, its repetition is not")
	}
	at := e.Toe
	if got := s.Find(e.Sat, at.Add(-3600)); got == nil || got.Toe != e.Toe {
		t.Errorf("found %v", got)
	}
	if s.Find(e.Sat, at.Add(3*3600)) != nil {
		t.Error("a set three hours old serves")
	}
	later, latest, early := e, e, e
	later.Toe, later.Toc = at.Add(7200), at.Add(7200)
	latest.Toe, latest.Toc = at.Add(14400), at.Add(14400)
	early.Toe, early.Toc = at.Add(-7200), at.Add(-7200)
	if !s.Add(&later) || !s.Add(&latest) || s.Add(&early) || len(s.Sets(e.Sat)) != 2 {
		t.Errorf("keeps %d sets", len(s.Sets(e.Sat)))
	}
	sick := latest
	sick.Health = 63
	if !s.Add(&sick) || s.Find(e.Sat, latest.Toe.Add(3600)) != nil {
		t.Error("an unhealthy satellite serves")
	}
	if s.Add(&Ephemeris{}) {
		t.Error("no satellite accepted")
	}
}

// Group delays that the messages hold are applied; those of GPS L5 (ISC of the civil
// message) and of BeiDou B1C and B2a (its own delays) are in none of 1019 and 1042: there
// is no number for them, and who needs one goes without that signal.
func TestDelay(t *testing.T) {
	gps, galileo, beidou := samples()["GPS"], samples()["Galileo"], samples()["BeiDou"]
	gps.GroupDelay = [2]float64{-8e-9}
	galileo.GroupDelay, galileo.Source = [2]float64{3e-9, 4e-9}, INAV
	beidou.GroupDelay = [2]float64{5e-9, 2e-9}
	for _, c := range []struct {
		e    *Ephemeris
		sig  string
		want float64 // s, NaN for none
	}{
		{&gps, "1C", -8e-9}, {&gps, "2W", -8e-9 * 1575.42 * 1575.42 / (1227.60 * 1227.60)}, {&gps, "5Q", math.NaN()},
		{&galileo, "1C", 4e-9}, {&galileo, "7Q", 4e-9 * 1575.42 * 1575.42 / (1207.14 * 1207.14)}, {&galileo, "5Q", 1e-9 + 3e-9*1575.42*1575.42/(1176.45*1176.45)},
		{&beidou, "2I", 5e-9}, {&beidou, "7I", 2e-9}, {&beidou, "6I", 0}, {&beidou, "1P", math.NaN()}, {&beidou, "5P", math.NaN()},
	} {
		got, ok := c.e.Delay(satellite.Signal{Band: c.sig[0], Attribute: c.sig[1]})
		if ok == math.IsNaN(c.want) || ok && !(math.Abs(got-c.want) < 1e-15) {
			t.Errorf("%v %s: %g s, %v, want %g", c.e.Sat, c.sig, got, ok, c.want)
		}
	}
}
