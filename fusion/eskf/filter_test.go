package eskf

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// drive feeds n samples of lively driving and a mixture of observations, and
// calls after each step.
func drive(f *Filter, seed uint64, n int, after func(i int)) {
	rng := rand.New(rand.NewPCG(seed, 7))
	lever := vec(0.3, -0.05, 0.9)
	gauss := func(s float64) float64 { return s * rng.NormFloat64() }
	for i := range n {
		t := float64(i) * 0.005
		w := vec(gauss(0.05), gauss(0.05), math.Sin(0.3*t)+gauss(0.05))
		a := vec(gauss(1), 6*math.Sin(0.3*t)+gauss(1), 9.8+gauss(1))
		f.Predict(w, a, 0.005)
		after(i)
		var o Obs
		switch {
		case i%20 == 0:
			s := math.Pow(10, -3+3*rng.Float64())
			p := r3.Add(f.Pos, vec(gauss(s), gauss(s), gauss(s)))
			o = f.Position(r3.Add(p, f.ToWorld(lever)), [3]float64{s * s, s * s, 4 * s * s}, lever, w)
		case i%20 == 1:
			o = f.Velocity(f.Vel.X+gauss(0.05), f.Vel.Y+gauss(0.05), [2]float64{0.0025, 0.0025}, lever, w, vec(1, 2, 0))
		case i%20 == 2:
			o = f.Velocity3D(r3.Add(f.Vel, vec(gauss(0.05), gauss(0.05), gauss(0.05))), [3]float64{0.0025, 0.0025, 0.01}, lever, w, vec(1, 2, 0))
		case i%10 == 3:
			o = f.Wheel(f.WheelScale*f.bodyVel(w).u.X+gauss(0.02), 4e-4, w)
		case i%10 == 4:
			o = f.Side(0.0025, 0.0025, a.Y, a.Y, w)
		case i%200 == 5:
			o = f.Heading(f.Yaw()+gauss(0.01), 1e-4)
		case i%400 == 6:
			o = f.HorizontalPosition(f.Pos.X+gauss(1), f.Pos.Y+gauss(1), [2]float64{1, 1}, lever, w)
		case i%1000 == 7:
			o = f.ZeroRate(w, 1e-6)
		case i%1000 == 8:
			o = f.ZeroVelocity(1e-4)
		default:
			continue
		}
		if !f.Apply(&o) {
			panic("observation refused")
		}
		after(i)
	}
}

func TestCovarianceStaysPositiveDefinite(t *testing.T) {
	for _, every := range []int{1, 4} {
		f := benchFilter(every)
		drive(f, 1, 100000, func(i int) {
			if !f.Healthy() {
				t.Fatalf("every %d, sample %d: not healthy", every, i)
			}
			if i%7 == 0 && !f.PositiveDefinite() {
				t.Fatalf("every %d, sample %d: P is not positive definite", every, i)
			}
		})
		f.Flush()
		if !f.PositiveDefinite() {
			t.Fatal("P is not positive definite at the end")
		}
	}
}

// The worst ratio of prior to measurement noise in use, and far beyond.
func TestPositiveDefiniteAfterSharpUpdates(t *testing.T) {
	for _, r := range []float64{1e-2, 1e-4, 1e-6, 1e-7} {
		f := benchFilter(1)
		for _, i := range []int{IPos, IPos + 1, IPos + 2, IVel, IVel + 1, IVel + 2} {
			f.SetVariance(i, 1e4)
		}
		for k := range 50 {
			o := f.Position(f.Pos, [3]float64{r, r, r}, r3.Vec{X: 0.3, Z: 1}, r3.Vec{Z: 0.3})
			f.Apply(&o)
			o = f.Velocity3D(f.Vel, [3]float64{r, r, r}, r3.Vec{X: 0.3, Z: 1}, r3.Vec{Z: 0.3}, r3.Vec{X: 1})
			f.Apply(&o)
			if !f.Healthy() || !f.PositiveDefinite() {
				t.Fatalf("r = %g: broken after %d updates", r, k+1)
			}
		}
	}
}

