package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fixtures"
)

// From a recording to settings that the other commands take: the table, what
// was found in the file and nothing else, the same bytes twice.
func TestCalibrateCommand(t *testing.T) {
	s := fixtures.Standard("lever", 2)
	s.Still, s.Duration = 20, 150
	s.Lever, s.LeverSaid = [3]float64{0.4, -0.12, 0.9}, [3]float64{-0.4, -0.12, 0.9}
	dir := filepath.Join(t.TempDir(), "rec")
	if err := s.Write(dir); err != nil {
		t.Fatal(err)
	}
	found, plot := filepath.Join(t.TempDir(), "found.toml"), filepath.Join(t.TempDir(), "allan.svg")
	code, out, errOut := kerbline(t, "calibrate", dir, "-o", found, "--plot", plot)
	if code != exitDone || !onlyWritten(errOut, 2) {
		t.Fatalf("exit %d, %q", code, errOut)
	}
	for _, want := range []string{"look at this first:\n  antenna_m x is -0.40 m in the settings, 0.", "the sign is wrong\n", "gnss latency ", "measured", "not excited"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table has no %q:\n%s", want, out)
		}
	}
	f, err := settings.Load(found)
	if err != nil {
		b, _ := os.ReadFile(found)
		t.Fatalf("%v:\n%s", err, b)
	}
	a := f.Vehicle.Antenna
	if math.Abs(a[0]-0.4) > 0.05 || math.Abs(a[1]+0.12) > 0.02 || a[2] != 0.9 {
		t.Errorf("antenna_m = %v, want 0.4, -0.12 and the configured 0.9", a)
	}
	if math.Abs(f.GNSS.Latency-s.Latency) > 0.01 || math.Abs(f.IMU.Gyro-s.ARW) > 0.1*s.ARW || math.Abs(f.IMU.Acc-s.VRW) > 0.1*s.VRW {
		t.Errorf("latency %g, noise %g, %g; want %g, %g, %g", f.GNSS.Latency, f.IMU.Gyro, f.IMU.Acc, s.Latency, s.ARW, s.VRW)
	}
	// What was not found stays away: as loaded, it is the default.
	d := settings.Default()
	d.Vehicle.Antenna, d.Vehicle.AntennaSigma = f.Vehicle.Antenna, f.Vehicle.AntennaSigma
	d.GNSS.Latency, d.GNSS.LatencySigma = f.GNSS.Latency, f.GNSS.LatencySigma
	d.IMU.Gyro, d.IMU.Acc = f.IMU.Gyro, f.IMU.Acc
	if fmt.Sprint(f) != fmt.Sprint(d) {
		t.Errorf("more was written than found: %+v", f)
	}
	if b, err := os.ReadFile(plot); err != nil || !strings.HasPrefix(string(b), "<svg ") {
		t.Errorf("plot: %v, %.40q", err, b)
	}
	if code, _, errOut := kerbline(t, "replay", dir, "--config", found); code != exitDone {
		t.Errorf("replay with the settings found: %s", errOut)
	}
	if _, again, _ := kerbline(t, "calibrate", dir); again != out {
		t.Error("the second run prints other bytes")
	}

	code, out, errOut = kerbline(t, "calibrate", dir, "--json")
	var doc struct {
		Findings []string
		Items    []struct{ Name, Verdict string }
	}
	if err := json.Unmarshal([]byte(out), &doc); code != exitDone || err != nil || len(doc.Findings) != 1 || len(doc.Items) < 20 {
		t.Errorf("exit %d, %q, %v: %+v", code, errOut, err, doc)
	}
}

