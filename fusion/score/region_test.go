package score

import "testing"

func TestDiagramCell(t *testing.T) {
	for _, r := range []struct {
		x    float64
		want int
	}{{0, 0}, {0.03, 0}, {1.0 / 32, 1}, {1, 32}, {1.97, 63}, {50, 63}} {
		if got := diagramCell(r.x); got != r.want {
			t.Errorf("diagramCell(%g) = %d, want %d", r.x, got, r.want)
		}
	}
}
