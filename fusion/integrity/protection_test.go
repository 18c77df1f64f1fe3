package integrity

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Golden points of the integrity diagram (Tossaint et al. 2006, from memory),
// AL = 0.5 m.
func TestClassify_Tossaint(t *testing.T) {
	for _, r := range []struct {
		err, pl float64
		want    Region
	}{
		{0.1, 0.2, Nominal},
		{0.3, 0.2, Misleading},
		{0.6, 0.2, Hazardous},
		{0.1, 0.7, Unavailable},
		{0.6, 0.7, Unavailable},
		{0.9, 0.7, UnavailableMisleading},
		{0.5, 0.5, Nominal},
	} {
		if got := Classify(r.err, r.pl, 0.5); got != r.want {
			t.Errorf("error %g, PL %g, AL 0.5: %v, want %v", r.err, r.pl, got, r.want)
		}
	}
	seen := map[string]bool{}
	for r := range NumRegions {
		seen[r.String()] = true
	}
	if len(seen) != int(NumRegions) || seen[""] {
		t.Errorf("regions are called %v", seen)
	}
}

// Unknown never lands in the one region that is both safe and available.
func TestClassify_NotNumbers(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, r := range []struct {
		err, pl, al float64
		want        Region
	}{
		{0.1, nan, 0.5, Unavailable},
		{0.1, inf, 0.5, Unavailable},
		{0.1, 0.2, nan, Unavailable},
		{0.3, 0.2, nan, UnavailableMisleading},
		{nan, 0.2, 0.5, Hazardous},
		{nan, 0.7, 0.5, UnavailableMisleading},
		{nan, nan, nan, Unavailable},
	} {
		if got := Classify(r.err, r.pl, r.al); got != r.want {
			t.Errorf("error %g, PL %g, AL %g: %v, want %v", r.err, r.pl, r.al, got, r.want)
		}
	}
}

// Alert limits and their 95 % figures as published (Reid et al. 2019,
// arXiv:1906.01061): one is the other at 1e-8 over 5 %, two-sided, as far
// as the published digits go. The vertical pair of the freeway, 1.30 and 0.43 m, is not.
func TestK_Reid(t *testing.T) {
	ratio := K(1e-8) / K(0.05)
	near(t, "K(1e-8)", K(1e-8), 5.730728867, 1e-8)
	near(t, "ratio", ratio, 2.923895, 1e-6)
	for _, r := range []struct {
		name                     string
		al, derived, published95 float64
	}{
		{"freeway, lateral, m", 0.57, 0.195, 0.20},
		{"freeway, longitudinal, m", 1.40, 0.479, 0.48},
		{"freeway, attitude, deg", 1.50, 0.513, 0.51},
		{"streets, lateral and longitudinal, m", 0.29, 0.099, 0.10},
		{"streets, orientation, deg", 0.50, 0.171, 0.17},
	} {
		got := r.al / ratio
		near(t, r.name, got, r.derived, 5e-4)
		near(t, r.name+", published", got, r.published95, 0.005*(1+1/ratio)) // both are rounded to 0.01
	}
	near(t, "freeway, vertical, m", 1.30/ratio, 0.445, 5e-4)
	if math.Abs(1.30/ratio-0.43) <= 0.005*(1+1/ratio) {
		t.Error("the vertical pair follows the ratio after all")
	}
}

func TestProtection_Parts(t *testing.T) {
	total, noise, time := Protection(4, 0.05, 0.12, -10, 0.01)
	near(t, "noise", noise, 0.2, 1e-15)
	near(t, "time", time, 0.1, 1e-15)
	near(t, "total", total, 0.2+0.12+0.1, 1e-15)
	// An unknown part makes the whole unknown, which is within no limit.
	for i := range 5 {
		in := [5]float64{4, 0.05, 0.12, 10, 0.01}
		in[i] = math.NaN()
		if total, _, _ := Protection(in[0], in[1], in[2], in[3], in[4]); !math.IsNaN(total) {
			t.Errorf("part %d unknown: PL %g", i, total)
		}
	}
}

// Distance to a stop d = v·t + v²/2a, from the handover time to a fallback
// that stands still; and the road designers' table (AASHTO, from memory) in
// its exact form. Values computed.
func TestHandover_StoppingDistance(t *testing.T) {
	distance := func(v, a, reaction float64) float64 {
		braking := Handover(v, reaction, 0, a) - reaction
		return v*reaction + v*braking/2
	}
	for _, r := range []struct{ v, a, reaction, want float64 }{
		{5, 4, 0.2, 4.125}, {10, 5, 0.2, 12}, {10, 5, 1, 20}, {20, 8, 0.3, 31},
	} {
		near(t, "distance, m", distance(r.v, r.a, r.reaction), r.want, 1e-12)
	}
	near(t, "at 100 km/h, m", distance(100/3.6, 3.4, 2.5), 0.278*100*2.5+0.039*100*100/3.4, 1.5) // table's rounded factors
	near(t, "table factors at 100 km/h, m", 0.278*100*2.5+0.039*100*100/3.4, 184.2, 0.05)
	near(t, "table factors at 50 km/h, m", 0.278*50*2.5+0.039*50*50/3.4, 63.4, 0.05)
	near(t, "exact factor", 1/25.92, 0.038580, 1e-6)

	// Braking to what reactive driving can take: 0.5 s + 6 m/s at 4 m/s².
	near(t, "handover from 12 m/s, s", Handover(12, 0.5, 6, 4), 2, 1e-12)
	near(t, "handover from 5 m/s, s", Handover(5, 0.5, 6, 4), 0.5, 1e-12)
	if h := Handover(math.NaN(), 0.5, 6, 4); !math.IsNaN(h) {
		t.Errorf("unknown speed: %g s", h)
	}
}

