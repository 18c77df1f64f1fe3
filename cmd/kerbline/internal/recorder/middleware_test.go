package recorder

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	"kerbline/fusion"
)

// foxglove/cdr src/CdrReader.test.ts (0884074), "parses an example
// tf2_msgs/TFMessage message".
func TestCDR_Foxglove(t *testing.T) {
	b, err := hex.DecodeString("0001000001000000cce0d158f08cf9060a000000626173655f6c696e6b000000060000007261646172000000ae47e17a14ae0e4000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000f03f")
	if err != nil {
		t.Fatal(err)
	}
	c, err := newCDR("cdr", b)
	if err != nil {
		t.Fatal(err)
	}
	if n := c.uint32(); n != 1 {
		t.Errorf("sequence of %d, want 1", n)
	}
	if sec, nsec := c.uint32(), c.uint32(); sec != 1490149580 || nsec != 117017840 {
		t.Errorf("stamp %d.%d", sec, nsec)
	}
	if a, b := string(c.text()), string(c.text()); a != "base_link" || b != "radar" {
		t.Errorf("frames %q, %q", a, b)
	}
	for i, want := range []float64{3.835, 0, 0, 0, 0, 0, 1} {
		if x := c.float64(); math.Abs(x-want) > 1e-12 {
			t.Errorf("number %d is %v, want %v", i, x, want)
		}
	}
	if c.bad || c.p != len(c.b) {
		t.Errorf("ended at %d of %d", c.p, len(c.b))
	}
	c.float64()
	if !c.bad {
		t.Error("reading past the end goes unnoticed")
	}
}

// kind is one way to serialise.
type kind struct {
	name  string
	id    byte // encapsulation identifier
	align int
	order binary.AppendByteOrder
	ros1  bool
}

var kinds = []kind{
	{"cdr little", 1, 8, binary.LittleEndian, false},
	{"cdr big", 0, 8, binary.BigEndian, false},
	{"cdr2 little", 7, 4, binary.LittleEndian, false},
	{"cdr2 big", 6, 4, binary.BigEndian, false},
	{"cdr2 little, first numbering", 0x11, 4, binary.LittleEndian, false},
	{"first generation", 0, 1, binary.LittleEndian, true},
}

func (k kind) encoding() string {
	if k.ros1 {
		return "ros1"
	}
	return "cdr"
}

type builder struct {
	kind
	b []byte
}

func (w *builder) pad(n int) {
	for !w.ros1 && len(w.b)%min(n, w.align) != 0 {
		w.b = append(w.b, 0)
	}
}
func (w *builder) u32(x uint32) { w.pad(4); w.b = w.order.AppendUint32(w.b, x) }
func (w *builder) f64(x float64) {
	w.pad(8)
	w.b = w.order.AppendUint64(w.b, math.Float64bits(x))
}
func (w *builder) text(s string) {
	if !w.ros1 {
		s += "\x00"
	}
	w.u32(uint32(len(s)))
	w.b = append(w.b, s...)
}
func (w *builder) header(ns int64, frame string) {
	if w.ros1 {
		w.u32(4711)
	}
	w.u32(uint32(ns / 1e9))
	w.u32(uint32(ns % 1e9))
	w.text(frame)
}
func (w *builder) done() []byte {
	if w.ros1 {
		return w.b
	}
	return append([]byte{0, w.id, 0, 0}, w.b...)
}

// imu serialises an Imu message (docs.ros.org, sensor_msgs/Imu): header,
// orientation, covariance, angular velocity, covariance, acceleration,
// covariance.
func (k kind) imu(ns int64, frame string, w, f [3]float64) []byte {
	b := builder{kind: k}
	b.header(ns, frame)
	for i := range 4 + 9 {
		b.f64(100 + float64(i))
	}
	for _, x := range w {
		b.f64(x)
	}
	for i := range 9 {
		b.f64(200 + float64(i))
	}
	for _, x := range f {
		b.f64(x)
	}
	for i := range 9 {
		b.f64(300 + float64(i))
	}
	return b.done()
}