// Everything at once against dense matrices: P = F·P·Fᵀ + Q and the batch
// update in Joseph form.
func TestAgainstDense(t *testing.T) {
	f := benchFilter(1)
	lever, w, a := vec(0.3, -0.05, 0.9), vec(0.02, -0.01, 0.6), vec(0.4, 5.5, 9.7)
	p := mat.NewDense(NErr, NErr, nil)
	for i := range NErr {
		for j := range NErr {
			p.Set(i, j, f.P[i][j])
		}
	}
	check := func(step int, what string) {
		t.Helper()
		for i := range NErr {
			for j := range NErr {
				// Scaled by the standard deviations: a correlation.
				scale := math.Sqrt(f.P[i][i] * f.P[j][j])
				if d := math.Abs(f.P[i][j]-p.At(i, j)) / scale; !(d < 1e-10) {
					t.Fatalf("step %d, %s: P[%d][%d] = %g, dense %g", step, what, i, j, f.P[i][j], p.At(i, j))
				}
			}
		}
	}
	for step := range 400 {
		g := *f
		g.Params.CovEvery = 2
		g.Predict(w, a, 0.005)
		var x transition
		g.transition(&g.acc, g.Att, &x)
		fd := x.dense()
		F := mat.NewDense(NErr, NErr, nil)
		for i := range NErr {
			F.SetRow(i, fd[i][:])
		}
		addQ := func() {
			q := f.Params
			for i, n := range [NErr]float64{3: q.AccNoise, 4: q.AccNoise, 5: q.AccNoise, 6: q.GyroNoise, 7: q.GyroNoise, 8: q.GyroNoise,
				9: q.GyroWalk, 10: q.GyroWalk, 11: q.GyroWalk, 12: q.AccWalk, 13: q.AccWalk, 14: q.AccWalk,
				15: q.ScaleWalk, 16: q.SlipWalk, 17: q.LatencyWalk, 18: q.GainWalk, 19: q.MountWalk, 20: q.MountWalk, 25: q.LagWalk} {
				p.Set(i, i, p.At(i, i)+0.5*n*n*0.005)
			}
			for i := 6; i < 8; i++ {
				p.Set(i, i, p.At(i, i)+0.5*q.TiltNoise*q.TiltNoise*0.005)
			}
		}
		addQ()
		var fp, fpf mat.Dense
		fp.Mul(F, p)
		fpf.Mul(&fp, F.T())
		p.Copy(&fpf)
		addQ()
		for k, s := range []float64{0.01, 0.01, 0.02} {
			phi := math.Exp(-0.005 / 10)
			p.Set(ICorr+k, ICorr+k, p.At(ICorr+k, ICorr+k)+(1-phi*phi)*s*s)
		}
		var ahead [NErr][NErr]float64
		f.CovAhead(&ahead, w, a, 0.005)
		f.Predict(w, a, 0.005)
		if ahead != f.P {
			t.Fatal("CovAhead differs from Predict")
		}
		check(step, "predict")
		if step%20 != 19 {
			continue
		}
		obs := []Obs{
			f.Position(r3.Add(f.Pos, vec(0.02, 0.01, 0.9)), [3]float64{1e-4, 1e-4, 4e-4}, lever, w),
			f.Velocity(f.Vel.X+0.02, f.Vel.Y, [2]float64{4e-3, 4e-3}, lever, w, vec(1, 2, 0)),
			f.Side(4e-3, 4e-3, 5.5, 5.5, w),
		}
		o := obs[step/20%3]
		H := mat.NewDense(o.N, NErr, nil)
		R := mat.NewDense(o.N, o.N, nil)
		for i := range o.N {
			row := o.Row(i)
			H.SetRow(i, row[:])
			R.Set(i, i, o.R[i])
		}
		var ph, s, si, k, j, jp, jpj, kr, krk mat.Dense
		ph.Mul(p, H.T())
		s.Mul(H, &ph)
		s.Add(&s, R)
		if err := si.Inverse(&s); err != nil {
			t.Fatal(err)
		}
		k.Mul(&ph, &si)
		j.Mul(&k, H)
		for i := range NErr {
			for c := range NErr {
				v := -j.At(i, c)
				if i == c {
					v++
				}
				j.Set(i, c, v)
			}
		}
		jp.Mul(&j, p)
		jpj.Mul(&jp, j.T())
		kr.Mul(&k, R)
		krk.Mul(&kr, k.T())
		p.Add(&jpj, &krk)
		y := mat.NewVecDense(o.N, o.Y[:o.N])
		var dx, sy mat.VecDense
		dx.MulVec(&k, y)
		sy.MulVec(&si, y)
		if nis := mat.Dot(y, &sy); math.Abs(nis-f.Innovation(&o).NIS) > 1e-9*max(1, nis) {
			t.Fatalf("step %d: NIS %g, dense %g", step, f.Innovation(&o).NIS, nis)
		}
		var got [NErr]float64
		if !f.correct(&o, &got) {
			t.Fatal("refused")
		}
		check(step, "update")
		for i, v := range got {
			if math.Abs(v-dx.AtVec(i)) > 1e-10*math.Sqrt(f.P[i][i]) {
				t.Fatalf("step %d: δx[%d] = %g, dense %g", step, i, v, dx.AtVec(i))
			}
		}
		f.plus(&got)
	}
}

