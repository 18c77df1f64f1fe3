package carrier

import "math"

const (
	maxSats   = 64
	maxGroups = 12 // clocks of the receiver: one for each system and carrier
	maxDim    = 3 + maxGroups + 1
)

// link is a satellite in one solution: one or two carriers with a difference of
// their phases in m.
type link struct {
	sat      int // place in Path.sats
	u        [3]float64
	carriers int        // as observed
	clock    [2]int     // of each carrier
	place    [2]int     // of each in body.tracks
	diff     [2]float64 // m, difference less the model at the linearization point
	cov      [3]float64 // 11, 12, 22
	delay    [2]float64 // of each, for a metre of ionosphere at the zenith on L1
	out      bool       // left out
	bad      [2]bool    // carriers left out

	// In the solution: without a carrier whose clock would serve it alone.
	m  int
	is [2]int // carrier of each row
	g  [2]int
	z  [2]float64
	r  [3]float64

	res [2]float64 // residual
	gm  [3][2]float64
	mi  [3]float64 // inverse of covariance less its part in the solution
	ok  bool       // the solution exists without this satellite
}

// solution is a displacement from the linearization point.
type solution struct {
	x    [3]float64
	p    [3][3]float64
	used int
	left int
	dof  int
	chi2 float64
	// Separation, by place of the satellite in Path.sats, and the worst of all.
	by        [maxSats]fault
	bias, sub [2]float64
}

// fault is what one faulty satellite may do: how far apart the solution and the one
// without it are, and the variance of the latter; horizontally and up.
type fault struct{ bias, v [2]float64 }

// worst finds the satellite whose fault would do most.
func (s *solution) worst() {
	var worst [2]float64
	for i := range s.by {
		f := &s.by[i]
		for a := range 2 {
			sub := math.Sqrt(f.v[a])
			if l := f.bias[a] + Missed*inflation*sub; l > worst[a] {
				worst[a], s.bias[a], s.sub[a] = l, f.bias[a], sub
			}
		}
	}
}

// solver is the work space.
type solver struct {
	dim    int
	active [maxGroups]int // column of each clock, -1 if unused
	air    int            // column of the ionosphere's change that all directions share
	prior  float64        // m^2, of that change at the zenith
	n      [maxDim][maxDim]float64
	l      [maxDim][maxDim]float64
	p      [maxDim][maxDim]float64
	b, x   [maxDim]float64
}

// Thresholds on normalized residuals: chi-square of one and two degrees of freedom at
// 1e-6 where the arcs end that fail, some thirty being tested each epoch, and at
// 1e-4 where a satellite is left out: a clock or a piece of the ionosphere worse than the
// others' costs more than a good satellite less.
var (
	slipTest    = [3]float64{0, 23.93, 27.63}
	outlierTest = [3]float64{0, 15.14, 18.42}
)

// solve estimates the displacement and the clocks from the links that are not out.
func (s *solver) solve(links []link) (sol solution, ok bool) {
	s.columns(links)
	for i := range s.dim {
		s.b[i] = 0
		for j := range i + 1 {
			s.n[i][j] = 0
		}
	}
	s.n[s.air][s.air] = 1 / s.prior
	rows := 1
	for i := range links {
		if k := &links[i]; k.m > 0 {
			s.add(k)
			rows += k.m
			sol.used++
		}
	}
	sol.dof = rows - s.dim
	if sol.dof < 0 || sol.used < 4 || !s.invert() {
		return sol, false
	}
	for i := range s.dim {
		sum := 0.0
		for j := range s.dim {
			sum += s.p[i][j] * s.b[j]
		}
		s.x[i] = sum
	}
	copy(sol.x[:], s.x[:3])
	for i := range 3 {
		copy(sol.p[i][:], s.p[i][:3])
	}
	for i := range links {
		k := &links[i]
		if k.ok = false; k.m > 0 {
			s.residual(k)
			sol.chi2 += quad2(inverse2(k.r, k.m), k.res, k.m)
		}
	}
	return sol, true
}

// columns gives each clock in use a column after the three of the displacement.
func (s *solver) columns(links []link) {
	var count [maxGroups]int
	for i := range links {
		if k := &links[i]; !k.out {
			for j := range k.carriers {
				if !k.bad[j] {
					count[k.clock[j]]++
				}
			}
		}
	}
	s.dim = 3
	for g, n := range count {
		if s.active[g] = -1; n > 1 {
			s.active[g] = s.dim
			s.dim++
		}
	}
	s.air = s.dim
	s.dim++
	for i := range links {
		k := &links[i]
		k.m = 0
		for j := range k.carriers {
			if k.out || k.bad[j] || s.active[k.clock[j]] < 0 {
				continue
			}
			k.is[k.m] = j
			k.g[k.m], k.z[k.m] = k.clock[j], k.diff[j]
			k.r[2*k.m], k.r[1] = k.cov[2*j], k.cov[1]
			k.m++
		}
	}
}

