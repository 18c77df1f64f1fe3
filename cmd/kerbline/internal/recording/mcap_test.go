package recording

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/fusion"
)

// record writes what a live run would have recorded of r, ticks included.
func record(t testing.TB, r *Recording, path string, attach ...recorder.Attachment) {
	t.Helper()
	f, err := recorder.Create(path, recorder.Head{Attachments: attach})
	if err != nil {
		t.Fatal(err)
	}
	for _, rec := range records(t, r) {
		if err := f.Write(recorder.Nanos(rec.T), rec.Channel, rec.Data); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// attachedSettings stand in every recording of this program.
var attachedSettings = recorder.Attachment{Name: recorder.SettingsName, MediaType: "application/toml", Data: []byte("[gnss]\nlatency_s = 0.07\n")}

// The MCAP file of a run gives the measurements of the run, bit for bit.
func TestMCAPEqualsFolder(t *testing.T) {
	r := busy(t, 20)
	path := filepath.Join(t.TempDir(), "run.mcap")
	record(t, r, path, attachedSettings)
	m, err := Open(path, Paths{})
	if err != nil {
		t.Fatal(err)
	}
	if a, b := print(feed(t, r)), print(feed(t, m)); a != b {
		t.Error("the file gives other measurements")
	}
	if cfg, err := m.Settings(); err != nil || cfg.GNSS.Latency != 0.07 {
		t.Errorf("settings: latency %v (%v), want 0.07 from the recording", cfg.GNSS.Latency, err)
	}
	if from, to := m.Span(); from != t0+0.0007 || !math.IsNaN(to) {
		t.Errorf("span %.4f to %v", from-t0, to)
	}
	if c, err := m.Course(); c != nil || err != nil {
		t.Errorf("course %v, %v, want none", c, err)
	}
	// A file takes the place of the recording's attachedSettings.
	conf := filepath.Join(t.TempDir(), "other.toml")
	if err := os.WriteFile(conf, []byte("[gnss]\nlatency_s = 0.05\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if m, err = Open(path, Paths{Config: conf}); err != nil {
		t.Fatal(err)
	}
	if cfg, err := m.Settings(); err != nil || cfg.GNSS.Latency != 0.05 {
		t.Errorf("settings: latency %v (%v), want 0.05 from the file", cfg.GNSS.Latency, err)
	}
}

// Settings or a map that are damaged in a recording are an error in words, not
// the defaults; a file named in their place is a way on.
func TestMCAPDamagedSettings(t *testing.T) {
	dir := t.TempDir()
	conf := filepath.Join(dir, "kerbline.toml")
	line := filepath.Join(dir, "line.geojson")
	os.WriteFile(conf, attachedSettings.Data, 0o600)
	os.WriteFile(line, []byte("{}"), 0o600)
	course := recorder.Attachment{Name: recorder.CourseName, MediaType: "application/geo+json", Data: []byte(`{"type":"LineString"}`)}
	path := filepath.Join(dir, "run.mcap")
	record(t, busy(t, 2), path, attachedSettings, course)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		damage []byte
		say    string
		paths  Paths
	}{
		{attachedSettings.Data, "its kerbline.toml is damaged, want --config FILE", Paths{Config: conf}},
		{course.Data, "its track.geojson is damaged, want --course FILE", Paths{Course: line}},
	} {
		b := bytes.Clone(whole)
		b[bytes.Index(b, tt.damage)+2] ^= 4
		os.WriteFile(path, b, 0o600)
		if _, err := Open(path, Paths{}); err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%v, want %q", err, tt.say)
		}
		if _, err := Open(path, tt.paths); err != nil {
			t.Error(err)
		}
	}
	os.Remove(path)
	record(t, busy(t, 2), path)
	if _, err := Open(path, Paths{}); err == nil || !strings.Contains(err.Error(), "holds no kerbline.toml, want --config FILE") {
		t.Errorf("no settings at all: %v", err)
	}
}

// A power cut: what is there comes out, and the loss is said.
func TestMCAPCut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.mcap")
	record(t, busy(t, 20), path, attachedSettings)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b[:len(b)-len(b)/10], 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := Open(path, Paths{})
	if err != nil {
		t.Fatal(err)
	}
	f, err := r.Feed(fusion.DefaultConfig())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for err == nil {
		_, err = f.Next()
	}
	if err != io.EOF || !strings.Contains(f.Damage(), "was not closed") {
		t.Errorf("error %v, damage %q", err, f.Damage())
	}
}

// Recordings of other programs have no ticks: silences get them.
func TestMCAPOfAnother(t *testing.T) {
	path := filepath.Join(t.TempDir(), "other.mcap")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w, err := mcap.NewWriter(file, &mcap.WriterOptions{Chunked: true, ChunkSize: 1 << 16})
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(w.WriteHeader(&mcap.Header{Profile: "ros2"}))
	must(w.WriteSchema(&mcap.Schema{ID: 1, Name: "std_msgs/msg/String", Encoding: "ros2msg", Data: []byte("string data")}))
	must(w.WriteChannel(&mcap.Channel{ID: 1, SchemaID: 1, Topic: "/receiver/text", MessageEncoding: "cdr"}))
	for _, at := range []float64{0, 0.5, 2} {
		s := ggaAt(32400+at) + "\x00"
		msg := binary.LittleEndian.AppendUint32([]byte{0, 1, 0, 0}, uint32(len(s)))
		ns := uint64(recorder.Nanos(t0 + at + 0.05))
		must(w.WriteMessage(&mcap.Message{ChannelID: 1, LogTime: ns, PublishTime: ns, Data: append(msg, s...)}))
	}
	must(w.Close())
	must(file.Close())

	if _, err := Open(path, Paths{}); err == nil || !strings.Contains(err.Error(), "/receiver/text") {
		t.Errorf("%v, want the topics there are", err)
	}
	if _, err := Open(path, Paths{GNSS: "topic:/receiver/text", Wheel: "wheel.csv"}); err == nil || !strings.Contains(err.Error(), "--wheel wheel.csv does not go with the MCAP file") {
		t.Errorf("%v, want the flag named", err)
	}
	r, err := Open(path, Paths{GNSS: "topic:/receiver/text"})
	must(err)
	epochs := 0
	for _, m := range feed(t, r) {
		if m.Kind == fusion.KindEpoch {
			epochs++
		}
	}
	if epochs != 3 {
		t.Errorf("%d epochs, want 3", epochs)
	}
	if n := len(records(t, r)); n != 3+20 {
		t.Errorf("%d records, want 3 sentences and 20 ticks over 2 s", n)
	}
}
