package course

import (
	"math"
	"testing"
)

// A car is expected where it drove on earlier laps, give or take their spread; on
// the first lap anywhere between the edges, and nowhere without any.
func TestPath(t *testing.T) {
	var q Path
	at := func(s, cross float64) *Place { return &Place{OK: true, S: s, Cross: cross, HalfWidth: 3} }
	if c, s, ok := q.Expect(at(100, 0), 400); !ok || c != 0 || !(math.Abs(s-3/math.Sqrt(3)) < 1e-12) {
		t.Errorf("before the first lap %.2f ± %.2f m, %v; want anywhere within 3 m", c, s, ok)
	}
	for lap := range 6 {
		for s := 0.0; s < 400; s += 0.5 {
			q.Learn(at(s, 1+0.5*math.Pow(-1, float64(lap))), 400, lap)
		}
	}
	if c, s, ok := q.Expect(at(100, 0), 400); !ok || !(math.Abs(c-1) < 0.1) || !(s > 0.5 && s < 1.2) {
		t.Errorf("after six laps half a metre to either side of 1 m: %.2f ± %.2f m, %v", c, s, ok)
	}
	q = Path{}
	for lap := range 3 {
		q.Learn(at(100, 1), 400, lap)
	}
	if _, s, _ := q.Expect(at(100, 0), 400); !(s >= pathLeast) {
		t.Errorf("%.2f m after laps all alike, want %.2f at least", s, pathLeast)
	}
	if _, _, ok := q.Expect(&Place{}, 400); ok {
		t.Error("expected beside the course")
	}
	if _, _, ok := q.Expect(&Place{OK: true, S: 300, HalfWidth: math.NaN()}, 400); ok {
		t.Error("expected between edges that nobody gave")
	}
}
