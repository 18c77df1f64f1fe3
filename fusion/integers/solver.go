package integers

import "math"

const maxDim = 3 + maxGroups

// solver estimates a position and one clock a group from differences with
// independent errors: z = -u·x + clock.
type solver struct {
	dim    int
	column [maxGroups]int
	n, p   [maxDim][maxDim]float64
	b, x   [maxDim]float64
	l      [maxDim][maxDim]float64
}

func (s *solver) reset(groups int) {
	s.dim = 3
	for g := range groups {
		s.column[g] = -1
	}
	s.n, s.b = [maxDim][maxDim]float64{}, [maxDim]float64{}
}

func (s *solver) add(u [3]float64, group int, z, variance float64) {
	if s.column[group] < 0 {
		s.column[group] = s.dim
		s.dim++
	}
	c, w := s.column[group], 1/variance
	for i := range 3 {
		for j := range i + 1 {
			s.n[i][j] += w * u[i] * u[j]
		}
		s.n[c][i] -= w * u[i]
		s.b[i] -= w * u[i] * z
	}
	s.n[c][c] += w
	s.b[c] += w * z
}

// solve inverts by Cholesky's decomposition.
func (s *solver) solve() bool {
	n := s.dim
	l := &s.l
	for i := range n {
		for j := range i + 1 {
			sum := s.n[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = sum / l[j][j]
				continue
			}
			if !(sum > 1e-9*s.n[i][i]) {
				return false
			}
			l[i][i] = math.Sqrt(sum)
		}
	}
	for i := range n { // the inverse of L
		l[i][i] = 1 / l[i][i]
		for j := range i {
			sum := 0.0
			for k := j; k < i; k++ {
				sum -= l[i][k] * l[k][j]
			}
			l[i][j] = sum * l[i][i]
		}
	}
	for i := range n {
		for j := range i + 1 {
			sum := 0.0
			for k := i; k < n; k++ {
				sum += l[k][i] * l[k][j]
			}
			s.p[i][j], s.p[j][i] = sum, sum
		}
	}
	for i := range n {
		s.x[i] = 0
		for j := range n {
			s.x[i] += s.p[i][j] * s.b[j]
		}
	}
	return true
}

// residual is what a difference is off the solution.
func (s *solver) residual(u [3]float64, group int, z float64) float64 {
	return z + u[0]*s.x[0] + u[1]*s.x[1] + u[2]*s.x[2] - s.x[s.column[group]]
}