// row is one carrier's equation: its columns and their coefficients.
type row struct {
	at [maxRow]int
	c  [maxRow]float64
}

const maxRow = 5 // displacement, clock, ionosphere

// row is that of carrier j: -u·x + clock - delay·air = z.
func (s *solver) row(k *link, j int) (r row) {
	r.at = [maxRow]int{0, 1, 2, s.active[k.g[j]], s.air}
	r.c = [maxRow]float64{-k.u[0], -k.u[1], -k.u[2], 1, -k.delay[k.is[j]]}
	return r
}

// add accumulates one satellite.
func (s *solver) add(k *link) {
	w := inverse2(k.r, k.m)
	rows := [2]row{s.row(k, 0)}
	wz := [2]float64{w[0] * k.z[0]}
	if k.m == 2 {
		rows[1] = s.row(k, 1)
		wz = [2]float64{w[0]*k.z[0] + w[1]*k.z[1], w[1]*k.z[0] + w[2]*k.z[1]}
	}
	for i := range k.m {
		for x, at := range rows[i].at {
			s.b[at] += rows[i].c[x] * wz[i]
		}
		for j := range k.m {
			f := w[i+j]
			for x, at := range rows[i].at {
				c := f * rows[i].c[x]
				for y, to := range rows[j].at {
					if to <= at {
						s.n[at][to] += c * rows[j].c[y]
					}
				}
			}
		}
	}
}

// invert sets p to the inverse of n.
func (s *solver) invert() bool {
	n := s.dim
	for i := range n {
		for j := range i + 1 {
			sum := s.n[i][j]
			for k := range j {
				sum -= s.l[i][k] * s.l[j][k]
			}
			if i == j {
				if !(sum > 1e-9*s.n[i][i]) {
					return false
				}
				s.l[i][i] = math.Sqrt(sum)
			} else {
				s.l[i][j] = sum / s.l[j][j]
			}
		}
	}
	// Inverse of L in place, then its product with itself.
	for i := range n {
		s.l[i][i] = 1 / s.l[i][i]
		for j := range i {
			sum := 0.0
			for k := j; k < i; k++ {
				sum -= s.l[i][k] * s.l[k][j]
			}
			s.l[i][j] = sum * s.l[i][i]
		}
	}
	for i := range n {
		for j := range i + 1 {
			sum := 0.0
			for k := i; k < n; k++ {
				sum += s.l[k][i] * s.l[k][j]
			}
			s.p[i][j], s.p[j][i] = sum, sum
		}
	}
	return true
}

// residual computes what a satellite's differences are off the solution, and what the
// solution without it needs.
func (s *solver) residual(k *link) {
	var rows [2]row
	for j := range k.m {
		rows[j] = s.row(k, j)
		k.res[j] = k.z[j]
		for x, at := range rows[j].at {
			k.res[j] -= rows[j].c[x] * s.x[at]
		}
		for i := range 3 {
			k.gm[i][j] = 0
			for x, at := range rows[j].at {
				k.gm[i][j] += rows[j].c[x] * s.p[i][at]
			}
		}
	}
	apa := func(i, j int) (sum float64) {
		for x, at := range rows[i].at {
			for y, to := range rows[j].at {
				sum += rows[i].c[x] * rows[j].c[y] * s.p[at][to]
			}
		}
		return sum
	}
	m := [3]float64{k.r[0] - apa(0, 0), 0, 0}
	if k.m == 2 {
		m[1], m[2] = k.r[1]-apa(0, 1), k.r[2]-apa(1, 1)
		if !(m[0] > 1e-6*k.r[0]) || !(m[2] > 1e-6*k.r[2]) || !(m[0]*m[2]-m[1]*m[1] > 1e-6*(k.r[0]*k.r[2]-k.r[1]*k.r[1])) {
			return
		}
	} else if !(m[0] > 1e-6*k.r[0]) {
		return
	}
	k.mi = inverse2(m, k.m)
	k.ok = true
}

// statistic is the normalized square of a satellite's residual, chi-square with as
// many degrees of freedom as carriers.
func (k *link) statistic() float64 {
	return quad2(k.mi, k.res, k.m)
}

