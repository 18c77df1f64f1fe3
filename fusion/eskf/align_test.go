package eskf

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

var restSigmas = Sigmas{PosH: 1, PosV: 2, Vel: 0.01, Tilt: 1e-3, Yaw: math.Pi / math.Sqrt(3), GyroBias: 2e-4, AccBias: 0.08,
	WheelScale: 0.01, Slip: 0.006, Latency: 0.04}

// Levelled by biased accelerometers, the true attitude error must be what the
// covariance says: the whitened error over many draws is standard normal, and
// gravity comes out right as long as nobody moves.
func TestInitAtRest(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const n = 400
	sig := restSigmas
	sig.Yaw = 0.05
	var nees, apart float64
	for range n {
		f := &Filter{Params: testParams()}
		f.AccBias = vec(0.3, -0.2, 0.1) // what is known of it already
		truth := State{Att: FromEuler(0.05*rng.NormFloat64(), 0.05*rng.NormFloat64(), 1)}
		bias := r3.Add(f.AccBias, r3.Scale(restSigmas.AccBias, vec(rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64())))
		noise := r3.Scale(restSigmas.Tilt*f.Params.Gravity, vec(rng.NormFloat64(), rng.NormFloat64(), 0))
		read := r3.Add(r3.Add(truth.ToBody(vec(0, 0, f.Params.Gravity)), bias), noise)
		gyro := r3.Add(vec(0.01, 0.02, -0.03), truth.ToBody(f.Params.EarthRate))
		yaw := truth.Yaw() + sig.Yaw*rng.NormFloat64()
		f.InitAtRest(100, vec(1, 2, 3), read, gyro, yaw, sig)
		if !f.Healthy() || !f.PositiveDefinite() {
			t.Fatal("not healthy")
		}
		if f.T != 100 || f.Pos != vec(1, 2, 3) || f.Vel != (r3.Vec{}) || f.WheelScale != 1 || math.Abs(wrapPi(f.Yaw()-yaw)) > 1e-12 {
			t.Fatalf("start %+v", f.State)
		}
		if d := vdiff(f.GyroBias, vec(0.01, 0.02, -0.03)); d > 1.2e-5 { // the Earth rate turned by the yaw error
			t.Fatalf("gyro bias off by %g", d)
		}
		// Roll, pitch and the accelerometer biases across them, whitened together.
		th := Log(quat.Mul(quat.Conj(f.Att), truth.Att))
		e := [4]float64{th.X, th.Y, bias.X - f.AccBias.X, bias.Y - f.AccBias.Y}
		idx := [4]int{IAtt, IAtt + 1, IAcc, IAcc + 1}
		var p [4][4]float64
		for i := range 4 {
			for j := range 4 {
				p[i][j] = f.P[idx[i]][idx[j]]
			}
		}
		nees += quadForm(t, p[:][0:4], e[:])
		// The tilt alone: without the cross terms it would say the same.
		apart += th.X * th.X / p[0][0]
	}
	// 95 % of chi-square with 4n and n degrees of freedom.
	if m := nees / n; math.Abs(m-4) > 1.96*math.Sqrt(2*4./n) {
		t.Errorf("mean NEES of tilt and bias %.3f, want 4", m)
	}
	if m := apart / n; math.Abs(m-1) > 1.96*math.Sqrt(2./n) {
		t.Errorf("mean NEES of roll %.3f, want 1", m)
	}
}

// quadForm is eᵀ·P⁻¹·e by elimination.
func quadForm(t *testing.T, p [][4]float64, e []float64) (q float64) {
	t.Helper()
	n := len(e)
	m := make([][]float64, n)
	y := append([]float64(nil), e...)
	for i := range m {
		m[i] = append([]float64(nil), p[i][:n]...)
	}
	for k := range n {
		if !(m[k][k] > 0) {
			t.Fatal("covariance is not positive definite")
		}
		q += y[k] * y[k] / m[k][k]
		for i := k + 1; i < n; i++ {
			g := m[i][k] / m[k][k]
			y[i] -= g * y[k]
			for j := k; j < n; j++ {
				m[i][j] -= g * m[k][j]
			}
		}
	}
	return q
}

