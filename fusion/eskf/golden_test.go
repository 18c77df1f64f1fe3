package eskf

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// goldenIndex maps the order of the golden matrices to ours.
var goldenIndex = [15]int{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 13, 14, 9, 10, 11}

// Inputs and results of the golden propagation and update.
var (
	gW     = vec(0.05, -0.02, 0.7)
	gA     = vec(0.5, 1.2, 9.9)
	gLever = vec(0.30, -0.05, 0.12)
	gQ1    = qn(0.98199758367767, 0.049616210382158, -0.0996633395835621, 0.152598152222046)
)

const gDt = 0.01

func goldenStart() *Filter {
	f := &Filter{State: State{Pos: vec(1, 2, 3), Vel: vec(4, -1, 0.5), Att: Exp(vec(0.1, -0.2, 0.3)),
		AccBias: vec(0.02, -0.01, 0.03), GyroBias: vec(0.001, 0.002, -0.003), WheelScale: 1}}
	f.Params = Params{Gravity: 9.80665, CovEvery: 1}
	for k, v := range []float64{0.04, 0.01, 1e-3, 1e-6, 1e-4} {
		for i := range 3 {
			f.P[3*k+i][3*k+i] = v
		}
	}
	return f
}

// The golden step is first order: it turns the specific force by the attitude
// at the start. Ours takes mid-step, so it reproduces the golden position and
// velocity when its attitude starts half a step earlier.
func TestStep_Sola(t *testing.T) {
	f := goldenStart()
	half := Exp(r3.Scale(-0.5*gDt, r3.Sub(gW, f.GyroBias)))
	s := f.State
	s.Att = quat.Mul(s.Att, half)
	s.Integrate(gW, gA, gDt, &f.Params)
	if d := vdiff(s.Pos, vec(1.03991503415827, 1.99000146647372, 3.00500013376305)); d > 1e-13 {
		t.Errorf("position off by %g", d)
	}
	if d := vdiff(s.Vel, vec(3.98300683165382, -0.999706705256994, 0.500026752610729)); d > 1e-13 {
		t.Errorf("velocity off by %g", d)
	}
	s = f.State
	s.Integrate(gW, gA, gDt, &f.Params)
	if d := qdiff(s.Att, gQ1); d > 1e-13 {
		t.Errorf("attitude off by %g", d)
	}
}

// goldenTransition is our transition over the golden step, with the window
// filled from the attitude at the start of it as the golden one is.
func goldenTransition(f *Filter) (x transition, c window) {
	m := f.R()
	c = window{n: 1, t: gDt, q0: f.Att}
	for i := range 9 {
		c.ir[i] = m[i/3][i%3] * gDt
	}
	c.dv = r3.Scale(gDt, apply(&m, r3.Sub(gA, f.AccBias)))
	f.transition(&c, gQ1, &x)
	return x, c
}

