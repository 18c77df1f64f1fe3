package singlepoint

import "math"

// normal holds the normal equations of a weighted adjustment.
type normal struct {
	n int
	a [maxUnknowns][maxUnknowns]float64 // lower triangle; its factor after solve
	b [maxUnknowns]float64
}

// add brings in the observation of a row with its misclosure in m.
func (m *normal) add(r *row, misclosure float64) {
	w := 1 / r.variance
	h := m.design(r)
	for i := range m.n {
		if h[i] == 0 {
			continue
		}
		m.b[i] += h[i] * w * misclosure
		for k := range i + 1 {
			m.a[i][k] += h[i] * w * h[k]
		}
	}
}

func (m *normal) design(r *row) (h [maxUnknowns]float64) {
	h[0], h[1], h[2] = r.direction[0], r.direction[1], r.direction[2]
	h[r.unknown] = 1
	return h
}

// solve factors a = L L' in place and returns the solution; ok is false where
// the geometry does not determine it.
func (m *normal) solve() (x [maxUnknowns]float64, ok bool) {
	for i := range m.n {
		for k := range i + 1 {
			s := m.a[i][k]
			for j := range k {
				s -= m.a[i][j] * m.a[k][j]
			}
			if i == k {
				if !(s > 1e-12*m.a[i][i]) || !(s > 0) {
					return x, false
				}
				m.a[i][i] = math.Sqrt(s)
			} else {
				m.a[i][k] = s / m.a[k][k]
			}
		}
	}
	x = m.forward(m.b)
	for i := m.n - 1; i >= 0; i-- {
		for k := i + 1; k < m.n; k++ {
			x[i] -= m.a[k][i] * x[k]
		}
		x[i] /= m.a[i][i]
	}
	return x, true
}

// forward solves L y = b.
func (m *normal) forward(b [maxUnknowns]float64) (y [maxUnknowns]float64) {
	for i := range m.n {
		s := b[i]
		for k := range i {
			s -= m.a[i][k] * y[k]
		}
		y[i] = s / m.a[i][i]
	}
	return y
}

// leverage returns the share of a row's observation in its own estimate, after
// solve: 0 for none, 1 where nothing else checks it.
func (m *normal) leverage(r *row) float64 {
	y := m.forward(m.design(r))
	sum := 0.0
	for i := range m.n {
		sum += y[i] * y[i]
	}
	return sum / r.variance
}

// covariance sets that of the position, Earth-fixed, m^2, after solve.
func (m *normal) covariance(cov *[9]float64) {
	var cols [3][maxUnknowns]float64
	for i := range 3 {
		var e [maxUnknowns]float64
		e[i] = 1
		cols[i] = m.forward(e)
	}
	for i := range 3 {
		for k := range 3 {
			sum := 0.0
			for j := range m.n {
				sum += cols[i][j] * cols[k][j]
			}
			cov[3*i+k] = sum
		}
	}
}
