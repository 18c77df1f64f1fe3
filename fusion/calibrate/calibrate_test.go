package calibrate

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
)

// run calibrates the files of a recording. own says that its settings are taken
// where there are any, else the defaults; change may alter every measurement.
func run(t testing.TB, files map[string][]byte, own bool, change func(m *fusion.Measurement)) *Result {
	t.Helper()
	cfg := fusion.DefaultConfig()
	if own {
		if err := toml.Unmarshal(files[fixtures.SettingsFile], &cfg); err != nil {
			t.Fatal(err)
		}
	}
	c := recording(cfg)
	for _, ch := range []struct {
		c    fusion.Channel
		name string
	}{{fusion.ChanNMEA, fixtures.NMEAFile}, {fusion.ChanIMU, fixtures.IMUFile}, {fusion.ChanWheel, fixtures.WheelFile}} {
		d := fusion.NewDecoder(cfg)
		for b := files[ch.name]; len(b) > 0; {
			k := min(len(b), 4096)
			d.Decode(fusion.Record{Channel: ch.c, Data: b[:k]}, func(m *fusion.Measurement) {
				if change != nil {
					change(m)
				}
				m.AddTo(c)
			})
			b = b[k:]
		}
	}
	res, err := Run(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// record makes a recording of the generator's: it stands for 15 s, then laps,
// sampled at 100 Hz to be quick.
func record(kind string, seed uint64, seconds float64, change func(s *fixtures.Scenario)) (map[string][]byte, *fixtures.Labels) {
	s := fixtures.Standard(kind, seed)
	s.Duration = seconds
	if s.Still > 0 {
		s.Still = 15
	}
	s.IMUHz = 100
	if change != nil {
		change(&s)
	}
	return s.Files()
}

// truth is what a recording was made with, by the names of the items. The
// generator's course points Slip times the lateral acceleration to the left of
// the body, the filter's to the right.
func truth(l *fixtures.Labels) map[string]float64 {
	return map[string]float64{
		"antenna x": l.Lever[0], "antenna y": l.Lever[1], "antenna z": l.Lever[2], "gnss latency": l.Latency,
		"mounting yaw": 0, "mounting pitch": 0, "wheel scale": 1 + l.Params.WheelScale, "side slip": -l.Params.Slip,
		"gyro bias x": l.GyroBias[0], "gyro bias y": l.GyroBias[1], "gyro bias z": l.GyroBias[2],
		"acc bias x": l.AccBias[0], "acc bias y": l.AccBias[1], "acc bias z": l.AccBias[2],
		"gyro noise": l.Params.ARW, "acc noise": l.Params.VRW,
	}
}

// within checks every value against the truth in units of its own sigma.
func within(t *testing.T, what string, res *Result, want map[string]float64, sigmas float64, visit func(it *Item, off float64)) {
	t.Helper()
	for i := range res.Items {
		it := &res.Items[i]
		w, ok := want[it.Name]
		if !ok || it.Verdict == NoData {
			continue
		}
		off := (it.Value - w) / it.Sigma
		if !(math.Abs(off) <= sigmas) {
			t.Errorf("%s: %s is %g ± %g, truth %g: %.1f sigma off", what, it.Name, it.Value, it.Sigma, w, off)
		}
		if visit != nil {
			visit(it, off)
		}
	}
}

func measured(t *testing.T, what string, res *Result, names ...string) {
	t.Helper()
	for _, n := range names {
		if it := res.Item(n); it == nil || it.Verdict != Measured {
			t.Errorf("%s: %s is not measured: %+v", what, n, it)
		}
	}
}

// The search begins with a wrong lever arm (the defaults: 0, 0, 1) and a latency
// tens of milliseconds off. Over seeds the errors are as large as the standard
// deviations say: their mean square in units of sigma stays below the upper
// 99.9 % point of chi-square with 5 degrees of freedom, 20.515, over 5. The lower
// point does not apply, for the settings overbound the noise on purpose.
func TestCalibrate_Recovers(t *testing.T) {
	const seeds = 5
	sum := map[string]float64{}
	for seed := uint64(1); seed <= seeds; seed++ {
		files, l := record("nominal", seed, 160, func(s *fixtures.Scenario) { s.IMUHz = 200 })
		res := run(t, files, false, nil)
		within(t, "nominal", res, truth(l), 4, func(it *Item, off float64) { sum[it.Name] += off * off / seeds })
		measured(t, "nominal", res, "antenna x", "antenna y", "gnss latency", "wheel scale", "mounting yaw", "mounting pitch", "gyro bias z", "acc bias x", "gyro noise", "acc noise")
		for _, c := range []struct {
			name string
			tol  float64
		}{{"antenna x", 0.04}, {"antenna y", 0.02}, {"gnss latency", 0.01}, {"wheel scale", 0.001}} {
			if it := res.Item(c.name); !(math.Abs(it.Value-truth(l)[c.name]) <= c.tol) {
				t.Errorf("seed %d: %s is %g, truth %g", seed, c.name, it.Value, truth(l)[c.name])
			}
		}
		if it := res.Item("antenna z"); it.Verdict != NotExcited || it.Note == "" {
			t.Errorf("seed %d: a flat circuit shows no height of the antenna: %+v", seed, it)
		}
		if it := res.Item("gyro bias instability"); it.Verdict != NotExcited {
			t.Errorf("seed %d: half a minute shows no bias instability: %+v", seed, it)
		}
	}
	for name, s := range sum {
		if !(s < 20.515/seeds) {
			t.Errorf("%s: mean square error is %.2f times the stated variance over %d seeds", name, s, seeds)
		}
	}
}

// Beginning from the right lever arm or from a wrong one ends at the same.
func TestCalibrate_SameFromAnywhere(t *testing.T) {
	files, _ := record("nominal", 3, 90, nil)
	a := run(t, files, true, nil)
	files[fixtures.SettingsFile] = []byte("[vehicle]\nantenna_m = [-1.2, 0.9, 0.2]\n[gnss]\nlatency_s = 0.2\n")
	b := run(t, files, true, nil)
	for _, n := range []string{"antenna x", "antenna y", "antenna z", "gnss latency", "wheel scale", "mounting yaw"} {
		if p, q := a.Item(n), b.Item(n); !(math.Abs(p.Value-q.Value) <= 0.35*p.Sigma) {
			t.Errorf("%s: %g ± %g from the right settings, %g from wrong ones", n, p.Value, p.Sigma, q.Value)
		}
	}
	if len(a.Findings) > 0 {
		t.Errorf("right settings: %q", a.Findings)
	}
}

// What goes wrong at a track does not spoil the values: it widens them at most.
func TestCalibrate_Faults(t *testing.T) {
	for _, kind := range []string{"jump", "link_silent", "clock_step", "garbled", "moving_start", "no_wheel", "float", "imu_gap"} {
		files, l := record(kind, 2, 100, nil)
		res := run(t, files, false, nil)
		within(t, kind, res, truth(l), 4, nil)
		measured(t, kind, res, "antenna y", "gnss latency")
		if _, ok := files[fixtures.WheelFile]; !ok {
			if it := res.Item("wheel scale"); it.Verdict != NoData || !math.IsNaN(it.Value) {
				t.Errorf("%s: wheel scale without a wheel: %+v", kind, it)
			}
		}
	}
}

// said reports whether one finding has all the words.
func said(res *Result, words ...string) bool {
	for _, f := range res.Findings {
		n := 0
		for _, w := range words {
			if strings.Contains(f, w) {
				n++
			}
		}
		if n == len(words) {
			return true
		}
	}
	return false
}

// Wrong units and axes are said, and the rest is measured all the same.
func TestCalibrate_UnitsAndAxes(t *testing.T) {
	mode := func(kind, m string) map[string][]byte {
		files, _ := record(kind, 1, 90, func(s *fixtures.Scenario) { s.Faults[0].Mode = m })
		return files
	}
	for _, tt := range []struct {
		kind, mode       string
		words            [][]string
		yaw, pitch, roll float64 // deg, NaN where no angle describes it
	}{
		{"units", "g", [][]string{{"specific force", "looks like g"}}, 0, 0, 0},
		{"units", "deg", [][]string{{"yaw gyro", "looks like degrees"}}, 0, 0, 0},
		{"units", "g+deg", [][]string{{"specific force", "looks like g"}, {"yaw gyro", "looks like degrees"}}, 0, 0, 0},
		{"axes", "frd", [][]string{{"left is on -y", "up is on -z", "mounting angles"}}, 0, 0, 180},
		{"axes", "reversed", [][]string{{"forward is on -x", "left is on -y", "mounting angles"}}, 180, 0, 0},
		{"axes", "swapped", [][]string{{"forward is on +y", "left is on +x", "swap or negate"}}, math.NaN(), math.NaN(), 0},
	} {
		res := run(t, mode(tt.kind, tt.mode), true, nil)
		what := tt.kind + " " + tt.mode
		if len(res.Findings) != len(tt.words) {
			t.Errorf("%s: findings %q", what, res.Findings)
		}
		for _, w := range tt.words {
			if !said(res, w...) {
				t.Errorf("%s: nothing says %q: %q", what, w, res.Findings)
			}
		}
		measured(t, what, res, "antenna x", "antenna y", "gnss latency")
		for name, want := range map[string]float64{"mounting yaw": tt.yaw, "mounting pitch": tt.pitch} {
			it := res.Item(name)
			if math.IsNaN(want) {
				if it.Verdict != NoData {
					t.Errorf("%s: %s: %+v", what, name, it)
				}
			} else if !(math.Abs(math.Remainder(it.Value-want, 360)) < 0.3) {
				t.Errorf("%s: %s is %.2f deg, want %g", what, name, it.Value, want)
			}
		}
		if roll := res.Item("mounting roll"); !math.IsNaN(tt.yaw) && math.Abs(math.Remainder(roll.Value-tt.roll, 360)) > 1 {
			t.Errorf("%s: mounting roll %+v, want %g", what, roll, tt.roll)
		}
	}
}

// The mounting angles put into the settings make the same recording right.
func TestCalibrate_MountingRoundTrip(t *testing.T) {
	files, l := record("nominal", 4, 90, nil)
	turn := eskf.State{Att: eskf.FromEuler(172*perDegree, -3*perDegree, 100*perDegree)}
	change := func(m *fusion.Measurement) { // into the axes of a sensor mounted that way
		if m.Kind == fusion.KindIMU {
			w, f := turn.ToBody(r3.Vec{X: m.W[0], Y: m.W[1], Z: m.W[2]}), turn.ToBody(r3.Vec{X: m.F[0], Y: m.F[1], Z: m.F[2]})
			m.W, m.F = [3]float64{w.X, w.Y, w.Z}, [3]float64{f.X, f.Y, f.Z}
		}
	}
	res := run(t, files, true, change)
	for name, want := range map[string]float64{"mounting yaw": 100, "mounting pitch": -3, "mounting roll": 172} {
		// Yawed by a right angle, what gravity says of roll is the sensor's pitch.
		if it := res.Item(name); it.Verdict != Measured || math.Abs(math.Remainder(it.Value-want, 360)) > 2.5*it.Sigma {
			t.Errorf("%+v, want %g", it, want)
		}
	}
	files[fixtures.SettingsFile] = []byte("[vehicle]\nantenna_m = [0, 0, 1]\n[imu]\nmount_yaw_deg = 100.0\nmount_pitch_deg = -3.0\nmount_roll_deg = 172.0\n")
	res = run(t, files, true, change)
	if said(res, "axes") || said(res, "mounting") {
		t.Errorf("mounting as configured: %q", res.Findings)
	}
	want := truth(l)
	want["mounting yaw"], want["mounting pitch"] = 100, -3
	delete(want, "acc bias x") // in body axes, where the labels are in the sensor's
	within(t, "turned", res, want, 4, nil)
}

// Faults that the generator does not have.
func TestCalibrate_OtherSigns(t *testing.T) {
	files, _ := record("nominal", 1, 90, nil)
	imu := func(f func(m *fusion.Measurement)) func(m *fusion.Measurement) {
		return func(m *fusion.Measurement) {
			if m.Kind == fusion.KindIMU {
				f(m)
			}
		}
	}
	wheel := func(k float64) func(m *fusion.Measurement) {
		return func(m *fusion.Measurement) {
			if m.Kind == fusion.KindWheel {
				m.V *= k
			}
		}
	}
	for _, tt := range []struct {
		what   string
		change func(m *fusion.Measurement)
		words  []string
		lever  bool // is still found
	}{
		{"gyro x negative", imu(func(m *fusion.Measurement) { m.W[0] = -m.W[0] }), []string{"gyro: its forward axis is negative"}, true},
		{"gyro y negative", imu(func(m *fusion.Measurement) { m.W[1] = -m.W[1] }), []string{"gyro: its left axis is negative"}, true},
		{"gyro x and y exchanged", imu(func(m *fusion.Measurement) { m.W[0], m.W[1] = m.W[1], m.W[0] }), []string{"gyro: its forward and left axes are exchanged"}, true},
		{"gyro z negative", imu(func(m *fusion.Measurement) { m.W[2] = -m.W[2] }), []string{"yaw gyro", "negative"}, false},
		{"gyro on other axes", imu(func(m *fusion.Measurement) { m.W[0], m.W[2] = m.W[2], m.W[0] }), []string{"turns show on gyro +x"}, false},
		{"z negative", imu(func(m *fusion.Measurement) { m.W[2], m.F[2] = -m.W[2], -m.F[2] }), []string{"up is on -z", "swap or negate"}, true},
		{"thousandths of g", imu(func(m *fusion.Measurement) {
			for i := range m.F {
				m.F[i] *= 1000 / gravity
			}
		}), []string{"thousandths of g"}, true},
		{"half of it", imu(func(m *fusion.Measurement) { m.F[0], m.F[1], m.F[2] = m.F[0]/2, m.F[1]/2, m.F[2]/2 }), []string{"neither m/s^2 nor g"}, false},
		{"km/h", wheel(3.6), []string{"km/h"}, true},
		{"miles an hour", wheel(1 / 0.44704), []string{"miles an hour"}, true},
		{"wheel backwards", wheel(-1), []string{"wheel speed is negative"}, true},
		{"pulses", wheel(40), []string{"wheel speed is 40"}, true},
	} {
		res := run(t, files, true, tt.change)
		if len(res.Findings) != 1 || !said(res, tt.words...) {
			t.Errorf("%s: findings %q, want %q", tt.what, res.Findings, tt.words)
		}
		if it := res.Item("antenna y"); (it.Verdict == Measured) != tt.lever {
			t.Errorf("%s: antenna y %+v", tt.what, it)
		}
	}
}

// A lever arm with the wrong sign, and one with x and y exchanged.
func TestCalibrate_WrongLever(t *testing.T) {
	for _, axis := range []string{"x", "y"} {
		files, _ := record("lever", 2, 90, func(s *fixtures.Scenario) {
			i := int(axis[0] - 'x')
			s.Lever = [3]float64{0.3, -0.2, 0.9}
			s.LeverSaid = s.Lever
			s.LeverSaid[i] = -s.Lever[i]
		})
		if res := run(t, files, true, nil); len(res.Findings) != 1 || !said(res, "antenna_m "+axis, "the sign is wrong") {
			t.Errorf("%s: %q", axis, res.Findings)
		}
	}
	files, _ := record("lever", 2, 90, func(s *fixtures.Scenario) {
		s.Lever, s.LeverSaid = [3]float64{0.4, -0.1, 0.9}, [3]float64{-0.1, 0.4, 0.9}
	})
	if res := run(t, files, true, nil); len(res.Findings) != 1 || !said(res, "antenna_m", "exchanged") {
		t.Errorf("exchanged: %q", res.Findings)
	}
}

// A receiver that reports positions alone: the displacements stand in for speed and
// course.
func TestCalibrate_PositionsAlone(t *testing.T) {
	files, l := record("nominal", 3, 150, nil)
	res := run(t, files, false, func(m *fusion.Measurement) {
		if m.Kind == fusion.KindEpoch {
			m.Epoch.Speed, m.Epoch.Course = math.NaN(), math.NaN()
		}
	})
	measured(t, "positions alone", res, "antenna y", "gnss latency", "mounting pitch", "wheel scale")
	within(t, "positions alone", res, truth(l), 4, nil)
}

// A car that only stands has noise and gyro bias to show, nothing else.
func TestCalibrate_StandsOnly(t *testing.T) {
	files, l := record("nominal", 5, 25, nil)
	res := run(t, files, true, nil)
	measured(t, "standing", res, "gyro noise", "acc noise", "gyro bias x", "gyro bias y", "gyro bias z")
	within(t, "standing", res, truth(l), 4, nil)
	for _, n := range []string{"antenna x", "gnss latency", "mounting yaw", "wheel scale", "side slip", "acc bias x"} {
		if it := res.Item(n); it.Verdict != NoData || !math.IsNaN(it.Value) || it.Note == "" {
			t.Errorf("%s: %+v", n, it)
		}
	}
	if len(res.Findings) > 0 {
		t.Errorf("findings %q", res.Findings)
	}
}

// A sensor alone on a bench, its noise known: recovered within 10 %.
func TestCalibrate_Bench(t *testing.T) {
	c, want := bench()
	res, err := Run(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, w := range want {
		if it := res.Item(name); it.Verdict != Measured || !(math.Abs(it.Value-w) <= 0.1*w) {
			t.Errorf("%s: %+v, want %g within 10 %%", name, it, w)
		}
	}
	if len(res.Curves) != 6 || len(res.Findings) > 0 {
		t.Errorf("%d curves, findings %q", len(res.Curves), res.Findings)
	}
}

// bench records two hours of a sensor at rest, at 10 Hz.
func bench() (*navigation.Recording, map[string]float64) {
	const hz, n = 10.0, 2 * 36000
	rng := noiseSource(3)
	var sig [6][]float64
	for k := range sig {
		white, floor := 1e-4, 8e-5
		if k >= 3 {
			white, floor = 1e-3, 9e-4
		}
		sig[k] = flicker(rng, n, floor)
		for i := range sig[k] {
			sig[k][i] += white * math.Sqrt(hz) * rng.NormFloat64()
		}
	}
	c := recording(fusion.DefaultConfig())
	for i := range n {
		c.AddIMU(1e9+float64(i)/hz, [3]float64{sig[0][i], sig[1][i], sig[2][i]}, [3]float64{sig[3][i], sig[4][i], 9.81 + sig[5][i]})
	}
	return c, map[string]float64{"gyro noise": 1e-4, "gyro bias instability": 8e-5, "acc noise": 1e-3, "acc bias instability": 9e-4}
}

// What cannot be calibrated is an error in words, and bad values do no harm.
func TestCalibrate_Refuses(t *testing.T) {
	c := recording(fusion.DefaultConfig())
	if _, err := Run(c, nil); err == nil || !strings.Contains(err.Error(), "0 inertial samples") {
		t.Errorf("nothing at all: %v", err)
	}
	c = recording(fusion.DefaultConfig())
	for i := range 3000 {
		m := fusion.Measurement{T: float64(i) * 0.005, Kind: fusion.KindIMU, F: [3]float64{0, 0, 9.8}}
		if i%7 == 0 {
			m.W[0] = math.NaN()
		}
		m.AddTo(c)
		(&fusion.Measurement{T: float64(i), Kind: fusion.KindWheel, V: math.Inf(1)}).AddTo(c)
		(&fusion.Measurement{T: math.NaN(), Kind: fusion.KindIMU}).AddTo(c)
	}
	(&fusion.Measurement{Kind: fusion.KindEpoch}).AddTo(c)
	res, err := Run(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range res.Items {
		if it.Verdict == Measured && !strings.HasPrefix(it.Name, "gyro bias") {
			t.Errorf("a sensor that reads the same all the time: %+v", it)
		}
	}
}

// recordings finds a folder of practice recordings, or skips.
func recordings(t *testing.T) string {
	t.Helper()
	if d := os.Getenv("KERBLINE_RECORDINGS"); d != "" {
		return d
	}
	t.Skip("KERBLINE_RECORDINGS names no folder of recordings")
	return ""
}

// practice returns the files of a practice recording and what was done to it.
func practice(t *testing.T, folder string) (map[string][]byte, *fixtures.Labels) {
	t.Helper()
	files := map[string][]byte{}
	for _, n := range []string{fixtures.NMEAFile, fixtures.IMUFile, fixtures.WheelFile, fixtures.SettingsFile, fixtures.LabelsFile, fixtures.TruthFile} {
		b, err := os.ReadFile(filepath.Join(recordings(t), folder, n))
		if err != nil {
			t.Skip(err)
		}
		files[n] = b
	}
	l, err := fixtures.ReadLabels(files[fixtures.LabelsFile])
	if err != nil {
		t.Fatal(err)
	}
	return files, l
}

// A recording of another simulator, whose receiver reports the velocity of the
// body origin and whose car leans: lever arm within 2 cm where the recording
// excites it, latency within 10 ms, wheel scale within 0.1 %, each inside its own
// 3 sigma, from the recording's settings and from the defaults.
func TestCalibrate_OtherSimulator(t *testing.T) {
	files, l := practice(t, "nominal")
	for _, own := range []bool{true, false} {
		res := run(t, files, own, nil)
		within(t, "nominal", res, truth(l), 3, nil)
		measured(t, "nominal", res, "antenna x", "antenna y", "gnss latency", "wheel scale")
		for name, tol := range map[string]float64{"antenna x": 0.02, "antenna y": 0.02, "gnss latency": 0.01, "wheel scale": 0.001} {
			if it := res.Item(name); !(math.Abs(it.Value-truth(l)[name]) <= tol) {
				t.Errorf("%s is %g ± %g, truth %g", name, it.Value, it.Sigma, truth(l)[name])
			}
		}
		if it := res.Item("antenna z"); it.Verdict == Measured {
			t.Errorf("antenna z claims to be measured: %+v", it)
		}
		if own && len(res.Findings) > 0 {
			t.Errorf("findings %q", res.Findings)
		}
	}
}

func recording(cfg fusion.Config) *navigation.Recording {
	return &navigation.Recording{Settings: cfg.Navigation()}
}
