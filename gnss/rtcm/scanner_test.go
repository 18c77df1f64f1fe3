package rtcm

import (
	"bytes"
	"math/rand"
	"testing"

	"kerbline/gnss/geodesy"
)

// epoch returns one second of a base's corrections, about 800 bytes.
func epoch(i int) []byte {
	sats, sig := []int{3, 7, 11, 18, 22, 27, 31}, []int{2, 16}
	tow := int64(550818000 + 1000*i)
	var b []byte
	for k, sys := range []System{GPS, GLONASS, Galileo, BeiDou} {
		b = append(b, EncodeMSM(MSM{System: sys, Type: 7, Station: 1201, EpochMs: tow % 86400000, Day: 6,
			More: k < 3, Sats: sats, Signals: sig, Filler: uint64(4*i + k)})...)
	}
	if i%10 == 0 {
		b = append(b, EncodeBase(1005, 1201, geodesy.ECEF{X: 4469309, Y: 901214, Z: 4445533}, 0)...)
		b = append(b, EncodeBiases(1201, [4]float64{})...)
	}
	return b
}

// mixedStream returns about n bytes: epochs, sentences, a damaged frame and
// noise now and then.
func mixedStream(n int, seed int64) []byte {
	rng := rand.New(rand.NewSource(seed))
	var b []byte
	for i := 0; len(b) < n; i++ {
		e := epoch(i)
		if i%7 == 3 {
			e[rng.Intn(len(e))] ^= byte(1 + rng.Intn(255))
		}
		b = append(b, e...)
		if i%5 == 0 {
			b = append(b, "$GNGGA,235959.90,4807.0380000,N,01131.0000000,E,4,17,0.6,545.4000,M,46.9000,M,1.2,2003*5A\r\n"...)
		}
		if i%11 == 0 {
			for range rng.Intn(300) {
				b = append(b, byte(rng.Intn(256)))
			}
		}
	}
	return b
}

// cut returns b in pieces of random length.
func cut(b []byte, rng *rand.Rand, longest int) (pieces [][]byte) {
	for len(b) > 0 {
		n := min(1+rng.Intn(longest), len(b))
		pieces = append(pieces, b[:n])
		b = b[n:]
	}
	return pieces
}

// same reports whether two scans gave the same frames at the same places and
// the same bytes by reason.
func same(t *testing.T, what string, a, b tally) {
	t.Helper()
	if len(a.frames) != len(b.frames) {
		t.Fatalf("%s: %d frames, want %d", what, len(b.frames), len(a.frames))
	}
	for i := range a.frames {
		if a.frames[i] != b.frames[i] {
			t.Fatalf("%s: frame %d is %+v, want %+v", what, i, b.frames[i], a.frames[i])
		}
	}
	if a.bytes != b.bytes || a.fails != b.fails {
		t.Fatalf("%s: junk %v in %d failures, want %v in %d", what, b.bytes, b.fails, a.bytes, a.fails)
	}
}

// tricky has every way in which candidates can overlap, over and over: false
// preambles before, inside and at the end of frames, and damaged lengths.
func tricky(rng *rand.Rand, n int) []byte {
	var b []byte
	for range n {
		switch rng.Intn(7) {
		case 0:
			b = append(b, preamble, byte(rng.Intn(4)), byte(rng.Intn(256)))
		case 1:
			b = append(b, preamble)
		case 2:
			f := epoch(rng.Intn(20))
			f[1] = byte(rng.Intn(4)) // length
			b = append(b, f...)
		case 3:
			b = append(b, Frame([]byte{0x3E, preamble, 0, 1, preamble, byte(rng.Intn(4))})...)
		case 4:
			f := Frame(bytes.Repeat([]byte{preamble, 0, byte(rng.Intn(9))}, rng.Intn(60)))
			f[3+rng.Intn(3)] ^= byte(rng.Intn(2))
			b = append(b, f...)
		default:
			b = append(b, EncodeBiases(rng.Intn(4096), [4]float64{})...)
		}
	}
	return b
}

func TestScanner_AnyChunking(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	streams := map[string][]byte{
		"mixed": stream(t, "mixed.hex"), "ntrip": stream(t, "ntrip.hex"),
		"generated": mixedStream(60000, 3), "preambles": bytes.Repeat([]byte{preamble, 3}, 3000),
	}
	for _, name := range []string{"mixed", "ntrip", "generated", "preambles"} {
		b := streams[name]
		whole := scanAll(b)
		if whole.total != len(b) {
			t.Errorf("%s: %d bytes accounted for, want %d", name, whole.total, len(b))
		}
		for _, longest := range []int{1, 2, 3, 7, 100, 1029, 5000} {
			same(t, name, whole, scanAll(cut(b, rng, longest)...))
		}
	}
	for range 300 {
		b := tricky(rng, 40)
		whole := scanAll(b)
		for _, longest := range []int{1, 5, 300} {
			same(t, "tricky", whole, scanAll(cut(b, rng, longest)...))
		}
	}
}

// A false preamble that asks for 1023 bytes must not hold back the frames
// after it: each comes out with its last byte.
func TestScanner_NoStall(t *testing.T) {
	b := []byte{preamble, 0x03, 0xFF, 0x3E, 0xD0}
	var ends []int
	for i := range 3 {
		b = append(b, EncodeBiases(i, [4]float64{})...)
		ends = append(ends, len(b))
	}
	var s Scanner
	var got []int
	for i := range b {
		s.Push(b[i:i+1], func(*Message) { got = append(got, i+1) }, nil)
	}
	if !equal(got, ends) {
		t.Errorf("frames came out after bytes %v, want %v", got, ends)
	}
}

