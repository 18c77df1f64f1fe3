package smooth

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
)

// A constant-velocity model in one axis, measured in position: the smoother
// equals weighted least squares over all unknowns at once, estimate and
// covariance (a fixed-interval smoother of a linear Gaussian model is its
// maximum-likelihood trajectory).
func TestChain_BatchLeastSquares(t *testing.T) {
	const (
		steps = 30
		dt    = 0.1
		q     = 0.8  // (m/s^2)^2 s
		r     = 0.04 // m^2
	)
	// Van Loan for the model: Q = q[[dt^3/3, dt^2/2], [dt^2/2, dt]].
	Q := [2][2]float64{{q * dt * dt * dt / 3, q * dt * dt / 2}, {q * dt * dt / 2, q * dt}}
	P0 := [2]float64{4, 9}
	rnd := rand.New(rand.NewPCG(1, 2))
	z := make([]float64, steps)
	for i := range z {
		z[i] = 2*float64(i)*dt + math.Sin(float64(i)*0.3) + 0.2*rnd.NormFloat64()
	}
	seen := func(i int) bool { return i < 8 || i > 20 } // a gap

	// Filter forward, in the places of position and velocity east.
	const ip, iv = eskf.IPos, eskf.IVel
	var x [2]float64
	P := [2][2]float64{{P0[0], 0}, {0, P0[1]}}
	var nodes []node
	filtered := make([][2]float64, steps)
	for i := range steps {
		var nd node
		for k := range n {
			nd.phi[k][k] = 1
		}
		if i > 0 {
			nd.phi[ip][iv] = dt
			x[0] += dt * x[1]
			a, b, d := P[0][0], P[0][1], P[1][1]
			P = [2][2]float64{{a + 2*dt*b + dt*dt*d + Q[0][0], b + dt*d + Q[0][1]}, {b + dt*d + Q[0][1], d + Q[1][1]}}
		}
		if seen(i) {
			var u update
			s := P[0][0] + r
			u.n, u.y[0], u.si[0][0] = 1, z[i]-x[0], 1/s
			u.h[0][ip] = 1
			u.k[0][ip], u.k[0][iv] = P[0][0]/s, P[0][1]/s
			x[0] += u.k[0][ip] * u.y[0]
			x[1] += u.k[0][iv] * u.y[0]
			a, b, d := P[0][0], P[0][1], P[1][1]
			P = [2][2]float64{{a * r / s, b * r / s}, {b * r / s, d - b*b/s}}
			nd.ups = append(nd.ups, u)
		}
		var m matrix
		m[ip][ip], m[ip][iv], m[iv][ip], m[iv][iv] = P[0][0], P[0][1], P[0][1], P[1][1]
		nd.p = pack(&m)
		filtered[i] = x
		nodes = append(nodes, nd)
	}

	// All at once: normal equations over 2·steps unknowns.
	A := mat.NewDense(2*steps, 2*steps, nil)
	b := mat.NewVecDense(2*steps, nil)
	add := func(i, j int, v float64) { A.Set(i, j, A.At(i, j)+v) }
	add(0, 0, 1/P0[0])
	add(1, 1, 1/P0[1])
	det := Q[0][0]*Q[1][1] - Q[0][1]*Q[0][1]
	W := [2][2]float64{{Q[1][1] / det, -Q[0][1] / det}, {-Q[0][1] / det, Q[0][0] / det}}
	for i := range steps {
		if seen(i) {
			add(2*i, 2*i, 1/r)
			b.SetVec(2*i, b.AtVec(2*i)+z[i]/r)
		}
		if i == 0 {
			continue
		}
		// e = x_i - F·x_{i-1}, J = [-F, I].
		J := [2][4]float64{{-1, -dt, 1, 0}, {0, -1, 0, 1}}
		for r := range 4 {
			for c := range 4 {
				var v float64
				for k := range 2 {
					for l := range 2 {
						v += J[k][r] * W[k][l] * J[l][c]
					}
				}
				add(2*(i-1)+r, 2*(i-1)+c, v)
			}
		}
	}
	var want mat.VecDense
	if err := want.SolveVec(A, b); err != nil {
		t.Fatal(err)
	}
	var cov mat.Dense
	if err := cov.Inverse(A); err != nil {
		t.Fatal(err)
	}
	backward(nodes, func(i int, dx *vector, c *matrix) {
		for k, s := range [2]int{ip, iv} {
			if got := filtered[i][k] + dx[s]; math.Abs(got-want.AtVec(2*i+k)) > 1e-9 {
				t.Errorf("node %d, state %d: %.12f, want %.12f", i, k, got, want.AtVec(2*i+k))
			}
			if got, w := c[s][s], cov.At(2*i+k, 2*i+k); math.Abs(got-w) > 1e-9*w {
				t.Errorf("node %d, state %d: variance %.12g, want %.12g", i, k, got, w)
			}
		}
	})
}

// The transition read off the filter carries a covariance as the filter does,
// and is the identity where no sample waits.
func TestTransition_CarriesLikeTheFilter(t *testing.T) {
	f := eskf.Filter{Params: eskf.Params{GyroNoise: 1e-4, AccNoise: 1e-3, GyroWalk: 1e-5, AccWalk: 2e-4, CorrTime: 10, CorrSigmaH: 0.02, CorrSigmaV: 0.03, Gravity: 9.81, CovEvery: 1000}}
	s := eskf.Sigmas{PosH: 1, PosV: 2, Vel: 0.3, Tilt: 0.01, Yaw: 0.1, GyroBias: 0.01, AccBias: 0.1, WheelScale: 0.01, Slip: 0.006, Latency: 0.04}
	f.InitMoving(0, r3.Vec{}, r3.Vec{X: 10}, 0.01, 0.02, 0.3, s)
	one := transition(&f)
	for i := range n {
		for j := range n {
			if want := map[bool]float64{true: 1}[i == j]; one[i][j] != want {
				t.Fatalf("no sample: phi[%d][%d] = %g, want %g", i, j, one[i][j], want)
			}
		}
	}
	for range 20 {
		f.Predict(r3.Vec{X: 0.02, Y: -0.01, Z: 0.6}, r3.Vec{X: 1, Y: 5, Z: 9.8}, 0.005)
	}
	phi := transition(&f)
	g := f
	g.P = [n][n]float64{}
	g.Flush()
	noise := g.P
	before := matrix{}
	for i := range n {
		before[i] = f.P[i]
	}
	f.Flush()
	x := mul(&phi, &before)
	for i := range n {
		for j := range n {
			var v float64
			for k := range n {
				v += x[i][k] * phi[j][k]
			}
			v += noise[i][j]
			if d := math.Abs(v - f.P[i][j]); d > 1e-10*math.Sqrt(f.P[i][i]*f.P[j][j]) {
				t.Errorf("P[%d][%d] = %.12g, filter %.12g", i, j, v, f.P[i][j])
			}
		}
	}
	if phi[eskf.IPos][eskf.IVel] < 0.0999 || phi[eskf.ICorr][eskf.ICorr] != math.Exp(-0.01) && math.Abs(phi[eskf.ICorr][eskf.ICorr]-math.Exp(-0.01)) > 1e-12 {
		t.Errorf("phi: position over velocity %.6f s, correlated error %.6f, want 0.1 s and exp(-0.01)", phi[0][3], phi[eskf.ICorr][eskf.ICorr])
	}
}