func TestConvert(t *testing.T) {
	const stamp = start + 123456789
	w, f := [3]float64{-0.003733, 0.002248, 1.5}, [3]float64{-0.08545, 0.00463, 9.8125}
	wantIMU := "1778922000.1234567,-0.003733,0.002248,1.5,-0.08545,0.00463,9.8125\n"
	const gga = "$GNGGA,090000.00,4417.4818706,N,01151.7847181,E,1,25,0.55,104.491,M,47.000,M,,*44"
	for _, k := range kinds {
		for _, frame := range []string{"", "a", "imu", "imu_link", "base_link"} {
			ns, got, err := convert(k.encoding(), schemaIMU, fusion.ChanIMU, stamp+2e6, k.imu(stamp, frame, w, f), nil)
			if err != nil || string(got) != wantIMU || ns != stamp {
				t.Errorf("%s, frame %q: %d %q %v", k.name, frame, ns, got, err)
			}
			for _, end := range []string{"", "\r\n", "\n"} {
				b := builder{kind: k}
				b.header(stamp, frame)
				b.text(gga + end)
				ns, got, err = convert(k.encoding(), schemaSentence, fusion.ChanNMEA, stamp+2e6, b.done(), nil)
				if err != nil || string(got) != gga+"\r\n" || ns != stamp {
					t.Errorf("%s: %d %q %v", k.name, ns, got, err)
				}
			}
			b := builder{kind: k}
			b.header(0, frame)
			b.u32(3)
			b.b = append(b.b, 0xd3, 0, 1)
			ns, got, err = convert(k.encoding(), "example_msgs/Corrections", fusion.ChanCorrections, stamp, b.done(), nil)
			if err != nil || !bytes.Equal(got, []byte{0xd3, 0, 1}) || ns != stamp {
				t.Errorf("%s: %d %x %v", k.name, ns, got, err)
			}
		}
		b := builder{kind: k}
		b.text(gga)
		if _, got, err := convert(k.encoding(), schemaString, fusion.ChanNMEA, stamp, b.done(), nil); err != nil || string(got) != gga+"\r\n" {
			t.Errorf("%s: %q %v", k.name, got, err)
		}
		// A stamp of another clock does not move the record; a message without
		// stamp takes the log time.
		if ns, _, _ := convert(k.encoding(), schemaIMU, fusion.ChanIMU, stamp+60e9, k.imu(stamp, "x", w, f), nil); ns != stamp+60e9 {
			t.Errorf("%s: stamp of another clock gives %d", k.name, ns)
		}
		if _, got, _ := convert(k.encoding(), schemaIMU, fusion.ChanIMU, stamp, k.imu(0, "x", w, f), nil); string(got) != wantIMU {
			t.Errorf("%s: no stamp gives %q", k.name, got)
		}
		msg := k.imu(stamp, "imu", w, f)
		for cut := range len(msg) {
			// The covariance at the end is not looked at.
			if _, got, err := convert(k.encoding(), schemaIMU, fusion.ChanIMU, stamp, msg[:cut], nil); err == nil && string(got) != wantIMU {
				t.Fatalf("%s cut at %d: %q passes", k.name, cut, got)
			}
		}
	}
	for _, id := range []byte{2, 3, 8, 9, 0x0a, 0x0b, 0x14, 0xff} { // parameter lists and delimited forms
		msg := kinds[0].imu(stamp, "imu", w, f)
		msg[1] = id
		if _, _, err := convert("cdr", schemaIMU, fusion.ChanIMU, stamp, msg, nil); err == nil || !strings.Contains(err.Error(), "plain CDR") {
			t.Errorf("encapsulation %#x: %v", id, err)
		}
	}
}

// foreign writes a recording as other programs write one: a topic per sensor,
// schemas, large chunks, messages of a topic behind their turn.
func foreign(t testing.TB, path string, compression mcap.CompressionFormat, chunked bool, imus int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := mcap.NewWriter(f, &mcap.WriterOptions{Chunked: chunked, ChunkSize: 4096, Compression: compression, IncludeCRC: true})
	if err != nil {
		t.Fatal(err)
	}
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	check(w.WriteHeader(&mcap.Header{Profile: "ros2"}))
	check(w.WriteSchema(&mcap.Schema{ID: 1, Name: "sensor_msgs/msg/Imu", Encoding: "ros2msg"}))
	check(w.WriteSchema(&mcap.Schema{ID: 2, Name: "nmea_msgs/msg/Sentence", Encoding: "ros2msg"}))
	check(w.WriteSchema(&mcap.Schema{ID: 3, Name: "example_msgs/msg/Corrections", Encoding: "ros2msg"}))
	check(w.WriteSchema(&mcap.Schema{ID: 4, Name: "example_msgs/msg/Picture", Encoding: "ros2msg"}))
	for i := range imus {
		check(w.WriteChannel(&mcap.Channel{ID: uint16(10 + i), SchemaID: 1, Topic: fmt.Sprintf("/imu%d/data", i), MessageEncoding: "cdr"}))
	}
	check(w.WriteChannel(&mcap.Channel{ID: 2, SchemaID: 2, Topic: "/gnss/nmea", MessageEncoding: "cdr"}))
	check(w.WriteChannel(&mcap.Channel{ID: 3, SchemaID: 3, Topic: "/gnss/rtcm", MessageEncoding: "cdr"}))
	check(w.WriteChannel(&mcap.Channel{ID: 4, SchemaID: 4, Topic: "/camera", MessageEncoding: "cdr"}))
	put := func(id uint16, ns int64, msg []byte) {
		check(w.WriteMessage(&mcap.Message{ChannelID: id, LogTime: uint64(ns), PublishTime: uint64(ns), Data: msg}))
	}
	k := kinds[0]
	for i := range 400 {
		ns := start + int64(i)*5e6
		for n := range imus {
			put(uint16(10+n), ns+1e6, k.imu(ns, "imu", [3]float64{float64(n), 0, 0}, [3]float64{0, 0, 9.8}))
		}
		if i%20 == 19 { // 0.1 s late in the file
			b := builder{kind: k}
			b.header(ns-100e6, "gnss")
			b.text("$GNZDA,090000.00,16,05,2026,00,00*75")
			put(2, ns-99e6, b.done())
			b = builder{kind: k}
			b.header(ns, "base")
			b.u32(2)
			b.b = append(b.b, 0xd3, byte(i))
			put(3, ns, b.done())
			put(4, ns, bytes.Repeat([]byte{1, 2, 3}, 500))
		}
	}
	check(w.Close())
}

