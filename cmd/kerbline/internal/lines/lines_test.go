package lines

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// snapshot is a full one: every number of the line differs from every other.
func snapshot() *fusion.Snapshot {
	s := &fusion.Snapshot{T: 1778922000.78216, Seq: 42, Verdict: fusion.Coasting, Advice: fusion.AdviseMapSlow,
		SpeedCap: 12.5, Coast: 3.25, Handover: 1.75, HasPos: true,
		Pos: geodesy.LLA{Lat: 44.2913600092 * geodesy.Degree, Lon: -11.8630768607 * geodesy.Degree, H: 150.3263},
		Yaw: -1.775655, Speed: 11.25, SigmaLat: 0.0123, SigmaLon: 0.0234, SigmaYaw: 0.003456,
		PLLat: fusion.PL{Total: 0.31}, PLLon: fusion.PL{Total: 0.42}, PLYaw: fusion.PL{Total: 0.021},
		ALLat: 0.5, ALLon: 1, ALYaw: 0.05236}
	s.Reasons[0].Code, s.Reasons[1].Code, s.NReasons = "corr-age", "fix", 2
	s.Epoch.Quality, s.Epoch.Age, s.Epoch.Station = gnss.QualityFloat, 7.4, 1201
	s.Link.Condition = corrections.Silent
	return s
}

// The contract: fields, order, names, null for unknown.
func TestAppendVerdict(t *testing.T) {
	const want = `{"t":1778922000.7822,"seq":42,"verdict":"coasting","advice":"map_slow","reasons":["corr-age","fix"],` +
		`"speed_cap_mps":12.5000,"coast_s":3.250,"handover_s":1.750,"lat_deg":44.2913600092,"lon_deg":-11.8630768607,"h_m":150.3263,` +
		`"yaw_rad":-1.775655,"speed_mps":11.2500,"sigma_lat_m":0.0123,"sigma_lon_m":0.0234,"sigma_yaw_rad":0.003456,` +
		`"pl_lat_m":0.3100,"pl_lon_m":0.4200,"pl_yaw_rad":0.021000,"al_lat_m":0.5000,"al_lon_m":1.0000,"al_yaw_rad":0.052360,` +
		`"quality":5,"age_s":7.400,"station":1201,"link":"silent","hint":null}` + "\n"
	if got := string(AppendVerdict(nil, snapshot())); got != want {
		t.Errorf("got  %swant %s", got, want)
	}
	live := string(AppendLive(nil, snapshot(), Live{Session: "5e55104", N: 7, Hold: 0.2, Build: "v1"}))
	if w := strings.TrimSuffix(want, "}\n") + `,"session":"5e55104","n":7,"hold_s":0.200,"build":"v1","valid_until":1778922000.9822}` + "\n"; live != w {
		t.Errorf("got  %swant %s", live, w)
	}
}

// Nothing known: every number is null, none is 0.
func TestAppendVerdict_Unknown(t *testing.T) {
	nan := math.NaN()
	s := &fusion.Snapshot{T: 1, Seq: 1, SpeedCap: nan, Coast: nan, Handover: nan, Yaw: nan, Speed: nan, SigmaLat: nan, SigmaLon: nan,
		SigmaYaw: nan, PLLat: fusion.PL{Total: nan}, PLLon: fusion.PL{Total: math.Inf(1)}, PLYaw: fusion.PL{Total: nan}, ALLat: nan, ALLon: nan, ALYaw: nan}
	s.Epoch.Quality, s.Epoch.Age, s.Epoch.Station = gnss.QualityUnknown, nan, -1
	const want = `{"t":1.0000,"seq":1,"verdict":"unproven","advice":"stop","reasons":[],"speed_cap_mps":null,"coast_s":null,"handover_s":null,` +
		`"lat_deg":null,"lon_deg":null,"h_m":null,"yaw_rad":null,"speed_mps":null,"sigma_lat_m":null,"sigma_lon_m":null,"sigma_yaw_rad":null,` +
		`"pl_lat_m":null,"pl_lon_m":null,"pl_yaw_rad":null,"al_lat_m":null,"al_lon_m":null,"al_yaw_rad":null,"quality":null,"age_s":null,"station":null,"link":"untapped","hint":null}` + "\n"
	got := AppendVerdict(nil, s)
	if string(got) != want {
		t.Errorf("got  %swant %s", got, want)
	}
	v, err := ParseVerdict(got)
	if err != nil || !math.IsNaN(float64(v.PLLon)) || v.Station != -1 || v.Quality != -1 || len(v.Reasons) != 0 {
		t.Errorf("read back as %+v (%v)", v, err)
	}
}

