package calibrate

import "math"

// AllanPoint is one point of an Allan deviation curve.
type AllanPoint struct {
	Tau float64 // s, averaging time
	Dev float64 // overlapping Allan deviation, in the unit of the samples
	EDF float64 // equivalent degrees of freedom of Dev²
}

// runs is one signal in several unbroken stretches of equally spaced samples.
type runs [][]float64

// oadev returns the overlapping Allan deviation over m samples and the number
// of second differences behind it, which is 0 where no stretch is long enough.
// With x the running sum of the samples (NIST SP 1065, Riley 2008):
//
//	σ²(m·τ0) = ⟨(x[i+2m] - 2x[i+m] + x[i])²⟩ / (2·m²)
//
// Stretches are pooled: their differences are averaged together.
func (r runs) oadev(m int) (dev float64, n int) {
	sum := 0.0
	for _, y := range r {
		if len(y) < 2*m {
			continue
		}
		d := 0.0 // x[i+2m] - 2x[i+m] + x[i]
		for i := range m {
			d += y[m+i] - y[i]
		}
		sum += d * d
		for i := 0; i+2*m < len(y); i++ {
			d += y[i+2*m] - 2*y[i+m] + y[i]
			sum += d * d
		}
		n += len(y) - 2*m + 1
	}
	if n == 0 {
		return math.NaN(), 0
	}
	return math.Sqrt(sum/float64(n)) / (math.Sqrt2 * float64(m)), n
}

// perOctave is how many averaging times there are to a factor of two.
const perOctave = 2

// curve returns the deviation at averaging times from one sample to a third of
// the longest stretch. tau0 is the sampling interval, s.
func (r runs) curve(tau0 float64) []AllanPoint {
	longest := 0
	for _, y := range r {
		longest = max(longest, len(y))
	}
	var out []AllanPoint
	last := 0
	for k := 0; ; k++ {
		m := int(math.Round(math.Pow(2, float64(k)/perOctave)))
		if 3*m > longest {
			return out
		}
		if m == last {
			continue
		}
		last = m
		if dev, n := r.oadev(m); n > 0 {
			out = append(out, AllanPoint{Tau: float64(m) * tau0, Dev: dev, EDF: r.edf(m)})
		}
	}
}

// edf returns the equivalent degrees of freedom of oadev(m)², summed over the
// stretches: the simple formulae of Stein 1985 as in allantools (ci.py,
// edf_simple), for white noise of single samples and for flicker noise beyond,
// which has the fewer.
func (r runs) edf(m int) float64 {
	sum := 0.0
	for _, y := range r {
		if len(y) < 2*m {
			continue
		}
		n, q := float64(len(y)+1), float64(m) // phase points
		if m == 1 {
			sum += math.Max(1, (1.5*(n-1)-2*(n-2)/n)*4/9)
		} else {
			sum += math.Max(1, 5*n*n/(4*q*(n+3*q)))
		}
	}
	return sum
}