func TestTransition_Sola(t *testing.T) {
	f := goldenStart()
	x, c := goldenTransition(f)
	// What production builds: the attitude in mid-step, -J_r·dt for -I·dt. The
	// textbook leaves out up to 4.8e-4 in all and 3.5e-5 in (θ,ω_b).
	g := *f
	g.Params.CovEvery = 2
	g.Predict(gW, gA, gDt)
	var mid transition
	g.transition(&g.acc, g.Att, &mid)
	for i := range 3 {
		for j := range 3 {
			for _, b := range []struct {
				name      string
				got, want float64
				tol       float64
			}{
				{"(v,θ)", x.vt[3*i+j], goldenF[3+i][6+j], 1e-14},
				{"(v,a_b)", x.va[3*i+j], goldenF[3+i][9+j], 1e-14},
				{"(θ,θ)", x.tt[3*i+j], goldenF[6+i][6+j], 1e-14},
				{"mid-step (v,θ)", mid.vt[3*i+j], goldenF[3+i][6+j], 4.8e-4},
				{"mid-step (v,a_b)", mid.va[3*i+j], goldenF[3+i][9+j], 3.6e-5},
				{"mid-step (θ,θ)", mid.tt[3*i+j], goldenF[6+i][6+j], 1e-14},
				{"mid-step (θ,ω_b)", mid.tg[3*i+j], goldenF[6+i][12+j], 3.6e-5},
				{"mid-step (v,ω_b)", mid.vg[3*i+j], goldenF[3+i][12+j], 4.97e-4}, // ½|a|dt²
			} {
				if d := math.Abs(b.got - b.want); d > b.tol {
					t.Errorf("%s[%d][%d] = %.15f, want %.15f", b.name, i, j, b.got, b.want)
				}
			}
		}
	}
	// The same matrices as printed with the values, from memory of the paper's
	// form: -R[a]×·dt and Rᵀ{ω·dt}.
	if math.Abs(x.vt[1]-0.093225591452) > 1e-12 || math.Abs(x.tt[1]-0.007029887858) > 1e-12 {
		t.Errorf("blocks differ from the printed ones: %v %v", x.vt, x.tt)
	}

	// Full covariance with the textbook's own blocks through our product.
	x.p0, x.p1 = gDt, 0
	x.vg = [9]float64{}
	x.tg = [9]float64{-gDt, 0, 0, 0, -gDt, 0, 0, 0, -gDt}
	const sa, sw, saw, sww = 0.02, 0.001, 1e-4, 1e-5 // first two per sample, last two per √s
	f.Params.GyroNoise = sw * math.Sqrt(gDt)
	f.Params.AccWalk, f.Params.GyroWalk = saw, sww
	c.va = sa * sa * gDt * gDt
	propagate(&f.P, &x)
	q := f.noise(&c, 1)
	q.add(&f.P)
	compare15(t, "P1", &f.P, &goldenP1, 1e-12)
	var trace float64
	for i := range NErr {
		trace += f.P[i][i]
	}
	if math.Abs(trace-0.153325973183) > 1e-12 {
		t.Errorf("trace %.12f", trace)
	}
}

func compare15(t *testing.T, name string, p *[NErr][NErr]float64, want *[15][15]float64, tol float64) {
	t.Helper()
	for i, a := range goldenIndex {
		for j, b := range goldenIndex {
			if d := math.Abs(p[a][b] - want[i][j]); !(d <= tol) {
				t.Errorf("%s[%d][%d] = %.15g, want %.15g", name, a, b, p[a][b], want[i][j])
			}
		}
	}
}

func goldenMid() *Filter {
	f := goldenStart()
	f.Pos = vec(1.0399150341582692, 1.9900014664737151, 3.0050001337630534)
	f.Vel = vec(3.983006831653825, -0.999706705256994, 0.5000267526107289)
	f.Att = qn(0.9819975836776701, 0.049616210382158, -0.09966333958356209, 0.15259815222204567)
	for i, a := range goldenIndex {
		for j, b := range goldenIndex {
			f.P[a][b] = goldenP1[i][j]
		}
	}
	return f
}

