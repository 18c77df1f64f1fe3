package main

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fusion"
)

// message is a record as robotics middleware would have recorded it: plain CDR,
// little-endian (XTypes 1.3, 7.4.3).
type message struct {
	topic int
	ns    int64
	data  []byte
}

var topics = []struct{ name, schema string }{
	{"/receiver/nmea", "nmea_msgs/msg/Sentence"}, {"/receiver/rtcm", "example_msgs/msg/Corrections"},
	{"/imu/data", "sensor_msgs/msg/Imu"}, {"/wheel/twist", "geometry_msgs/msg/TwistStamped"},
}

// serialise writes a header with the stamp, then strings as bytes with their
// length and numbers as float64.
func serialise(ns int64, terminated bool, text []byte, numbers ...float64) []byte {
	u32 := binary.LittleEndian.AppendUint32
	b := u32(u32(nil, uint32(ns/1e9)), uint32(ns%1e9))
	b = append(u32(b, 4), "car\x00"...)
	if text != nil {
		n := len(text)
		if terminated {
			text, n = append(text, 0), n+1
		}
		b = append(u32(b, uint32(n)), text...)
	}
	for _, x := range numbers {
		for len(b)%8 != 0 {
			b = append(b, 0)
		}
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	}
	return append([]byte{0, 1, 0, 0}, b...)
}

// messages are the records of a recording, without ticks.
func messages(t *testing.T, dir string) (out []message) {
	t.Helper()
	rec, err := recording.Open(dir, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := rec.Stream(0)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for r, ok := s.Next(); ok; r, ok = s.Next() {
		ns := recorder.Nanos(r.T)
		line := strings.TrimRight(string(r.Data), "\r\n")
		var v []float64
		for _, f := range strings.Split(line, ",") {
			x, _ := strconv.ParseFloat(f, 64)
			v = append(v, x)
		}
		pad := func(n int) []float64 { return make([]float64, n) }
		switch r.Channel {
		case fusion.ChanNMEA:
			if at := strings.LastIndexByte(line, '\\'); at >= 0 {
				line = line[at+1:] // the TAG block is what the time comes from
			}
			out = append(out, message{0, ns, serialise(ns, true, []byte(line))})
		case fusion.ChanCorrections:
			out = append(out, message{1, ns, serialise(ns, false, bytes.Clone(r.Data))})
		case fusion.ChanIMU:
			if len(v) == 7 && v[0] > 0 {
				w, f := v[1:4], v[4:7]
				n := append(append(append(append(pad(13), w...), pad(9)...), f...), pad(9)...)
				out = append(out, message{2, ns, serialise(ns, false, nil, n...)})
			}
		case fusion.ChanWheel:
			if len(v) == 2 && v[0] > 0 {
				out = append(out, message{3, ns, serialise(ns, false, nil, v[1], 0, 0, 0, 0, 0)})
			}
		}
	}
	return out
}

func writeMessages(t *testing.T, path string, ms []message) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := mcap.NewWriter(f, &mcap.WriterOptions{Chunked: true, ChunkSize: 1 << 18, Compression: mcap.CompressionZSTD})
	if err != nil {
		t.Fatal(err)
	}
	check := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	check(w.WriteHeader(&mcap.Header{Profile: "ros2"}))
	for i, p := range topics {
		check(w.WriteSchema(&mcap.Schema{ID: uint16(i + 1), Name: p.schema, Encoding: "ros2msg"}))
		check(w.WriteChannel(&mcap.Channel{ID: uint16(i), SchemaID: uint16(i + 1), Topic: p.name, MessageEncoding: "cdr"}))
	}
	for _, m := range ms {
		check(w.WriteMessage(&mcap.Message{ChannelID: uint16(m.topic), LogTime: uint64(m.ns), PublishTime: uint64(m.ns), Data: m.data}))
	}
	check(w.Close())
}

func writeBag(t *testing.T, path string, ms []message) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	exec := func(q string, a ...any) {
		if _, err := db.Exec(q, a...); err != nil {
			t.Fatal(err)
		}
	}
	exec("CREATE TABLE topics(id INTEGER PRIMARY KEY, name TEXT, type TEXT, serialization_format TEXT, offered_qos_profiles TEXT)")
	exec("CREATE TABLE messages(id INTEGER PRIMARY KEY, topic_id INTEGER, timestamp INTEGER, data BLOB)")
	exec("BEGIN")
	for i, p := range topics {
		exec("INSERT INTO topics VALUES(?,?,?,'cdr','')", i+1, p.name, p.schema)
	}
	for _, m := range ms {
		exec("INSERT INTO messages(topic_id,timestamp,data) VALUES(?,?,?)", m.topic+1, m.ns, m.data)
	}
	exec("COMMIT")
}

// What robotics middleware recorded of a drive gives the lines of the folder,
// to the byte: as an MCAP file and as an SQLite bag, named or in its folder.
func TestReplaySameFromMiddleware(t *testing.T) {
	dir := loop(t, "nominal", 80)
	code, want, errOut := kerbline(t, "replay", dir, "--verdicts", "-", "--events", "-")
	if code != exitDone || want == "" {
		t.Fatal(errOut)
	}
	ms := messages(t, dir)
	bags := t.TempDir()
	file, bag := filepath.Join(t.TempDir(), "drive.mcap"), filepath.Join(bags, "drive_0.db3")
	writeMessages(t, file, ms)
	writeBag(t, bag, ms)
	for _, path := range []string{file, bag, bags} {
		code, got, errOut := kerbline(t, "replay", path, "--corrections", "topic:/receiver/rtcm", "--wheel", "topic:/wheel/twist",
			"--course", filepath.Join(dir, "track.geojson"), "--config", filepath.Join(dir, "kerbline.toml"), "--verdicts", "-", "--events", "-")
		if code != exitDone || got != want {
			t.Errorf("%s: exit %d, %d bytes of lines, want the %d of the folder: %s", path, code, len(got), len(want), errOut)
		}
	}
	code, list, errOut := kerbline(t, "convert", "--list", bag)
	for _, line := range []string{"/receiver/nmea", "with --gnss or --wheel topic:/wheel/twist", "not used"} {
		if code != exitDone || !strings.Contains(list, line) {
			t.Errorf("convert --list: exit %d, no %q in\n%s%s", code, line, list, errOut)
		}
	}
}