// Gathering samples changes the nominal state not at all and the covariance by
// little; Flush brings it to date in mid-window.
func TestCovEvery(t *testing.T) {
	one, four := benchFilter(1), benchFilter(4)
	for i := range 2003 {
		w, a := vec(0.02, -0.01, 0.6*math.Sin(0.01*float64(i))), vec(0.4, 5.5*math.Sin(0.01*float64(i)), 9.7)
		one.Predict(w, a, 0.005)
		four.Predict(w, a, 0.005)
	}
	if four.acc.n != 3 {
		t.Fatalf("%d samples pending, want 3", four.acc.n)
	}
	four.Flush()
	a, b := one.State, four.State
	if d := vdiff(a.Corr, b.Corr); d > 1e-12 {
		t.Errorf("correlated error differs by %g", d)
	}
	a.Corr, b.Corr = r3.Vec{}, r3.Vec{}
	if a != b {
		t.Errorf("nominal states differ: %+v %+v", a, b)
	}
	for i := range NErr {
		for j := range NErr {
			scale := math.Sqrt(one.P[i][i] * one.P[j][j])
			if d := math.Abs(one.P[i][j]-four.P[i][j]) / scale; d > 2e-4 {
				t.Errorf("P[%d][%d]: %g every sample, %g every four", i, j, one.P[i][j], four.P[i][j])
			}
		}
	}
	// An observation in mid-window sees the covariance of that time.
	one.Predict(vec(0, 0, 1), vec(0, 5, 9.8), 0.005)
	four.Predict(vec(0, 0, 1), vec(0, 5, 9.8), 0.005)
	o := four.ZeroVelocity(1)
	if got, want := four.Innovation(&o).S[0][0], one.P[IVel][IVel]+1; math.Abs(got-want) > 1e-3*want {
		t.Errorf("S in mid-window %g, want %g", got, want)
	}
}

