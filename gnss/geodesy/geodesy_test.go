package geodesy

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// Anywhere from 100 km below the surface to 10000 km above it: there and back.
func TestRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 20000 {
		p := LLA{Lat: math.Asin(2*rng.Float64() - 1), Lon: math.Pi * (2*rng.Float64() - 1), H: -1e5 + 1e7*rng.Float64()*rng.Float64()}
		e := p.ECEF()
		q := e.LLA()
		if d := q.ECEF().Dist(e); d > 1e-8 || math.Abs(q.H-p.H) > 1e-8 || math.Abs(q.Lat-p.Lat) > 1e-14 || math.Abs(math.Remainder(q.Lon-p.Lon, 2*math.Pi))*math.Cos(p.Lat) > 1e-14 {
			t.Fatalf("%+v comes back as %+v, %g m off", p, q, d)
		}
		f := NewFrame(p)
		v := ENU{1000 * rng.NormFloat64(), 1000 * rng.NormFloat64(), 100 * rng.NormFloat64()}
		if w := f.FromLLA(f.ToLLA(v)); math.Abs(w.E-v.E)+math.Abs(w.N-v.N)+math.Abs(w.U-v.U) > 3e-8 {
			t.Fatalf("%+v comes back as %+v in the frame at %+v", v, w, p)
		}
		if f.Origin() != p {
			t.Fatalf("origin %+v, want %+v", f.Origin(), p)
		}
	}
}

// A base may send anything: the result is finite wherever it stands.
func TestLLA_Inside(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	points := []ECEF{{X: E2 * A}, {Y: -E2 * A}, {Z: E2 * A}, {Z: 1e-4}, {X: 1e-300}}
	for range 20000 {
		r := 2 * A * rng.Float64() * rng.Float64()
		points = append(points, ECEF{r * rng.NormFloat64(), r * rng.NormFloat64(), r * rng.NormFloat64()})
	}
	for _, e := range points {
		if p := e.LLA(); math.IsNaN(p.Lat+p.Lon+p.H) || math.IsInf(p.H, 0) {
			t.Fatalf("%+v is at %+v", e, p)
		}
	}
}

// Places where formulas for the way back like to fail.
func TestLLA_Corners(t *testing.T) {
	for _, tt := range []struct {
		e    ECEF
		want LLA
	}{
		{ECEF{}, LLA{H: -A}},
		{ECEF{0, 0, B}, LLA{Lat: math.Pi / 2}},
		{ECEF{0, 0, -B - 5}, LLA{Lat: -math.Pi / 2, H: 5}},
		{ECEF{1e-9, 0, B}, LLA{Lat: math.Pi / 2}},
		{ECEF{A, 0, 0}, LLA{}},
		{ECEF{A + 7, 0, 0}, LLA{H: 7}},
		{ECEF{A, 0, 1e-9}, LLA{}},
		{ECEF{-A, 0, 0}, LLA{Lon: math.Pi}},
		{ECEF{0, -A, 0}, LLA{Lon: -math.Pi / 2}},
	} {
		got := tt.e.LLA()
		if math.Abs(got.Lat-tt.want.Lat) > 1e-15 || math.Abs(got.Lon-tt.want.Lon) > 1e-15 || math.Abs(got.H-tt.want.H) > 1e-8 {
			t.Errorf("%+v is %+v, want %+v", tt.e, got, tt.want)
		}
	}
}

func TestValid(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, tt := range []struct {
		p    LLA
		want bool
	}{
		{deg(48, 11, 500), true}, {deg(90, -180, -100), true},
		{deg(90.1, 0, 0), false}, {deg(0, 180.1, 0), false}, {deg(0, 0, 1e7), false},
		{LLA{Lat: nan}, false}, {LLA{Lon: nan}, false}, {LLA{H: nan}, false}, {LLA{H: inf}, false}, {LLA{Lat: -inf}, false},
	} {
		if tt.p.Valid() != tt.want {
			t.Errorf("%+v.Valid() is %v", tt.p, tt.p.Valid())
		}
	}
}

// East, north and up point where they say.
func TestFrame_Directions(t *testing.T) {
	p := deg(48, 11, 500)
	f := NewFrame(p)
	up := f.FromLLA(LLA{p.Lat, p.Lon, p.H + 1})
	north := f.FromLLA(LLA{p.Lat + 1e-7, p.Lon, p.H})
	east := f.FromLLA(LLA{p.Lat, p.Lon + 1e-7, p.H})
	m, n := Radii(p.Lat)
	near(t, "up", up.U, 1, 1e-8)
	near(t, "north", north.N, 1e-7*(m+p.H), 1e-7)
	near(t, "east", east.E, 1e-7*(n+p.H)*math.Cos(p.Lat), 1e-7)
	near(t, "the origin", math.Abs(f.FromLLA(p).E)+math.Abs(f.FromLLA(p).N)+math.Abs(f.FromLLA(p).U), 0, 0)
}

// The filter turns vectors at every step.
func TestAllocs(t *testing.T) {
	f := NewFrame(deg(48, 11, 500))
	var sink float64
	if n := testing.AllocsPerRun(100, func() {
		v := f.FromLLA(deg(48.001, 11.001, 501))
		sink += f.ToLLA(v).H + NormalGravity(0.8, 500)
	}); n != 0 {
		t.Errorf("%g allocations, want 0", n)
	}
}

func BenchmarkLLA(b *testing.B) {
	e := deg(48, 11, 500).ECEF()
	for b.Loop() {
		e.LLA()
	}
}

// A frame goes through bytes unchanged.
func TestFrameBinary(t *testing.T) {
	for _, want := range []Frame{{}, NewFrame(LLA{Lat: -0.5, Lon: 3.1, H: 2500})} {
		b, err := want.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		got := NewFrame(LLA{Lat: 1})
		if err := got.UnmarshalBinary(b); err != nil || got != want {
			t.Errorf("%+v became %+v, %v", want, got, err)
		}
	}
	var f Frame
	if err := f.UnmarshalBinary(make([]byte, 23)); err == nil || !strings.Contains(err.Error(), "want 0 or 24") {
		t.Errorf("23 bytes: %v", err)
	}
}