// blame leaves out the carrier whose residual alone is beyond the limit while the
// other's is small, else the satellite.
func (k *link) blame(limit float64) {
	if k.m == 2 {
		m := inverse2(k.mi, 2) // covariance of the residuals
		a, b := k.res[0]*k.res[0]/m[0], k.res[1]*k.res[1]/m[2]
		switch {
		case a > limit && b < limit/3:
			k.bad[k.is[0]] = true
			return
		case b > limit && a < limit/3:
			k.bad[k.is[1]] = true
			return
		}
	}
	k.out = true
}

// exclude solves, leaving out the satellite with the largest residual as long as
// one is beyond its threshold, most of them at most.
func (s *solver) exclude(links []link, most int, limit *[3]float64) (sol solution, ok bool) {
	left := 0
	for {
		sol, ok = s.solve(links)
		sol.left = left
		if !ok {
			return sol, false
		}
		worst, by := -1, 1.0
		for i := range links {
			if k := &links[i]; k.ok {
				if t := k.statistic() / limit[k.m]; t > by {
					worst, by = i, t
				}
			}
		}
		if worst < 0 {
			return sol, true
		}
		if left == most {
			return sol, false
		}
		links[worst].blame(limit[1])
		left++
	}
}

// separate fills in what one faulty satellite may do. Were one at fault, the solution
// without it would be right, but for its own noise: so the error is at most how far
// apart the two are and that noise.
func (s *solver) separate(links []link, sol *solution) {
	s.eachFault(links, sol, func(k *link) [2]float64 {
		e, n := cross2(k.mi, k.gm[0], k.res, k.m), cross2(k.mi, k.gm[1], k.res, k.m)
		return [2]float64{math.Hypot(e, n), math.Abs(cross2(k.mi, k.gm[2], k.res, k.m))}
	})
}

// foresee is the same for a solution to come: they will be apart by at most what the
// residual test at limit lets pass.
func (s *solver) foresee(links []link, sol *solution, limit *[3]float64) {
	s.eachFault(links, sol, func(k *link) [2]float64 {
		test := math.Sqrt(limit[k.m])
		h := larger(quad2(k.mi, k.gm[0], k.m), cross2(k.mi, k.gm[0], k.gm[1], k.m), quad2(k.mi, k.gm[1], k.m))
		return [2]float64{test * math.Sqrt(h), test * math.Sqrt(quad2(k.mi, k.gm[2], k.m))}
	})
}

// eachFault fills in the solutions without one satellite; apart is how far the
// solution is from the one without it.
func (s *solver) eachFault(links []link, sol *solution, apart func(*link) [2]float64) {
	none := fault{v: [2]float64{larger(sol.p[0][0], sol.p[0][1], sol.p[1][1]), sol.p[2][2]}}
	for i := range sol.by {
		sol.by[i] = none
	}
	for i := range links {
		k := &links[i]
		if k.m == 0 {
			continue
		}
		if !k.ok {
			sol.by[k.sat].bias = [2]float64{math.Inf(1), math.Inf(1)}
			continue
		}
		// Covariance of the separation, which is what the other solution's is larger by.
		ee, nn, en := quad2(k.mi, k.gm[0], k.m), quad2(k.mi, k.gm[1], k.m), cross2(k.mi, k.gm[0], k.gm[1], k.m)
		uu := quad2(k.mi, k.gm[2], k.m)
		sol.by[k.sat] = fault{
			bias: apart(k),
			v:    [2]float64{larger(sol.p[0][0]+ee, sol.p[0][1]+en, sol.p[1][1]+nn), sol.p[2][2] + uu},
		}
	}
	sol.worst()
}

// inverse2 inverts a symmetric matrix of one or two rows, 11, 12, 22.
func inverse2(r [3]float64, m int) [3]float64 {
	if m == 1 {
		return [3]float64{1 / r[0], 0, 0}
	}
	d := 1 / (r[0]*r[2] - r[1]*r[1])
	return [3]float64{r[2] * d, -r[1] * d, r[0] * d}
}

// quad2 is v'·w·v.
func quad2(w [3]float64, v [2]float64, m int) float64 {
	if m == 1 {
		return w[0] * v[0] * v[0]
	}
	return w[0]*v[0]*v[0] + 2*w[1]*v[0]*v[1] + w[2]*v[1]*v[1]
}

// cross2 is a'·w·b.
func cross2(w [3]float64, a, b [2]float64, m int) float64 {
	if m == 1 {
		return w[0] * a[0] * b[0]
	}
	return w[0]*a[0]*b[0] + w[1]*(a[0]*b[1]+a[1]*b[0]) + w[2]*a[1]*b[1]
}

// larger is the larger eigenvalue of a symmetric matrix of two rows.
func larger(a, b, c float64) float64 {
	return (a+c)/2 + math.Hypot((a-c)/2, b)
}
