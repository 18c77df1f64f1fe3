package inject

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// A made-up session of 150 s: the car drives east at 10 m/s, fixed, age 1 s;
// a base sends 1005 and two constellations each second.
const (
	begin   = 1_778_922_000.0 // Unix s, UTC
	hostOff = 0.5             // s, host minus UTC
	latency = 0.08
	length  = 150.0
)

var (
	place = geodesy.LLA{Lat: 44.49 * geodesy.Degree, Lon: 11.4 * geodesy.Degree, H: 150}
	base  = geodesy.LLA{Lat: 44.491 * geodesy.Degree, Lon: 11.401 * geodesy.Degree, H: 160}.ECEF()
)

func angle(a float64, width int) string {
	deg := math.Floor(a / geodesy.Degree)
	return fmt.Sprintf("%0*.0f%010.7f", width, deg, (a/geodesy.Degree-deg)*60)
}

func line(t float64, body string) fusion.Record {
	var x byte
	for _, c := range []byte(body) {
		x ^= c
	}
	b := nmea.AppendTag(nil, int64(math.Round(t*1000)), nil)
	return fusion.Record{T: math.Round(t*1000) / 1000, Channel: fusion.ChanNMEA, Data: fmt.Appendf(b, "$%s*%02X\r\n", body, x)}
}

func session() (recs []fusion.Record) {
	fr := geodesy.NewFrame(place)
	for i := range int(length * 10) {
		utc := begin + float64(i)/10
		t := utc + hostOff + latency + 0.004*float64(i%5)
		p := fr.ToLLA(geodesy.ENU{E: float64(i)})
		tod := fmt.Sprintf("09%02d%05.2f", (i/600)%60, math.Mod(float64(i)/10, 60))
		pos := angle(p.Lat, 2) + ",N," + angle(p.Lon, 3) + ",E"
		recs = append(recs,
			line(t, "GNGGA,"+tod+","+pos+",4,20,0.60,103.000,M,47.000,M,1.0,1201"),
			line(t+0.002, "GNRMC,"+tod+",A,"+pos+",19.438,90.00,160526,,,R,V"),
			line(t+0.004, "GNGST,"+tod+",12.0,0.014,0.012,20.0,0.013,0.012,0.020"),
			line(t+0.006, "GPGSV,1,1,04,01,40,100,45,02,50,120,40,03,60,140,35,04,70,160,30"))
	}
	for i := range int(length) {
		t := begin + hostOff + float64(i) + 0.3
		add := func(dt float64, b []byte) {
			recs = append(recs, fusion.Record{T: t + dt, Channel: fusion.ChanCorrections, Data: b})
		}
		add(0, rtcm.EncodeBase(1005, 1201, base, 0))
		b := rtcm.EncodeMSM(rtcm.MSM{System: rtcm.GPS, Type: 4, Station: 1201, EpochMs: int64(i) * 1000, More: true, Sats: []int{1, 2, 3, 4}, Signals: []int{2}})
		b = append(b, rtcm.EncodeMSM(rtcm.MSM{System: rtcm.Galileo, Type: 4, Station: 1201, EpochMs: int64(i) * 1000, Sats: []int{1, 2, 3}, Signals: []int{2}})...)
		add(0.01, b[:len(b)/2]) // frames cut across chunks
		add(0.02, b[len(b)/2:])
	}
	for i := range int(length * 100) {
		t := begin + hostOff + float64(i)/100
		recs = append(recs, fusion.Record{T: t, Channel: fusion.ChanIMU, Data: fmt.Appendf(nil, "%.6f,0.000100,0.000200,0.000300,0.00000,0.00000,9.80600\n", t)})
		if i%4 == 0 {
			recs = append(recs, fusion.Record{T: t, Channel: fusion.ChanWheel, Data: fmt.Appendf(nil, "%.6f,10.0000\n", t)})
		}
	}
	sort.SliceStable(recs, func(i, j int) bool { return recs[i].T < recs[j].T })
	return recs
}