func TestPositionUpdate_Sola(t *testing.T) {
	f := goldenMid()
	h := vec(1.31379176517449, 2.01417637699098, 3.18193828654349)
	z := vec(1.3637917651744853, 1.9841763769909775, 3.2019382865434913)
	o := f.Position(z, [3]float64{0.0004, 0.0004, 0.0016}, gLever, gW)
	if y := vec(o.Y[0], o.Y[1], o.Y[2]); vdiff(r3.Sub(z, y), h) > 1e-13 {
		t.Errorf("prediction %v, want %v", r3.Sub(z, y), h)
	}
	for k := range 3 {
		row := o.Row(k)
		for j, b := range goldenIndex {
			if math.Abs(row[b]-goldenH[k][j]) > 1e-13 {
				t.Errorf("H[%d][%d] = %v, want %v", k, b, row[b], goldenH[k][j])
			}
		}
	}
	in := f.Innovation(&o)
	for a := range 3 {
		for b := range 3 {
			if math.Abs(in.S[a][b]-goldenS[a][b]) > 1e-13 {
				t.Errorf("S[%d][%d] = %v, want %v", a, b, in.S[a][b], goldenS[a][b])
			}
		}
	}
	if math.Abs(in.NIS-0.0936892062155755) > 1e-11 {
		t.Errorf("NIS %.15f", in.NIS)
	}
	g := *f
	var dx [NErr]float64
	if !g.correct(&o, &dx) {
		t.Fatal("update refused")
	}
	for i, a := range goldenIndex {
		if math.Abs(dx[a]-goldenDx[i]) > 1e-11 {
			t.Errorf("δx[%d] = %v, want %v", a, dx[a], goldenDx[i])
		}
	}
	compare15(t, "P after the update", &g.P, &goldenP2, 1e-11)
	if !f.Apply(&o) {
		t.Fatal("update refused")
	}
	compare15(t, "P after the reset", &f.P, &goldenP3, 1e-11)
	if d := qdiff(f.Att, qn(0.9820161273246, 0.0496812914306184, -0.0996372358290102, 0.152474641145782)); d > 1e-11 {
		t.Errorf("attitude off by %g", d)
	}
	for _, b := range []struct {
		name      string
		got, want r3.Vec
	}{
		{"position", f.Pos, vec(1.089399172077524, 1.9603865683348096, 3.0242505386480203)},
		{"velocity", f.Vel, vec(3.9831391493699893, -0.9997907779574081, 0.5000763990632593)},
		{"acc bias", f.AccBias, vec(0.02, -0.01, 0.03)},
		{"gyro bias", f.GyroBias, vec(0.0009999989067357106, 0.0019999997715491173, -0.0029999973620271443)},
	} {
		if d := vdiff(b.got, b.want); d > 1e-11 {
			t.Errorf("%s off by %g", b.name, d)
		}
	}
}

func TestAntennaVelocity_Sola(t *testing.T) {
	f := goldenMid()
	o := f.Velocity3D(r3.Vec{}, [3]float64{1, 1, 1}, gLever, gW, r3.Vec{})
	if d := vdiff(vec(-o.Y[0], -o.Y[1], -o.Y[2]), vec(3.94913493710145, -0.7963532369391, 0.52467192825457)); d > 1e-13 {
		t.Errorf("antenna velocity off by %g", d)
	}
}

// Right Jacobian of (0.1,-0.2,0.3), Solà 2017. Our (θ,ω_b) is the mid-step
// value, within |φ|²/24 of -J_r·dt; the reset's I - ½[φ]× within |φ|²/6.
func TestRightJacobian_Sola(t *testing.T) {
	jr := [3][3]float64{{0.978484495426, 0.144948068655, 0.103803880628},
		{-0.151568223908, 0.983449611866, 0.039489149214}, {-0.093873647748, -0.059349614974, 0.991724805933}}
	phi := vec(0.1, -0.2, 0.3)
	f := &Filter{State: State{Att: qn(1, 0, 0, 0)}, Params: Params{CovEvery: 2}}
	f.Predict(r3.Scale(100, phi), r3.Vec{}, 0.01)
	var x transition
	f.transition(&f.acc, f.Att, &x)
	p := Filter{}
	n2 := r3.Norm2(phi)
	for i := range 3 {
		p.P = [NErr][NErr]float64{}
		p.P[IAtt+i][IAtt+i] = 1
		p.P[IAtt+i][IPos], p.P[IPos][IAtt+i] = 1, 1 // this cross term becomes column i of G
		p.resetAttitude(phi)
		for j := range 3 {
			if d := math.Abs(x.tg[3*j+i]/-0.01 - jr[j][i]); d > n2/24 {
				t.Errorf("(θ,ω_b)[%d][%d] off -J_r·dt by %g dt", j, i, d)
			}
			if d := math.Abs(p.P[IAtt+j][IPos] - jr[j][i]); d > n2/6 {
				t.Errorf("G[%d][%d] off J_r by %g", j, i, d)
			}
		}
	}
}

// scalarFilter is the filter reduced to one coordinate: east, or east and its
// velocity.
func scalarFilter(p float64) *Filter {
	f := &Filter{State: State{Att: qn(1, 0, 0, 0), WheelScale: 1}}
	f.P[IPos][IPos] = p
	return f
}

func (f *Filter) east(z, r float64) (s, k, nis float64) {
	o := f.Position(vec(z, 0, 0), [3]float64{r, 1, 1}, r3.Vec{}, r3.Vec{})
	o.N = 1
	in := f.Innovation(&o)
	k = f.P[IPos][IPos] / in.S[0][0]
	f.Apply(&o)
	return in.S[0][0], k, in.NIS
}

