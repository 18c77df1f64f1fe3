package fusion

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"kerbline/gnss/rtcm"
)

// decoded is a measurement with what it points to copied, fit for comparing.
func decoded(m *Measurement) Measurement {
	c := *m
	if c.Frame != nil {
		f := *c.Frame
		c.Frame = &f
	}
	if c.Observed != nil {
		e := *c.Observed
		e.Obs = slices.Clone(e.Obs)
		c.Observed = &e
	}
	if c.Ephemeris != nil {
		e := *c.Ephemeris
		c.Ephemeris = &e
	}
	return c
}

func decodeAll(records ...Record) (ms []Measurement) {
	d := NewDecoder(DefaultConfig())
	emit := func(m *Measurement) { ms = append(ms, decoded(m)) }
	t := 0.0
	for _, r := range records {
		d.Decode(r, emit)
		t = r.T
	}
	d.Close(t, emit)
	return ms
}

func TestDecode_IMUAndWheel(t *testing.T) {
	got := decodeAll(
		Record{T: 100.25, Channel: ChanIMU, Data: []byte("t,wx,wy,wz,fx,fy,fz\r\n100.001,-0.5,2.5e-3, 3 ,-0.08545,+.5,9.8125\r\n")},
		Record{T: 100.3, Channel: ChanWheel, Data: []byte("t,v\n100.25,-1.5\n")},
		Record{T: 100.4, Channel: ChanWheel, Data: []byte("100.35,12")},
		Record{T: 100.5, Channel: ChanWheel, Data: []byte(".25\n\n100.45,3")},
		Record{T: 101, Channel: ChanTick}, Record{T: 101, Channel: ChanNote, Data: []byte("mark start")},
	)
	want := []Measurement{
		{T: 100.001, Kind: KindIMU, Channel: ChanIMU, W: [3]float64{-0.5, 0.0025, 3}, F: [3]float64{-0.08545, 0.5, 9.8125}},
		{T: 100.25, Kind: KindWheel, Channel: ChanWheel, V: -1.5},
		{T: 100.35, Kind: KindWheel, Channel: ChanWheel, V: 12.25},
		{T: 101, Kind: KindTick, Channel: ChanTick},
		{T: 101, Kind: KindNote, Channel: ChanNote, Note: "mark start"},
		{T: 100.45, Kind: KindWheel, Channel: ChanWheel, V: 3}, // a last line without line end
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
}

// Each bad line is one refusal with its reason and line number, and the good
// line after it counts.
func TestDecode_RefusedLines(t *testing.T) {
	for _, tt := range []struct {
		line string
		why  Refusal
		note string
	}{
		{"100,1,2,3,4,5", RefusedFields, "6 fields, want the columns t,wx,wy,wz,fx,fy,fz"},
		{"100,1,2,3,4,5,6,7", RefusedFields, "8 fields, want the columns"},
		{"100,1,2,3,4,5,6,", RefusedFields, "8 fields, want the columns"},
		{"100,1,2,3,4,5,", RefusedField, "fz is empty, want a number"},
		{"100,1,NaN,3,4,5,6", RefusedField, `wy is "NaN", want a finite number`},
		{"100,1,2,3,4,5,Inf", RefusedField, `fz is "Inf"`},
		{"100,1,2,3,4,5,-inf", RefusedField, `fz is "-inf"`},
		{"nan,1,2,3,4,5,6", RefusedField, `t is "nan"`},
		{"100,1,2,3,4,5,0x10", RefusedField, `fz is "0x10"`},
		{"100,1,2,3,4,5,1_0", RefusedField, `fz is "1_0"`},
		{"100,1,2,3,4,5,1e999", RefusedField, `fz is "1e999"`},
		{"100,1,2,3,4,5,1.2.3", RefusedField, `fz is "1.2.3"`},
		{"100,1,2,3,4,5,--1", RefusedField, `fz is "--1"`},
		{"100;1;2;3;4;5", RefusedFields, "6 fields, want the columns"},
		{"\x00\xff\x80", RefusedFields, "1 fields, want the columns"},
		{"100000000000,1,2,3,4,5,6", RefusedRange, "time is 1e+11, want Unix s"},
		{"1778922000782,1,2,3,4,5,6", RefusedRange, "time is 1.778922000782e+12, want Unix s"},
		{"-1,1,2,3,4,5,6", RefusedRange, "time is -1, want Unix s"},
		{"100,1,2,3500,4,5,6", RefusedRange, "over 100 times full scale"},
		{"100,1,2,3,4,5,98125", RefusedRange, "over 100 times full scale"},
		{"wx", RefusedFields, "1 fields, want the columns"},
		{strings.Repeat("1", maxCSVLine+1), RefusedTooLong, "over 512 bytes"},
		{strings.Repeat("1,", 100*maxCSVLine), RefusedTooLong, "over 512 bytes"},
	} {
		good := "100.5,0,0,0,0,0,9.8\n"
		got := decodeAll(Record{T: 7, Channel: ChanIMU, Data: []byte(good + tt.line + "\r\n" + good)})
		if len(got) != 3 || got[0].Kind != KindIMU || got[2].Kind != KindIMU {
			t.Errorf("%.40q: %+v, want a sample, a refusal, a sample", tt.line, got)
			continue
		}
		r := got[1]
		if r.Kind != KindRefused || r.T != 7 || r.Channel != ChanIMU || Refusal(r.Reason) != tt.why || !strings.HasPrefix(r.Note, "imu: line 2: ") || !strings.Contains(r.Note, tt.note) {
			t.Errorf("%.40q: refused for %q (%s) at %g, want %q (%s) at 7", tt.line, r.Note, Refusal(r.Reason), r.T, tt.note, tt.why)
		}
	}
	got := decodeAll(Record{T: 7, Channel: ChanWheel, Data: []byte("t,v\n100,200000\n100,1,2\n")})
	if len(got) != 2 || Refusal(got[0].Reason) != RefusedRange || Refusal(got[1].Reason) != RefusedFields || !strings.HasPrefix(got[1].Note, "wheel: line 3: ") {
		t.Errorf("wheel: %+v", got)
	}
	// A unit in degrees or in g is not garbage: the monitor is to see it.
	if got := decodeAll(Record{Channel: ChanIMU, Data: []byte("100,0,0,2000,0,0,1\n")}); len(got) != 1 || got[0].Kind != KindIMU {
		t.Errorf("degrees per second: %+v, want a sample", got)
	}
}

func TestNoData(t *testing.T) {
	for _, tt := range []struct {
		line   string
		number int
		want   bool
	}{
		{"", 9, true}, {"t,wx,wy,wz,fx,fy,fz", 1, true}, {"t,v", 500, true}, {"# note", 500, true}, {"% note", 2, true},
		{"time,v", 1, true}, {"\"t\",\"v\"", 1, true}, {"time,v", 2, false}, {"nan,1", 1, false}, {"Inf,1", 1, false},
		{"1,2", 1, false}, {"txt", 2, false}, {"-1,2", 1, false},
	} {
		if got := NoData([]byte(tt.line), tt.number); got != tt.want {
			t.Errorf("NoData(%q, %d) = %v, want %v", tt.line, tt.number, got, tt.want)
		}
	}
}

const (
	gga = "$GNGGA,090000.10,4417.4818706,N,01151.7847181,E,4,25,0.55,104.491,M,47.000,M,1.0,1201*6D"
	rmc = "$GNRMC,090000.10,A,4417.4818706,N,01151.7847181,E,0.086,261.44,160526,,,A,V*0D"
)

func TestDecode_Sentences(t *testing.T) {
	got := decodeAll(
		Record{T: 1778922001, Channel: ChanNMEA, Data: []byte("\\c:1778922000875*63\\" + gga + "\r\n" + rmc + "\r\n$GPGGA,1*00\r\n")},
		Record{T: 1778922001.2, Channel: ChanTick},
	)
	if len(got) != 3 {
		t.Fatalf("got %+v, want a refusal, an epoch, a tick", got)
	}
	if r := got[0]; r.Kind != KindRefused || r.Channel != ChanNMEA || Refusal(r.Reason) != RefusedChecksum || r.T != 1778922001 || !strings.Contains(r.Note, "checksum") {
		t.Errorf("refusal is %+v", r)
	}
	e := got[1]
	if e.Kind != KindEpoch || e.Epoch == nil || e.T != e.Epoch.Complete {
		t.Fatalf("epoch is %+v", e)
	}
	// 2026-05-16 09:00:00.10 UTC: computed with date(1).
	if e.Epoch.UTC != 1778922000.1 || e.Epoch.Arrival != 1778922000.875 || e.Epoch.Station != 1201 {
		t.Errorf("epoch of %.3f, arrived %.3f, station %d", e.Epoch.UTC, e.Epoch.Arrival, e.Epoch.Station)
	}
	if got[2].Kind != KindTick {
		t.Errorf("third is %+v, want the tick", got[2])
	}
}

func TestDecode_LastEpochComesOut(t *testing.T) {
	got := decodeAll(Record{T: 1778922000.9, Channel: ChanNMEA, Data: []byte(gga + "\r\n" + rmc[:20])})
	if len(got) != 2 || got[0].Kind != KindRefused || Refusal(got[0].Reason) != RefusedCut || got[1].Kind != KindEpoch || got[1].T != 1778922000.9 {
		t.Errorf("got %+v, want the cut sentence refused and the open epoch", got)
	}
}

func TestDecode_Corrections(t *testing.T) {
	frame := rtcm.EncodeBiases(7, [4]float64{})
	bad := append([]byte(nil), frame...)
	bad[len(bad)-1] ^= 1
	stream := append(append([]byte("??"), frame...), bad...)
	got := decodeAll(Record{T: 5, Channel: ChanCorrections, Data: stream[:4]}, Record{T: 6, Channel: ChanCorrections, Data: stream[4:]})
	var kinds []Kind
	junk := 0
	for _, m := range got {
		kinds = append(kinds, m.Kind)
		if m.Kind == KindJunk {
			junk += int(m.N)
		}
		if m.Kind == KindFrame && (m.T != 6 || m.Frame.Number != 1230 || m.Frame.Station != 7) {
			t.Errorf("frame is %+v at %g", m.Frame, m.T)
		}
	}
	if want := []Kind{KindLink, KindJunk, KindLink, KindFrame, KindJunk}; !reflect.DeepEqual(kinds, want) || junk != 2+len(bad) {
		t.Errorf("kinds %v, want %v; junk %d bytes, want %d", kinds, want, junk, 2+len(bad))
	}
}

// Where records are cut does not change what they hold: only the times of what
// has none of its own.
func TestDecode_AnyCut(t *testing.T) {
	streams := map[Channel][]byte{
		ChanNMEA:        []byte("\\c:1778922000875*63\\" + gga + "\r\n$GN\xb5b\x02\x15" + rmc + rmc + "\n$GPGPGGA,,*\r\n"),
		ChanCorrections: append(append(rtcm.EncodeBiases(7, [4]float64{}), 0xd3, 0, 5), rtcm.EncodeBiases(8, [4]float64{})...),
		ChanIMU:         []byte("t,wx,wy,wz,fx,fy,fz\n1,0,0,0,0,0,9\r\n2,,\n" + strings.Repeat("9", 600) + "\n3,0,0,0,0,0,9\n4,0,0,0,0,0,9"),
		ChanWheel:       []byte("1,2\n\n\r\nx\n3,4\n"),
	}
	for ch, b := range streams {
		show := func(ms []Measurement) (s []string) {
			for _, m := range ms {
				if m.Kind == KindLink || m.Kind == KindJunk {
					continue // their sizes are those of the records
				}
				s = append(s, fmt.Sprintf("%d %s %v %v %v %+v", m.Kind, m.Note, m.W, m.F, m.V, m.Frame))
			}
			return s
		}
		want := show(decodeAll(Record{Channel: ch, Data: b}))
		rng := rand.New(rand.NewPCG(1, uint64(ch)))
		for range 200 {
			var rs []Record
			for rest := b; len(rest) > 0; {
				n := min(len(rest), 1+rng.IntN(40))
				rs = append(rs, Record{Channel: ch, Data: rest[:n]})
				rest = rest[n:]
			}
			if got := show(decodeAll(rs...)); !reflect.DeepEqual(got, want) {
				t.Fatalf("%s: cut into %d records gives\n%s\nwhole gives\n%s", ch, len(rs), strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		}
	}
}

func TestDecodeAllocatesNothing(t *testing.T) {
	imu := []byte("1778922000.782169,-0.003733,0.002248,0.001714,-0.08545,0.00463,9.81250\r\n")
	wheel := []byte("1778922000.799244,0.0000\n")
	frame := rtcm.EncodeBiases(7, [4]float64{1, 2, 3, 4})
	d := NewDecoder(DefaultConfig())
	n := 0
	emit := func(*Measurement) { n++ }
	step := func() {
		d.Decode(Record{T: 1, Channel: ChanIMU, Data: imu}, emit)
		d.Decode(Record{T: 1, Channel: ChanIMU, Data: imu[:30]}, emit)
		d.Decode(Record{T: 1, Channel: ChanIMU, Data: imu[30:]}, emit)
		d.Decode(Record{T: 1, Channel: ChanWheel, Data: wheel}, emit)
		d.Decode(Record{T: 1, Channel: ChanCorrections, Data: frame}, emit)
		d.Decode(Record{T: 1, Channel: ChanTick}, emit)
	}
	if a := testing.AllocsPerRun(100, step); a != 0 {
		t.Errorf("%v allocations, want 0", a)
	}
	if n == 0 {
		t.Error("nothing was decoded")
	}
}

func TestRefusalNames(t *testing.T) {
	seen := map[string]bool{}
	for r := range NumRefusals {
		if s := r.String(); s == "" || s == "unknown" || seen[s] {
			t.Errorf("refusal %d is called %q", r, s)
		} else {
			seen[s] = true
		}
	}
}

// Whatever arrives in whatever pieces: no panic, bounded memory, and finite
// numbers only.
func FuzzDecode(f *testing.F) {
	f.Add([]byte("\x00\x20"+gga+"\r\n\\c:1778922000875*63\\"+rmc), uint8(0))
	f.Add([]byte("1778922000.782169,-0.003733,0.002248,0.001714,-0.08545,0.00463,9.81250\r\n1,2,nan"), uint8(2))
	f.Add([]byte("1778922000.799244,0.0000\n-1,-2\n1e300,5"), uint8(3))
	f.Add(append(rtcm.EncodeBiases(7, [4]float64{}), 0xd3, 3, 0xff, 1, 2), uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, seed uint8) {
		d := NewDecoder(DefaultConfig())
		emit := func(m *Measurement) {
			x := m.T + m.V + m.W[0] + m.W[1] + m.W[2] + m.F[0] + m.F[1] + m.F[2]
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%+v is not finite", m)
			}
		}
		rng := rand.New(rand.NewPCG(uint64(seed), 1))
		at := 1.7e9
		for len(b) > 0 {
			n := min(len(b), 1+rng.IntN(100))
			ch := Channel(seed % 4)
			if rng.IntN(4) == 0 {
				ch = Channel(rng.IntN(int(nChannels) + 1))
			}
			d.Decode(Record{T: at, Channel: ch, Data: b[:n]}, emit)
			b = b[n:]
			at += rng.Float64() - 0.3
		}
		d.Close(at, emit)
		if cap(d.imu.held) > maxCSVLine || cap(d.wheel.held) > maxCSVLine {
			t.Fatal("a line is held that is longer than any")
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	for _, bb := range []struct {
		name string
		r    Record
	}{
		{"IMU", Record{Channel: ChanIMU, Data: []byte("1778922000.782169,-0.003733,0.002248,0.001714,-0.08545,0.00463,9.81250\n")}},
		{"Wheel", Record{Channel: ChanWheel, Data: []byte("1778922000.799244,10.0000\n")}},
	} {
		b.Run(bb.name, func(b *testing.B) {
			d := NewDecoder(DefaultConfig())
			b.SetBytes(int64(len(bb.r.Data)))
			b.ReportAllocs()
			n := 0
			emit := func(*Measurement) { n++ }
			for b.Loop() {
				d.Decode(bb.r, emit)
			}
			if n != b.N {
				b.Fatalf("%d measurements of %d lines", n, b.N)
			}
		})
	}
}
