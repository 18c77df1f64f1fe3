package smooth

import (
	"math"

	"kerbline/fusion/eskf"
)

const n = eskf.NErr

type (
	vector = [n]float64
	matrix = [n][n]float64
)

// node is one instant at which the filter took observations.
type node struct {
	state eskf.State // after them
	p     packed     // its covariance
	phi   matrix     // transition of the error from the node before; identity for the first
	ups   []update   // in the order taken
}

// update is one observation of up to three scalars as the filter took it.
type update struct {
	n    int
	h, k [3]vector     // rows of H, columns of K
	si   [3][3]float64 // inverse of the innovation covariance
	y    [3]float64    // innovation
}

// packed is the lower triangle of a symmetric matrix.
type packed [n * (n + 1) / 2]float64

func pack(m *matrix) (p packed) {
	k := 0
	for i := range n {
		for j := 0; j <= i; j++ {
			p[k] = m[i][j]
			k++
		}
	}
	return p
}

func (p *packed) matrix() (m matrix) {
	k := 0
	for i := range n {
		for j := 0; j <= i; j++ {
			m[i][j], m[j][i] = p[k], p[k]
			k++
		}
	}
	return m
}

// adjoint is what the future says about the error at one instant: the smoothed
// error is -P·l, its covariance P - P·m·P. Zero at the last node.
type adjoint struct {
	l vector
	m matrix
}

// estimate returns the smoothed error of the state after a node's
// observations, and its covariance.
func (a *adjoint) estimate(p *packed) (dx vector, cov matrix) {
	pm := p.matrix()
	for i := range n {
		for j := range n {
			dx[i] -= pm[i][j] * a.l[j]
		}
	}
	x := mul(&pm, &a.m)
	y := mul(&x, &pm)
	for i := range n {
		for j := range n {
			cov[i][j] = pm[i][j] - 0.5*(y[i][j]+y[j][i])
		}
	}
	return dx, cov
}

// backOver carries the adjoint from after an observation to before it:
//
//	l ← (I-KH)ᵀ·l - Hᵀ·S⁻¹·y
//	m ← (I-KH)ᵀ·m·(I-KH) + Hᵀ·S⁻¹·H
func (a *adjoint) backOver(u *update) {
	var kl [3]float64     // Kᵀ·l
	var mk [3]vector      // m·K
	var kmk [3][3]float64 // Kᵀ·m·K
	for c := range u.n {
		for i := range n {
			kl[c] += u.k[c][i] * a.l[i]
			for j := range n {
				mk[c][i] += a.m[i][j] * u.k[c][j]
			}
		}
	}
	var siy [3]float64
	for c := range u.n {
		for d := range u.n {
			siy[c] += u.si[c][d] * u.y[d]
			for i := range n {
				kmk[c][d] += u.k[c][i] * mk[d][i]
			}
		}
	}
	for i := range n {
		for c := range u.n {
			a.l[i] -= u.h[c][i] * (kl[c] + siy[c])
		}
		for j := range n {
			v := a.m[i][j]
			for c := range u.n {
				v -= mk[c][i]*u.h[c][j] + u.h[c][i]*mk[c][j]
				for d := range u.n {
					v += u.h[c][i] * (kmk[c][d] + u.si[c][d]) * u.h[d][j]
				}
			}
			a.m[i][j] = v
		}
	}
	a.symmetrise()
}

// backThrough carries the adjoint over a transition: l ← Φᵀ·l, m ← Φᵀ·m·Φ.
func (a *adjoint) backThrough(phi *matrix) {
	var l vector
	for i := range n {
		for j := range n {
			l[i] += phi[j][i] * a.l[j]
		}
	}
	a.l = l
	x := mul(&a.m, phi)
	a.m = mulT(phi, &x)
	a.symmetrise()
}

func (a *adjoint) symmetrise() {
	for i := range n {
		for j := range i {
			m := 0.5 * (a.m[i][j] + a.m[j][i])
			a.m[i][j], a.m[j][i] = m, m
		}
	}
}

// mul returns a·b.
func mul(a, b *matrix) (c matrix) {
	for i := range n {
		for k := range n {
			if v := a[i][k]; v != 0 {
				for j := range n {
					c[i][j] += v * b[k][j]
				}
			}
		}
	}
	return c
}

// mulT returns aᵀ·b.
func mulT(a, b *matrix) (c matrix) {
	for k := range n {
		for i := range n {
			if v := a[k][i]; v != 0 {
				for j := range n {
					c[i][j] += v * b[k][j]
				}
			}
		}
	}
	return c
}

// backward smooths all nodes, last to first, and hands each to visit.
func backward(nodes []node, visit func(i int, dx *vector, cov *matrix)) {
	var a adjoint
	for i := len(nodes) - 1; i >= 0; i-- {
		nd := &nodes[i]
		dx, cov := a.estimate(&nd.p)
		visit(i, &dx, &cov)
		for k := len(nd.ups) - 1; k >= 0; k-- {
			a.backOver(&nd.ups[k])
		}
		a.backThrough(&nd.phi)
	}
}

// take applies o to f and returns what the backward pass needs of it; ok is
// false when the filter refused it.
func take(f *eskf.Filter, o *eskf.Obs) (u update, ok bool) {
	in := f.Innovation(o)
	si, ok := invert(in.S, in.N)
	if !ok {
		return u, false
	}
	u.n, u.y, u.si = in.N, in.Y, si
	var ph [3]vector // P·hᵀ
	for c := range u.n {
		u.h[c] = o.Row(c)
		for i := range n {
			for j := range n {
				ph[c][i] += f.P[i][j] * u.h[c][j]
			}
		}
	}
	for c := range u.n {
		for d := range u.n {
			for i := range n {
				u.k[c][i] += ph[d][i] * si[d][c]
			}
		}
	}
	return u, f.Apply(o)
}

// invert returns the inverse of the leading k by k block of a symmetric
// positive definite matrix.
func invert(s [3][3]float64, k int) (x [3][3]float64, ok bool) {
	for i := range k {
		x[i][i] = 1
	}
	for i := range k { // Gauss-Jordan; definite, so no pivoting
		d := s[i][i]
		if !(d > 0) {
			return x, false
		}
		for j := range k {
			s[i][j] /= d
			x[i][j] /= d
		}
		for r := range k {
			if g := s[r][i]; r != i && g != 0 {
				for j := range k {
					s[r][j] -= g * s[i][j]
					x[r][j] -= g * x[i][j]
				}
			}
		}
	}
	return x, true
}

// transition reads the transition of the waiting window off the filter: it
// carries P = 0 and P = e·eᵀ over the window, and the difference of the results
// is (F·e)(F·e)ᵀ. The filter stays as it is.
func transition(f *eskf.Filter) (phi matrix) {
	g := *f
	g.P = [n][n]float64{}
	g.Flush()
	noise := g.P
	for c := range n {
		g = *f
		g.P = [n][n]float64{}
		g.P[c][c] = 1
		g.Flush()
		// Every state keeps a share of itself, so its own entry is positive.
		d := g.P[c][c] - noise[c][c]
		if !(d > 0) {
			phi[c][c] = 1
			continue
		}
		for r := range n {
			phi[r][c] = (g.P[r][c] - noise[r][c]) / math.Sqrt(d)
		}
	}
	return phi
}
