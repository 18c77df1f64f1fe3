package recording

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"kerbline/fusion"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

const t0 = 1778922000.0 // 2026-05-16 09:00:00 UTC

// sum closes a sentence or a TAG block with its checksum.
func sum(s string) string {
	var x byte
	for i := 0; i < len(s); i++ {
		x ^= s[i]
	}
	return fmt.Sprintf("%s*%02X", s, x)
}

func tag(t float64) string { return `\` + sum(fmt.Sprintf("c:%.0f", t*1000)) + `\` }

// ggaAt is a GGA of a second of the day.
func ggaAt(s float64) string {
	h, m := int(s/3600), int(math.Mod(s, 3600)/60)
	return "$" + sum(fmt.Sprintf("GNGGA,%02d%02d%05.2f,4417.4818706,N,01151.7847181,E,4,25,0.55,104.491,M,47.000,M,1.0,1201", h, m, math.Mod(s, 60)))
}

func rmcAt(s float64, date string) string {
	h, m := int(s/3600), int(math.Mod(s, 3600)/60)
	return "$" + sum(fmt.Sprintf("GNRMC,%02d%02d%05.2f,A,4417.4818706,N,01151.7847181,E,0.086,261.44,%s,,,A,V", h, m, math.Mod(s, 60), date))
}

func imuAt(t float64) string { return fmt.Sprintf("%.6f,0,0,0,0,0,9.8\n", t) }

func open(t testing.TB, files map[string]string) *Recording {
	t.Helper()
	m := map[string][]byte{}
	for name, s := range files {
		m[name] = []byte(s)
	}
	r, err := FromFiles(m)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// records reads all, with copies of their data.
func records(t testing.TB, r *Recording) (rs []fusion.Record) {
	t.Helper()
	s, err := r.Stream(0.08)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for rec, ok := s.Next(); ok; rec, ok = s.Next() {
		rec.Data = bytes.Clone(rec.Data)
		rs = append(rs, rec)
	}
	if s.Err() != nil {
		t.Fatal(s.Err())
	}
	if done, total := s.Progress(); done != total {
		t.Errorf("read %d of %d bytes", done, total)
	}
	return rs
}

// feed reads all measurements, with copies of their frames.
func feed(t testing.TB, r *Recording) (ms []fusion.Measurement) {
	t.Helper()
	f, err := r.Feed(fusion.DefaultConfig())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for {
		b, err := f.Next()
		if err == io.EOF {
			return ms
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range b {
			ms = append(ms, own(&b[i]))
		}
	}
}

func own(m *fusion.Measurement) fusion.Measurement {
	c := *m
	if c.Frame != nil {
		f := *c.Frame
		c.Frame = &f
	}
	return c
}

// show writes records as "time channel" in tenths for comparing orders.
func show(rs []fusion.Record) string {
	var b strings.Builder
	for _, r := range rs {
		fmt.Fprintf(&b, "%.3f %s\n", r.T-t0, r.Channel)
	}
	return b.String()
}

// A small whole recording: merged by time, ties in the order of channels, ticks
// on the grid and after what has their time.
func TestMergeOrder(t *testing.T) {
	r := open(t, map[string]string{
		"nmea.log":        tag(t0+0.2) + ggaAt(32400) + "\r\n" + tag(t0+0.55) + ggaAt(32400.5) + "\r\n",
		"imu.csv":         "t,wx,wy,wz,fx,fy,fz\n" + imuAt(t0+0.15) + imuAt(t0+0.2) + imuAt(t0+0.4),
		"wheel.csv":       fmt.Sprintf("t,v\n%.6f,1\n", t0+0.2),
		"corrections.csv": fmt.Sprintf("t,hex\n%.6f,d3\n", t0+0.2),
	})
	want := "0.150 imu\n0.150 imu\n" + // a header line comes with its first sample
		"0.200 nmea\n0.200 corrections\n0.200 imu\n0.200 wheel\n0.200 wheel\n0.200 tick\n0.300 tick\n0.400 imu\n0.400 tick\n0.500 tick\n0.550 nmea\n"
	if got := show(records(t, r)); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	if from, to := r.Span(); from != t0+0.15 || to != t0+0.55 {
		t.Errorf("span %.3f to %.3f, want 0.150 to 0.550", from-t0, to-t0)
	}
}

// Decoded ahead in batches or record by record, in the file's lines or cut
// anew: the same measurements in the same order.
func TestFeedEqualsRecords(t *testing.T) {
	r := busy(t, 30)
	ahead := feed(t, r)
	var direct []fusion.Measurement
	d := fusion.NewDecoder(fusion.DefaultConfig())
	emit := func(m *fusion.Measurement) { direct = append(direct, own(m)) }
	rs := records(t, r)
	for _, rec := range rs {
		d.Decode(rec, emit)
	}
	d.Close(rs[len(rs)-1].T, emit)
	if len(ahead) < 3*batchSize {
		t.Fatalf("only %d measurements", len(ahead))
	}
	if print(ahead) != print(direct) {
		t.Error("the feed gives other measurements than its records")
	}
	if again := feed(t, r); print(ahead) != print(again) {
		t.Error("a second feed gives other measurements")
	}
}

// print writes all of some measurements, for comparing: NaN is not NaN to ==.
func print(ms []fusion.Measurement) string {
	var b strings.Builder
	for i := range ms {
		m := own(&ms[i])
		epoch, frame := m.Epoch, m.Frame
		m.Epoch, m.Frame = nil, nil
		fmt.Fprintf(&b, "%+v %+v %+v\n", m, epoch, frame)
	}
	return b.String()
}

// busy is a recording of every input over some seconds.
func busy(t testing.TB, seconds int) *Recording {
	var n, c, i, w strings.Builder
	for k := range seconds * 10 {
		at := t0 + float64(k)/10
		n.WriteString(tag(at+0.09) + ggaAt(32400+float64(k)/10) + "\r\n" + tag(at+0.092) + rmcAt(32400+float64(k)/10, "160526") + "\r\n")
		for j := range 20 {
			i.WriteString(imuAt(at + float64(j)/200 + 0.0013))
		}
		for j := range 5 {
			fmt.Fprintf(&w, "%.6f,%d\n", at+float64(j)/50+0.0007, j)
		}
		if k%10 == 0 {
			frame := rtcm.EncodeBase(1005, 7, geodesy.ECEF{X: 4475369.4707, Y: 940002.6416, Z: 4431442.9193}, 0)
			fmt.Fprintf(&c, "%.6f,%s\n%.6f,%s\n", at+0.3, hex.EncodeToString(frame[:9]), at+0.31, hex.EncodeToString(frame[9:]))
		}
	}
	return open(t, map[string]string{"nmea.log": n.String(), "corrections.csv": c.String(), "imu.csv": i.String(), "wheel.csv": w.String()})
}

func TestFeedClosedEarly(t *testing.T) {
	r := busy(t, 60)
	before := runtime.NumGoroutine()
	for range 20 {
		f, err := r.Feed(fusion.DefaultConfig())
		if err != nil {
			t.Fatal(err)
		}
		f.Next()
		f.Next()
		f.Close()
	}
	// The decoders have let go of everything; their last instructions may lag.
	for wait := time.Millisecond; runtime.NumGoroutine() > before; wait *= 2 {
		if wait > 4*time.Second {
			t.Fatalf("%d goroutines are left", runtime.NumGoroutine()-before)
		}
		time.Sleep(wait)
	}
}

// All bytes of the receiver come out, whatever they are.
func TestReceiverBytesPass(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var b bytes.Buffer
	for k := range 300 {
		b.WriteString(ggaAt(32400 + float64(k)))
		for range rng.IntN(12000) {
			b.WriteByte(byte(rng.Uint32()))
		}
		b.WriteString([]string{"\r\n", "", "\n", "\r"}[rng.IntN(4)])
	}
	r := open(t, map[string]string{"nmea.log": b.String()})
	var out []byte
	for _, rec := range records(t, r) {
		out = append(out, rec.Data...)
		if len(rec.Data) > maxPiece {
			t.Fatalf("%d bytes at once", len(rec.Data))
		}
	}
	if !bytes.Equal(out, b.Bytes()) {
		t.Errorf("%d bytes came out of %d, or others", len(out), b.Len())
	}
}

// Looking ahead for the next time, as every line two seconds after the last
// makes it, leaves the data as it was.
func TestLookingAheadMovesNothing(t *testing.T) {
	var n, i, c strings.Builder
	for k := range 12000 {
		at := t0 + 2*float64(k)
		n.WriteString(tag(at) + ggaAt(math.Mod(32400+2*float64(k), 86400)) + "\r\n")
		i.WriteString(imuAt(at))
		fmt.Fprintf(&c, "%.6f,%04x\n", at, k)
	}
	r := open(t, map[string]string{"nmea.log": n.String(), "imu.csv": i.String(), "corrections.csv": c.String()})
	var got [3]strings.Builder
	at := 0
	for _, rec := range records(t, r) {
		switch rec.Channel {
		case fusion.ChanNMEA:
			got[0].Write(rec.Data)
		case fusion.ChanIMU:
			got[1].Write(rec.Data)
		case fusion.ChanCorrections:
			if want := fmt.Sprintf("%04x", at); hex.EncodeToString(rec.Data) != want {
				t.Fatalf("corrections %x, want %s", rec.Data, want)
			}
			at++
		}
	}
	if got[0].String() != n.String() || got[1].String() != i.String() || at != 12000 {
		t.Error("other bytes come out than went in")
	}
}

// Sentences without host times get their UTC and the latency; glued ones, ones
// among binary bytes and those that tell no time included.
func TestUntimed(t *testing.T) {
	vtg := "$" + sum("GNVTG,261.44,T,,M,0.086,N,0.160,K,A")
	r := open(t, map[string]string{"nmea.log": vtg + "\n" + ggaAt(86399) + rmcAt(86399, "150526") + ggaAt(86399.5) + "\r\n" +
		"\xb5b\x01" + ggaAt(0) + "\r\n" + vtg + "\r\n" + rmcAt(0, "160526") + "\r\n" + ggaAt(0.5)})
	var got []string
	for _, rec := range records(t, r) {
		if rec.Channel == fusion.ChanNMEA {
			i := bytes.IndexByte(rec.Data, '$')
			got = append(got, fmt.Sprintf("%.2f %s", rec.T-(t0-32400), rec.Data[i+3:i+6]))
		}
	}
	want := []string{"-0.92 VTG", "-0.92 GGA", "-0.92 RMC", "-0.42 GGA", "0.08 GGA", "0.08 VTG", "0.08 RMC", "0.58 GGA"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if len(r.Notes) != 0 {
		t.Errorf("notes %q", r.Notes)
	}
	// Every sentence reaches its epoch.
	for _, m := range feed(t, r) {
		if m.Kind == fusion.KindRefused {
			t.Errorf("refused: %s", m.Note)
		}
	}
}

// Whatever the order of an epoch's sentences, a gap in an untimed log keeps its
// length: only some of them tell a time.
func TestUntimed_GapInAnyOrder(t *testing.T) {
	const first, last, gapFrom, gapTo = 32400, 32460, 32420, 32423 // s of the day
	gsa := "$" + sum("GNGSA,A,3,01,02,03,04,05,06,07,08,,,,,1.2,0.6,1.0,1")
	gsv := "$" + sum("GPGSV,1,1,04,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45,1")
	for _, order := range permutations(4) {
		var b strings.Builder
		for s := first; s <= last; s++ {
			if s > gapFrom && s < gapTo {
				continue
			}
			kinds := [4]string{ggaAt(float64(s)), rmcAt(float64(s), "160526"), gsa, gsv}
			for _, k := range order {
				b.WriteString(kinds[k] + "\r\n")
			}
		}
		var got []float64
		for _, m := range feed(t, open(t, map[string]string{"nmea.log": b.String()})) {
			if m.Kind == fusion.KindEpoch {
				got = append(got, m.Epoch.Arrival)
			}
		}
		if want := last - first + 1 - (gapTo - gapFrom - 1); len(got) != want {
			t.Fatalf("order %v: %d epochs, want %d", order, len(got), want)
		}
		if span := got[len(got)-1] - got[0]; math.Abs(span-(last-first)) > 1e-3 {
			t.Errorf("order %v: the log spans %.3f s, want %d", order, span, last-first)
		}
	}
}

// permutations returns all orders of 0 to n-1.
func permutations(n int) (all [][]int) {
	if n == 0 {
		return [][]int{nil}
	}
	for _, p := range permutations(n - 1) {
		for at := 0; at <= len(p); at++ {
			all = append(all, slices.Insert(slices.Clone(p), at, n-1))
		}
	}
	return all
}

// A receiver that has lost the time goes on at the pace of its fixes.
func TestUntimed_NoTime(t *testing.T) {
	none := "$" + sum("GPGGA,,,,,,0,,,,,,,,") + "\r\n"
	r := open(t, map[string]string{"nmea.log": rmcAt(10, "160526") + "\n" + ggaAt(10) + "\n" + rmcAt(10.5, "160526") + "\n" + ggaAt(10.5) + "\n" + strings.Repeat(none, 40)})
	rs := records(t, r)
	if last := rs[len(rs)-1].T - (t0 - 32400 + 10.5 + 0.08); math.Abs(last-20) > 1e-6 {
		t.Errorf("40 fixes without time at 2 Hz took %.2f s, want 20", last)
	}
	if _, to := r.Span(); to != t0-32400+10.5 {
		t.Errorf("the last time is %.2f", to-t0+32400)
	}
}

// Without a date the other files tell the day, and without any nothing does.
func TestUntimed_NoDate(t *testing.T) {
	nmeaLog := ggaAt(86399) + "\n" + ggaAt(1) + "\n"
	r := open(t, map[string]string{"nmea.log": nmeaLog, "imu.csv": imuAt(t0 - 32400)})
	from, to := r.Span()
	if from != t0-32400-1 || math.Abs(to-(t0-32400+1)) > 1e-6 || len(r.Notes) != 1 {
		t.Errorf("span %.2f to %.2f s about midnight, notes %q", from-t0+32400, to-t0+32400, r.Notes)
	}
	r = open(t, map[string]string{"nmea.log": nmeaLog})
	if n := len(records(t, r)); n < 2 || n > 40 {
		t.Errorf("%d records of two sentences 2 s apart", n)
	}
}

// corrections that carry no times: the epochs tell them.
func TestUntimedCorrections(t *testing.T) {
	epochMs := func(utc float64) int64 {
		gps := utc - 315964800 + 18 // 18 leap seconds in 2026: IERS Bulletin C, from memory
		return int64(math.Round(math.Mod(gps, 604800) * 1000))
	}
	var b []byte
	b = append(b, rtcm.EncodeBase(1005, 7, geodesy.ECEF{X: 4475369.4707, Y: 940002.6416, Z: 4431442.9193}, 0)...)
	for k := range 5 {
		b = append(b, rtcm.EncodeMSM(rtcm.MSM{System: rtcm.GPS, Type: 7, Station: 7, EpochMs: epochMs(t0 + float64(k)), Sats: []int{1, 5, 9, 13}, Signals: []int{2, 16}})...)
	}
	r := open(t, map[string]string{"nmea.log": ggaAt(32400) + rmcAt(32400, "160526") + ggaAt(32404), "corrections.csv": string(b)})
	var frames []string
	for _, m := range feed(t, r) {
		if m.Kind == fusion.KindFrame {
			frames = append(frames, fmt.Sprintf("%d %.2f", m.Frame.Number, m.T-t0))
		}
	}
	want := []string{"1005 0.50", "1077 0.50", "1077 1.50", "1077 2.50", "1077 3.50", "1077 4.50"}
	if !reflect.DeepEqual(frames, want) {
		t.Errorf("got %v, want %v", frames, want)
	}

	// No epoch at all: spread evenly over the sentences.
	b = nil
	for range 100 {
		b = append(b, rtcm.EncodeBiases(7, [4]float64{})...)
	}
	r = open(t, map[string]string{"nmea.log": ggaAt(32400) + rmcAt(32400, "160526") + ggaAt(32500), "corrections.csv": string(b)})
	var at []float64
	for _, m := range feed(t, r) {
		if m.Kind == fusion.KindFrame {
			at = append(at, m.T-t0)
		}
	}
	if len(at) != 100 || at[0] > 5 || at[99] < 99 || at[49] < 45 || at[49] > 55 {
		t.Errorf("100 frames over 100 s come at %.1f", at)
	}
}

// What times in a file may do, and what becomes of the order.
func TestClock(t *testing.T) {
	for _, tt := range []struct {
		name  string
		times []float64
		keys  []float64
		host  float64 // the last one believed
	}{
		{"in order", []float64{0, 0.5, 1, 1}, []float64{0, 0.5, 1, 1}, 1},
		{"jitter", []float64{0, 0.5, 0.4, 0.6}, []float64{0, 0.5, 0.5, 0.6}, 0.6},
		{"gap", []float64{0, 0.5, 7200, 7200.5}, []float64{0, 0.5, 7200, 7200.5}, 7200.5},
		{"damaged forward", []float64{0, 0.5, 1000, 0.6, 0.7}, []float64{0, 0.5, 0.5, 0.6, 0.7}, 0.7},
		{"damaged back", []float64{100, 100.5, 10, 100.6, 100.7}, []float64{100, 100.5, 100.5, 100.6, 100.7}, 100.7},
		{"set back", []float64{100, 100.5, 90, 90.5, 91}, []float64{100, 100.5, 101, 101.5, 102}, 91},
		{"set back and forth", []float64{100, 90, 90.5, 100.5, 101}, []float64{100, 100, 100.5, 110.5, 111}, 101},
		{"no time", []float64{0, math.NaN(), 1}, []float64{0, 0, 1}, 1},
		{"first damaged", []float64{5000, 0.5, 1, 1.5}, []float64{0.5, 0.5, 1, 1.5}, 1.5},
	} {
		var c clock
		c.start(believable(tt.times[:min(believe, len(tt.times))]))
		var keys []float64
		for i, x := range tt.times {
			if !math.IsNaN(x) {
				c.line(x, func() float64 {
					if i+1 < len(tt.times) {
						return tt.times[i+1]
					}
					return math.NaN()
				})
			}
			keys = append(keys, c.key)
		}
		if !reflect.DeepEqual(keys, tt.keys) || c.host != tt.host {
			t.Errorf("%s: keys %v, host %v, want %v, %v", tt.name, keys, c.host, tt.keys, tt.host)
		}
	}
}

// A host clock that is set back in every file leaves the files interleaved, at
// once to the spacing of the sentences, soon to that of the samples, and the
// ticks follow it.
func TestClockSetBack(t *testing.T) {
	var n, i strings.Builder
	for k := range 1000 {
		back := 0.0
		if k >= 500 {
			back = 30
		}
		at := t0 + float64(k)/10 - back
		if k != 480 { // a pause that the sentences take for the one of the setting
			n.WriteString(tag(at) + ggaAt(32400+float64(k)/10) + "\n")
		}
		for j := range 20 {
			i.WriteString(imuAt(at + float64(j)/200))
		}
	}
	imu, tick, back := t0, t0, false
	since := 0 // sentences since the setting
	for _, rec := range records(t, open(t, map[string]string{"nmea.log": n.String(), "imu.csv": i.String()})) {
		switch rec.Channel {
		case fusion.ChanIMU:
			back = back || rec.T < imu-20
			imu = rec.T
		case fusion.ChanNMEA:
			if math.Abs(rec.T-imu) > 0.11 && math.Abs(rec.T-imu) < 29.8 {
				t.Fatalf("sentence of %.3f s beside a sample of %.3f s", rec.T-t0, imu-t0)
			}
			if back {
				since++
			}
			if since > 3 && math.Abs(rec.T-imu) > 0.012 {
				t.Fatalf("sentence of %.3f s beside a sample of %.3f s, want them as close as samples", rec.T-t0, imu-t0)
			}
		case fusion.ChanTick:
			tick = rec.T
		}
	}
	if !back || math.Abs(tick-(t0+99.9-30)) > 0.3 {
		t.Errorf("last tick at %.1f s, want about 69.9", tick-t0)
	}
}

// Ticks fill silences of up to a minute; files that leap about get no flood.
func TestTicksBounded(t *testing.T) {
	count := func(times []float64) (ticks int) {
		var i strings.Builder
		for _, x := range times {
			i.WriteString(imuAt(t0 + x))
		}
		for _, rec := range records(t, open(t, map[string]string{"nmea.log": tag(t0) + ggaAt(32400) + "\n", "imu.csv": i.String()})) {
			if rec.Channel == fusion.ChanTick {
				ticks++
			}
		}
		return ticks
	}
	if n := count([]float64{0, 30, 30.1}); n < 300 || n > 302 {
		t.Errorf("30 s of silence: %d ticks, want 300", n)
	}
	if n := count([]float64{0, 1e6, 1e6 + 0.1, 1e6 + 0.2}); n < 600 || n > 605 {
		t.Errorf("days of silence: %d ticks, want 600", n)
	}
	var leaps []float64
	for k := range 10000 {
		leaps = append(leaps, float64(k%2)*1000, float64(k%2)*1000+0.01)
	}
	if n := count(leaps); n > 21*len(leaps) {
		t.Errorf("%d ticks for %d lines that leap about", n, len(leaps))
	}
}

func TestErrors(t *testing.T) {
	dir := t.TempDir()
	write := func(name, s string) string {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(s), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	good := write("good.log", ggaAt(1)+"\n")
	for _, tt := range []struct {
		arg  string
		p    Paths
		want string
	}{
		{"", Paths{}, "nothing to read, want a recording or at least --gnss FILE"},
		{filepath.Join(dir, "none"), Paths{}, "no such file or directory, want a folder or an MCAP file"},
		{good, Paths{}, "want a folder or an MCAP file (single files go with --gnss, --imu, ...)"},
		{filepath.Dir(write("a/imu.csv", "t,wx\n")), Paths{}, "holds no nmea.log, want one there or --gnss FILE"},
		{filepath.Dir(write("b/nmea.log", "")), Paths{}, "nmea.log: empty, want NMEA 0183 sentences"},
		{filepath.Dir(write("c/nmea.log", rmcAt(1, "160526")+"\n")), Paths{}, "nmea.log: no GGA sentence in"},
		{filepath.Dir(filepath.Dir(write("d/nmea.log/x", ""))), Paths{}, "nmea.log: is a folder, want a file"},
		{"", Paths{GNSS: dir}, "is a folder, want a file"},
		{"", Paths{GNSS: filepath.Join(dir, "none")}, "none: no such file or directory, want a file"},
		{"", Paths{GNSS: "/dev/null"}, "is a pipe or device, want a file that can be read twice"},
		{"", Paths{GNSS: write("random", string(bytes.Repeat([]byte{0, 200, 36, 42, 10}, 1000)))}, "no GGA sentence in 5000 bytes, and no line of names"},
	} {
		_, err := Open(tt.arg, tt.p)
		if err == nil || !strings.HasPrefix(err.Error(), "recording: ") || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("Open(%q, %+v): %v, want %q", tt.arg, tt.p, err, tt.want)
		}
	}
	// Flags take the place of the folder's files; an empty file besides the
	// receiver's is passed over and said.
	r, err := Open(filepath.Dir(write("b/nmea.log", "")), Paths{GNSS: good, IMU: write("empty.csv", "")})
	if err != nil || len(r.Notes) != 2 || !strings.Contains(r.Notes[0], "empty.csv: empty, passed over") || r.inputs[fusion.ChanIMU] != nil {
		t.Errorf("got %v, notes %q", err, r.Notes)
	}
}

// Bad lines of corrections are refused with file, line and reason.
func TestRefusedCorrections(t *testing.T) {
	r := open(t, map[string]string{
		"nmea.log":        tag(t0) + ggaAt(32400) + "\n",
		"corrections.csv": fmt.Sprintf("\ufefft,hex\r\n%[1]f,d300\r\nx,00\r\n%[1]f,0\r\n%[1]f,zz\r\n%[1]f,\r\n\r\n%[1]f,%s\r\n%[1]f,ABCD", t0, strings.Repeat("0", 2*bufferSize)),
	})
	var refused []string
	data := ""
	s, err := r.Stream(0)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for rec, ok := s.Next(); ok; rec, ok = s.Next() {
		if _, note, bad := s.Refused(); bad {
			refused = append(refused, note)
		}
		if rec.Channel == fusion.ChanCorrections {
			data += hex.EncodeToString(rec.Data)
		}
	}
	want := []string{
		`corrections.csv: line 3: time is "x", want Unix s`,
		`corrections.csv: line 4: 1 hexadecimal digits, want two a byte`,
		`corrections.csv: line 5: digits "zz", want 0-9, a-f`,
		`corrections.csv: line 6: 0 hexadecimal digits, want two a byte`,
		`corrections.csv: line 8: over 131072 bytes`,
	}
	if !reflect.DeepEqual(refused, want) || data != "d300abcd" {
		t.Errorf("refused\n%s\nwant\n%s\ndata %s, want d300abcd", strings.Join(refused, "\n"), strings.Join(want, "\n"), data)
	}
	n := 0
	for _, m := range feed(t, r) {
		if m.Kind == fusion.KindRefused && m.Channel == fusion.ChanCorrections {
			n++
		}
	}
	if n != len(want) {
		t.Errorf("%d refusals are fed, want %d", n, len(want))
	}
}

// A line that never ends costs no memory.
func TestEndlessLine(t *testing.T) {
	long := strings.Repeat("7", 16<<20)
	r := open(t, map[string]string{"nmea.log": ggaAt(1) + long, "imu.csv": long, "corrections.csv": long})
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	f, err := r.Feed(fusion.DefaultConfig())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	for b, err := f.Next(); err == nil; b, err = f.Next() {
		n += len(b)
	}
	runtime.ReadMemStats(&after)
	if used := after.TotalAlloc - before.TotalAlloc; used > 8<<20 {
		t.Errorf("%d bytes were allocated for endless lines", used)
	}
	if n == 0 {
		t.Error("nothing came out")
	}
}

// Anything in any file: it ends, ticks stay in proportion, no panic.
func FuzzStream(f *testing.F) {
	f.Add([]byte(tag(t0)+ggaAt(32400)+"\r\n"), []byte(fmt.Sprintf("%f,d300\n", t0)), []byte(imuAt(t0)+imuAt(9e9)+imuAt(1)), []byte("t,v\n1,2\n3"))
	f.Add([]byte("\xb5b"+ggaAt(1)+rmcAt(86399, "160526")), rtcm.EncodeBiases(7, [4]float64{}), []byte("nan,inf\n"), []byte{})
	f.Fuzz(func(t *testing.T, n, c, i, w []byte) {
		r, err := FromFiles(map[string][]byte{"nmea.log": append([]byte(ggaAt(5)+"\n"), n...), "corrections.csv": c, "imu.csv": i, "wheel.csv": w})
		if err != nil {
			t.Fatal(err)
		}
		s, err := r.Stream(0.08)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		d := fusion.NewDecoder(fusion.DefaultConfig())
		ticks, others := 0, 0
		for rec, ok := s.Next(); ok; rec, ok = s.Next() {
			if math.IsNaN(rec.T) || math.IsInf(rec.T, 0) {
				t.Fatalf("time %v", rec.T)
			}
			if rec.Channel == fusion.ChanTick {
				ticks++
			} else {
				others++
			}
			d.Decode(rec, func(*fusion.Measurement) {})
		}
		if ticks > maxTicks+ticksARecord*others {
			t.Fatalf("%d ticks for %d records", ticks, others)
		}
	})
}

func TestSentenceTimeRule(t *testing.T) {
	p := nmea.NewParser()
	for _, tt := range []struct {
		text       string
		near, want float64
	}{
		{ggaAt(0.5), t0 - 32400 - 1, t0 - 32400 + 0.5}, // just after midnight
		{ggaAt(86399), t0 - 32400 + 1, t0 - 32400 - 1}, // just before, told late
		{rmcAt(32400, "170526"), t0, t0 + day},         // a date wins
	} {
		if got, ok := sentenceUTC(sentence(p, nmea.Line{Text: []byte(tt.text)}), tt.near); !ok || got != tt.want {
			t.Errorf("%s near %.0f is %.2f, want %.2f", tt.text, tt.near, got, tt.want)
		}
	}
}