// Room across the track AL = (W - w)/2 - margin. Values computed.
func TestLateralLimit_Track(t *testing.T) {
	const half, car, margin = 3.0 / 2, 0.3 / 2, 0.05
	inf := math.Inf(1)
	near(t, "room, m", LateralLimit(inf, half, car, margin), 1.30, 1e-12)
	// A car of length 0.5 m that stands 3 degrees across takes more width.
	sn, cs := math.Sincos(3 * deg)
	near(t, "room at 3 degrees, m", LateralLimit(inf, half, car*cs+0.25*sn, margin), 1.287122, 1e-6)
	room := LateralLimit(inf, half, car, margin+0.15)
	near(t, "room less the controller's error, m", room, 1.15, 1e-12)
	for _, r := range []struct{ k, sigma float64 }{{5.33, 0.215760}, {6, 0.191667}} {
		pl, _, _ := Protection(r.k, r.sigma, 0, 0, 0)
		near(t, "PL of the sigma that fills it, m", pl, room, 3e-6)
	}
	for _, r := range []struct{ limit, half, want float64 }{
		{0.5, half, 0.5}, // the map can only lower the limit
		{0.5, 0.3, 0.1},
		{0.5, 0.1, 0}, // and never below nothing
		{0.5, math.NaN(), 0.5},
	} {
		near(t, "limit, m", LateralLimit(r.limit, r.half, car, margin), r.want, 1e-12)
	}
	if l := LateralLimit(math.NaN(), half, car, margin); !math.IsNaN(l) {
		t.Errorf("unknown limit: %g m", l)
	}
}

// What a time error of dt moves the position by: v·dt. Values computed.
func TestProtection_Latency(t *testing.T) {
	for _, r := range []struct{ v, dt, want float64 }{
		{5, 0.02, 0.1}, {10, 0.05, 0.5}, {10, 0.1, 1}, {15, 0.15, 2.25},
	} {
		_, _, got := Protection(0, 0, 0, r.v, r.dt)
		near(t, "moved, m", got, r.want, 1e-12)
	}
}

// The cap is the highest speed at which everything holds: it holds there, and
// not a step above.
func TestSpeedCap(t *testing.T) {
	holds := func(in CapInput, v float64) bool {
		coast := in.Coast
		if v > in.Speed {
			coast *= math.Max(in.Speed, 1) / math.Max(v, 1)
		}
		lat, _, _ := Protection(1, in.LatFixed, 0, v, in.LatPerV)
		lon, _, _ := Protection(1, in.LonFixed, 0, v, in.LonPerV)
		return lat <= in.ALLat && lon <= in.ALLon && coast >= Handover(v, in.Reaction, in.Reactive, in.Brake)
	}
	rng := rand.New(rand.NewPCG(7, 8))
	var none, full, part int
	for range 5000 {
		in := CapInput{Speed: 25 * rng.Float64(), Coast: 30 * rng.Float64(), LatFixed: 0.6 * rng.Float64(), LonFixed: 1.2 * rng.Float64(),
			LatPerV: 0.02 * rng.Float64(), LonPerV: 0.1 * rng.Float64(), ALLat: 0.5, ALLon: 1, Reaction: 0.5, Reactive: 6, Brake: 4, Max: 30}
		switch c := SpeedCap(in); {
		case math.IsNaN(c):
			none++
			if holds(in, 0) {
				t.Fatalf("%+v: no cap, but standing still holds", in)
			}
		case c == in.Max:
			full++
			if !holds(in, c) {
				t.Fatalf("%+v: the highest speed does not hold", in)
			}
		default:
			part++
			if !holds(in, c) || holds(in, c+1e-4) {
				t.Fatalf("%+v: cap %g is not the edge", in, c)
			}
		}
	}
	if none == 0 || full == 0 || part == 0 {
		t.Errorf("%d without, %d at full speed, %d between: one is not tested", none, full, part)
	}
}

func TestSpeedCap_NotNumbers(t *testing.T) {
	good := CapInput{Speed: 10, Coast: 5, LatFixed: 0.1, LonFixed: 0.1, LatPerV: 0.01, LonPerV: 0.01, ALLat: 0.5, ALLon: 1,
		Reaction: 0.5, Reactive: 6, Brake: 4, Max: 20}
	if c := SpeedCap(good); !(c > 0) {
		t.Fatalf("cap %g", c)
	}
	for name, spoil := range map[string]func(*CapInput){
		"speed":         func(in *CapInput) { in.Speed = math.NaN() },
		"coast":         func(in *CapInput) { in.Coast = math.NaN() },
		"lateral PL":    func(in *CapInput) { in.LatFixed = math.NaN() },
		"along PL":      func(in *CapInput) { in.LonPerV = math.NaN() },
		"lateral limit": func(in *CapInput) { in.ALLat = math.NaN() },
		"along limit":   func(in *CapInput) { in.ALLon = math.NaN() },
		"reaction":      func(in *CapInput) { in.Reaction = math.NaN() },
	} {
		in := good
		spoil(&in)
		if c := SpeedCap(in); !math.IsNaN(c) {
			t.Errorf("unknown %s: cap %g", name, c)
		}
	}
}
