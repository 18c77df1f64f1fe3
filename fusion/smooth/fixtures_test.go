package smooth

import (
	"math"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"gonum.org/v1/gonum/stat/distuv"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/navigation"
	"kerbline/gnss/geodesy"
)

// load smooths the files of a recording; drop says which epochs it must not see.
func load(t *testing.T, files map[string][]byte, drop func(utc float64) bool) *Trajectory {
	t.Helper()
	cfg := fusion.DefaultConfig()
	if err := toml.Unmarshal(files[fixtures.SettingsFile], &cfg); err != nil {
		t.Fatal(err)
	}
	s := navigation.Recording{Settings: cfg.Navigation()}
	for _, ch := range []struct {
		c    fusion.Channel
		name string
	}{{fusion.ChanNMEA, fixtures.NMEAFile}, {fusion.ChanIMU, fixtures.IMUFile}, {fusion.ChanWheel, fixtures.WheelFile}} {
		d := fusion.NewDecoder(cfg)
		emit := func(m *fusion.Measurement) {
			if m.Kind != fusion.KindEpoch || drop == nil || !drop(m.Epoch.UTC) {
				m.AddTo(&s)
			}
		}
		for b := files[ch.name]; len(b) > 0; {
			k := min(len(b), 4096)
			d.Decode(fusion.Record{Channel: ch.c, Data: b[:k]}, emit)
			b = b[k:]
		}
	}
	tr, err := Run(&s)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// figures are errors against truth over a stretch of true UTC.
type figures struct {
	n            int
	rms, yawRMS  float64
	nees, yawNES float64
}

func judge(tr *Trajectory, poses []Pose, truth *fixtures.Truth, sc *fixtures.Scenario, from, to float64) (f figures) {
	tf := truth.Frame()
	for i := range poses {
		p := &poses[i]
		utc := sc.UTC(p.T)
		if utc < from || utc > to {
			continue
		}
		st := truth.AtUTC(utc)
		got := tr.Frame.ToLLA(geodesy.ENU{E: p.State.Pos.X, N: p.State.Pos.Y, U: p.State.Pos.Z})
		q := tf.FromLLA(got)
		e, n := q.E-st.ENU.E, q.N-st.ENU.N
		yaw := math.Remainder(p.Yaw-st.Yaw, 2*math.Pi)
		f.n++
		f.rms += e*e + n*n
		f.yawRMS += yaw * yaw
		a, b, c := p.Cov[0][0], p.Cov[0][1], p.Cov[1][1]
		f.nees += (c*e*e - 2*b*e*n + a*n*n) / (a*c - b*b)
		f.yawNES += yaw * yaw / p.YawV
	}
	k := float64(f.n)
	f.rms, f.yawRMS, f.nees, f.yawNES = math.Sqrt(f.rms/k), math.Sqrt(f.yawRMS/k), f.nees/k, f.yawNES/k
	return f
}

// A gap of 10 s without epochs, against the generator's closed-form truth: the
// smoother is at least twice as good as the filter over the gap, without wheel
// speed and with it, and its covariance owns the error. In mid-gap the NEES of the
// horizontal position over independent seeds stays below the upper 97.5 % point of
// chi-square with 2 degrees of freedom each; the lower point does not apply,
// for the settings overbound the noise on purpose (inflation, floors), so instead
// the stated sigma may not exceed three times the error.
func TestSmoother_GapAgainstTruth(t *testing.T) {
	const seeds = 6
	for _, kind := range []string{"nominal", "no_wheel"} {
		var filter, smoother, nees, stated float64
		for seed := uint64(1); seed <= seeds; seed++ {
			sc := fixtures.Standard(kind, seed)
			sc.Still, sc.Duration = 20, 90
			files, _ := sc.Files()
			truth := sc.Truth()
			tr := load(t, files, func(utc float64) bool { x := utc - sc.Start; return x > 65 && x < 75 })
			f, s := judge(tr, tr.Filtered, truth, &sc, 65.1, 75), judge(tr, tr.Smoothed, truth, &sc, 65.1, 75)
			if f.n < 80 {
				t.Fatalf("%s, seed %d: %d nodes in the gap, want 80 or more", kind, seed, f.n)
			}
			filter += f.rms * f.rms / seeds
			smoother += s.rms * s.rms / seeds
			nees += judge(tr, tr.Smoothed, truth, &sc, 69.9, 70.1).nees / seeds
			for i := range tr.Smoothed {
				if u := sc.UTC(tr.Smoothed[i].T); u > 65.1 && u < 75 {
					h := tr.Smoothed[i].SigmaH()
					stated += h * h / float64(s.n) / seeds
				}
			}
		}
		t.Logf("%s: rms over a gap of 10 s: filter %.3f m, smoother %.3f m, NEES in mid-gap %.2f", kind, math.Sqrt(filter), math.Sqrt(smoother), nees)
		if ratio := math.Sqrt(filter / smoother); !(ratio >= 2) {
			t.Errorf("%s: filter %.3f m over smoother %.3f m is %.1f, want 2 or more", kind, math.Sqrt(filter), math.Sqrt(smoother), ratio)
		}
		if upper := (distuv.ChiSquared{K: 2 * seeds}).Quantile(0.975) / seeds; !(nees <= upper) {
			t.Errorf("%s: NEES %.2f, want at most %.2f", kind, nees, upper)
		}
		if !(stated <= 9*smoother) {
			t.Errorf("%s: stated sigma %.3f m against an error of %.3f m", kind, math.Sqrt(stated), math.Sqrt(smoother))
		}
	}
}

// A car that is moving when the recording starts, an outage of corrections, a
// missing IMU for a while: the reference stays within its own sigma.
func TestSmoother_OtherKinds(t *testing.T) {
	for _, kind := range []string{"moving_start", "link_silent", "imu_gap", "halt", "dual_antenna"} {
		sc := fixtures.Standard(kind, 2)
		sc.Duration = 200
		files, _ := sc.Files()
		truth := sc.Truth()
		tr := load(t, files, nil)
		s := judge(tr, tr.Smoothed, truth, &sc, 60, 199)
		t.Logf("%s: %+v", kind, s)
		if !(s.nees < 8) {
			t.Errorf("%s: mean NEES %.1f with 2 degrees of freedom: the covariance does not own the error (rms %.3f m)", kind, s.nees, s.rms)
		}
	}
}

// What cannot be smoothed is an error in words, and bad values do no harm.
func TestSmoother_Refuses(t *testing.T) {
	cfg := fusion.DefaultConfig()
	s := navigation.Recording{Settings: cfg.Navigation()}
	if _, err := Run(&s); err == nil || !strings.Contains(err.Error(), "inertial samples") {
		t.Errorf("nothing at all: %v", err)
	}
	for i := range 2000 {
		m := fusion.Measurement{T: float64(i) * 0.005, Kind: fusion.KindIMU, F: [3]float64{0, 0, 9.8}}
		if i%7 == 0 {
			m.W[0] = math.NaN()
		}
		m.AddTo(&s)
		(&fusion.Measurement{T: float64(i), Kind: fusion.KindWheel, V: math.Inf(1)}).AddTo(&s)
	}
	(&fusion.Measurement{Kind: fusion.KindEpoch}).AddTo(&s)
	if _, err := Run(&s); err == nil || !strings.Contains(err.Error(), "to start from") {
		t.Errorf("no epochs: %v", err)
	}
}