func TestCovAheadLeavesFilter(t *testing.T) {
	f := benchFilter(4)
	for range 6 {
		f.Predict(vec(0.1, 0, 0.5), vec(0, 5, 9.8), 0.005)
	}
	was := *f
	var ahead, now [NErr][NErr]float64
	f.CovAhead(&ahead, vec(0.1, 0, 0.5), vec(0, 5, 9.8), 0.1)
	f.CovAhead(&now, r3.Vec{}, r3.Vec{}, 0)
	if *f != was {
		t.Error("CovAhead changed the filter")
	}
	f.Flush()
	if now != f.P {
		t.Error("CovAhead by nothing differs from Flush")
	}
	// One coarse step against twenty fine ones.
	for range 20 {
		f.Predict(vec(0.1, 0, 0.5), vec(0, 5, 9.8), 0.005)
	}
	f.Flush()
	for i := range NErr {
		got, want := math.Sqrt(ahead[i][i]), math.Sqrt(f.P[i][i])
		if math.Abs(got-want) > 2e-3*want {
			t.Errorf("sigma %d after 0.1 s: %g in one step, %g in twenty", i, got, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	f := benchFilter(1)
	was := *f
	nan := math.NaN()
	for name, o := range map[string]Obs{
		"NaN position":    f.Position(vec(nan, 0, 0), [3]float64{1, 1, 1}, r3.Vec{}, r3.Vec{}),
		"NaN in row 3":    f.Position(vec(0, 0, nan), [3]float64{1, 1, 1}, r3.Vec{}, r3.Vec{}),
		"infinite":        f.Wheel(math.Inf(1), 1, vec(0, 0, 0)),
		"NaN variance":    f.Wheel(1, nan, vec(0, 0, 0)),
		"negative S":      f.Wheel(1, -1e9, vec(0, 0, 0)),
		"infinite lever":  f.Position(r3.Vec{}, [3]float64{1, 1, 1}, vec(math.Inf(1), 0, 0), r3.Vec{}),
		"infinite spread": f.Wheel(1, math.Inf(1), vec(0, 0, 0)),
	} {
		if f.Apply(&o) {
			t.Errorf("%s: applied", name)
		}
		if *f != was {
			t.Errorf("%s: changed the filter", name)
		}
	}
	bad := f.Wheel(1, -1e9, vec(0, 0, 0))
	if !math.IsNaN(f.Innovation(&bad).NIS) {
		t.Error("NIS of a negative S is not NaN")
	}
	for _, dt := range []float64{0, -0.01, nan} {
		f.Predict(vec(1, 1, 1), vec(1, 1, 1), dt)
		f.Integrate(vec(1, 1, 1), vec(1, 1, 1), dt, &f.Params)
		if *f != was {
			t.Errorf("a step of %g s moved the filter", dt)
		}
	}
	f.Predict(vec(nan, 0, 0), vec(0, 0, 9.8), 0.005)
	if f.Healthy() {
		t.Error("healthy after a NaN sample")
	}
	for name, spoil := range map[string]func(*Filter){
		"zero variance":        func(f *Filter) { f.P[IVel][IVel] = 0 },
		"negative variance":    func(f *Filter) { f.P[ICorr][ICorr] = -1e-9 },
		"NaN off the diagonal": func(f *Filter) { f.P[1][2], f.P[2][1] = nan, nan },
		"infinite":             func(f *Filter) { f.P[1][2], f.P[2][1] = math.Inf(1), math.Inf(1) },
		"unsymmetric":          func(f *Filter) { f.P[1][2] = 1e-9 },
		"infinite position":    func(f *Filter) { f.Pos.Y = math.Inf(-1) },
		"long quaternion":      func(f *Filter) { f.Att.Real += 0.01 },
	} {
		g := was
		if spoil(&g); g.Healthy() {
			t.Errorf("%s: called healthy", name)
		}
	}
	g := was
	g.P[0][1], g.P[1][0] = 1, 1 // beyond the variances 0.09
	if g.PositiveDefinite() {
		t.Error("an indefinite P passes")
	}
}

func TestNoAllocations(t *testing.T) {
	f := benchFilter(4)
	var ahead [NErr][NErr]float64
	w, a, lever := vec(0, 0, 0.3), vec(0, 3, 9.8), vec(0.3, 0, 1)
	r := [3]float64{1e-4, 1e-4, 4e-4}
	n := testing.AllocsPerRun(100, func() {
		for range 5 {
			f.Predict(w, a, 0.005)
		}
		s := f.State
		s.Integrate(w, a, 0.005, &f.Params)
		f.CovAhead(&ahead, w, a, 0.1)
		for _, o := range [...]Obs{
			f.Position(f.Pos, r, lever, w), f.HorizontalPosition(0, 0, [2]float64{1, 1}, lever, w),
			f.Velocity(f.Vel.X, f.Vel.Y, [2]float64{1, 1}, lever, w, a), f.Velocity3D(f.Vel, r, lever, w, a),
			f.Heading(f.Yaw(), 1), f.Wheel(10, 1, w), f.Side(1, 1, 3, 3, w), f.ZeroVelocity(100), f.ZeroRate(w, 1),
		} {
			f.Innovation(&o)
			f.Apply(&o)
		}
		f.SetCorr(0.01, 0.02, 10)
		f.SetYaw(f.Yaw(), 0.1)
		f.Healthy()
		f.PositiveDefinite()
		f.InitMoving(0, f.Pos, f.Vel, 0, 0, 0, Sigmas{PosH: 1, PosV: 1, Vel: 1, Tilt: 0.1, Yaw: 0.1, GyroBias: 0.01, AccBias: 0.1})
	})
	if n != 0 {
		t.Errorf("%v allocations", n)
	}
}
