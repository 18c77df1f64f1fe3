package score

import "testing"

// Golden points of the Stanford-ESA integrity diagram (Tossaint et al. 2006,
// from memory), AL = 0.5 m.
func TestRegionOf_Tossaint(t *testing.T) {
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
		if got := RegionOf(r.err, r.pl, 0.5); got != r.want {
			t.Errorf("RegionOf(%g, %g, 0.5) = %v, want %v", r.err, r.pl, got, r.want)
		}
	}
}

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
