package recorder

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"
	"github.com/klauspost/compress/zstd"
	"github.com/pierrec/lz4/v4"

	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion"
)

const start = int64(1778922000e9) // ns, some morning

func TestSecondsRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 200000 {
		at := 1.7e9 + 2e8*rng.Float64()
		if got := Seconds(Nanos(at)); got != at {
			t.Fatalf("Seconds(Nanos(%v)) = %v", at, got)
		}
		ns := start + rng.Int64N(1e17)
		if d := Nanos(Seconds(ns)) - ns; d < -120 || d > 120 {
			t.Fatalf("Nanos(Seconds(%d)) is %d ns off, want half of 238", ns, d)
		}
	}
	if Seconds(1500000000) != 1.5 || Nanos(1.25) != 1250000000 {
		t.Error("whole and fraction are not put together")
	}
	if a, b := Seconds(start), Seconds(start+300); !(b > a) {
		t.Error("300 ns are lost")
	}
}

// rec is one record for comparison.
type rec struct {
	ns   int64
	ch   fusion.Channel
	data string
}

// sample makes n records as a run would receive them.
func sample(n int) []rec {
	rng := rand.New(rand.NewPCG(7, 7))
	var out []rec
	ns := start
	for i := range n {
		ns += rng.Int64N(10e6)
		r := rec{ns: ns}
		switch i % 8 {
		case 0:
			r.ch, r.data = fusion.ChanNMEA, fmt.Sprintf("$GNGGA,%06d.00,4417.4818706,N,01151.7847181,E,4,25,0.55,104.491,M,47.000,M,1.0,0001*00\r\n", i)
		case 1:
			b := make([]byte, rng.IntN(300))
			for k := range b {
				b[k] = byte(rng.Uint32())
			}
			r.ch, r.data = fusion.ChanCorrections, string(b)
		case 2:
			r.ch = fusion.ChanTick
		case 3:
			r.ch, r.data = fusion.ChanWheel, fmt.Sprintf("%.6f,12.34\n", Seconds(ns))
		case 4:
			r.ch, r.data = fusion.ChanNote, "source nmea: no such device"
		default:
			r.ch, r.data = fusion.ChanIMU, fmt.Sprintf("%.6f,%.6f,0.002248,0.001714,-0.08545,0.00463,9.81250\n", Seconds(ns), rng.NormFloat64())
		}
		out = append(out, r)
	}
	return out
}

