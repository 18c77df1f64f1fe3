package rtcm

import (
	"bytes"
	"math"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// sampleEphemerides returns one message of every kind; near is when it is sent.
func sampleEphemerides() (list []Ephemeris, near gnsstime.Time) {
	near = gnsstime.Time{Week: 2446, TOW: 604000} // minutes before the week ends
	toe := gnsstime.Time{Week: 2447, TOW: 0}
	k := orbit.Kepler{SqrtA: 5153.6, Ecc: 0.0123, M0: -3.1, DeltaN: 4.2e-9, Omega0: -1.9, OmegaDot: -8.1e-9, I0: 0.96, IDot: -2e-10, Omega: -1.1,
		Cuc: -3.3e-6, Cus: 9e-6, Crc: 210, Crs: -61.5, Cic: -1.2e-7, Cis: 8e-8}
	keplerian := func(number int, sys System, n uint8, week int) Ephemeris {
		return Ephemeris{Number: number, Set: orbit.Ephemeris{Sat: satellite.ID{System: sys, Number: n}, Toe: toe, Toc: toe, Issue: 17, Week: week,
			Af0: -1.2e-4, Af1: -2e-12, Accuracy: 3, GroupDelay: [2]float64{-4e-9, 0}, Kepler: k}}
	}
	g := keplerian(1019, GPS, 32, 2446)
	g.CodesOnL2, g.L2P, g.Fit, g.Set.IssueClock, g.Set.Health, g.Set.FitHours = 1, true, true, 529, 63, 6
	g.Set.Af2 = math.Ldexp(-3, -55)
	j := keplerian(1044, QZSS, 2, 2446)
	j.CodesOnL2, j.Set.IssueClock, j.Set.FitHours = 2, 900, 2
	c := keplerian(1042, BeiDou, 63, 2446-1356)
	c.Set.Toe, c.Set.Toc = toe.Add(14), toe.Add(14) // 0 s of BeiDou's week
	c.Set.GroupDelay, c.Set.IssueClock, c.Set.Health = [2]float64{-3.1e-9, 5e-9}, 30, 1
	f := keplerian(1045, Galileo, 36, 2446-1024)
	f.Set.Source, f.Set.Health, f.Reserved = orbit.FNAV, 5<<3, 77
	i := keplerian(1046, Galileo, 1, 2446-1024)
	i.Set.Source, i.Set.Health, i.Reserved, i.Set.GroupDelay[1] = orbit.INAV, 3<<6|6, 2, -5e-9
	r := Ephemeris{Number: 1020, Reserved: 5, Set: orbit.Ephemeris{Sat: satellite.ID{System: GLONASS, Number: 24}, Issue: 11, Af0: -5e-5, Af1: 1e-12, Accuracy: 4,
		GroupDelay: [2]float64{2e-9, 0}, Inertial: orbit.Inertial{Pos: geodesy.ECEF{X: 14260299.8, Y: -5967507.8, Z: 20344606.9},
			Vel: geodesy.ECEF{X: -1383.9, Y: 2404.6, Z: -1675.7}, Acc: geodesy.ECEF{X: 9e-7, Z: -2.8e-6}, Channel: -7, AgeDays: 3}},
		Strings: GLONASSStrings{AlmanacHealth: true, AlmanacKnown: true, P1: 3, Tk: 2741, P2: true, P3: true, P: 2, P4: true, NT: 1000, M: 1, Additional: true,
			NA: 999, TauC: -1e-8, N4: 8, TauGPS: 2e-8}}
	// 02:45 in Moscow on Sunday is 23:45 UTC on Saturday.
	r.Set.Toe = gnsstime.Time{Week: 2446, TOW: 604800 - 15*60 + 18}
	r.Set.Toc = r.Set.Toe
	return []Ephemeris{g, j, c, f, i, r}, near
}

func TestEphemeris_RoundTrip(t *testing.T) {
	list, near := sampleEphemerides()
	for _, e := range list {
		raw, err := e.Encode()
		if err != nil {
			t.Fatal(e.Number, err)
		}
		var d, again Ephemeris
		if err := d.Decode(raw, near); err != nil {
			t.Fatal(err)
		}
		raw2, err := d.Encode()
		if err != nil || !bytes.Equal(raw, raw2) {
			t.Errorf("%d: %v; encodes to\n%x, was\n%x", e.Number, err, raw2, raw)
		}
		if err := again.Decode(raw2, near); err != nil || again != d {
			t.Errorf("%d: %v\n%+v, was\n%+v", e.Number, err, again, d)
		}
		// What is not a scaled number comes back as it was; the rest within half
		// of the last bit: the orbit within centimetres.
		flat := func(x Ephemeris) Ephemeris {
			x.Set.Kepler, x.Set.Inertial.Pos, x.Set.Inertial.Vel, x.Set.Inertial.Acc = orbit.Kepler{}, geodesy.ECEF{}, geodesy.ECEF{}, geodesy.ECEF{}
			x.Set.Af0, x.Set.Af1, x.Set.Af2, x.Set.GroupDelay, x.Strings.TauC, x.Strings.TauGPS = 0, 0, 0, [2]float64{}, 0, 0
			return x
		}
		if flat(d) != flat(e) {
			t.Errorf("%d: decodes to\n%+v, was\n%+v", e.Number, flat(d), flat(e))
		}
		a, b := d.Set.At(e.Set.Toe.Add(600)), e.Set.At(e.Set.Toe.Add(600))
		if p := a.Pos.Dist(b.Pos); !(p < 1.5) || math.Abs(a.Clock-b.Clock) > 1e-9 {
			t.Errorf("%d: %.3f m, %g s from what was encoded", e.Number, p, a.Clock-b.Clock)
		}
	}
}

func TestEphemeris_Refused(t *testing.T) {
	list, near := sampleEphemerides()
	var d Ephemeris
	for _, e := range list {
		raw, err := e.Encode()
		if err != nil {
			t.Fatal(err)
		}
		p := raw[headLen : len(raw)-crcLen]
		if err := d.Decode(Frame(p[:len(p)-1]), near); err == nil {
			t.Errorf("%d cut short is accepted", e.Number)
		}
		zero := append([]byte{p[0], p[1] & 0xF0}, make([]byte, len(p)-2)...)
		if err := d.Decode(Frame(zero), near); err == nil {
			t.Errorf("%d of zeros is accepted", e.Number)
		}
		big := e
		big.Set.GroupDelay[0] = 1
		if _, err := big.Encode(); err == nil {
			t.Errorf("%d: a group delay of 1 s is encoded", e.Number)
		}
	}
	if err := d.Decode(EncodeBase(1005, 1, geodesy.ECEF{}, 0), near); err == nil {
		t.Error("1005 is accepted")
	}
	if err := d.Decode(nil, near); err == nil {
		t.Error("nothing is accepted")
	}
	if _, err := (&Ephemeris{Number: 1019, Set: orbit.Ephemeris{Sat: satellite.ID{System: GLONASS, Number: 1}}}).Encode(); err == nil {
		t.Error("GLONASS as 1019 is encoded")
	}
}

func FuzzEphemeris(f *testing.F) {
	list, near := sampleEphemerides()
	for _, e := range list {
		raw, _ := e.Encode()
		f.Add(raw[headLen : len(raw)-crcLen])
	}
	f.Fuzz(func(t *testing.T, p []byte) { checkEphemeris(t, p, near) })
}

// checkEphemeris decodes a payload: what decodes encodes to the same bits and
// has a position.
func checkEphemeris(t *testing.T, p []byte, near gnsstime.Time) (decoded bool) {
	if len(p) > maxPayload {
		return false
	}
	var e Ephemeris
	if e.Decode(Frame(p), near) != nil {
		return false
	}
	again, err := e.Encode()
	if err != nil {
		t.Errorf("%d decodes and does not encode: %v", e.Number, err)
		return true
	}
	bits := ephemerisBits[e.Number]
	a := again[headLen : len(again)-crcLen]
	for i := range a {
		mask := byte(0xFF)
		if 8*i+8 > bits {
			mask <<= 8*i + 8 - bits
		}
		if (a[i]^p[i])&mask != 0 {
			t.Errorf("%d encodes to\n%x, was\n%x", e.Number, a, p)
			return true
		}
	}
	if s := e.Set.At(e.Set.Toe.Add(900)); math.IsNaN(s.Pos.X) || math.IsInf(s.Pos.X, 0) {
		t.Errorf("%v: no position: %+v", e.Set.Sat, e.Set)
	}
	return true
}

func FuzzObservables(f *testing.F) {
	for sys := range NSystems {
		for typ := 1; typ <= 7; typ++ {
			o := sampleObservables(sys, typ, 5)
			raw, _ := o.Encode()
			f.Add(raw[headLen : len(raw)-crcLen])
		}
	}
	near := gnsstime.Time{Week: 2446, TOW: 1}
	f.Fuzz(func(t *testing.T, p []byte) { checkObservables(t, p, near) })
}

// checkObservables decodes a payload: what decodes agrees with its header,
// encodes to as many bytes and decodes to the same again.
func checkObservables(t *testing.T, p []byte, near gnsstime.Time) (decoded bool) {
	if len(p) > maxPayload {
		return false
	}
	raw := Frame(p)
	var o, d Observables
	if o.Decode(raw) != nil {
		return false
	}
	var m Message
	m.Decode(raw)
	if m.Truncated || m.Cells != o.NCells || m.Sats != o.NSats || m.Signals != o.NSignals || m.EpochMs != o.EpochMs {
		t.Errorf("the header says %+v, the content %d satellites, %d signals, %d cells", m, o.NSats, o.NSignals, o.NCells)
	}
	again, err := o.Encode()
	if err != nil || len(again) != len(raw) {
		t.Errorf("decodes and does not encode: %v", err)
		return true
	}
	if err := d.Decode(again); err != nil || d != o {
		t.Errorf("%v: decodes to\n%+v, was\n%+v", err, d, o)
	}
	all, unnamed := o.AppendTo(nil, nil)
	if len(all)+unnamed != o.NCells {
		t.Errorf("%d observations and %d unnamed of %d cells", len(all), unnamed, o.NCells)
	}
	if at := o.Time(near); !(at.TOW >= 0 && at.TOW < gnsstime.Week) {
		t.Errorf("time %+v", at)
	}
	return true
}

// Everything that observations need: frames, CRC, all fields, in m and cycles.
func BenchmarkFullDecoding(b *testing.B) {
	var data []byte
	list, near := sampleEphemerides()
	for i := range 300 {
		for k, sys := range []System{GPS, GLONASS, Galileo, BeiDou} {
			o := sampleObservables(sys, 7, uint64(i))
			o.More, o.EpochMs = k < 3, int64(1000*i)
			if sys == GLONASS {
				o.Day, o.EpochMs = 0, o.EpochMs-18000+3*3600000
			}
			// Ten satellites on two signals, as receivers send.
			o.SatMask, o.SignalMask, o.CellMask = 0xFFC<<40, 1<<30|1<<16, uint64(1<<20-1)<<44
			o.NSats, o.NSignals, o.NCells = 10, 2, 20
			o.number()
			raw, err := o.Encode()
			if err != nil {
				b.Fatal(err)
			}
			data = append(data, raw...)
		}
		raw, err := list[i%len(list)].Encode()
		if err != nil {
			b.Fatal(err)
		}
		data = append(data, raw...)
	}
	var s Scanner
	var j Epochs
	var e Ephemeris
	sets := 0
	frame := func(m *Message) {
		switch {
		case m.MSM > 0:
			j.Push(s.Raw(), near, nil)
		case IsEphemeris(m.Number):
			if e.Decode(s.Raw(), near) == nil {
				sets++
			}
		}
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		for i := 0; i < len(data); i += 4096 {
			s.Push(data[i:min(i+4096, len(data))], frame, nil)
		}
	}
	if j.Counts.Epochs == 0 || sets == 0 || j.Counts.Refused > 0 {
		b.Fatalf("%+v, %d sets", j.Counts, sets)
	}
}
