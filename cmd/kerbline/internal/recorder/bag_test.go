package recorder

import (
	"database/sql"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	"kerbline/fusion"
)

// writeBag writes the messages of an MCAP file into a bag with the tables that
// robotics middleware uses (topics, messages).
func writeBag(t testing.TB, from, path string) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(from)
	must(err)
	defer f.Close()
	rd, err := mcap.NewReader(f)
	must(err)
	db, err := sql.Open("sqlite", path)
	must(err)
	defer db.Close()
	exec := func(q string, a ...any) {
		_, err := db.Exec(q, a...)
		must(err)
	}
	exec("CREATE TABLE topics(id INTEGER PRIMARY KEY, name TEXT NOT NULL, type TEXT NOT NULL, serialization_format TEXT NOT NULL, offered_qos_profiles TEXT NOT NULL)")
	exec("CREATE TABLE messages(id INTEGER PRIMARY KEY, topic_id INTEGER NOT NULL, timestamp INTEGER NOT NULL, data BLOB NOT NULL)")
	exec("BEGIN")
	it, err := rd.Messages(mcap.UsingIndex(false))
	must(err)
	seen := map[uint16]bool{}
	for {
		s, c, m, err := it.NextInto(nil)
		if err != nil {
			break
		}
		if !seen[c.ID] {
			seen[c.ID] = true
			exec("INSERT INTO topics VALUES(?,?,?,'cdr','')", c.ID, c.Topic, s.Name)
		}
		exec("INSERT INTO messages(topic_id,timestamp,data) VALUES(?,?,?)", c.ID, int64(m.LogTime), m.Data)
	}
	exec("COMMIT")
}

