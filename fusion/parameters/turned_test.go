package parameters

import (
	"math"
	"testing"
)

// How far a car has turned is the span of its headings, however they shake and
// wherever they wrap.
func TestTurned(t *testing.T) {
	for _, tt := range []struct {
		name string
		yaw  func(k int) float64
		want float64
	}{
		{"a straight that shakes", func(k int) float64 { return 3 + 0.005*math.Sin(float64(37*k)) }, 0.01},
		{"a quarter turn across the wrap", func(k int) float64 { return math.Remainder(3+math.Pi/2*float64(k)/1000, 2*math.Pi) }, math.Pi / 2},
		{"left and right", func(k int) float64 { return 0.4 * math.Sin(float64(k)/100) }, 0.8},
	} {
		var q turned
		for k := range 1001 {
			q.add(tt.yaw(k))
		}
		if d := q.span(); math.Abs(d-tt.want) > 0.001 {
			t.Errorf("%s: %.4f rad, want %.4f", tt.name, d, tt.want)
		}
	}
}
