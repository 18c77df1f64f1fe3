package course

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
)

var origin = geodesy.LLA{Lat: 47.1 * geodesy.Degree, Lon: -19.3 * geodesy.Degree, H: 60}

// lineString writes points (m, in a frame at origin) as GeoJSON.
func lineString(pts [][2]float64, props string) []byte {
	f := geodesy.NewFrame(origin)
	var b strings.Builder
	fmt.Fprintf(&b, `{"type":"Feature","properties":{%s},"geometry":{"type":"LineString","coordinates":[`, props)
	for i, p := range pts {
		if i > 0 {
			b.WriteByte(',')
		}
		v := f.ToLLA(geodesy.ENU{E: p[0], N: p[1]})
		fmt.Fprintf(&b, "[%.11f,%.11f]", v.Lon/geodesy.Degree, v.Lat/geodesy.Degree)
	}
	b.WriteString("]}}")
	return []byte(b.String())
}

func bound(t *testing.T, pts [][2]float64, props string) *Course {
	t.Helper()
	c, err := Load(lineString(pts, props))
	if err != nil {
		t.Fatal(err)
	}
	c.Bind(geodesy.NewFrame(origin))
	return c
}

// circle has radius r about (0, 0), counter-clockwise from (r, 0), with
// spacing that varies tenfold.
func circle(r float64, n int, closing bool) [][2]float64 {
	var pts [][2]float64
	for i := range n {
		a := float64(i) / float64(n) * 2 * math.Pi
		a += 0.8 * math.Sin(a) // uneven, still increasing
		pts = append(pts, [2]float64{r * math.Cos(a), r * math.Sin(a)})
	}
	if closing {
		pts = append(pts, pts[0])
	}
	return pts
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6f, want %.6f ± %g", what, got, want, tol)
	}
}

func TestLocateOnCircle(t *testing.T) {
	const r = 20.0
	for _, closing := range []bool{true, false} {
		c := bound(t, circle(r, 400, closing), `"half_width_m":2.5,"name":"ring"`)
		if !c.Closed() || c.Name() != "ring" {
			t.Fatalf("closed %v, name %q", c.Closed(), c.Name())
		}
		near(t, "length", c.Length(), 2*math.Pi*r, 0.01)
		hint := -1
		for k := range 3000 {
			a := 0.01 * float64(k) // nearly five laps
			rho := r - 1.5*math.Sin(3*a)
			pl := c.Locate(geodesy.ENU{E: rho * math.Cos(a), N: rho * math.Sin(a)}, &hint)
			if !pl.OK {
				t.Fatalf("angle %g: not OK", a)
			}
			s := r * math.Mod(a, 2*math.Pi)
			if ds := math.Remainder(pl.S-s, c.Length()); math.Abs(ds) > 0.15 {
				t.Fatalf("angle %g: s off by %g", a, ds)
			}
			// A counter-clockwise lap has its inside on the left.
			near(t, "cross", pl.Cross, r-rho, 0.02)
			near(t, "yaw", wrap(pl.Yaw-a-math.Pi/2), 0, 0.01)
			near(t, "curvature", pl.Curvature, 1/r, 0.002)
			near(t, "half width", pl.HalfWidth, 2.5, 0)
			if t.Failed() {
				t.FailNow()
			}
		}
	}
}

func TestDirectionIsVertexOrder(t *testing.T) {
	pts := circle(20, 200, true)
	for i, j := 0, len(pts)-1; i < j; i, j = i+1, j-1 {
		pts[i], pts[j] = pts[j], pts[i]
	}
	c := bound(t, pts, `"half_width_m":2`)
	pl := c.Locate(geodesy.ENU{E: 0, N: 21}, nil)
	near(t, "cross", pl.Cross, 1, 0.02) // clockwise: the outside is left
	near(t, "yaw", pl.Yaw, 0, 0.02)
	near(t, "curvature", pl.Curvature, -1.0/20, 0.002)
}

func TestOpenLine(t *testing.T) {
	c := bound(t, [][2]float64{{0, 0}, {30, 0}, {31, 0}, {80, 0}}, `"half_width_m":[1,1,3,3]`)
	if c.Closed() {
		t.Fatal("a straight line is no lap")
	}
	near(t, "length", c.Length(), 80, 1e-6)
	pl := c.Locate(geodesy.ENU{E: 30.5, N: -0.7}, nil)
	near(t, "s", pl.S, 30.5, 1e-6)
	near(t, "cross", pl.Cross, -0.7, 1e-6)
	near(t, "half width", pl.HalfWidth, 2, 1e-6)
	pl = c.Locate(geodesy.ENU{E: -3}, nil)
	near(t, "s before the start", pl.S, 0, 1e-6)
	if pl = c.Locate(geodesy.ENU{E: -20}, nil); pl.OK {
		t.Error("20 m before the start counts as on the course")
	}
	pl, p := c.At(1e9)
	near(t, "s at the end", pl.S, 80, 1e-6)
	near(t, "east at the end", p.E, 80, 1e-6)
}