// write makes a file of recs with a chunk every so many records.
func write(t testing.TB, path string, recs []rec, every int, head Head, end bool) {
	t.Helper()
	f, err := Create(path, head)
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range recs {
		if err := f.Write(r.ns, r.ch, []byte(r.data)); err != nil {
			t.Fatal(err)
		}
		if (i+1)%every == 0 {
			if err := f.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if end {
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// read returns everything a reader gives.
func read(t testing.TB, path string, topics Topics) ([]rec, *Reader) {
	t.Helper()
	r, err := Open(path, topics)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out []rec
	for {
		got, err := r.Next()
		if err == io.EOF {
			return out, r
		}
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, rec{Nanos(got.T), got.Channel, string(got.Data)})
	}
}

// same compares times as the float64 they become.
func same(a, b []rec) error {
	for i := range min(len(a), len(b)) {
		if Seconds(a[i].ns) != Seconds(b[i].ns) || a[i].ch != b[i].ch || a[i].data != b[i].data {
			return fmt.Errorf("record %d is %v, want %v", i, a[i], b[i])
		}
	}
	if len(a) != len(b) {
		return fmt.Errorf("%d records, want %d", len(a), len(b))
	}
	return nil
}

var fileHead = Head{
	Meta: map[string]string{"session": "1", "part": "1"},
	Attachments: []Attachment{
		{SettingsName, "application/toml", []byte("[vehicle]\nhalf_width_m = 0.7\n")},
		{CourseName, "application/geo+json", []byte(`{"type":"Feature"}`)},
	},
}

func TestRoundTrip(t *testing.T) {
	want := sample(3000)
	path := filepath.Join(t.TempDir(), "run.mcap")
	write(t, path, want, 130, fileHead, true)
	got, r := read(t, path, Topics{})
	if err := same(got, want); err != nil {
		t.Error(err)
	}
	if d := r.Damage(); d != (Damage{}) || d.String() != "" {
		t.Errorf("damage %+v in a whole file", d)
	}
	if s := r.Attachment(SettingsName); string(s) != string(fileHead.Attachments[0].Data) {
		t.Errorf("settings %q", s)
	}
	if s := r.Attachment(CourseName); string(s) != string(fileHead.Attachments[1].Data) {
		t.Errorf("course %q", s)
	}
	if r.Attachment("other") != nil || r.Meta()["session"] != "1" || r.Meta()["build"] != version.String() {
		t.Errorf("meta %v", r.Meta())
	}
}

// The file is MCAP for everybody: the library's own indexed reader and its
// lexer with checksums read it back.
func TestReadByLibrary(t *testing.T) {
	want := sample(2000)
	path := filepath.Join(t.TempDir(), "run.mcap")
	write(t, path, want, 130, fileHead, true)
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lr, err := mcap.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	info, err := lr.Info()
	if err != nil {
		t.Fatal(err)
	}
	if info.Statistics.MessageCount != uint64(len(want)) || info.Statistics.ChunkCount != 16 || info.Header.Profile != profile ||
		info.Statistics.MessageStartTime != uint64(want[0].ns) || info.Statistics.MessageEndTime != uint64(want[len(want)-1].ns) {
		t.Errorf("statistics %+v", info.Statistics)
	}
	if len(info.AttachmentIndexes) != 2 || len(info.MetadataIndexes) != 1 {
		t.Errorf("%d attachments, %d metadata", len(info.AttachmentIndexes), len(info.MetadataIndexes))
	}
	it, err := lr.Messages(mcap.InOrder(mcap.FileOrder))
	if err != nil {
		t.Fatal(err)
	}
	var got []rec
	err = mcap.Range(it, func(_ *mcap.Schema, c *mcap.Channel, m *mcap.Message) error {
		for _, ch := range channels {
			if ch.String() == c.Topic {
				got = append(got, rec{int64(m.LogTime), ch, string(m.Data)})
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := same(got, want); err != nil {
		t.Error(err)
	}

	if _, err := f.Seek(0, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	lex, err := mcap.NewLexer(f, &mcap.LexerOptions{ValidateChunkCRCs: true})
	if err != nil {
		t.Fatal(err)
	}
	defer lex.Close()
	n := 0
	for {
		tok, _, err := lex.Next(nil)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if tok == mcap.TokenMessage {
			n++
		}
	}
	if n != len(want) {
		t.Errorf("the lexer found %d messages, want %d", n, len(want))
	}
}

func TestCreateKeepsWhatExists(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.mcap")
	os.WriteFile(path, []byte("precious"), 0o644)
	if _, err := Create(path, Head{}); !errors.Is(err, os.ErrExist) {
		t.Errorf("%v, want a refusal", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "precious" {
		t.Errorf("the file now holds %q", b)
	}
}

// A file cut anywhere gives back every chunk that is whole.
func TestTruncated(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many files")
	}
	want := sample(1200)
	dir := t.TempDir()
	path := filepath.Join(dir, "run.mcap")
	const every = 100
	write(t, path, want, every, fileHead, true)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	ends := chunkEnds(t, whole)
	if len(ends) != len(want)/every {
		t.Fatalf("%d chunks, want %d", len(ends), len(want)/every)
	}
	rng := rand.New(rand.NewPCG(3, 3))
	const head = 100 // bytes: the header says who wrote the file
	for range 400 {
		cut := head + rng.IntN(len(whole)-head)
		os.WriteFile(path, whole[:cut], 0o644)
		got, r := read(t, path, Topics{})
		n := 0
		for _, e := range ends {
			if e <= int64(cut) {
				n += every
			}
		}
		if err := same(got, want[:n]); err != nil {
			t.Fatalf("cut at %d of %d: %v", cut, len(whole), err)
		}
		if closed := int64(cut) >= dataEnd(t, whole); r.Damage().Open == closed {
			t.Errorf("cut at %d: Open is %v", cut, r.Damage().Open)
		}
	}
	os.WriteFile(path, whole[:4], 0o644)
	if _, err := Open(path, Topics{}); err == nil {
		t.Error("four bytes were taken for a recording")
	}
}

func chunkEnds(t testing.TB, whole []byte) (ends []int64) {
	s := scanner{r: bytes.NewReader(whole), pos: int64(len(mcap.Magic))}
	for {
		r, err := s.next()
		if err != nil {
			return ends
		}
		if r.op == mcap.OpChunk {
			ends = append(ends, s.pos)
		}
	}
}

func dataEnd(t testing.TB, whole []byte) int64 {
	s := scanner{r: bytes.NewReader(whole), pos: int64(len(mcap.Magic))}
	for {
		r, err := s.next()
		if err != nil {
			t.Fatal("no DataEnd")
		}
		if r.op == mcap.OpDataEnd {
			return s.pos
		}
	}
}

// Damaged files: nothing panics, nothing comes back that was not written, and
// a flipped bit or a stretch of garbage costs little more than its chunk.
func TestDamaged(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many files")
	}
	want := sample(4000)
	known := map[rec]bool{}
	for _, r := range want {
		r.ns = Nanos(Seconds(r.ns))
		known[r] = true
	}
	path := filepath.Join(t.TempDir(), "run.mcap")
	write(t, path, want, 100, fileHead, true)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 5))
	total, worst, trials := 0, len(want), 240
	for i := range trials {
		b := bytes.Clone(whole)
		switch i % 3 {
		case 0:
			b[8+rng.IntN(len(b)-8)] ^= 1 << rng.IntN(8)
		case 1:
			at := 8 + rng.IntN(len(b)-8)
			for k := at; k < min(len(b), at+rng.IntN(200)); k++ {
				b[k] = byte(rng.Uint32())
			}
		case 2: // a stretch is missing
			at := 8 + rng.IntN(len(b)-8)
			b = append(b[:at], b[min(len(b), at+rng.IntN(500)):]...)
		}
		os.WriteFile(path, b, 0o644)
		r, err := Open(path, Topics{})
		if err != nil {
			// Only where the header no longer says who wrote it.
			continue
		}
		n := 0
		for {
			got, err := r.Next()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if !known[rec{Nanos(got.T), got.Channel, string(got.Data)}] {
				t.Fatalf("trial %d: a record that was never written: %v %q", i, got.T, got.Data)
			}
			n++
		}
		r.Close()
		total += n
		worst = min(worst, n)
	}
	if mean := float64(total) / float64(trials); mean < 0.97*float64(len(want)) {
		t.Errorf("mean of %.0f of %d records recovered, want 97 %%", mean, len(want))
	}
	t.Logf("recovered %.1f of %d on average, %d at worst", float64(total)/float64(trials), len(want), worst)
}

// Whatever a length field says, memory follows the bytes that are there.
func TestHugeLengths(t *testing.T) {
	for _, size := range []uint64{1 << 27, 1<<28 + 1, 1 << 40, math.MaxUint64} {
		b := append([]byte{}, mcap.Magic...)
		b = append(b, byte(mcap.OpChunk))
		for i := range 8 {
			b = append(b, byte(size>>(8*i)))
		}
		b = append(b, make([]byte, 100)...)
		s := scanner{r: bytes.NewReader(b), pos: 8}
		if _, err := s.next(); err != errCut {
			t.Errorf("length %d: %v, want errCut", size, err)
		}
		if cap(s.buf) > 1<<20 {
			t.Errorf("length %d: %d bytes were allocated", size, cap(s.buf))
		}
	}
}

// A chunk takes the memory of what is in it, whatever it and its frame say.
func TestFalseChunkSizes(t *testing.T) {
	const claim = maxUnpack - 1
	little := bytes.Repeat([]byte("kerbline"), 1000)
	enc, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	whole := enc.EncodeAll(little, nil)
	var pressed bytes.Buffer
	// Small blocks: a reader takes two blocks of the size that the frame names, of
	// which a pool may keep none.
	lw := lz4.NewWriter(&pressed)
	if err := lw.Apply(lz4.BlockSizeOption(lz4.Block64Kb)); err != nil {
		t.Fatal(err)
	}
	lw.Write(little)
	lw.Close()
	// RFC 8878: magic, a frame header of one segment with 4 bytes of content size
	// (descriptor a0), then one last raw block of 8 bytes.
	frame := binary.LittleEndian.AppendUint32([]byte{0x28, 0xb5, 0x2f, 0xfd, 0xa0}, claim)
	frame = append(frame, 8<<3|1, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8)
	// The same with the content size left out and a window of 1 KB.
	open := append([]byte{0x28, 0xb5, 0x2f, 0xfd, 0, 0}, 8<<3|1, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8)
	for name, tt := range map[string]struct {
		kind   mcap.CompressionFormat
		packed []byte
		size   uint64
		ok     bool
	}{
		"zstd, whole":                       {mcap.CompressionZSTD, whole, uint64(len(little)), true},
		"zstd, the chunk lies":              {mcap.CompressionZSTD, whole, claim, false},
		"zstd, frame and chunk lie":         {mcap.CompressionZSTD, frame, claim, false},
		"zstd, the frame lies":              {mcap.CompressionZSTD, frame, 8, false},
		"zstd, no content size":             {mcap.CompressionZSTD, open, 8, true},
		"zstd, no content size, chunk lies": {mcap.CompressionZSTD, open, claim, false},
		"zstd, cut":                         {mcap.CompressionZSTD, whole[:len(whole)-9], uint64(len(little)), false},
		"zstd, beyond the bound":            {mcap.CompressionZSTD, whole, maxUnpack + 1, false},
		"lz4, whole":                        {mcap.CompressionLZ4, pressed.Bytes(), uint64(len(little)), true},
		"lz4, the chunk lies":               {mcap.CompressionLZ4, pressed.Bytes(), claim, false},
		"plain, the chunk lies":             {"", little, claim, false},
	} {
		body := binary.LittleEndian.AppendUint64(make([]byte, 16), tt.size)
		body = append(body, 0, 0, 0, 0) // no CRC
		body = binary.LittleEndian.AppendUint32(body, uint32(len(tt.kind)))
		body = append(body, tt.kind...)
		body = binary.LittleEndian.AppendUint64(body, uint64(len(tt.packed)))
		body = append(body, tt.packed...)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for range 3 {
			var u unpacker
			got, err := u.chunk(body)
			if (err == nil) != tt.ok || tt.ok && uint64(len(got)) != tt.size {
				t.Errorf("%s: %d bytes, %v", name, len(got), err)
			}
			u.close()
		}
		runtime.ReadMemStats(&after)
		if n := after.TotalAlloc - before.TotalAlloc; n > 24<<20 {
			t.Errorf("%s: %.1f MB taken for %d bytes", name, float64(n)/3/(1<<20), len(tt.packed))
		}
	}
}

// What can be refused without unpacking is no more than what unpacking refuses:
// frames of every level pass.
func TestZstdLevels(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many files")
	}
	big := make([]byte, 3<<20)
	for i := range big {
		big[i] = byte(i*i>>9 ^ i)
	}
	for _, data := range [][]byte{nil, []byte("x"), bytes.Repeat([]byte{0}, 1<<20), big} {
		for _, level := range []zstd.EncoderLevel{zstd.SpeedFastest, zstd.SpeedDefault, zstd.SpeedBestCompression} {
			enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(level))
			if err != nil {
				t.Fatal(err)
			}
			var stream bytes.Buffer
			enc.Reset(&stream) // without a content size in the header
			enc.Write(data)
			enc.Close()
			for _, packed := range [][]byte{enc.EncodeAll(data, nil), stream.Bytes()} {
				if most, err := mostOfZstd(packed); err != nil || most < uint64(len(data)) {
					t.Errorf("level %v: %d bytes can hold %d, %v, want %d", level, len(packed), most, err, len(data))
				}
			}
		}
	}
}

// Only the user may read a recording.
func TestMode(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.mcap")
	write(t, path, sample(10), 5, fileHead, true)
	fi, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if fi.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, want 0600", fi.Mode())
	}
}

// Settings that are missing or damaged are told.
func TestLost(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "run.mcap")
	write(t, path, sample(10), 5, fileHead, true)
	good, _ := os.ReadFile(path)
	at := bytes.Index(good, fileHead.Attachments[0].Data)
	for name, tt := range map[string]struct {
		change func(b []byte) []byte
		say    string
	}{
		"whole":   {func(b []byte) []byte { return b }, ""},
		"damaged": {func(b []byte) []byte { b[at+3] ^= 1; return b }, "its kerbline.toml is damaged"},
		"name changed": {func(b []byte) []byte {
			return bytes.Replace(b, []byte("kerbline.toml\x10"), []byte("kerbline.tomm\x10"), 1)
		}, "is damaged"},
		"description gone": {func(b []byte) []byte {
			b[bytes.Index(b, []byte("session"))-1] ^= 0x40 // a length
			b[at+3] ^= 1
			return b
		}, "what it says of itself is damaged"},
	} {
		broken := filepath.Join(dir, "broken.mcap")
		os.WriteFile(broken, tt.change(bytes.Clone(good)), 0o600)
		r, err := Open(broken, Topics{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := r.Lost(SettingsName); (tt.say == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%s: %v, want %q", name, err, tt.say)
		}
		if err := r.Lost("truth.csv"); r.Meta() != nil && err != nil {
			t.Errorf("%s: a truth that was never there: %v", name, err)
		}
		r.Close()
	}
	write(t, filepath.Join(dir, "none.mcap"), sample(10), 5, Head{}, true)
	r, err := Open(filepath.Join(dir, "none.mcap"), Topics{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.Lost(SettingsName); err == nil || !strings.Contains(err.Error(), "holds no kerbline.toml") {
		t.Errorf("none: %v", err)
	}
}

func FuzzReader(f *testing.F) {
	dir := f.TempDir()
	path := filepath.Join(dir, "seed.mcap")
	write(f, path, sample(40), 20, fileHead, true)
	seed, _ := os.ReadFile(path)
	f.Add(seed)
	f.Add(seed[:len(seed)/2])
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(t.TempDir(), "f.mcap")
		os.WriteFile(path, append(append([]byte{}, mcap.Magic...), b...), 0o644)
		for _, topics := range []Topics{{}, {NMEA: "nmea", IMU: "imu", Corrections: "corrections"}} {
			r, err := Open(path, topics)
			if err != nil {
				continue
			}
			for {
				if _, err := r.Next(); err != nil {
					break
				}
			}
			_ = r.Damage().String()
			r.Close()
		}
	})
}

func BenchmarkWrite(b *testing.B) {
	recs := sample(1000)
	f, err := Create(filepath.Join(b.TempDir(), "run.mcap"), Head{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		r := &recs[i%len(recs)]
		f.Write(r.ns, r.ch, []byte(r.data))
		if i%100 == 0 {
			f.Flush()
		}
	}
}
