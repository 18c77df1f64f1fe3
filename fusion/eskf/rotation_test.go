package eskf

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

const deg = math.Pi / 180

func vec(x, y, z float64) r3.Vec { return r3.Vec{X: x, Y: y, Z: z} }

func qn(w, x, y, z float64) quat.Number { return quat.Number{Real: w, Imag: x, Jmag: y, Kmag: z} }

func qdiff(a, b quat.Number) float64 { return quat.Abs(quat.Sub(a, b)) }

func vdiff(a, b r3.Vec) float64 { return r3.Norm(r3.Sub(a, b)) }

// Values of this file: Hamilton convention of Solà 2017 (arXiv:1711.02508),
// computed in double precision with another library's rotations.

func TestExpLog_Sola(t *testing.T) {
	for _, tt := range []struct {
		src string
		v   r3.Vec
		q   quat.Number
	}{
		{"plain", vec(0.1, -0.2, 0.3), qn(0.982550982155259, 0.04970884332485949, -0.09941768664971898, 0.1491265299745785)},
		{"quarter roll", vec(math.Pi/2, 0, 0), qn(0.7071067811865476, 0.7071067811865476, 0, 0)},
		{"yaw 60", vec(0, 0, math.Pi/3), qn(0.8660254037844386, 0, 0, 0.5)},
		{"small-angle branch", vec(1e-9, 2e-9, -3e-9), qn(1, 5e-10, 1e-9, -1.5e-9)},
		{"angle exactly 3", vec(1, 2, -2), qn(0.07073720166770291, 0.3324983288680181, 0.6649966577360362, -0.6649966577360362)},
		{"near pi", vec(0, 3.1, 0), qn(0.02079482780309243, 0, 0.9997837641893571, 0)},
	} {
		q := Exp(tt.v)
		if d := qdiff(q, tt.q); d > 1e-15 {
			t.Errorf("%s: Exp = %v, off by %g", tt.src, q, d)
		}
		if d := vdiff(Log(q), tt.v); d > 4e-15 {
			t.Errorf("%s: Log(Exp(v)) off by %g", tt.src, d)
		}
		if Log(quat.Scale(-1, q)) != Log(q) {
			t.Errorf("%s: Log(-q) differs from Log(q)", tt.src)
		}
	}
	if got := r3.Norm(Log(Exp(vec(0.1, -0.2, 0.3)))); math.Abs(got-0.374165738677394) > 1e-15 {
		t.Errorf("angle %v", got)
	}
}

func TestLogOfExp(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 10000 {
		// Lengths from 1e-12 to π, dense at both ends of the branches.
		n := math.Pi * math.Pow(10, -12*rng.Float64())
		v := vec(rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64())
		v = r3.Scale(n/r3.Norm(v), v)
		q := Exp(v)
		if d := math.Abs(quat.Abs(q) - 1); d > 1e-15 {
			t.Fatalf("|Exp(%v)| is off 1 by %g", v, d)
		}
		if d := vdiff(Log(q), v); d > 1e-14*max(n, 1e-3) {
			t.Fatalf("Log(Exp(%v)) off by %g", v, d)
		}
	}
	if Log(qn(1, 0, 0, 0)) != (r3.Vec{}) {
		t.Error("Log(1) is not zero")
	}
}

func TestMatrix_Sola(t *testing.T) {
	for _, tt := range []struct {
		v r3.Vec
		m [3][3]float64
	}{
		{vec(0.1, -0.2, 0.3), [3][3]float64{{0.935754803277919, -0.302932713402637, -0.180540076694398},
			{0.283164960565074, 0.950580617906092, -0.12733457491763}, {0.210191705950743, 0.06803131640494, 0.975290308953046}}},
		{vec(1, 2, -2), [3][3]float64{{-0.768882219200396, 0.536300560173344, -0.348140549426854},
			{0.348140549426854, -0.105551387000247, -0.93148111228682}, {-0.536300560173344, -0.837401106913575, -0.105551387000247}}},
	} {
		m := Matrix(Exp(tt.v))
		for i := range 3 {
			for j := range 3 {
				if math.Abs(m[i][j]-tt.m[i][j]) > 1e-14 {
					t.Errorf("R(%v)[%d][%d] = %.15f, want %.15f", tt.v, i, j, m[i][j], tt.m[i][j])
				}
			}
		}
	}
}