// What the filter is told of its start is what its covariance holds, state by
// state and without ties: tilt across the vertical and yaw along it, whatever the
// attitude.
func TestInitMoving_Sigmas(t *testing.T) {
	f := &Filter{Params: testParams()}
	f.Params.CorrSigmaH, f.Params.CorrSigmaV = 0.031, 0.047
	s := Sigmas{PosH: 0.01, PosV: 0.02, Vel: 0.03, Tilt: 0.004, Yaw: 0.05, GyroBias: 0.0006, AccBias: 0.07, WheelScale: 0.008, Slip: 0.009,
		Latency: 0.011, Gain: 0.012, IMU: [2]float64{0.013, 0.014}, Axle: 0.015, Ant: 0.016, VelLag: 0.017, VelPoint: 0.018}
	f.InitMoving(3, vec(1, 2, 3), vec(4, 5, 6), 0.1, -0.2, 0.7, s)
	want := map[int]float64{IPos: s.PosH, IPos + 1: s.PosH, IPos + 2: s.PosV, IVel: s.Vel, IVel + 1: s.Vel, IVel + 2: s.Vel,
		IGyr: s.GyroBias, IGyr + 1: s.GyroBias, IGyr + 2: s.GyroBias, IAcc: s.AccBias, IAcc + 1: s.AccBias, IAcc + 2: s.AccBias,
		IScale: s.WheelScale, ISlip: s.Slip, ILat: s.Latency, IGain: s.Gain, IMount: 0, IMount + 1: 0, IIMU: s.IMU[0], IIMU + 1: s.IMU[1],
		IAxle: s.Axle, IAnt: s.Ant, ILag: s.VelLag, IPoint: s.VelPoint, ICorr: 0.031, ICorr + 1: 0.031, ICorr + 2: 0.047}
	if len(want) != NErr-3 {
		t.Fatalf("%d states and the attitude, of %d", len(want), NErr)
	}
	for i, sigma := range want {
		if got := math.Sqrt(f.P[i][i]); math.Abs(got-sigma) > 1e-12 {
			t.Errorf("state %d: %g 1 sigma, want %g", i, got, sigma)
		}
		for j := range NErr {
			if j != i && f.P[i][j] != 0 {
				t.Errorf("states %d and %d are tied by %g", i, j, f.P[i][j])
			}
		}
	}
	along := func(u r3.Vec) (v float64) {
		b := f.ToBody(u)
		e := [3]float64{b.X, b.Y, b.Z}
		for i := range 3 {
			for j := range 3 {
				v += e[i] * e[j] * f.P[IAtt+i][IAtt+j]
			}
		}
		return math.Sqrt(v)
	}
	for _, tt := range []struct {
		u    r3.Vec
		want float64
	}{{vec(0, 0, 1), s.Yaw}, {vec(1, 0, 0), s.Tilt}, {vec(0, 1, 0), s.Tilt}, {vec(0.6, 0.8, 0), s.Tilt}} {
		if got := along(tt.u); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("about %v: %g rad, want %g", tt.u, got, tt.want)
		}
	}
	if f.T != 3 || f.Pos != vec(1, 2, 3) || f.Vel != vec(4, 5, 6) || f.WheelScale != 1 || math.Abs(f.Yaw()-0.7) > 1e-12 || math.Abs(f.Roll()-0.1) > 1e-12 || math.Abs(f.Pitch()+0.2) > 1e-12 {
		t.Errorf("start %+v", f.State)
	}
}

func TestInitMoving(t *testing.T) {
	f := &Filter{Params: testParams()}
	f.GyroBias, f.Slip, f.Latency = vec(0.001, 0, 0), 0.005, 0.07
	f.InitMoving(5, vec(1, 2, 3), vec(4, 5, 0), 0.01, -0.02, 0.9, restSigmas)
	if f.T != 5 || f.Vel != vec(4, 5, 0) || f.GyroBias != vec(0.001, 0, 0) || f.Slip != 0.005 || f.Latency != 0.07 || !f.Healthy() {
		t.Errorf("start %+v", f.State)
	}
	for i, want := range map[int]float64{IPos: 1, IPos + 2: 2, IVel: 0.01, IGyr: 2e-4, IAcc + 1: 0.08, IScale: 0.01, ISlip: 0.006, ILat: 0.04, ICorr: 0.01, ICorr + 2: 0.02} {
		if got := math.Sqrt(f.P[i][i]); math.Abs(got-want) > 1e-15 {
			t.Errorf("sigma %d = %g, want %g", i, got, want)
		}
	}
	// Yaw along the vertical, tilt across it.
	u := f.ToBody(vec(0, 0, 1))
	if got := attSigma(f, u); math.Abs(got-restSigmas.Yaw) > 1e-12 {
		t.Errorf("yaw sigma %g", got)
	}
	if got := attSigma(f, r3.Unit(r3.Cross(u, vec(1, 0, 0)))); math.Abs(got-restSigmas.Tilt) > 1e-9 {
		t.Errorf("tilt sigma %g", got)
	}
}

// attSigma is the standard deviation of the attitude error about unit vector u.
func attSigma(f *Filter, u r3.Vec) float64 {
	b := [3]float64{u.X, u.Y, u.Z}
	var v float64
	for i := range 3 {
		for j := range 3 {
			v += b[i] * b[j] * f.P[IAtt+i][IAtt+j]
		}
	}
	return math.Sqrt(v)
}