// Reserved bits: 63 of 64 false preambles are refused at their second byte.
func TestScanner_ReservedBits(t *testing.T) {
	for second := range 256 {
		var s Scanner
		s.Push([]byte{preamble, byte(second), 0x13}, nil, nil)
		if waits := s.Pending() > 0; waits != (second < 4) {
			t.Errorf("d3 %02x: waits %v", second, waits)
		}
	}
}

func TestScanner_AllocatesNothing(t *testing.T) {
	b := mixedStream(20000, 4)
	var s Scanner
	frames := 0
	frame := func(*Message) { frames++ }
	junk := func(Refusal, int) {}
	if n := testing.AllocsPerRun(10, func() {
		for i := 0; i < len(b); i += 700 {
			s.Push(b[i:min(i+700, len(b))], frame, junk)
		}
	}); n != 0 {
		t.Errorf("%g allocations a pass", n)
	}
	if frames == 0 {
		t.Error("no frame found")
	}
}

// plainScanner is the peer of the benchmark and of the fuzz test: a scanner as
// one writes it first, byte-wise CRC, outermost candidate first.
type plainScanner struct{ buf []byte }

var plainTable = func() (t [256]uint32) {
	for i := range t {
		r := uint32(i) << 16
		for range 8 {
			r <<= 1
			if r&0x1000000 != 0 {
				r ^= 0x1864CFB
			}
		}
		t[i] = r
	}
	return t
}()

func plainCRC(b []byte) uint32 {
	r := uint32(0)
	for _, c := range b {
		r = r<<8&0xFFFFFF ^ plainTable[byte(r>>16)^c]
	}
	return r
}

func (p *plainScanner) push(b []byte, last bool, frame func([]byte)) {
	p.buf = append(p.buf, b...)
	i := 0
	for i < len(p.buf) {
		if p.buf[i] != preamble {
			i++
			continue
		}
		if len(p.buf)-i < 3 {
			if !last {
				break
			}
			i++
			continue
		}
		if p.buf[i+1]&0xFC != 0 {
			i++
			continue
		}
		end := i + 6 + int(p.buf[i+1]&3)<<8 + int(p.buf[i+2])
		if end > len(p.buf) {
			if !last {
				break
			}
			i++
			continue
		}
		if plainCRC(p.buf[i:end]) != 0 {
			i++
			continue
		}
		frame(p.buf[i:end])
		i = end
	}
	p.buf = append(p.buf[:0], p.buf[i:]...)
}

// The plain scanner finds the same frames wherever no frame lies inside
// another candidate that is sound too.
func TestScanner_AgreesWithPlain(t *testing.T) {
	rng := rand.New(rand.NewSource(5))
	for range 200 {
		compareWithPlain(t, tricky(rng, 60))
	}
	compareWithPlain(t, mixedStream(300000, 6))
}

func compareWithPlain(t *testing.T, b []byte) {
	t.Helper()
	var want []Message
	var p plainScanner
	p.push(b, true, func(raw []byte) {
		var m Message
		m.Decode(raw)
		want = append(want, m)
	})
	got := scanAll(b)
	if len(got.frames) != len(want) {
		t.Fatalf("%d frames, the plain scanner finds %d", len(got.frames), len(want))
	}
	for i, m := range want {
		if got.frames[i].msg != m {
			t.Fatalf("frame %d: %+v, the plain scanner says %+v", i, got.frames[i].msg, m)
		}
	}
}

func FuzzScanner(f *testing.F) {
	rng := rand.New(rand.NewSource(2))
	f.Add(stream(f, "mixed.hex"), uint16(9))
	f.Add(stream(f, "ntrip.hex")[:900], uint16(100))
	f.Add(tricky(rng, 30), uint16(1))
	f.Add(bytes.Repeat([]byte{preamble, 0, 2}, 50), uint16(3))
	f.Add([]byte{preamble, 0, 0, 0x47, 0xEA, 0x4B}, uint16(2))
	f.Fuzz(func(t *testing.T, b []byte, chunk uint16) {
		whole := scanAll(b)
		if whole.total != len(b) {
			t.Fatalf("%d of %d bytes accounted for", whole.total, len(b))
		}
		for _, fr := range whole.frames {
			raw := b[fr.off : fr.off+fr.msg.Bytes]
			if plainCRC(raw) != 0 || raw[0] != preamble || raw[1]&0xFC != 0 {
				t.Fatalf("not a frame: % x", raw)
			}
			fr.msg.Epoch(1778922000)
		}
		var pieces [][]byte
		for n, rest := int(chunk)+1, b; len(rest) > 0; {
			k := min(n, len(rest))
			pieces, rest = append(pieces, rest[:k]), rest[k:]
		}
		same(t, "in chunks", whole, scanAll(pieces...))
	})
}

func BenchmarkScanner(b *testing.B) {
	data := mixedStream(1<<20, 7)
	var s Scanner
	frames := 0
	frame := func(*Message) { frames++ }
	junk := func(Refusal, int) {}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		for i := 0; i < len(data); i += 4096 {
			s.Push(data[i:min(i+4096, len(data))], frame, junk)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
}

func BenchmarkPlainScanner(b *testing.B) {
	data := mixedStream(1<<20, 7)
	var p plainScanner
	var m Message
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		for i := 0; i < len(data); i += 4096 {
			p.push(data[i:min(i+4096, len(data))], false, func(raw []byte) { m.Decode(raw) })
		}
	}
}

func BenchmarkCRC24Q(b *testing.B) {
	data := epoch(0)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		CRC24Q(data)
	}
}
