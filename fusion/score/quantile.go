package score

import (
	"math"
	"sort"
)

// spread counts positive values in logarithmic bins of 1.16 %: quantiles of
// any number of values in fixed memory.
type spread struct {
	n    int
	bins [1600]uint32 // 1e-5 to 1e3, 200 a decade; the ends take all beyond
}

func (s *spread) add(v float64) {
	if math.IsNaN(v) {
		return
	}
	i := 0
	if v > 1e-5 {
		i = min(int(200*(math.Log10(v)+5)), len(s.bins)-1)
	}
	s.bins[i]++
	s.n++
}

// quantile returns the middle of the bin that holds quantile q, NaN when there
// are no values.
func (s *spread) quantile(q float64) float64 {
	if s.n == 0 {
		return math.NaN()
	}
	want := q * float64(s.n)
	var sum float64
	for i, c := range s.bins {
		sum += float64(c)
		if c > 0 && sum >= want {
			return math.Pow(10, (float64(i)+0.5)/200-5)
		}
	}
	return math.NaN()
}

func (s *spread) merge(o *spread) {
	s.n += o.n
	for i := range s.bins {
		s.bins[i] += o.bins[i]
	}
}

// Quantile returns the nearest-rank quantile q of x, NaN when it is empty; x
// is sorted in place.
func Quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	sort.Float64s(x)
	i := int(math.Ceil(q*float64(len(x)))) - 1
	return x[max(0, min(i, len(x)-1))]
}