// fix is one GGA read back.
type fix struct {
	t, utc  float64 // s after begin: arrival less the clocks' difference, validity
	enu     geodesy.ENU
	quality int
	age     float64
	station int
	used    int
	hdop    float64
}

func fixes(t *testing.T, recs []fusion.Record) (out []fix, refused int, sigmas []float64) {
	t.Helper()
	fr := geodesy.NewFrame(place)
	var f nmea.Framer
	p := nmea.NewParser()
	emit := func(l nmea.Line) {
		if l.Text == nil {
			refused++
			return
		}
		s, err := p.Parse(l.Text)
		if err != nil {
			refused++
			return
		}
		switch s.Type {
		case nmea.GGA:
			x := fix{t: l.T - begin - hostOff, utc: s.Time - 9*3600, quality: s.Quality, age: s.Age, station: s.Station, used: s.Used, hdop: s.HDOP}
			x.enu = geodesy.ENU{E: math.NaN()}
			if !math.IsNaN(s.Lat) {
				x.enu = fr.FromLLA(geodesy.LLA{Lat: s.Lat, Lon: s.Lon, H: s.Alt + s.Sep})
				x.enu.E -= 10 * x.utc
			}
			out = append(out, x)
		case nmea.GST:
			sigmas = append(sigmas, s.SigE)
		}
	}
	for _, r := range recs {
		if r.Channel == fusion.ChanNMEA {
			f.Push(r.T, r.Data, emit)
		}
	}
	return out, refused, sigmas
}

func apply(t *testing.T, specs ...string) *Result {
	t.Helper()
	return applyTo(t, session(), specs...)
}