// Scalar Kalman filter, worked by hand (random walk and steady states from
// their closed forms).
func TestScalar(t *testing.T) {
	near := func(name string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-12 {
			t.Errorf("%s = %.13f, want %.13f", name, got, want)
		}
	}
	f := scalarFilter(4)
	s, k, nis := f.east(2, 1)
	near("S", s, 5)
	near("K", k, 0.8)
	near("x", f.Pos.X, 1.6)
	near("P", f.P[0][0], 0.8)
	near("NIS", nis, 0.8)

	// Random walk q = r = 1: the golden ratio.
	f = scalarFilter(1)
	for range 60 {
		f.Inflate(IPos, 1)
		s, k, _ = f.east(0, 1)
	}
	near("steady P⁻", s-1, 1.618033988750)
	near("steady K", k, 0.618033988750)

	f = scalarFilter(1)
	for i, w := range []struct{ z, s, k, nis, x float64 }{
		{1, 2.25, 5. / 9, 0.444444444444, 0.555555555556},
		{2, 1.805555555556, 0.446153846154, 1.155555555556, 1.2},
		{1.5, 1.696153846154, 0.410430839002, 0.053061224490, 1.323129251701},
	} {
		f.Inflate(IPos, 0.25)
		s, k, nis = f.east(w.z, 1)
		near("S", s, w.s)
		near("K", k, w.k)
		near("NIS", nis, w.nis)
		near("x", f.Pos.X, w.x)
		_ = i
	}
}

// Alpha-beta steady states against the tracking index Λ = σ_a·dt²/σ_z of
// Kalata: piecewise constant white acceleration, Q = σ_a²·[dt⁴/4 dt³/2; dt³/2 dt²].
func TestAlphaBeta_Kalata(t *testing.T) {
	for _, w := range []struct{ index, alpha, beta float64 }{
		{0.1, 0.36, 0.08}, {1, 0.75, 0.5}, {4, 0.928203230276, 1.071796769724},
	} {
		f := scalarFilter(1)
		f.P[IVel][IVel] = 1
		x := transition{p0: 1, tt: [9]float64{0: 1, 4: 1, 8: 1}, phi: 1}
		var alpha, beta float64
		q := w.index * w.index
		for range 2000 {
			propagate(&f.P, &x)
			f.P[IPos][IPos] += q / 4
			f.P[IPos][IVel] += q / 2
			f.P[IVel][IPos] += q / 2
			f.P[IVel][IVel] += q
			s := f.P[IPos][IPos] + 1
			alpha, beta = f.P[IPos][IPos]/s, f.P[IVel][IPos]/s
			f.east(f.Pos.X, 1)
		}
		if math.Abs(alpha-w.alpha) > 1e-11 || math.Abs(beta-w.beta) > 1e-11 {
			t.Errorf("Λ = %v: α %.12f β %.12f, want %v %v", w.index, alpha, beta, w.alpha, w.beta)
		}
	}
}

// Van Loan's discretisation of white acceleration, q = 1, dt = 0.1: Q =
// [1/3000 0.005; 0.005 0.1]. The split noise reaches it with short steps; one
// step has 1/2 for 1/3 in the position.
func TestVanLoan(t *testing.T) {
	for _, n := range []int{1, 10, 100} {
		f := &Filter{State: State{Att: qn(1, 0, 0, 0)}, Params: Params{AccNoise: 1, CovEvery: 1}}
		for range n {
			f.Predict(r3.Vec{}, r3.Vec{}, 0.1/float64(n))
		}
		m := float64(n)
		pp := 1e-3 * (1./3 + 1./(6*m*m))
		for _, w := range []struct {
			name      string
			got, want float64
		}{{"pp", f.P[IPos][IPos], pp}, {"pv", f.P[IPos][IVel], 0.005}, {"vv", f.P[IVel][IVel], 0.1}} {
			if math.Abs(w.got-w.want) > 1e-12 {
				t.Errorf("%d steps: %s = %.12f, want %.12f", n, w.name, w.got, w.want)
			}
		}
	}
}
