package nmea

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
)

// frames pushes the chunks, one second apart from 100 on, and writes what
// comes out, a line each: position, text or reason, and the time if it is a
// TAG block's or times is set.
func frames(times bool, chunks ...[]byte) []string {
	var f Framer
	var out []string
	emit := func(l Line) {
		what := fmt.Sprintf("%d %s", l.Offset, l.Text)
		if l.Err != nil {
			what = fmt.Sprintf("%d (%s)", l.Offset, l.Reason)
			if l.Text != nil || l.Reason == Accepted {
				what += " WITH TEXT"
			}
		}
		if l.Tagged || times {
			what += fmt.Sprintf(" at %g", l.T)
		}
		out = append(out, what)
	}
	now := 100.0
	for _, c := range chunks {
		f.Push(now, bytes.Clone(c), emit)
		now++
	}
	f.Flush(now, emit)
	return out
}

func tag(inside string) string {
	return fmt.Sprintf(`\%s*%02X\`, inside, checksum([]byte(inside)))
}

const (
	gga = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
	hdt = "$GNHDT,084.400,T*23"
)

var streams = []struct {
	name, in string
	want     []string
}{
	{"empty", "", nil},
	{"line ends of all kinds", hdt + "\r\n" + hdt + "\n" + hdt + "\r" + hdt, []string{"0 " + hdt, "21 " + hdt, "41 " + hdt, "61 " + hdt}},
	{"glued", hdt + hdt, []string{"0 " + hdt, "19 " + hdt}},
	{"among binary frames", "\xb5\x62\x01$\x07\x00,*\r\n$E,\\a:\x00\xd3\x00\x13" + hdt + "\xb5\x62$$GN" + hdt + "\xff", []string{"20 " + hdt, "45 " + hdt}},
	{"cut by another", "$GPGGA,123519,4807" + hdt, []string{"0 (cut off)", "18 " + hdt}},
	{"cut in the address", "$GPG" + hdt + "\n", []string{"4 " + hdt}},
	{"cut by a control byte", "$GPGGA,1235\x0019,4807.038,N*47\r\n" + hdt, []string{"0 (cut off)", "30 " + hdt}},
	{"cut by the end", hdt + "\r\n$GPGGA,123519,48", []string{"0 " + hdt, "21 (cut off)"}},
	{"cut before the last digit", "$GNHDT,084.400,T*2", []string{"0 (cut off)"}},
	{"no checksum", "$GNHDT,084.400,T\r\n" + hdt, []string{"0 (no checksum)", "18 " + hdt}},
	{"no digits", "$GNHDT,084.400,T*\r\n" + hdt + "\n$GNHDT,084.400,T*x3\n", []string{"0 (no checksum)", "19 " + hdt, "39 (no checksum)"}},
	{"lower-case digits", "$GNHDT,084.4,T*2f\n", []string{"0 $GNHDT,084.4,T*2f"}},
	{"no start", "84.400,T*23\r\n" + hdt, []string{"0 (no start)", "13 " + hdt}},
	{"no start, then a start", "84.400,T*23" + hdt, []string{"0 (no start)", "11 " + hdt}},
	{"small letters in the address", "$gnHDT,084.400,T*23\r\n" + hdt, []string{"0 (no start)", "21 " + hdt}},
	{"text that is no line", "hello world\r\nhi, \n" + hdt, []string{"18 " + hdt}},
	{"encapsulated", "!AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0*5C\r\n", []string{"0 !AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0*5C"}},
	{"long", "$GPTXT," + strings.Repeat("x", 133) + "*00\n", []string{"0 $GPTXT," + strings.Repeat("x", 133) + "*00"}},
	{"too long", "$GPTXT," + strings.Repeat("x,", 2000) + "*00\n" + hdt, []string{"0 (too long)", "4011 " + hdt}},

	{"TAG in ms", tag("c:1778922000875") + hdt + "\n" + hdt, []string{"20 " + hdt + " at 1.778922000875e+09", "40 " + hdt}},
	{"TAG in us", tag("c:1778922000875000") + hdt, []string{"23 " + hdt + " at 1.778922000875e+09"}},
	{"TAG in ns", tag("c:1778922000875000000") + hdt, []string{"26 " + hdt + " at 1.778922000875e+09"}},
	{"TAG in s", tag("c:1778922000") + hdt, []string{"17 " + hdt + " at 1.778922e+09"}},
	{"TAG in fractions", tag("c:1778922000.875") + hdt, []string{"21 " + hdt + " at 1.778922000875e+09"}},
	{"TAG among others", tag("s:rover,c:1778922000875,n:7") + hdt, []string{"32 " + hdt + " at 1.778922000875e+09"}},
	{"TAG lower-case sum", strings.ToLower(tag("c:1778922000879")) + hdt, []string{"20 " + hdt + " at 1.778922000879e+09"}},
	{"TAG without time", tag("s:rover") + hdt, []string{"12 " + hdt}},
	{"two TAGs", tag("c:1778922000") + tag("s:rover") + hdt, []string{"29 " + hdt + " at 1.778922e+09"}},
	{"TAG of a line before", tag("c:1778922000") + "\r\n" + hdt, []string{"19 " + hdt}},
	{"TAG and noise", tag("c:1778922000") + "\x00" + hdt, []string{"18 " + hdt}},
	{"TAG on a cut line", tag("c:1778922000") + "$GNHDT,1\r\n" + hdt, []string{"17 (no checksum) at 1.778922e+09", "27 " + hdt}},
	{"TAG with another sum", `\c:1778922000875*64\` + hdt, []string{"0 (TAG block)", "20 " + hdt}},
	{"TAG without sum", `\c:1778922000875\` + hdt, []string{"0 (TAG block)", "17 " + hdt}},
	{"TAG without end", `\c:1778922000875*63` + hdt, []string{"0 (TAG block)", "19 " + hdt}},
	{"TAG without start", `c:1778922000875*63\` + hdt, []string{"0 (no start)", "19 " + hdt}},
	{"TAG with a time that is none", tag("c:NaN") + hdt, []string{"0 (TAG block)", "10 " + hdt}},
	{"TAG with hex", tag("c:0x1p30") + hdt, []string{"0 (TAG block)", "13 " + hdt}},
	{"TAG of a clock not set", tag("c:0") + hdt, []string{"0 (TAG block)", "8 " + hdt}},
	{"TAG in the past", tag("c:-1778922000") + hdt, []string{"0 (TAG block)", "18 " + hdt}},
	{"TAG beyond ns", tag("c:177892200087500000000") + hdt, []string{"0 (TAG block)", "28 " + hdt}},
	{"TAG too long", `\c:` + strings.Repeat("1", 300) + `*00\` + hdt, []string{"0 (TAG block)", "307 " + hdt}},
	{"TAG cut by the end", hdt + `\c:177892`, []string{"0 " + hdt, "19 (TAG block)"}},
}

func TestFramer(t *testing.T) {
	for _, tt := range streams {
		if got := frames(false, []byte(tt.in)); fmt.Sprint(got) != fmt.Sprint(tt.want) {
			t.Errorf("%s: %q\n got %q\nwant %q", tt.name, tt.in, got, tt.want)
		}
	}
}

// The lines do not depend on where the chunks are cut.
func TestFramer_Chunks(t *testing.T) {
	for _, tt := range streams {
		in := []byte(tt.in)
		want := fmt.Sprint(tt.want)
		single := make([][]byte, len(in))
		for i := range in {
			single[i] = in[i : i+1]
		}
		if got := fmt.Sprint(frames(false, single...)); got != want {
			t.Errorf("%s, byte by byte:\n got %s\nwant %s", tt.name, got, want)
		}
		for i := range in {
			if got := fmt.Sprint(frames(false, in[:i], in[i:])); got != want {
				t.Errorf("%s, cut at %d:\n got %s\nwant %s", tt.name, i, got, want)
			}
		}
	}
}

// A line has the time of the chunk that completes it.
func TestFramer_Time(t *testing.T) {
	got := frames(true, []byte(hdt[:7]), []byte(hdt[7:12]), []byte(hdt[12:]+"\r\n"+hdt+"\r\n"+hdt[:9]))
	want := []string{"0 " + hdt + " at 102", "21 " + hdt + " at 102", "42 (cut off) at 103"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestFramer_Errors(t *testing.T) {
	var got []string
	emit := func(l Line) { got = append(got, l.Err.Error()) }
	var f Framer
	f.Push(0, []byte("84.400,T*23\r\n$GNHDT,1\x00$GNHDT,1\n"+`\c:1778922000*00\`+tag("c:x17")+"$GPTXT,"+strings.Repeat("x", 2000)), emit)
	f.Flush(0, emit)
	want := []string{
		`nmea: line at byte 0 has 11 bytes and no start, want $`,
		`nmea: line at byte 13 breaks off after 8 bytes, want *hh`,
		`nmea: line at byte 22 ends without a checksum, want *hh`,
		`nmea: TAG block at byte 31 has checksum 00, want 59`,
		`nmea: TAG block at byte 48 has time "x17", want Unix s, ms, us or ns`,
		`nmea: line at byte 58 has no end in 1024 bytes, want *hh`,
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// A line without an end is one refusal, and memory stays as it was: what holds
// for 64 MB holds for any length, as nothing is kept between chunks.
func TestFramer_EndlessLine(t *testing.T) {
	const total = 64 << 20
	var f Framer
	n := 0
	emit := func(l Line) {
		n++
		if l.Reason != TooLong {
			t.Errorf("%v", l.Err)
		}
	}
	chunk := bytes.Repeat([]byte("GPGGA,12"), 1<<17)
	f.Push(0, []byte("$GPGGA,"), emit)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for sent := 0; sent < total; sent += len(chunk) {
		f.Push(0, chunk, emit)
	}
	runtime.ReadMemStats(&after)
	if n != 1 {
		t.Errorf("%d refusals, want 1", n)
	}
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 64<<10 {
		t.Errorf("%d bytes allocated, want less than 64 kB", grown)
	}
	f.Push(0, []byte("\n"+hdt), func(l Line) {
		if string(l.Text) != hdt {
			t.Errorf("after it: %q %v, want %s", l.Text, l.Err, hdt)
		}
		n++
	})
	if n != 2 {
		t.Error("the line after it is lost")
	}
}

// Random bytes, and sentences with random bytes changed: refused, counted,
// positions right, and as many lines as nothing touched.
func TestFramer_Noise(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	noise := make([]byte, 1<<20)
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	if got := frames(false, noise); len(got) > 40 {
		t.Errorf("%d lines or refusals in 1 MB of noise, want few: %q...", len(got), got[:40])
	}

	p := NewParser()
	var f Framer
	var tally Tally
	stream := []byte(strings.Repeat(gga+"\r\n", 2000))
	touched := map[int]bool{}
	for range 300 {
		i := rng.IntN(len(stream))
		if stream[i] == '\r' || stream[i] == '\n' {
			continue
		}
		stream[i] ^= byte(1 + rng.IntN(255))
		touched[i/(len(gga)+2)] = true
	}
	emit := func(l Line) {
		if l.Err != nil {
			tally.Refuse(l.Offset, l.Err)
		} else if s, err := p.Parse(l.Text); err != nil {
			tally.Refuse(l.Offset, err)
		} else {
			tally.Accept(s)
			if !bytes.Equal(stream[l.Offset:l.Offset+int64(len(l.Text))], l.Text) {
				t.Fatalf("position %d does not hold %q", l.Offset, l.Text)
			}
		}
	}
	f.Push(0, stream, emit)
	f.Flush(0, emit)
	// A changed case of the checksum's digits, or a changed digit that still
	// matches, leaves a line good; anything else does not.
	if got, want := int(tally.Read[GGA]), 2000-len(touched); got < want || got > want+2 {
		t.Errorf("%d lines read, want %d", got, want)
	}
	if got := int(tally.Total()); got < len(touched)*9/10 {
		t.Errorf("%d refusals counted for %d spoilt lines", got, len(touched))
	}
}

// Bytes that are no line are counted, line ends and TAG blocks not among them.
func TestFramer_Outside(t *testing.T) {
	var f Framer
	f.Push(0, []byte("\xb5\x62\x01"+hdt+"\r\n"+tag("c:1778922000")+hdt+"\nabc\r\n$GNHDT,1\n"), func(Line) {})
	if got, want := f.Outside(), int64(3+3+8); got != want {
		t.Errorf("%d bytes outside, want %d", got, want)
	}
}

func TestTally(t *testing.T) {
	var tally Tally
	_, err := NewParser().Parse([]byte("$GNHDT,084.400,T*24"))
	tally.Refuse(100, err)
	tally.Refuse(300, err)
	tally.Refuse(400, fmt.Errorf("wrapped: %w", &Error{Reason: Cut}))
	s, _ := NewParser().Parse([]byte(hdt))
	tally.Accept(s)
	if got, want := tally.Refused[BadChecksum], (Refused{N: 2, First: 100, Last: 300}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if HDT.String() != "HDT" || NumTypes.String() != "other" || BadTag.String() != "TAG block" || NumReasons.String() != "unknown" {
		t.Error("names")
	}
	if tally.Refused[Cut].N != 1 || tally.Total() != 3 || tally.Read[HDT] != 1 {
		t.Errorf("%+v", tally)
	}
}

// What comes with every epoch is read without allocating.
func TestAllocs(t *testing.T) {
	stream := []byte("\\c:1778922000875*63\\" + benchLines[0] + "\r\n\\c:1778922000877*61\\" + benchLines[1] + "\r\n\\c:1778922000879*6F\\" + benchLines[2] + "\r\n" + benchLines[3] + "\r\n")
	var f Framer
	p, n := NewParser(), 0
	emit := func(l Line) {
		if _, err := p.Parse(l.Text); err != nil {
			t.Fatal(err, l.Err)
		}
		n++
	}
	f.Push(0, stream[:40], emit) // make it hold a line once
	f.Push(0, stream[40:], emit)
	if a := testing.AllocsPerRun(100, func() {
		f.Push(0, stream[:40], emit)
		f.Push(0, stream[40:], emit)
	}); a != 0 {
		t.Errorf("%g allocations for four sentences, want 0", a)
	}
	if n != 4*102 {
		t.Errorf("%d sentences, want %d", n, 4*102)
	}
}