func TestSetYaw(t *testing.T) {
	f := benchFilter(4)
	drive(f, 9, 4001, func(int) {})
	u := f.ToBody(vec(0, 0, 1))
	tilt := r3.Unit(r3.Cross(u, vec(1, 0, 0)))
	roll, pitch, sTilt := f.Roll(), f.Pitch(), 0.0
	f.Flush()
	was := *f
	sTilt = attSigma(f, tilt)
	f.SetYaw(-2.5, 0.05)
	if math.Abs(wrapPi(f.Yaw()+2.5)) > 1e-12 || math.Abs(f.Roll()-roll) > 1e-12 || math.Abs(f.Pitch()-pitch) > 1e-12 {
		t.Errorf("roll %g pitch %g yaw %g, want %g %g -2.5", f.Roll(), f.Pitch(), f.Yaw(), roll, pitch)
	}
	if got := math.Sqrt(f.YawVariance(&f.P)); math.Abs(got-0.05) > 1e-9 {
		t.Errorf("yaw sigma %g", got)
	}
	if got, want := attSigma(f, u), math.Hypot(0.05, math.Sqrt(was.P[IMount+1][IMount+1])); math.Abs(got-want) > 1e-3*want {
		t.Errorf("yaw sigma of the sensor %g, want %g", got, want)
	}
	if got := attSigma(f, tilt); math.Abs(got-sTilt) > 1e-9 {
		t.Errorf("tilt sigma %g, was %g", got, sTilt)
	}
	if !f.Healthy() || !f.PositiveDefinite() {
		t.Error("not healthy")
	}
	if f.Pos != was.Pos || f.Vel != was.Vel || f.GyroBias != was.GyroBias {
		t.Error("more than the attitude moved")
	}
	// Yaw is tied to nothing; tilt keeps its tie to the accelerometer bias.
	b := [3]float64{u.X, u.Y, u.Z}
	for j := range NErr {
		if j >= IAtt && j < IGyr || j == IMount || j == IMount+1 { // but to the mounting, see above
			continue
		}
		var c float64
		for i := range 3 {
			c += b[i] * f.P[IAtt+i][j]
		}
		if math.Abs(c) > 1e-9*0.05*math.Sqrt(f.P[j][j]) {
			t.Errorf("yaw is tied to error %d", j)
		}
	}
	for i := IPos; i < IAtt; i++ {
		for j := IPos; j < IAtt; j++ {
			if f.P[i][j] != was.P[i][j] {
				t.Errorf("P[%d][%d] of position and velocity changed", i, j)
			}
		}
	}
	tb := [3]float64{tilt.X, tilt.Y, tilt.Z}
	var before, after float64
	for i := range 3 {
		before += tb[i] * was.P[IAtt+i][IAcc+1]
		after += tb[i] * f.P[IAtt+i][IAcc+1]
	}
	if before == 0 || math.Abs(after-before) > 1e-9*math.Abs(before) {
		t.Errorf("tilt against accelerometer bias %g, was %g", after, before)
	}
}

func TestSetCorrAndVariance(t *testing.T) {
	f := benchFilter(4)
	drive(f, 10, 4002, func(int) {})
	f.SetCorr(0.3, 0.6, 20)
	if f.Corr != (r3.Vec{}) || f.Params.CorrTime != 20 || f.Params.CorrSigmaH != 0.3 || f.Params.CorrSigmaV != 0.6 {
		t.Error("parameters not set")
	}
	for k, want := range []float64{0.09, 0.09, 0.36} {
		for j := range NErr {
			w := 0.0
			if j == ICorr+k {
				w = want
			}
			if math.Abs(f.P[ICorr+k][j]-w) > 1e-15 || f.P[j][ICorr+k] != f.P[ICorr+k][j] {
				t.Errorf("P[%d][%d] = %g, want %g", ICorr+k, j, f.P[ICorr+k][j], w)
			}
		}
	}
	if !f.Healthy() || !f.PositiveDefinite() {
		t.Error("not healthy")
	}
	// It forgets: after many time constants the steady state, whatever it was.
	f.Params.CorrTime = 0.5
	f.SetVariance(ICorr, 25)
	f.Corr = vec(3, 0, 0)
	for range 2000 {
		f.Predict(r3.Vec{}, vec(0, 0, 9.8), 0.005)
	}
	f.Flush()
	if got := math.Sqrt(f.P[ICorr][ICorr]); math.Abs(got-0.3) > 1e-6 || math.Abs(f.Corr.X) > 1e-8 {
		t.Errorf("after 20 time constants %g ± %g, want 0 ± 0.3", f.Corr.X, got)
	}
	// Without a time constant it stands still.
	f.SetCorr(0.2, 0.4, 0)
	f.Corr = vec(1, 0, 0)
	for range 400 {
		f.Predict(r3.Vec{}, vec(0, 0, 9.8), 0.005)
	}
	f.Flush()
	if f.Corr != vec(1, 0, 0) || math.Abs(f.P[ICorr][ICorr]-0.04) > 1e-15 {
		t.Errorf("frozen, it became %v ± %g", f.Corr, math.Sqrt(f.P[ICorr][ICorr]))
	}
	c := f.P[IVel][ILat]
	v := f.P[IVel][IVel]
	f.Inflate(IVel, 0.5)
	if f.P[IVel][IVel] != v+0.5 || f.P[IVel][ILat] != c {
		t.Error("Inflate touched more than the variance")
	}
}