func TestProducts_Hamilton(t *testing.T) {
	if got := quat.Mul(qn(1, 2, 3, 4), qn(5, 6, 7, 8)); got != qn(-60, 12, 30, 24) {
		t.Errorf("(1,2,3,4)⊗(5,6,7,8) = %v", got)
	}
	// i⊗j = k; the other convention would give -k.
	if got := quat.Mul(qn(0, 1, 0, 0), qn(0, 0, 1, 0)); got != qn(0, 0, 0, 1) {
		t.Errorf("i⊗j = %v", got)
	}
	q := quat.Mul(Exp(vec(0.1, -0.2, 0.3)), Exp(vec(-0.4, 0.5, 0.2)))
	if d := qdiff(q, qn(0.9473115048825056, -0.1922503937323719, 0.1130327809120585, 0.2299223548641525)); d > 1e-15 {
		t.Errorf("product off by %g", d)
	}
	if d := vdiff(Log(q), vec(-0.391399321430143, 0.230121524796088, 0.468095029239447)); d > 2e-15 {
		t.Errorf("log of the product off by %g", d)
	}
	s := State{Att: Exp(vec(0.1, -0.2, 0.3))}
	if d := vdiff(s.ToWorld(vec(1, 2, 3)), vec(-0.211730853610549, 1.80232247162437, 3.27212526561976)); d > 1e-14 {
		t.Errorf("R·(1,2,3) off by %g", d)
	}
	if d := vdiff(s.ToBody(s.ToWorld(vec(1, 2, 3))), vec(1, 2, 3)); d > 1e-15 {
		t.Errorf("to world and back off by %g", d)
	}
	s.Att = FromEuler(0, 0, 90*deg)
	if d := vdiff(s.ToWorld(vec(1, 0, 0)), vec(0, 1, 0)); d > 1e-15 {
		t.Errorf("yaw of +90 degrees does not turn x into y: off by %g", d)
	}
}

func TestEulerZYX(t *testing.T) {
	for _, tt := range []struct {
		roll, pitch, yaw float64
		q                quat.Number
	}{
		{10, -20, 30, qn(0.943714364147489, 0.127679440695781, -0.144878125417369, 0.268535822751569)},
		{-3, 1.5, 250, qn(0.573611442084144, -0.00429449971485305, 0.0289463744712151, -0.8186046531674)},
	} {
		q := FromEuler(tt.roll*deg, tt.pitch*deg, tt.yaw*deg)
		if d := min(qdiff(q, tt.q), qdiff(quat.Scale(-1, q), tt.q)); d > 1e-14 {
			t.Errorf("%v %v %v: %v, off by %g", tt.roll, tt.pitch, tt.yaw, q, d)
		}
		s := State{Att: q}
		for _, a := range []struct {
			name      string
			got, want float64
		}{{"roll", s.Roll(), tt.roll}, {"pitch", s.Pitch(), tt.pitch}, {"yaw", s.Yaw(), tt.yaw}} {
			if d := math.Abs(wrapPi(a.got - a.want*deg)); d > 1e-14 {
				t.Errorf("%s comes back as %v degrees, want %v", a.name, a.got/deg, a.want)
			}
		}
	}
}

// A constant rate of (0.5,-0.3,0.8) rad/s for 100 steps of 0.01 s.
func TestConstantRate_Sola(t *testing.T) {
	s := State{Att: qn(1, 0, 0, 0)}
	for range 100 {
		s.Integrate(vec(0.5, -0.3, 0.8), r3.Vec{}, 0.01, &Params{})
	}
	if d := qdiff(s.Att, qn(0.879980705610383, 0.239915991756220, -0.143949595053732, 0.383865586809952)); d > 1e-13 {
		t.Errorf("attitude %v, off by %g", s.Att, d)
	}
}

// The step must turn by exactly w·dt whatever its size: series and sine meet.
func TestStepTurnsByRate(t *testing.T) {
	for _, n := range []float64{0, 1e-9, 1e-3, 0.1264, 0.1265, 0.1266, 0.5, 2, 3} {
		w := r3.Scale(n/r3.Norm(vec(1, 2, -2)), vec(1, 2, -2))
		s := State{Att: Exp(vec(0.1, -0.2, 0.3))}
		s.Integrate(r3.Scale(100, w), r3.Vec{}, 0.01, &Params{})
		if d := qdiff(s.Att, quat.Mul(Exp(vec(0.1, -0.2, 0.3)), Exp(w))); d > 1e-15 {
			t.Errorf("step of %g rad off by %g", n, d)
		}
	}
}
