package course

import (
	"math"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
)

// What was learned of a lap in one session is expected in the next, whose frame
// begins elsewhere; the text in between holds it to a millimetre.
func TestMemory(t *testing.T) {
	const length = 2 * math.Pi * 100
	height := func(e float64) float64 { return 5 + 0.02*e }
	first := geodesy.NewFrame(origin)
	var heights Heights
	var path Path
	for lap := range 3 {
		for s := 0.0; s < length; s += 0.5 {
			sin, cos := math.Sincos(s / 100)
			e := 100 * cos
			heights.Learn(geodesy.ENU{E: e, N: 100 * sin, U: height(e) + 0.02*float64(lap-1)}, float64(lap)*60+s/12)
			path.Learn(&Place{OK: true, S: s, Cross: 1 + 0.1*float64(lap-1), HalfWidth: 3}, length, lap)
		}
	}
	k := Memory{Map: "ring", Base: geodesy.ECEF{X: 4.1e6, Y: -1.4e6, Z: 4.6e6}}
	heights.Keep(&k, &first)
	path.Keep(&k, length)
	got, err := ParseMemory(k.Text())
	if err != nil {
		t.Fatal(err)
	}
	if got.Map != k.Map || got.Base != k.Base || len(got.Heights) != len(k.Heights) || len(got.Path) != len(k.Path) {
		t.Fatalf("read back %+v", got)
	}
	second := geodesy.NewFrame(first.ToLLA(geodesy.ENU{E: 30, N: -12, U: 4}))
	var h2 Heights
	var p2 Path
	h2.Recall(got, &second)
	p2.Recall(got, length)
	for a := 0.1; a < 6; a += 0.7 {
		sin, cos := math.Sincos(a)
		at := second.FromLLA(first.ToLLA(geodesy.ENU{E: 100 * cos, N: 100 * sin, U: height(100 * cos)}))
		h, sigma, ok := h2.At(at)
		if !ok || math.Abs(h-at.U) > 0.03 || !(sigma > 0.02 && sigma < 0.2) {
			t.Errorf("angle %.1f: height off by %.3f ± %.3f m, %v", a, h-at.U, sigma, ok)
		}
		cross, s, ok := p2.Expect(&Place{OK: true, S: 100 * a, HalfWidth: 3}, length)
		if !ok || math.Abs(cross-1) > 0.05 || !(s >= pathLeast && s < 1) {
			t.Errorf("angle %.1f: path at %.2f ± %.2f m, %v", a, cross, s, ok)
		}
	}
}

// A file that is damaged, or says too little, is refused in words.
func TestParseMemory_Refused(t *testing.T) {
	good := (&Memory{Map: "a", Base: geodesy.ECEF{X: 1, Y: 2, Z: 3}, Heights: []MemoryHeight{{geodesy.LLA{Lat: 0.8, Lon: -0.3, H: 50}, 3}}, Path: []MemoryPath{{10, 1, 2}}}).Text()
	if _, err := ParseMemory(good); err != nil {
		t.Fatal(err)
	}
	for was, is := range map[string]string{
		good:                 "",
		`"map":"a"`:          `"map":""`,
		`[1,2,3]`:            `[0,0,0]`,
		`50,3]`:              `50,0]`,
		`[10,1,2]`:           `[-10,1,2]`,
		`[10,1,2`:            `[10,1e9,2`,
		`height_spread_m":0`: `height_spread_m":-1`,
	} {
		bad := strings.Replace(good, was, is, 1)
		if bad == good {
			t.Fatalf("%s: nothing replaced in %s", was, good)
		}
		if q, err := ParseMemory(bad); err == nil {
			t.Errorf("%s is read as %+v", bad, q)
		}
	}
}
