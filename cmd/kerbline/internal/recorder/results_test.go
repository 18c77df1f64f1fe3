package recorder

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	"kerbline/fusion"
)

// What the monitor says is there for other programs, by an indexed reader that is not
// ours, and our own reading of the same file passes it over.
func TestResults(t *testing.T) {
	path := filepath.Join(t.TempDir(), "r.mcap")
	f, err := Create(path, Head{Attachments: []Attachment{Attached(SettingsName, nil)}})
	if err != nil {
		t.Fatal(err)
	}
	r, err := f.AddResults([][2]string{{"t", "number"}, {"verdict", "string"}})
	if err != nil {
		t.Fatal(err)
	}
	const n, ns = 5, int64(1_700_000_000_123_456_789)
	for i := range int64(n) {
		if err := f.Write(ns+i*1e9, fusion.ChanNMEA, []byte("$GNGGA\r\n")); err != nil {
			t.Fatal(err)
		}
		fix := Fix{Lat: 44.5, Lon: 11.25, H: 120 + float64(i), Cov: [9]float64{0.01, 0.001, 0, 0.001, 0.04, 0, 0, 0, 1e6}, Corrected: i > 0}
		if i == n-1 {
			fix.Lat = math.NaN()
		}
		st := Judgement{Level: byte(i % 3), Message: "usable", Values: [][2]string{{"reason", "corr-age"}, {"pl_lat_m", "0.2"}}}
		if err := r.Write(ns+i*1e9, &fix, &st, []byte(`{"t":1,"verdict":"usable"}`+"\n")); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}

	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader, err := mcap.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	it, err := reader.Messages()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for {
		s, c, m, err := it.NextInto(nil)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		i := seen[c.Topic]
		seen[c.Topic]++
		switch c.Topic {
		case fixTopic:
			// The same table of our own that another program's position becomes.
			at, line, err := convert(c.MessageEncoding, plainSchema(s.Name), fusion.ChanNMEA, int64(m.LogTime), m.Data, nil)
			if err != nil || at != ns+int64(i)*1e9 {
				t.Errorf("fix %d: %v at %d", i, err, at)
			}
			if has := strings.Contains(string(line), "4430.00000000,N,01115.00000000,E"); has != (i < n-1) {
				t.Errorf("fix %d: %s", i, line)
			}
		case statusTopic:
			d, err := newCDR(c.MessageEncoding, m.Data)
			if err != nil {
				t.Fatal(err)
			}
			if at := d.header(); at != ns+int64(i)*1e9 {
				t.Errorf("status %d at %d", i, at)
			}
			if d.uint32() != 1 || d.take(1, 1)[0] != byte(i%3) {
				t.Errorf("status %d: count or level", i)
			}
			var words []string
			for range 3 {
				words = append(words, string(d.text()))
			}
			for range d.uint32() {
				words = append(words, string(d.text()), string(d.text()))
			}
			if got := strings.Join(words, "|"); got != "kerbline: verdict|usable|kerbline|reason|corr-age|pl_lat_m|0.2" {
				t.Errorf("status %d: %s", i, got)
			}
		case verdictTopic:
			var schema struct{ Properties map[string]any }
			if s.Encoding != "jsonschema" || json.Unmarshal(s.Data, &schema) != nil || len(schema.Properties) != 2 || !json.Valid(bytes.TrimSpace(m.Data)) {
				t.Errorf("verdict %d: %s %s", i, s.Data, m.Data)
			}
		}
	}
	if seen[fixTopic] != n || seen[statusTopic] != n || seen[verdictTopic] != n {
		t.Errorf("%v", seen)
	}

	own, err := Open(path, Topics{})
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	for i := 0; ; i++ {
		rec, err := own.Next()
		if err != nil {
			if d := own.Damage(); i != n || d != (Damage{}) {
				t.Errorf("%d records, %v", i, d)
			}
			break
		}
		if rec.Channel != fusion.ChanNMEA {
			t.Errorf("a result is replayed: %v", rec)
		}
	}
}
