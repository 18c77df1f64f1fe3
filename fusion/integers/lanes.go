package integers

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/satellite"
)

// Far from the base the ionosphere leaves single carriers open, and with them their
// integers; wide lanes and other combinations can be decided all the same, and place
// the rover to centimetres: enough to judge a fix.
const (
	lanesFrom    = 6000. // m of baseline, below which all integers can be told apart
	lanesFailure = 1e-3  // at which bootstrapping of the combinations may fail
)

// byLanes places the rover by the combinations of ambiguities that can be decided.
func (c *Checker) byLanes() Reason {
	r := &c.result
	if r.Baseline < lanesFrom {
		return Undecided
	}
	c.reference(satellite.ID{})
	x, p, why := c.estimate()
	if why != Decided {
		return why
	}
	part := &c.part
	if err := part.Decide(c.a, c.q, lanesFailure); err != nil || !part.Accepted() {
		return Undecided
	}
	// What the ambiguities say of the place: cov(x, a)·inv(Q).
	n := len(c.a)
	if !c.invert(n) {
		return Undecided
	}
	for k := range 3 {
		c.w[k] = append(c.w[k][:0], zeros[:n]...)
		for i := range n {
			for j := range n {
				c.w[k][i] += c.inv[i*n+j] * c.cross(j, k, &p)
			}
		}
	}
	sats := 0
	for i, at := range c.at {
		if i == 0 || c.items[at].sat != c.items[c.at[i-1]].sat {
			sats++
		}
		for k := range 3 {
			x[k] += c.w[k][i] * (part.A[i] - c.a[i])
		}
	}
	for k := range 3 {
		for l := range 3 {
			v := p[k][l] + part.Left(c.w[k], c.w[l])
			for i := range n {
				v -= c.w[k][i] * c.cross(i, l, &p)
			}
			r.Cov[k][l] = v
		}
	}
	if !(math.Max(r.Cov[0][0], r.Cov[1][1]) <= bluntest*bluntest) {
		return Undecided
	}
	r.Lanes, r.Satellites, r.Signals, r.LeftOut = part.N, sats, n, 0
	r.Failure, r.Ratio, r.Limit = part.Failure, part.Ratio, 1
	r.Position = c.frame.ToECEF(geodesy.ENU{E: x[0], N: x[1], U: x[2]})
	return Decided
}

// zeros are to grow a slice by.
var zeros [maxSignals]float64

// cross is the covariance of axis k of the code's place and ambiguity i.
func (c *Checker) cross(i, k int, p *[3][3]float64) (v float64) {
	it := &c.items[c.at[i]]
	ref := &c.items[c.groups[it.group].ref]
	for j := range 3 {
		v += p[k][j] * (it.u[j] - ref.u[j])
	}
	return v / it.wave
}

// invert sets inv to the inverse of q, by Cholesky's decomposition.
func (c *Checker) invert(n int) bool {
	if cap(c.inv) < n*n {
		c.inv, c.chol = make([]float64, maxSignals*maxSignals), make([]float64, maxSignals*maxSignals)
	}
	c.inv, c.chol = c.inv[:n*n], c.chol[:n*n]
	return inverse(c.q, c.chol, c.inv, n)
}

// inverse sets inv to the inverse of the symmetric matrix q of n rows; l is work space.
func inverse(q, l, inv []float64, n int) bool {
	for i := range n {
		for j := range i + 1 {
			sum := q[i*n+j]
			for k := range j {
				sum -= l[i*n+k] * l[j*n+k]
			}
			if i != j {
				l[i*n+j] = sum / l[j*n+j]
				continue
			}
			if !(sum > 1e-13*q[i*n+i]) {
				return false
			}
			l[i*n+i] = math.Sqrt(sum)
		}
	}
	for i := range n { // the inverse of L
		l[i*n+i] = 1 / l[i*n+i]
		for j := range i {
			sum := 0.0
			for k := j; k < i; k++ {
				sum -= l[i*n+k] * l[k*n+j]
			}
			l[i*n+j] = sum * l[i*n+i]
		}
	}
	for i := range n {
		for j := range i + 1 {
			sum := 0.0
			for k := i; k < n; k++ {
				sum += l[k*n+i] * l[k*n+j]
			}
			inv[i*n+j], inv[j*n+i] = sum, sum
		}
	}
	return true
}