// A bag gives the records that an MCAP file of the same messages gives.
func TestBag(t *testing.T) {
	dir := t.TempDir()
	one, two := filepath.Join(dir, "x.mcap"), filepath.Join(dir, "x y#1.db3")
	foreign(t, one, mcap.CompressionLZ4, true, 1)
	writeBag(t, one, two)
	want, _ := read(t, one, Topics{Corrections: "/gnss/rtcm"})
	got, rd := read(t, two, Topics{Corrections: "/gnss/rtcm"})
	if d := rd.Damage(); d != (Damage{}) {
		t.Errorf("damage %+v", d)
	}
	if len(want) == 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("%d records, want the %d of the MCAP file", len(got), len(want))
	}
	a, errA := ListTopics(one)
	b, errB := ListTopics(two)
	if errA != nil || errB != nil || !reflect.DeepEqual(a, b) {
		t.Errorf("topics %v %v, want %v %v", b, errB, a, errA)
	}
	if _, err := Open(two, Topics{IMU: "/none"}); err == nil || !strings.Contains(err.Error(), `no topic "/none"`) {
		t.Errorf("error %v, want the topic named", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 {
		t.Errorf("%d files in the folder (%v), want nothing written beside the bag", len(entries), err)
	}
	empty := filepath.Join(dir, "empty.db3")
	db, err := sql.Open("sqlite", empty)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("CREATE TABLE other(x)"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	if _, err := Open(empty, Topics{}); err == nil || !strings.Contains(err.Error(), "want a bag with a table of topics") {
		t.Errorf("a database of another kind: %v", err)
	}
	// Cut off: what is there comes out, or the error says what is wrong.
	whole, err := os.ReadFile(two)
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []int{20, 4096, len(whole) / 2, len(whole) - 5000} {
		cut := filepath.Join(dir, fmt.Sprintf("cut%d.db3", part))
		if err := os.WriteFile(cut, whole[:part], 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := Open(cut, Topics{})
		for err == nil {
			_, err = r.Next()
		}
		if err.Error() == "" {
			t.Errorf("cut at %d: no words", part)
		}
	}
}

// Positions, velocities and wheel speeds of the middleware (docs.ros.org:
// sensor_msgs/NavSatFix, geometry_msgs/TwistStamped, nav_msgs/Odometry,
// std_msgs/Float64 and Float32), in each way of serialising.
func TestConvert_PositionsAndSpeeds(t *testing.T) {
	const stamp, log = start + 500000000, start + 560000000
	fix := func(k kind, status int8, sigma float64, known byte) []byte {
		b := builder{kind: k}
		b.header(stamp, "antenna")
		b.b = append(b.b, byte(status))
		b.pad(2)
		b.b = b.order.AppendUint16(b.b, 15)
		b.f64(44.5)
		b.f64(-11.75)
		b.f64(151.25)
		for i := range 9 {
			v := 0.0
			if i%4 == 0 {
				v = sigma * sigma
			}
			b.f64(v)
		}
		b.b = append(b.b, known)
		return b.done()
	}
	for _, k := range kinds {
		for _, tt := range []struct {
			status int8
			sigma  float64
			known  byte
			gga    string
			gst    bool
		}{
			{2, 0.02, 2, "4430.00000000,N,01145.00000000,W,4,,,151.2500,M,0.0,M,,", true},
			{2, 0.3, 2, "4430.00000000,N,01145.00000000,W,5,,,151.2500,M,0.0,M,,", true},
			{2, 0.01, 0, "4430.00000000,N,01145.00000000,W,5,,,151.2500,M,0.0,M,,", false},
			{0, 1.5, 1, "4430.00000000,N,01145.00000000,W,1,,,151.2500,M,0.0,M,,", true},
			{-1, 0, 0, ",,,,0,,,151.2500,M,0.0,M,,", false},
		} {
			ns, got, err := convert(k.encoding(), schemaFix, fusion.ChanNMEA, log, fix(k, tt.status, tt.sigma, tt.known), nil)
			if err != nil || ns != log || !strings.HasPrefix(string(got), "$GNGGA,090000.500000,"+tt.gga) {
				t.Fatalf("%s, status %d: %d %q %v, want %q", k.name, tt.status, ns, got, err, tt.gga)
			}
			if gst := strings.Contains(string(got), "$GNGST"); gst != tt.gst {
				t.Errorf("%s, status %d: GST %v", k.name, tt.status, gst)
			}
		}
		twist := func(x, y float64) builder {
			b := builder{kind: k}
			b.header(stamp, "car")
			b.f64(x)
			b.f64(y)
			for range 4 {
				b.f64(9)
			}
			return b
		}
		b := twist(3, 4)
		if _, got, err := convert(k.encoding(), schemaTwist, fusion.ChanNMEA, log, b.done(), nil); err != nil || !strings.HasPrefix(string(got), "$GNVTG,36.870,T,,M,9.7192,N,18.0000,K*") {
			t.Errorf("%s: velocity %q %v", k.name, got, err)
		}
		want := fmt.Sprintf("%.1f,3\n", float64(start)/1e9+0.5)
		if _, got, err := convert(k.encoding(), schemaTwist, fusion.ChanWheel, log, b.done(), nil); err != nil || string(got) != want {
			t.Errorf("%s: twist %q %v, want %q", k.name, got, err, want)
		}
		b = builder{kind: k}
		b.header(stamp, "map")
		b.text("car")
		for i := range 7 + 36 {
			b.f64(float64(i))
		}
		b.f64(3)
		for range 5 + 36 {
			b.f64(1)
		}
		if _, got, err := convert(k.encoding(), schemaOdometry, fusion.ChanWheel, log, b.done(), nil); err != nil || string(got) != want {
			t.Errorf("%s: odometry %q %v, want %q", k.name, got, err, want)
		}
		b = builder{kind: k}
		b.f64(3)
		want = fmt.Sprintf("%.2f,3\n", float64(start)/1e9+0.56)
		if _, got, err := convert(k.encoding(), schemaFloat64, fusion.ChanWheel, log, b.done(), nil); err != nil || string(got) != want {
			t.Errorf("%s: Float64 %q %v, want %q", k.name, got, err, want)
		}
		b = builder{kind: k}
		b.u32(math.Float32bits(3))
		if _, got, err := convert(k.encoding(), schemaFloat32, fusion.ChanWheel, log, b.done(), nil); err != nil || string(got) != want {
			t.Errorf("%s: Float32 %q %v, want %q", k.name, got, err, want)
		}
	}
}