func TestForeign(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		compression mcap.CompressionFormat
		chunked     bool
	}{{mcap.CompressionZSTD, true}, {mcap.CompressionLZ4, true}, {mcap.CompressionNone, true}, {"", false}} {
		path := filepath.Join(dir, fmt.Sprintf("x%v%v.mcap", c.compression, c.chunked))
		foreign(t, path, c.compression, c.chunked, 1)
		got, rd := read(t, path, Topics{Corrections: "/gnss/rtcm"})
		if d := rd.Damage(); d != (Damage{}) {
			t.Errorf("%s: damage %+v", path, d)
		}
		n := map[fusion.Channel]int{}
		for i, r := range got {
			n[r.ch]++
			if i > 0 && r.ns < got[i-1].ns {
				t.Fatalf("record %d goes back in time by %d ns", i, got[i-1].ns-r.ns)
			}
		}
		if n[fusion.ChanIMU] != 400 || n[fusion.ChanNMEA] != 20 || n[fusion.ChanCorrections] != 20 || len(n) != 3 {
			t.Errorf("%s: records %v", path, n)
		}
		if without, _ := read(t, path, Topics{}); len(without) != 420 {
			t.Errorf("%s: %d records without naming corrections, want 420", path, len(without))
		}
	}
	path := filepath.Join(dir, "two.mcap")
	foreign(t, path, mcap.CompressionZSTD, true, 2)
	for _, tt := range []struct {
		topics Topics
		say    string
	}{
		{Topics{}, "several topics for the inertial sensor, want one named: /imu0/data, /imu1/data"},
		{Topics{IMU: "/imu0/data", NMEA: "/gps"}, `no topic "/gps" for the receiver (sentences or positions); it has /camera, /gnss/nmea`},
		{Topics{IMU: "/imu1/data"}, ""},
	} {
		r, err := Open(path, tt.topics)
		if (err == nil) != (tt.say == "") || err != nil && !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%+v: %v, want %q", tt.topics, err, tt.say)
		}
		if err == nil {
			got, err := r.Next()
			for err == nil && got.Channel != fusion.ChanIMU {
				got, err = r.Next()
			}
			if err != nil || !strings.Contains(string(got.Data), ",1,0,0,") {
				t.Errorf("the other sensor was taken: %q %v", got.Data, err)
			}
			r.Close()
		}
	}
	// A message that is none is refused, counted and passed over.
	r, err := Open(path, Topics{IMU: "/camera"})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for err == nil {
		_, err = r.Next()
	}
	if d := r.Damage(); d.Refused != 20 || d.First == nil {
		t.Errorf("damage %+v, want 20 refused", d)
	}
}

func TestListTopics(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.mcap")
	foreign(t, path, mcap.CompressionZSTD, true, 1)
	got, err := ListTopics(path)
	want := []Topic{
		{"/camera", "example_msgs/Picture", "cdr", 20},
		{"/gnss/nmea", "nmea_msgs/Sentence", "cdr", 20},
		{"/gnss/rtcm", "example_msgs/Corrections", "cdr", 20},
		{"/imu0/data", "sensor_msgs/Imu", "cdr", 400},
	}
	if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, %v, want %v", got, err, want)
	}
}

func FuzzConvert(f *testing.F) {
	for _, k := range kinds {
		f.Add(k.encoding(), k.imu(start, "imu", [3]float64{1, 2, 3}, [3]float64{4, 5, 6}))
	}
	f.Fuzz(func(t *testing.T, encoding string, msg []byte) {
		for _, schema := range []string{schemaIMU, schemaSentence, schemaString, "x/Y"} {
			for _, ch := range channels {
				convert(encoding, schema, ch, start, msg, nil)
			}
		}
	})
}