// A sensor mounted turned: the three angles are written, and with them nothing
// is left to say.
func TestCalibrateMounting(t *testing.T) {
	s := fixtures.Standard("axes", 3)
	s.Still, s.Duration = 20, 120
	s.Faults[0].Mode = "frd"
	dir := filepath.Join(t.TempDir(), "rec")
	if err := s.Write(dir); err != nil {
		t.Fatal(err)
	}
	found := filepath.Join(t.TempDir(), "found.toml")
	code, out, errOut := kerbline(t, "calibrate", dir, "-o", found)
	if code != exitDone || !strings.Contains(out, "up is on -z, want it on +z") {
		t.Fatalf("exit %d, %q\n%s", code, errOut, out)
	}
	f, err := settings.Load(found)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(math.Remainder(f.IMU.MountRoll-180, 360)) > 2 || math.Abs(f.IMU.MountPitch) > 2 || math.Abs(f.IMU.MountYaw) > 2 {
		t.Errorf("mounting %g, %g, %g, want 0, 0, 180", f.IMU.MountYaw, f.IMU.MountPitch, f.IMU.MountRoll)
	}
	if _, out, _ = kerbline(t, "calibrate", dir, "--config", found); strings.Contains(out, "look at this first") {
		t.Errorf("mounted as found:\n%s", out)
	}
}

// A sensor alone, without receiver or car.
func TestCalibrateBench(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var b strings.Builder
	for i := range 100 * 60 {
		fmt.Fprintf(&b, "%.3f,%.7f,%.7f,%.7f,%.6f,%.6f,%.6f\n", 1.7e9+float64(i)/100, 1e-3*rng.NormFloat64(), 1e-3*rng.NormFloat64(), 1e-3*rng.NormFloat64(),
			1e-2*rng.NormFloat64(), 1e-2*rng.NormFloat64(), 9.81+1e-2*rng.NormFloat64())
	}
	path := filepath.Join(t.TempDir(), "night.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errOut := kerbline(t, "calibrate", "--imu", path, "-o", "-")
	if code != exitDone {
		t.Fatal(errOut)
	}
	for _, want := range []string{"still 59 s, driven 0 s", "gyro noise = ", "acc_noise = ", "the car never moved"} {
		if !strings.Contains(strings.ReplaceAll(out, "gyro_noise", "gyro noise"), want) {
			t.Errorf("no %q:\n%s", want, out)
		}
	}
	if strings.Contains(out, "latency_s") || strings.Contains(out, "antenna_m") {
		t.Errorf("what a bench cannot show is written:\n%s", out)
	}
}

func TestCalibrateExitCodes(t *testing.T) {
	dir := loop(t, "nominal", 5)
	empty := filepath.Join(t.TempDir(), "imu.csv")
	if err := os.WriteFile(empty, []byte("t,wx,wy,wz,fx,fy,fz\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"calibrate"}, exitUsage, "nothing to read, want a recording"},
		{[]string{"calibrate", "a", "b"}, exitUsage, "is one too many"},
		{[]string{"calibrate", dir, "--set", "imu.gyro_nois=1"}, exitUsage, `did you mean "imu.gyro_noise"?`},
		{[]string{"calibrate", "--imu", empty, "--set", "imu.gyro_nois=1"}, exitUsage, `did you mean "imu.gyro_noise"?`},
		{[]string{"calibrate", "--imu", empty}, exitFailed, "calibrate: 0 inertial samples, want 100 or more"},
		{[]string{"calibrate", "--imu", filepath.Join(dir, "none")}, exitFailed, "no such file"},
		{[]string{"calibrate", filepath.Join(dir, "none")}, exitFailed, "want a folder or an MCAP file"},
		{[]string{"calibrate", dir, "-o", "/dev/full"}, exitFailed, "no space left on device"},
		{[]string{"calibrate", dir, "--plot", filepath.Join(dir, "no", "p.svg")}, exitFailed, "no such file or directory"},
		{[]string{"calibrate", dir}, exitDone, ""},
	} {
		code, _, errOut := kerbline(t, tt.args...)
		if code != tt.code || !strings.Contains(errOut, tt.want) {
			t.Errorf("kerbline %s: exit %d, %q; want %d, %q", strings.Join(tt.args, " "), code, errOut, tt.code, tt.want)
		}
	}
}