func TestVerdictRoundTrip(t *testing.T) {
	s := snapshot()
	v, err := ParseVerdict(AppendVerdict(nil, s))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name           string
		got, want, tol float64
	}{
		{"t", float64(v.T), s.T, 0.6e-4}, {"lat", float64(v.Lat), s.Pos.Lat / geodesy.Degree, 0.6e-10},
		{"lon", float64(v.Lon), s.Pos.Lon / geodesy.Degree, 0.6e-10}, {"h", float64(v.H), s.Pos.H, 0.6e-4},
		{"yaw", float64(v.Yaw), s.Yaw, 0.6e-6}, {"pl", float64(v.PLYaw), s.PLYaw.Total, 0.6e-6}, {"age", float64(v.Age), s.Epoch.Age, 0.6e-3},
	} {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s is %v, want %v", c.name, c.got, c.want)
		}
	}
	if v.Verdict != "coasting" || v.Advice != "map_slow" || v.Link != "silent" || v.Quality != 5 || v.Station != 1201 || v.Seq != 42 ||
		strings.Join(v.Reasons, " ") != "corr-age fix" || !math.IsNaN(float64(v.ValidUntil)) {
		t.Errorf("read back as %+v", v)
	}
	for _, bad := range []string{"", "{", `{"t":"x"}`, `{"tt":1}`, `{"t":1}{"t":2}`, "[]"} {
		if _, err := ParseVerdict([]byte(bad)); err == nil {
			t.Errorf("%q was taken for a verdict line", bad)
		}
	}
}

func TestEventRoundTrip(t *testing.T) {
	e := fusion.Event{T: 10.5, End: 12, Kind: fusion.EventOutage, Cause: "link_silent", Size: 7.25, Detail: "radio \"A\"\\\tquiet: \xff µ", Where: 123.5}
	got := AppendEvent(nil, &e)
	const want = `{"t":10.5000,"end_t":12.0000,"kind":"correction_outage","cause":"link_silent","size_m":7.2500,"detail":"radio \"A\"\\\u0009quiet: ` + "\ufffd µ" + `","where_m":123.5000}` + "\n"
	if string(got) != want {
		t.Errorf("got  %swant %s", got, want)
	}
	back, err := ParseEvent(got)
	e.Detail = "radio \"A\"\\\tquiet: \ufffd µ"
	if err != nil || back != e {
		t.Errorf("read back as %+v (%v), want %+v", back, err, e)
	}

	nan := math.NaN()
	got = AppendEvent(nil, &fusion.Event{T: 10.5, End: nan, Kind: fusion.EventJump, Size: nan, Where: nan})
	if want := `{"t":10.5000,"end_t":null,"kind":"jump","cause":null,"size_m":null,"detail":null,"where_m":null}` + "\n"; string(got) != want {
		t.Errorf("got  %swant %s", got, want)
	}
	if back, err = ParseEvent(got); err != nil || !math.IsNaN(back.End) || !math.IsNaN(back.Where) || back.Cause != "" {
		t.Errorf("read back as %+v (%v)", back, err)
	}
}

func TestValue(t *testing.T) {
	for _, tt := range []struct {
		x    float64
		want string
	}{
		{0, "0.0000"}, {math.Copysign(0, -1), "0.0000"}, {-0.00004, "0.0000"}, {-0.00006, "-0.0001"}, {math.Inf(-1), "null"},
	} {
		if got := string(value(nil, tt.x, 4)); got != tt.want {
			t.Errorf("value(%g) = %q, want %q", tt.x, got, tt.want)
		}
	}
	// Nonsense stays a number.
	var back float64
	if err := json.Unmarshal(value(nil, -1e300, 4), &back); err != nil || back != -1e300 {
		t.Errorf("-1e300 reads back as %g (%v)", back, err)
	}
}

func TestAppendAllocatesNothing(t *testing.T) {
	s, buf := snapshot(), make([]byte, 0, 1024)
	e := fusion.Event{T: 1, Kind: fusion.EventJump, Detail: "a step of 0.31 m"}
	if n := testing.AllocsPerRun(100, func() {
		buf = AppendVerdict(buf[:0], s)
		buf = AppendEvent(buf, &e)
	}); n != 0 {
		t.Errorf("%v allocations a line, want 0", n)
	}
}

func FuzzQuote(f *testing.F) {
	f.Add("a\"\\\x00\x7f\u2028\xc3\x28")
	f.Fuzz(func(t *testing.T, s string) {
		b := quote(nil, s)
		var back string
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatalf("%q: %s: %v", s, b, err)
		}
		if want := strings.ToValidUTF8(s, "\ufffd"); strings.ReplaceAll(back, "\ufffd", "") != strings.ReplaceAll(want, "\ufffd", "") {
			t.Fatalf("%q reads back as %q", s, back)
		}
		if bytes.ContainsAny(b, "\n\r") {
			t.Fatalf("%q breaks the line", s)
		}
	})
}

func BenchmarkAppendVerdict(b *testing.B) {
	s, buf := snapshot(), make([]byte, 0, 1024)
	for b.Loop() {
		buf = AppendVerdict(buf[:0], s)
	}
	b.SetBytes(int64(len(buf)))
}