func applyTo(t *testing.T, recs []fusion.Record, specs ...string) *Result {
	t.Helper()
	var faults []Fault
	for _, s := range specs {
		f, err := ParseFault(s)
		if err != nil {
			t.Fatal(err)
		}
		faults = append(faults, f)
	}
	r, err := Apply(recs, faults, Options{Model: DefaultModel(), Latency: latency, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(r.Records); i++ {
		if r.Records[i].T < r.Records[i-1].T {
			t.Fatalf("record %d goes back in time", i)
		}
	}
	return r
}

func bytesOf(recs []fusion.Record, c fusion.Channel) []byte {
	var b []byte
	for _, r := range recs {
		if r.Channel == c {
			b = append(b, r.Data...)
		}
	}
	return b
}

// What no fault touches comes out byte for byte, and without a fault so does
// everything, also when the stream is cut into odd chunks with binary frames between.
func TestNothingElseChanges(t *testing.T) {
	in := session()
	got := apply(t, "imu_gap:50..51")
	for _, c := range []fusion.Channel{fusion.ChanNMEA, fusion.ChanCorrections, fusion.ChanWheel} {
		if !bytes.Equal(bytesOf(in, c), bytesOf(got.Records, c)) {
			t.Errorf("channel %s changed by a fault of the IMU", c)
		}
	}
	var odd []fusion.Record
	stream := append(bytesOf(in[:2000], fusion.ChanNMEA), "\xb5\x62\x01$binary\r\n"...)
	stream = append(stream, bytesOf(in[2000:4000], fusion.ChanNMEA)...)
	for i := 0; i < len(stream); i += 37 {
		odd = append(odd, fusion.Record{T: begin + float64(i)/1e3, Channel: fusion.ChanNMEA, Data: stream[i:min(i+37, len(stream))]})
	}
	r, err := Apply(odd, nil, Options{Model: DefaultModel(), Latency: latency})
	if err != nil {
		t.Fatal(err)
	}
	if got := bytesOf(r.Records, fusion.ChanNMEA); !bytes.Equal(got, stream) {
		t.Errorf("stream in odd chunks changed: %d bytes in, %d out", len(stream), len(got))
	}
}

func TestJump(t *testing.T) {
	r := apply(t, "jump:60..65:0.5:left")
	got, refused, _ := fixes(t, r.Records)
	if refused != 0 || len(got) != length*10 {
		t.Fatalf("%d fixes, %d refused, want %g and none", len(got), refused, length*10)
	}
	// The start is that of the first record: an IMU sample at begin.
	for _, f := range got {
		want := 0.0
		if f.utc >= 59.9999 && f.utc < 64.9999 {
			want = 0.5
		}
		if math.Abs(f.enu.N-want) > 2e-4 || math.Abs(f.enu.E) > 2e-4 || f.quality != 4 || f.age != 1 {
			t.Fatalf("at %.1f s: %+v, want %.1f m north (left of east)", f.utc, f, want)
		}
	}
	l := r.Labels.Faults
	if len(l) != 1 || l[0].Kind != "jump" || l[0].Size != 0.5 || math.Abs(l[0].Dir[1]-1) > 1e-9 ||
		math.Abs(l[0].From-begin-60) > 1e-3 || math.Abs(l[0].To-begin-65) > 1e-3 || math.Abs(r.Labels.HostMinusUTC-hostOff) > 1e-3 {
		t.Errorf("label %+v, clocks %.4f s apart, want 60 to 65 s and %.1f s", l, r.Labels.HostMinusUTC, hostOff)
	}
	// RMC must agree with GGA.
	if n := bytes.Count(bytesOf(r.Records, fusion.ChanNMEA), []byte("GNRMC")); n != length*10 {
		t.Errorf("%d RMC left", n)
	}
}

func TestDriftAndBearing(t *testing.T) {
	got, _, _ := fixes(t, apply(t, "drift:60..80:0.1:180").Records)
	for _, f := range got {
		if f.utc >= 60 && f.utc < 79.95 && math.Abs(f.enu.N+0.1*(f.utc-60)) > 3e-4 {
			t.Fatalf("at %.1f s: %.3f m north, want %.3f", f.utc, f.enu.N, -0.1*(f.utc-60))
		}
		if f.utc > 80.05 && math.Abs(f.enu.N) > 3e-4 {
			t.Fatalf("at %.1f s: still %.3f m off", f.utc, f.enu.N)
		}
	}
}

// Silence: the tap is empty, the age grows, fixed becomes float at 12 s of age,
// single at 45 s, and after the end there is float for 8 s.
func TestLinkSilent(t *testing.T) {
	r := apply(t, "link_silent:30..100")
	for _, x := range r.Records {
		if x.Channel == fusion.ChanCorrections && x.T-begin-hostOff > 30 && x.T-begin-hostOff < 100 {
			t.Fatalf("correction bytes at %.1f s", x.T-begin-hostOff)
		}
	}
	got, _, sigmas := fixes(t, r.Records)
	worst := map[int]float64{}
	for i, f := range got {
		want := 4
		switch {
		case f.utc > 75 && f.utc < 100:
			want = 1
		case f.utc > 42 && f.utc < 107.95:
			want = 5
		}
		if math.Abs(f.utc-42) < 0.15 || math.Abs(f.utc-75) < 0.15 || math.Abs(f.utc-100) < 0.15 || math.Abs(f.utc-108) < 0.15 {
			continue
		}
		if f.quality != want {
			t.Fatalf("at %.1f s: quality %d, want %d", f.utc, f.quality, want)
		}
		if f.utc > 30 && f.utc < 75 && math.Abs(f.age-(1+f.utc-30)) > 0.06 {
			t.Fatalf("at %.1f s: age %.1f s, want %.1f", f.utc, f.age, 1+f.utc-30)
		}
		if want == 1 && !math.IsNaN(f.age) {
			t.Fatalf("at %.1f s: age %.1f s with a single solution", f.utc, f.age)
		}
		worst[want] = math.Max(worst[want], math.Hypot(f.enu.E, f.enu.N))
		if want == 5 && sigmas[i] < 0.2 || want == 4 && sigmas[i] > 0.02 {
			t.Fatalf("at %.1f s: reported sigma %.3f m with quality %d", f.utc, sigmas[i], want)
		}
	}
	if worst[4] > 1e-3 || worst[5] < 0.05 || worst[1] < 0.3 {
		t.Errorf("worst error by quality %v m, want none when fixed, decimetres in float, more when single", worst)
	}
}

// frames reads the correction stream back: frames, and bytes outside them.
func frames(recs []fusion.Record) (out []rtcm.Message, at []float64, junk int) {
	var sc rtcm.Scanner
	for _, r := range recs {
		if r.Channel == fusion.ChanCorrections {
			sc.Push(r.Data, func(m *rtcm.Message) { out, at = append(out, *m), append(at, r.T-begin-hostOff) },
				func(_ rtcm.Refusal, n int) { junk += n })
		}
	}
	return out, at, junk
}

func TestBaseMoved(t *testing.T) {
	r := apply(t, "base_moved:50..:0.4:90")
	got, _, _ := fixes(t, r.Records)
	for _, f := range got {
		want := 0.0
		if f.utc >= 49.9999 {
			want = 0.4
		}
		if math.Abs(f.enu.E-want) > 3e-4 {
			t.Fatalf("at %.1f s: %.3f m east, want %.1f", f.utc, f.enu.E, want)
		}
	}
	ms, at, junk := frames(r.Records)
	if len(ms) != 3*length || junk != 0 {
		t.Fatalf("%d frames, %d bytes outside, want %g and none", len(ms), junk, 3*length)
	}
	for i, m := range ms {
		if !m.HasBase {
			continue
		}
		want := 0.0
		if at[i] >= 50 {
			want = 0.4
		}
		if d := m.Base.Dist(base); math.Abs(d-want) > 2e-4 {
			t.Fatalf("at %.1f s: base %.4f m off, want %.1f", at[i], d, want)
		}
	}
}

func TestBaseRestarted(t *testing.T) {
	r := apply(t, "base_restarted:50..60:1:0")
	ms, at, _ := frames(r.Records)
	for i, m := range ms {
		switch {
		case at[i] > 50 && at[i] < 60:
			t.Fatalf("frame at %.1f s, in the silence", at[i])
		case at[i] > 60 && m.Station != restartedStation, at[i] < 50 && m.Station != 1201:
			t.Fatalf("at %.1f s: station %d", at[i], m.Station)
		case at[i] > 60 && m.HasBase && math.Abs(m.Base.Dist(base)-1) > 2e-4:
			t.Fatalf("at %.1f s: base %.3f m off, want 1", at[i], m.Base.Dist(base))
		}
	}
	got, _, _ := fixes(t, r.Records)
	if f := got[len(got)-1]; f.station != restartedStation || math.Abs(f.enu.N-1) > 3e-4 {
		t.Errorf("last fix %+v, want station %d and 1 m north", f, restartedStation)
	}
	if l := r.Labels.Faults; len(l) != 1 || l[0].Until < begin+length-1 {
		t.Errorf("labels %+v, want one whose effect lasts to the end", l)
	}
}

func TestLinkLateSparseCorrupt(t *testing.T) {
	_, at, _ := frames(apply(t, "link_late:50..100:5").Records)
	var late int
	for i := range at {
		if d := math.Mod(at[i]+0.5, 1); at[i] > 55.5 && at[i] < 104 && !(d > 0) {
			late++
		}
		if at[i] > 50.5 && at[i] < 55.2 {
			t.Fatalf("frame at %.1f s, want none in the first 5 s of lateness", at[i])
		}
	}
	if len(at) != 3*length {
		t.Errorf("%d frames after lateness, want all %g", len(at), 3*length)
	}

	ms, at, junk := frames(apply(t, "link_sparse:50..100:8").Records)
	n := 0
	for i, m := range ms {
		if at[i] > 50 && at[i] < 100 && m.System != rtcm.NoSystem {
			n++
			if m.System != rtcm.GPS {
				t.Fatalf("system %v in a sparse link", m.System)
			}
		}
	}
	if n < 6 || n > 8 || junk != 0 {
		t.Errorf("%d observations in 50 s and %d bytes outside frames, want 6 or 7 and none", n, junk)
	}

	ms, at, junk = frames(apply(t, "link_corrupt:50..100:0.8").Records)
	n = 0
	for i := range ms {
		if at[i] > 50 && at[i] < 100 {
			n++
		}
	}
	if n > 75 || junk < 1000 {
		t.Errorf("%d of 150 frames survive, %d bytes outside frames, want few and many", n, junk)
	}
}

func TestReceiverFaults(t *testing.T) {
	r := apply(t, "receiver_silent:50..53")
	got, refused, _ := fixes(t, r.Records)
	if len(got) != length*10-30 || refused != 0 {
		t.Errorf("silence: %d fixes and %d refused, want %g and none", len(got), refused, length*10-30)
	}

	got, _, _ = fixes(t, apply(t, "receiver_late:50..60:0.4").Records)
	for _, f := range got {
		want := latency
		if f.utc > 59.85 && f.utc < 60.4 {
			continue // on time again, but queued behind the late ones
		}
		if f.utc > 49.95 && f.utc < 59.9 {
			want += 0.4
		}
		if d := f.t - f.utc; d < want-0.002 || d > want+0.02 {
			t.Fatalf("at %.1f s: latency %.3f s, want %.3f", f.utc, d, want)
		}
	}

	got, _, _ = fixes(t, apply(t, "no_fix:50..60").Records)
	for _, f := range got {
		if in := f.utc > 50 && f.utc < 59.95; in != math.IsNaN(f.enu.E) && math.Abs(f.utc-50) > 0.05 {
			t.Fatalf("at %.1f s: position %v, want none from 50 to 60 s", f.utc, f.enu)
		}
	}

	got, _, _ = fixes(t, apply(t, "sky_blocked:50..60:0.6").Records)
	for _, f := range got {
		if f.utc > 50.1 && f.utc < 59.9 && (f.used > 9 || f.quality != 5 || f.hdop < 1 || f.age != 1) {
			t.Fatalf("at %.1f s: %+v, want few satellites, float, age as it was", f.utc, f)
		}
	}

	got, refused, _ = fixes(t, apply(t, "garbled:50..150:0.2").Records)
	if n := length*10 - float64(len(got)); refused < 300 || n < 50 || n > 400 {
		t.Errorf("garbled: %d refused, %g fixes lost of 1000", refused, n)
	}
	for _, f := range got {
		if math.Abs(f.enu.E) > 1e-3 || math.Abs(f.enu.N) > 1e-3 {
			t.Fatalf("a garbled sentence came through: %+v", f)
		}
	}
}

// A receiver that is wrong, or not when it reports so.
func TestReceiverErrors(t *testing.T) {
	between := func(spec string, from, to float64, check func(f fix) string) {
		t.Helper()
		got, _, _ := fixes(t, apply(t, spec).Records)
		n := 0
		for _, f := range got {
			if f.utc > from+0.05 && f.utc < to-0.05 {
				n++
				if what := check(f); what != "" {
					t.Fatalf("%s: at %.1f s: %+v, %s", spec, f.utc, f, what)
				}
			}
		}
		if n < 5 {
			t.Fatalf("%s: %d epochs between %g and %g s", spec, n, from, to)
		}
	}
	want := func(ok bool, what string) string {
		if ok {
			return ""
		}
		return "want " + what
	}
	// The car drives east: 0.8 m to the left is north; the height goes with it.
	between("false_fix:50..60:0.8:left", 50, 60, func(f fix) string {
		return want(math.Abs(f.enu.N-0.8) < 0.01 && math.Abs(f.enu.U-1.6) < 0.06 && f.quality == 4, "0.8 m north, 1.6 m up, fixed")
	})
	between("ramp:50..60:0.9:left", 51, 53, func(f fix) string {
		return want(math.Abs(f.enu.N-0.3*(f.utc-50)) < 0.04, "0.3 m/s")
	})
	between("ramp:50..60:0.9:left", 53.2, 60, func(f fix) string { return want(math.Abs(f.enu.N-0.9) < 0.01, "0.9 m north") })
	between("lost_fix:50..53", 50, 53, func(f fix) string { return want(f.quality == 5 && f.age == 1, "float, the age as it was") })
	between("lost_fix:50..53", 53, 55, func(f fix) string { return want(f.quality == 4 && math.Abs(f.enu.N) < 1e-3, "fixed at once") })
	off := 0.0
	between("float_as_fixed:50..80", 50, 80, func(f fix) string {
		off = math.Max(off, math.Hypot(f.enu.E, f.enu.N))
		return want(f.quality == 4, "fixed")
	})
	if off < 0.1 {
		t.Errorf("claimed fixes are off by %.2f m at most, want those of a float", off)
	}
	// The reader took off 10 m/s times the time: a place that stays runs back.
	between("receiver_frozen:50..55", 50.1, 55, func(f fix) string {
		return want(math.Abs(f.enu.E+10*(f.utc-50)) < 1.5, "the place of 50 s")
	})
	between("time_off:50..60:0.1", 50.2, 60, func(f fix) string { return want(math.Abs(f.enu.E+1) < 0.01, "0.1 s ahead: 1 m behind") })
	got, _, _ := fixes(t, apply(t, "stall:50..51").Records)
	for _, f := range got {
		if f.utc > 50 && f.utc < 50.8 && math.Abs(f.t-51) > 0.05 {
			t.Fatalf("stall: the epoch of %.1f s came at %.2f s, want 51", f.utc, f.t)
		}
	}
}

func TestInertialAndWheel(t *testing.T) {
	r := apply(t, "imu_gap:50..51", "wheel_slip:60..70:1.2", "imu_g:80..90", "imu_deg:100..110")
	count := map[string]int{}
	for _, x := range r.Records {
		at := x.T - begin - hostOff
		s := string(x.Data)
		switch {
		case x.Channel == fusion.ChanIMU && at > 50.001 && at < 50.999:
			t.Fatalf("IMU sample at %.2f s", at)
		case x.Channel == fusion.ChanWheel && at > 60.001 && at < 69.999 && !strings.HasSuffix(s, ",12.000000\n"):
			t.Fatalf("wheel line %q, want 12 m/s", s)
		case x.Channel == fusion.ChanIMU && at > 80.001 && at < 89.999 && !strings.HasSuffix(s, ",0.0000000,0.0000000,0.9999337\n"):
			t.Fatalf("IMU line %q, want 1 g", s)
		case x.Channel == fusion.ChanIMU && at > 100.001 && at < 109.999 && !strings.Contains(s, ",0.00572958,0.01145916,0.01718873,"):
			t.Fatalf("IMU line %q, want deg/s", s)
		}
		count[x.Channel.String()]++
	}
	if count["imu"] != length*100-100 || count["wheel"] != length*25 {
		t.Errorf("lines left %v", count)
	}
}

func TestClockStep(t *testing.T) {
	in := session()
	r := applyTo(t, in, "clock_step:50..:1.5")
	got, _, _ := fixes(t, r.Records)
	for _, f := range got {
		want := latency
		if f.utc > 50 {
			want += 1.5
		}
		if d := f.t - f.utc; math.Abs(f.utc-50) > 0.2 && (d < want-0.002 || d > want+0.02) {
			t.Fatalf("at %.1f s: arrival %.3f s after validity, want %.3f", f.utc, d, want)
		}
	}
	for _, x := range r.Records {
		if x.Channel == fusion.ChanIMU {
			var ts float64
			fmt.Sscanf(string(x.Data), "%f", &ts)
			if math.Abs(ts-x.T) > 1e-5 {
				t.Fatalf("IMU line at %.6f says %.6f", x.T, ts)
			}
		}
	}
	if d := r.HostTime(begin+hostOff+100) - (begin + hostOff + 100); d != 1.5 {
		t.Errorf("truth after the step moves by %g s, want 1.5", d)
	}
}

// A clock that steps back keeps the order of arrival.
func TestClockStepBack(t *testing.T) {
	r, err := Apply(session(), []Fault{{Kind: "clock_step", From: 50, To: 60, Size: 2}}, Options{Model: DefaultModel(), Latency: latency})
	if err != nil {
		t.Fatal(err)
	}
	back := 0
	for i := 1; i < len(r.Records); i++ {
		if d := r.Records[i].T - r.Records[i-1].T; d < 0 {
			back++
			if d > -1.9 {
				t.Errorf("record %d goes back by %.3f s, want the 2 s of the step only", i, -d)
			}
		}
	}
	if back != 1 {
		t.Errorf("time goes back %d times, want once", back)
	}
}

func TestSameSeedSameBytes(t *testing.T) {
	a := apply(t, "garbled:20..120:0.3", "link_silent:30..90", "link_corrupt:100..140:0.5")
	b := apply(t, "garbled:20..120:0.3", "link_silent:30..90", "link_corrupt:100..140:0.5")
	for _, c := range []fusion.Channel{fusion.ChanNMEA, fusion.ChanCorrections} {
		if !bytes.Equal(bytesOf(a.Records, c), bytesOf(b.Records, c)) {
			t.Errorf("channel %s differs between two runs", c)
		}
	}
}

func TestParseFault(t *testing.T) {
	if f, err := ParseFault("jump:10..12.5:0.2:270"); err != nil || f != (Fault{"jump", 10, 12.5, 0.2, "270"}) {
		t.Errorf("%+v %v", f, err)
	}
	if f, err := ParseFault("link_silent:10.."); err != nil || !math.IsInf(f.To, 1) {
		t.Errorf("%+v %v", f, err)
	}
	for _, r := range []struct{ in, want string }{
		{"jmp:1..2", `no kind "jmp"`},
		{"jump", "no times"},
		{"jump:5", "want from..to"},
		{"jump:5..x", "want from..to"},
		{"jump:5..4", "from before to"},
		{"jump:NaN..4", "from before to"},
		{"jump:1..2:x", "want a number of m"},
		{"jump:1..2:-1", "want a number of m"},
		{"jump:1..2:1:up", `direction "up"`},
		{"link_silent:1..2:3", "left over"},
		{"garbled:1..2:1.5", "share of at most 1"},
	} {
		if _, err := ParseFault(r.in); err == nil || !strings.Contains(err.Error(), r.want) {
			t.Errorf("%q: %v, want %q", r.in, err, r.want)
		}
	}
}

func TestApplyRefuses(t *testing.T) {
	noWheel := session()
	k := 0
	for _, r := range noWheel {
		if r.Channel != fusion.ChanWheel {
			noWheel[k] = r
			k++
		}
	}
	for _, r := range []struct {
		recs []fusion.Record
		f    Fault
		want string
	}{
		{nil, Fault{}, "empty"},
		{session(), Fault{Kind: "jump", From: 500, To: 510, Dir: "left"}, "want within 0 to"},
		{session(), Fault{Kind: "jump", From: begin + 1e6, To: begin + 2e6, Dir: "left"}, "want within"},
		{noWheel[:k], Fault{Kind: "wheel_slip", From: 5, To: 6, Size: 0.1}, "no wheel"},
	} {
		if _, err := Apply(r.recs, []Fault{r.f}, Options{Model: DefaultModel()}); err == nil || !strings.Contains(err.Error(), r.want) {
			t.Errorf("%v: %v, want %q", r.f, err, r.want)
		}
	}
}

func TestSpread(t *testing.T) {
	sc, err := ParseScatter("jump=8:0.15..1.0")
	if err != nil {
		t.Fatal(err)
	}
	f, err := Spread([]Scatter{sc, {Kind: "link_silent", N: 1}}, 60, 400, 3)
	if err != nil {
		t.Fatal(err)
	}
	if len(f) != 9 {
		t.Fatalf("%d faults, want 9", len(f))
	}
	for i, x := range f {
		if x.From < 60 || x.To > 400 || !(x.To > x.From) || i > 0 && x.From < f[i-1].To+14.9 {
			t.Errorf("fault %d: %.1f to %.1f s, want apart and within 60 to 400", i, x.From, x.To)
		}
		if x.Kind == "jump" && (x.Size < 0.15 || x.Size > 1) {
			t.Errorf("fault %d: size %.2f", i, x.Size)
		}
	}
	if _, err := Spread([]Scatter{{Kind: "link_silent", N: 20}}, 60, 400, 3); err == nil {
		t.Error("20 outages fit into 340 s")
	}
	if _, err := ParseScatter("link_silent=2:1..2"); err == nil {
		t.Error("a size for a fault that has none")
	}
}

// Labels that the recording had stay, and tell the clocks apart.
func TestLabelsMerge(t *testing.T) {
	old := &score.Labels{HostMinusUTC: hostOff, Faults: []score.Label{{Kind: "jump", From: begin + 100, To: begin + 105, Size: 0.3}}}
	r, err := Apply(session(), []Fault{{Kind: "jump", From: 20, To: 25, Size: 1, Dir: "left"}}, Options{Model: DefaultModel(), Labels: old})
	if err != nil {
		t.Fatal(err)
	}
	if l := r.Labels; len(l.Faults) != 2 || l.Faults[1].From != begin+100 || l.HostMinusUTC != hostOff {
		t.Errorf("labels %+v", l)
	}
}

func TestWrite(t *testing.T) {
	dir := t.TempDir() + "/out"
	truth := fmt.Sprintf("lat,t,lon,h\n44.49,%.6f,11.4,150\n44.49,%.6f,11.4,150\n", begin+hostOff+20, begin+hostOff+70)
	others := []File{{"truth.csv", []byte(truth)}, {"kerbline.toml", []byte("[tests]\n")}}
	r := apply(t, "jump:30..35:0.4", "clock_step:50..:1.5")
	if err := r.Write(dir, others); err != nil {
		t.Fatal(err)
	}
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if got, want := read("truth.csv"), fmt.Sprintf("\n44.49,%.6f,11.4,150\n", begin+hostOff+71.5); !strings.Contains(got, want) {
		t.Errorf("truth %q, want %q", got, want)
	}
	if got := read("kerbline.toml"); got != "[tests]\n" {
		t.Errorf("settings %q", got)
	}
	if got := read("nmea.log"); strings.Count(got, "\n") != length*40 || got != string(bytesOf(r.Records, fusion.ChanNMEA)) {
		t.Errorf("nmea.log has %d lines, want the %g of the stream", strings.Count(got, "\n"), length*40)
	}
	if got := read("imu.csv"); !strings.HasPrefix(got, "t,wx,wy,wz,fx,fy,fz\n1778922000.5") {
		t.Errorf("imu.csv begins %.60q", got)
	}
	if got := read("corrections.csv"); !strings.HasPrefix(got, "t,hex\n1778922000.800000,d3") {
		t.Errorf("corrections.csv begins %.60q", got)
	}
	l, err := score.ReadLabels(strings.NewReader(read("labels.json")))
	if err != nil || len(l.Faults) != 2 || math.Abs(l.Faults[0].From-begin-30) > 1e-3 {
		t.Errorf("labels %+v, %v", l, err)
	}
	if err := r.Write(dir, others); err == nil {
		t.Error("wrote over a recording")
	}
}
