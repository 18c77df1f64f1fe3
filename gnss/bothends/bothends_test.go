package bothends

import (
	"errors"
	"math"
	"math/rand"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// link is a simulated link: what each end records of it.
type link struct {
	base, car Record
}

// sim sends an observation message and, every fifth second, base coordinates once a
// second for n s. fate says what becomes of a burst sent at t: "", "lost" or "bytes".
// The car's clock is off by offset and drifts; delays are random.
func sim(seed int64, n int, offset, drift float64, fate func(t float64, k int) string, base func(t float64) (sends, lives bool)) *link {
	rng := rand.New(rand.NewSource(seed))
	l := &link{}
	arp := geodesy.LLA{Lat: 0.8, Lon: 0.2, H: 100}.ECEF()
	for i := range n {
		t := 1e9 + float64(i)
		sends, lives := true, true
		if base != nil {
			sends, lives = base(float64(i))
		}
		if lives {
			l.base.Living(t + 0.9)
		}
		if !sends {
			continue
		}
		obs := make([]byte, 120)
		rng.Read(obs)
		obs[0], obs[1] = 1077>>4, 1077&15<<4
		frames := [][]byte{rtcm.Frame(obs)}
		if i%5 == 0 { // the same bytes each time
			frames = append(frames, rtcm.EncodeBase(1005, 7, arp, 0))
		}
		for k, f := range frames {
			at := t + 0.01*float64(k)
			l.base.Bytes(at, f)
			delay := 0.08 + 0.02*float64(k) + rng.ExpFloat64()*0.01
			host := at + offset + drift*(at-1e9) + delay
			switch fate(float64(i), k) {
			case "lost":
			case "bytes":
				b := append([]byte(nil), f...)
				b[20] ^= 0x55
				l.car.Bytes(host, b)
			default:
				l.car.Bytes(host, f)
			}
		}
	}
	return l
}

// Every frame's fate comes back, by clocks hours apart that drift 80 ppm.
func TestJoin(t *testing.T) {
	for seed := range int64(20) {
		rng := rand.New(rand.NewSource(100 + seed))
		fates := map[[2]int]string{}
		l := sim(seed, 600, -7300+3*float64(seed), 80e-6, func(t float64, k int) string {
			f := ""
			switch x := rng.Float64(); {
			case t > 300 && t < 320, x < 0.03:
				f = "lost"
			case x < 0.06:
				f = "bytes"
			}
			fates[[2]int{int(t), k}] = f
			return f
		}, nil)
		j, err := Join(&l.base, &l.car)
		if err != nil {
			t.Fatal(err)
		}
		wrong, n := 0, 0
		for _, p := range j.Passages {
			i := int(math.Floor(p.Sent.T - 1e9))
			k := 0
			if p.Sent.Number == 1005 {
				k = 1
			}
			n++
			want := map[string]Fate{"": Received, "lost": Lost, "bytes": Damaged}[fates[[2]int{i, k}]]
			if p.Fate != want {
				wrong++
			}
			if (p.Fate == Received) != (p.Delay >= 0 || p.Delay > -early) || p.Fate == Received && p.Delay > 0.2 {
				t.Errorf("seed %d, %d s: delay %.3f s beyond the least", seed, i, p.Delay)
			}
		}
		// Damaged bytes of a frame may be taken for those of a lost one sent with it.
		if wrong > n/100 {
			t.Errorf("seed %d: %d of %d fates wrong", seed, wrong, n)
		}
		if j.Foreign != 0 || math.Abs(j.Usual-1) > 0.05 {
			t.Errorf("seed %d: %d foreign frames, usual %.2f s", seed, j.Foreign, j.Usual)
		}
	}
}

// Records of two different links are refused.
func TestJoinApart(t *testing.T) {
	whole := func(float64, int) string { return "" }
	a, b := sim(1, 60, 0, 0, whole, nil), sim(2, 60, 0, 0, whole, nil)
	if _, err := Join(&a.base, &b.car); !errors.Is(err, errApart) {
		t.Errorf("%v, want errApart", err)
	}
	if _, err := Join(&Record{}, &b.car); err == nil {
		t.Error("a base that sent nothing is joined")
	}
	if _, err := Join(&a.base, &Record{}); err == nil {
		t.Error("a car that heard nothing is joined")
	}
}

// What the base's end shows of a silence from 200 to 212 s.
func TestBetween(t *testing.T) {
	within := func(t float64) bool { return t >= 200 && t < 212 }
	lost := func(t float64, _ int) string {
		if within(t) {
			return "lost"
		}
		return ""
	}
	whole := func(float64, int) string { return "" }
	for name, tt := range map[string]struct {
		fate func(float64, int) string
		base func(float64) (bool, bool)
		want Finding
	}{
		"sent and lost":         {lost, nil, Open},
		"receiver stopped":      {whole, func(t float64) (bool, bool) { return !within(t), true }, ReceiverStopped},
		"computer stopped":      {whole, func(t float64) (bool, bool) { return !within(t), !within(t) }, ComputerStopped},
		"record without an end": {whole, func(t float64) (bool, bool) { return t < 200, t < 200 }, ComputerStopped},
	} {
		l := sim(3, 400, 50, 0, tt.fate, tt.base)
		j, err := Join(&l.base, &l.car)
		if err != nil {
			t.Fatal(name, err)
		}
		from := 1e9 + 50 + 0.08
		e := Evidence{Span: j.Between(from+199.5, from+211.5), Margin: math.NaN()}
		if got := Decide(&e); got != tt.want {
			t.Errorf("%s: %v, want %v (%+v)", name, got, tt.want, e)
		}
	}
	// A record that a person ended says nothing of what came after it.
	l := sim(3, 200, 50, 0, whole, nil)
	l.base.Ended = true
	j, _ := Join(&l.base, &l.car)
	if s := j.Between(1e9+50+210, 1e9+50+220); s.Covered {
		t.Errorf("covered after its end: %+v", s)
	}
}

// What tells the way through the air from the car's radio.
func TestDecide(t *testing.T) {
	sent := Span{Count: Count{Sent: 20, Lost: 20}, Length: 10, Silent: 1, Lifeless: 1, Covered: true}
	nan := math.NaN()
	for name, tt := range map[string]struct {
		e    Evidence
		want Finding
	}{
		"nothing more":         {Evidence{Span: sent, Margin: nan}, Open},
		"lost there each lap":  {Evidence{Span: sent, Margin: nan, NPass: 3, Passes: Count{Sent: 30, Lost: 20, Received: 10}}, PathLost},
		"whole there each lap": {Evidence{Span: sent, Margin: nan, NPass: 3, Passes: Count{Sent: 30, Received: 30}}, RadioFailed},
		"one other pass":       {Evidence{Span: sent, Margin: nan, NPass: 1, Passes: Count{Sent: 10, Received: 10}}, Open},
		"it faded":             {Evidence{Span: sent, Margin: nan, Edges: Count{Sent: 20, Lost: 4, Damaged: 4, Received: 12}}, PathLost},
		"a radio that always loses": {Evidence{Span: sent, Margin: nan, Edges: Count{Sent: 20, Lost: 8, Received: 12},
			Rest: Count{Sent: 400, Lost: 150, Received: 250}}, Open},
		"beyond its range":      {Evidence{Span: sent, Margin: -3}, PathLost},
		"near and in sight":     {Evidence{Span: sent, Margin: 40, Sight: true}, RadioFailed},
		"near, low over ground": {Evidence{Span: sent, Margin: 40}, Open},
		"half of it came":       {Evidence{Span: Span{Count: Count{Sent: 20, Received: 12, Lost: 8}, Length: 10, Silent: 1, Lifeless: 1, Covered: true}, Margin: -3}, Open},
		"not covered":           {Evidence{Span: Span{Count: sent.Count, Length: 10}, Margin: -3}, Open},
		"silent, no marks":      {Evidence{Span: Span{Length: 10, Silent: 10, Lifeless: nan, Covered: true}, Margin: nan}, Open},
	} {
		if got := Decide(&tt.e); got != tt.want {
			t.Errorf("%s: %v, want %v", name, got, tt.want)
		}
	}
}

// Recommendation ITU-R P.526-8, equations 2 and 3: the practical form equals the
// geometric one, sqrt(lambda d1 d2 / (d1 + d2)), within its rounded constant.
func TestFresnel(t *testing.T) {
	for _, f := range []float64{433, 868, 2400} {
		lambda := 299.792458 / f
		for _, d := range [][2]float64{{10, 10}, {150, 350}, {2000, 3000}} {
			want := math.Sqrt(lambda * d[0] * d[1] / (d[0] + d[1]))
			if got := fresnel(f, d[0], d[1]); math.Abs(got/want-1) > 0.006 {
				t.Errorf("%g MHz, %g and %g m: %.3f m, want %.3f", f, d[0], d[1], got, want)
			}
		}
	}
	// The form of P.525 against (4 pi d / lambda)^2, which defines it.
	for _, d := range []float64{100, 1000, 20000} {
		want := 20 * math.Log10(4*math.Pi*d*868e6/299792458)
		if got := freeSpace(868, d); math.Abs(got-want) > 0.06 {
			t.Errorf("%g m: %.2f dB, want %.2f", d, got, want)
		}
	}
}

// The further, the lower the margin; a higher antenna reaches further.
func TestBudget(t *testing.T) {
	r := Radio{MHz: 868, PowerDBm: 14, Gains: 2, FloorDBm: -105, Base: 2, Car: 1}
	last := math.Inf(1)
	for d := 10.0; d < 5000; d *= 1.2 {
		m, _ := r.Budget(d)
		if !(m <= last+1e-9) {
			t.Errorf("%.0f m: margin %.1f dB, nearer %.1f", d, m, last)
		}
		last = m
	}
	high := r
	high.Base = 6
	if a, b := r.Reach(), high.Reach(); !(b > 1.5*a) {
		t.Errorf("in sight up to %.0f m from 2 m, %.0f m from 6 m", a, b)
	}
	// Midway at the reach, the straight line is 0.6 of the zone above the ground or less
	// by no more than the search.
	d := r.Reach()
	if h, z := 1.5, 0.6*fresnel(868, d/2, d/2); z > 1.1*h {
		t.Errorf("at %.0f m the zone is %.2f m, the line %.2f m up", d, z, h)
	}
	if m, _ := (&Radio{}).Budget(100); !math.IsNaN(m) {
		t.Error("a budget from nothing")
	}
}