// Two straights 4 m apart joined by hairpins, as on many kart tracks.
func hairpins() [][2]float64 {
	var pts [][2]float64
	for x := 0.0; x < 60; x++ {
		pts = append(pts, [2]float64{x, 0})
	}
	for a := -math.Pi / 2; a < math.Pi/2; a += 0.2 {
		pts = append(pts, [2]float64{60 + 2*math.Cos(a), 2 + 2*math.Sin(a)})
	}
	for x := 60.0; x > 0; x-- {
		pts = append(pts, [2]float64{x, 4})
	}
	for a := math.Pi / 2; a < 3*math.Pi/2; a += 0.2 {
		pts = append(pts, [2]float64{2 * math.Cos(a), 2 + 2*math.Sin(a)})
	}
	return pts
}

func TestContinuityWherePartsAreClose(t *testing.T) {
	c := bound(t, hairpins(), `"half_width_m":2`)
	hint := -1
	c.Locate(geodesy.ENU{E: 10, N: 0}, &hint)
	// Drifting 2.6 m left, past the middle between the straights: the car is
	// still on the eastbound one.
	for x := 10.0; x < 58; x += 1.2 {
		n := 2.6 * math.Sin((x-10)/48*math.Pi)
		pl := c.Locate(geodesy.ENU{E: x, N: n}, &hint)
		if math.Abs(pl.Yaw) > 0.3 || math.Abs(pl.S-x) > 0.5 || math.Abs(pl.Cross-n) > 0.1 {
			t.Fatalf("x %g: %+v, want the eastbound straight", x, pl)
		}
	}
	if pl := c.Locate(geodesy.ENU{E: 34, N: 2.6}, nil); math.Abs(wrap(pl.Yaw-math.Pi)) > 0.1 {
		t.Errorf("without a hint: %+v, want the nearer, westbound straight", pl)
	}
	// A wrong first guess is mended: the position lies in the middle of the
	// other straight.
	hint = -1
	c.Locate(geodesy.ENU{E: 34, N: 2.6}, &hint)
	if pl := c.Locate(geodesy.ENU{E: 35, N: 0}, &hint); math.Abs(pl.Yaw) > 0.1 {
		t.Errorf("stays on the westbound straight: %+v", pl)
	}
	// A jump across the map leaves the neighbourhood of the hint.
	hint = -1
	c.Locate(geodesy.ENU{E: 5, N: 0}, &hint)
	if pl := c.Locate(geodesy.ENU{E: 62, N: 2}, &hint); math.Abs(pl.Cross) > 0.05 || !pl.OK {
		t.Errorf("after a jump: %+v", pl)
	}
}

func TestHintSurvivesAnything(t *testing.T) {
	c := bound(t, circle(20, 100, true), `"half_width_m":2`)
	for _, h := range []int{-5, 99, 100, 1 << 40, math.MinInt} {
		hint := h
		if pl := c.Locate(geodesy.ENU{E: 0, N: 20}, &hint); !pl.OK || math.Abs(pl.Cross) > 0.1 {
			t.Errorf("hint %d: %+v", h, pl)
		}
	}
	for _, p := range []geodesy.ENU{{E: math.NaN()}, {N: math.Inf(1)}, {E: math.Inf(-1), N: math.Inf(1)}} {
		if pl := c.Locate(p, nil); pl.OK || !math.IsNaN(pl.S) {
			t.Errorf("%v: %+v, want not OK", p, pl)
		}
	}
	var unbound Course
	if unbound.Locate(geodesy.ENU{}, nil).OK {
		t.Error("an unbound course locates")
	}
}

func TestLocateAllocatesNothing(t *testing.T) {
	c := bound(t, circle(60, 400, true), `"half_width_m":2`)
	hint, a := -1, 0.0
	n := testing.AllocsPerRun(1000, func() {
		a += 0.02
		c.Locate(geodesy.ENU{E: 61 * math.Cos(a), N: 61 * math.Sin(a)}, &hint)
	})
	if n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func TestAtAgreesWithLocate(t *testing.T) {
	c := bound(t, hairpins(), `"half_width_m":2`)
	for s := -30.0; s < 2*c.Length(); s += 0.7 {
		at, p := c.At(s)
		hint := -1
		pl := c.Locate(p, &hint)
		if math.Abs(pl.Cross) > 1e-9 || math.Abs(math.Remainder(pl.S-s, c.Length())) > 1e-6 || math.Abs(wrap(at.Yaw-pl.Yaw)) > 1e-6 {
			t.Fatalf("s %g: At %+v, Locate %+v", s, at, pl)
		}
	}
}

func TestForms(t *testing.T) {
	line := `{"type":"LineString","coordinates":[[-19.3,47.1],[-19.299,47.1,3],[-19.298,47.101]]}`
	other := `{"type":"Feature","properties":null,"geometry":{"type":"Point","coordinates":[0,0]}}`
	for _, s := range []string{
		line,
		"\ufeff" + line,
		`{"type":"Feature","properties":null,"geometry":` + line + `}`,
		`{"type":"FeatureCollection","features":[` + other + `,{"type":"Feature","geometry":` + line + `}]}`,
		`{"type":"FeatureCollection","features":[{"type":"Feature","geometry":` + line + `},` +
			`{"type":"Feature","properties":{"half_width_m":3},"geometry":` + line + `}]}`,
		`{"type":"Feature","crs":{"properties":{"name":"urn:ogc:def:crs:OGC:1.3:CRS84"}},"properties":{"name":7,"half_width_m":null},"geometry":` + line + `}`,
	} {
		c, err := Load([]byte(s))
		if err != nil {
			t.Errorf("%s: %v", s, err)
			continue
		}
		// 0.001 deg of longitude is 75.92 m at 47.1 N; the second leg has 111.18 m of latitude too.
		near(t, "length", c.Length(), 75.92+math.Hypot(75.92, 111.18), 0.05)
	}
}

func TestClosed(t *testing.T) {
	ring := circle(30, 40, false)
	for _, tt := range []struct {
		why    string
		pts    [][2]float64
		props  string
		closed bool
	}{
		{"first vertex repeated", circle(30, 40, true), "", true},
		{"gap of one spacing", ring, "", true},
		{"half a ring", ring[:20], "", false},
		{"said open", circle(30, 40, true), `"closed":false`, false},
		{"said closed", ring[:20], `"closed":true`, true},
		{"there and back is a lap", [][2]float64{{0, 0}, {50, 0}, {50, 5}, {0, 5}}, "", true},
		{"two points", [][2]float64{{0, 0}, {50, 0}}, "", false},
	} {
		if c := bound(t, tt.pts, tt.props); c.Closed() != tt.closed {
			t.Errorf("%s: closed %v", tt.why, c.Closed())
		}
	}
}

func TestLoadErrors(t *testing.T) {
	feature := func(coords, props string) string {
		return `{"type":"Feature","properties":{` + props + `},"geometry":{"type":"LineString","coordinates":` + coords + `}}`
	}
	const ok = `[[-19.3,47.1],[-19.299,47.1],[-19.298,47.101]]`
	for _, tt := range []struct{ in, want string }{
		{"", "the file is empty"},
		{"{\n \"type\": \"Feature\",\n oops", "line 3, column 2"},
		{`{"type":"Feature"`, "line 1"},
		{`[1,2]`, "want GeoJSON"},
		{`{}`, "type: missing"},
		{`{"type":"Polygon","coordinates":[]}`, `type: is "Polygon"`},
		{`{"type":"FeatureCollection","features":[]}`, "none of the 0 is a LineString"},
		{`{"type":"FeatureCollection","features":[` + feature(ok, "") + `,` + feature(ok, "") + `]}`, "2 are LineStrings"},
		{`{"type":"Feature"}`, "geometry: missing"},
		{`{"type":"Feature","geometry":{"type":"MultiLineString"}}`, `geometry.type: is "MultiLineString"`},
		{`{"type":"LineString"}`, "coordinates: not a list"},
		{feature(`[[-19.3,47.1]]`, ""), "1 vertices, want at least 2"},
		{feature(`[[-19.3,47.1],[-19.3,97.1]]`, ""), "geometry.coordinates[1]: latitude is 97.1, want -90 to 90; the order"},
		{feature(`[[-19.3,47.1],[-190.3,47.1]]`, ""), "coordinates[1]: longitude is -190.3"},
		{feature(`[[-19.3,47.1],["a",2]]`, ""), `coordinates[1]: is ["a",2]`},
		{feature(`[[-19.3,47.1],[1]]`, ""), "coordinates[1]: is [1]"},
		{feature(`[[-19.3,47.1,1e9],[-19.2,47]]`, ""), "height is 1e+09"},
		{feature(`[[-19.3,47.1],[-19.3,47.1],[-19.3,47.1]]`, ""), "at least"},
		{feature(`[[-19.3,47.1],[-19.30001,47.1]]`, ""), "geometry.coordinates: the line is 0.759 m long, want at least 5"},
		{feature(`[[-19.3,47.1],[19.3,47.1]]`, ""), "km long"},
		{feature(ok, `"half_width_m":"wide"`), "half_width_m: is \"wide\""},
		{feature(ok, `"half_width_m":-1`), "half_width_m: is -1"},
		{feature(ok, `"half_width_m":[1,2]`), "2 widths for 3 vertices"},
		{feature(ok, `"half_width_m":[1,null,2]`), "half_width_m[1]: is null"},
		{feature(ok, `"half_width_m":[1,0,2]`), "half_width_m[1]: is 0"},
		{feature(ok, `"half_width_m":[1,"x",2]`), "not a list of numbers"},
		{feature(ok, `"closed":"yes"`), "properties.closed"},
		{`{"type":"LineString","crs":{"name":"EPSG:3857"},"coordinates":` + ok + `}`, "crs: is"},
	} {
		_, err := Load([]byte(tt.in))
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "course: ") {
			t.Errorf("%.70s: error %v, want %q", tt.in, err, tt.want)
		}
	}
}

// A measured kart track's centre line, unevenly spaced, no widths, with vertices
// from 0.3 to 20 m apart (a public track collection, MIT).
func TestKartTrack(t *testing.T) {
	dir := os.Getenv("KERBLINE_REAL")
	if dir == "" {
		t.Skip("KERBLINE_REAL names no folder of measured recordings")
	}
	b, err := os.ReadFile(filepath.Join(dir, "tracks", "kart_track.json"))
	if err != nil {
		t.Skip("no real recordings here (KERBLINE_REAL):", err)
	}
	var k struct {
		Pts []struct{ Lat, Lon float64 }
	}
	if err := json.Unmarshal(b, &k); err != nil {
		t.Fatal(err)
	}
	var s strings.Builder
	for i, p := range k.Pts {
		if i > 0 {
			s.WriteByte(',')
		}
		fmt.Fprintf(&s, "[%.7f,%.7f]", p.Lon*1e-7, p.Lat*1e-7)
	}
	c, err := Load([]byte(`{"type":"LineString","coordinates":[` + s.String() + `]}`))
	if err != nil {
		t.Fatal(err)
	}
	c.Bind(geodesy.NewFrame(c.Origin()))
	if !c.Closed() {
		t.Error("not a lap")
	}
	// 336.236 m by summing its chords on a sphere of the local radii.
	near(t, "length", c.Length(), 336.2, 1)
	turned, hint := 0.0, -1
	last, _ := c.At(0)
	for d := 0.1; d < c.Length(); d += 0.1 {
		at, p := c.At(d)
		turned += wrap(at.Yaw - last.Yaw)
		last = at
		pl := c.Locate(p, &hint)
		if !pl.OK || math.Abs(math.Remainder(pl.S-d, c.Length())) > 0.01 || !math.IsNaN(pl.HalfWidth) {
			t.Fatalf("s %g: %+v", d, pl)
		}
	}
	near(t, "turning of one lap, turns", math.Abs(turned)/(2*math.Pi), 1, 0.02)
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(`{"type":"LineString","coordinates":[[-19.3,47.1],[-19.299,47.1,3],[-19.298,47.101]]}`))
	f.Add(lineString(circle(20, 8, true), `"half_width_m":[1,1,1,1,1,1,1,1,1]`))
	f.Add([]byte(`{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"closed":true},"geometry":{"type":"LineString","coordinates":[[179.9999,0],[-179.9999,0],[180,0.001]]}}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := Load(b)
		if err != nil {
			return
		}
		c.Bind(geodesy.NewFrame(c.Origin()))
		if !(c.Length() >= minLength) || len(c.Vertices()) < 2 {
			t.Fatalf("length %g of %d vertices", c.Length(), len(c.Vertices()))
		}
		hint := -1
		for _, p := range []geodesy.ENU{{}, c.Vertices()[len(c.Vertices())/2], {E: 1e6, N: -1e6}} {
			pl := c.Locate(p, &hint)
			if !(pl.S >= 0 && pl.S <= c.Length()) || math.IsNaN(pl.Cross+pl.Yaw+pl.Curvature) {
				t.Fatalf("%+v: %+v", p, pl)
			}
		}
	})
}

func BenchmarkLocate(b *testing.B) {
	c, err := Load(lineString(circle(60, 400, true), `"half_width_m":2`))
	if err != nil {
		b.Fatal(err)
	}
	c.Bind(geodesy.NewFrame(origin))
	for _, hinted := range []bool{true, false} {
		b.Run(fmt.Sprintf("hint=%v", hinted), func(b *testing.B) {
			hint, a := -1, 0.0
			for b.Loop() {
				a += 0.002
				if !hinted {
					hint = -1
				}
				c.Locate(geodesy.ENU{E: 61 * math.Cos(a), N: 61 * math.Sin(a)}, &hint)
			}
		})
	}
}
