package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerbline/fixtures"
	"kerbline/gnss/nmea"
)

// rewrite rewrites the rows of a recording's own CSV file; row takes the numbers.
func rewrite(t *testing.T, dir, name, header string, row func(v []float64, n int) string) {
	t.Helper()
	path := filepath.Join(dir, name)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	out.WriteString(header)
	n := 0
	for _, line := range strings.Split(string(b), "\n") {
		var v []float64
		for _, f := range strings.Split(strings.TrimSpace(line), ",") {
			if x, err := strconv.ParseFloat(f, 64); err == nil {
				v = append(v, x)
			}
		}
		if len(v) >= 2 {
			out.WriteString(row(v, n) + "\n")
			n++
		}
	}
	if err := os.WriteFile(path, []byte(out.String()), 0o600); err != nil {
		t.Fatal(err)
	}
}

const degree = math.Pi / 180

var aTime = regexp.MustCompile(`^(\$G.(?:GGA|RMC|GST|GNS|GBS|ZDA),)(\d{2})(\d{2})([\d.]+)(,.*)\*..$`)

// shifted makes the sentences of a log tell a time that is s seconds ahead.
func shifted(t *testing.T, dir string, s float64) {
	t.Helper()
	path := filepath.Join(dir, "nmea.log")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(b), "\r\n")
	for i, l := range lines {
		at := strings.LastIndexByte(l, '\\') + 1
		m := aTime.FindStringSubmatch(l[at:])
		if m == nil {
			continue
		}
		h, _ := strconv.Atoi(m[2])
		min, _ := strconv.Atoi(m[3])
		sec, _ := strconv.ParseFloat(m[4], 64)
		day := float64(h)*3600 + float64(min)*60 + sec + s
		body := fmt.Sprintf("%s%02d%02d%05.2f%s", m[1][1:], int(day)/3600, int(day)/60%60, math.Mod(day, 60), m[5])
		lines[i] = l[:at] + "$" + body + fmt.Sprintf("*%02X", checksum(body))
	}
	if err := os.WriteFile(path, []byte(strings.Join(lines, "\r\n")), 0o600); err != nil {
		t.Fatal(err)
	}
}

func checksum(s string) (x byte) {
	for i := range len(s) {
		x ^= s[i]
	}
	return x
}

// positionTable puts the positions of a log into a table of its own.
func positionTable(t *testing.T, dir string) {
	t.Helper()
	path := filepath.Join(dir, "nmea.log")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p := nmea.NewParser()
	var out strings.Builder
	out.WriteString("%  UTC                     latitude(deg)  longitude(deg)  height(m)  Q  sde(m)  sdn(m)  sdu(m)  ve(m/s)  vn(m/s)\n")
	var gga, rmc nmea.Sentence
	for _, l := range strings.Split(string(b), "\r\n") {
		s, err := p.Parse([]byte(l[strings.LastIndexByte(l, '\\')+1:]))
		if err != nil {
			continue
		}
		switch s.Type {
		case nmea.GGA:
			gga = *s
		case nmea.RMC:
			rmc = *s
		case nmea.GST:
			if rmc.Date < 0 || gga.Time != s.Time || rmc.Time != s.Time || math.IsNaN(gga.Lat) {
				continue
			}
			at := time.Unix(int64(rmc.Date)*86400, int64(math.Round(gga.Time*1e3))*1e6).UTC()
			ve, vn := 0.0, 0.0
			if !math.IsNaN(rmc.Course) {
				ve, vn = rmc.Speed*math.Sin(rmc.Course), rmc.Speed*math.Cos(rmc.Course)
			}
			fmt.Fprintf(&out, "%s %.10f %.10f %.4f %d %.4f %.4f %.4f %.4f %.4f\n", at.Format("2006/01/02 15:04:05.000"),
				gga.Lat/degree, gga.Lon/degree, gga.Alt+gga.Sep, gga.Quality, s.SigE, s.SigN, s.SigU, ve, vn)
		}
	}
	if err := os.WriteFile(path, []byte(out.String()), 0o600); err != nil {
		t.Fatal(err)
	}
}

var usableIn = regexp.MustCompile(`(?m)^(as set now|as proposed) +usable ([\d.]+) %`)

// A new team's first hour: an empty settings file, and inputs as loggers write
// them. Setup finds what they hold, says which setting it is, and with a yes the
// drive is usable.
func TestSetup_FirstHour(t *testing.T) {
	imuRow := func(t0, k float64, sep string) func(v []float64, n int) string {
		return func(v []float64, n int) string {
			const g = 9.80665
			return strings.Join([]string{strconv.FormatFloat((v[0]-t0)*k, 'f', 4, 64), fmt.Sprintf("%.6f", v[4]/g), fmt.Sprintf("%.6f", v[5]/g), fmt.Sprintf("%.6f", v[6]/g),
				fmt.Sprintf("%.5f", v[1]/degree), fmt.Sprintf("%.5f", v[2]/degree), fmt.Sprintf("%.5f", v[3]/degree)}, sep)
		}
	}
	for i, tt := range []struct {
		name string
		make func(t *testing.T, dir string)
		keys []string // settings that are found
	}{
		// The first four always, all with KERBLINE_LONG.
		{"as our own", func(*testing.T, string) {}, []string{"vehicle.antenna_m", "gnss.latency_s", "base.ecef_m"}},
		{"white space, g, deg/s, ms", func(t *testing.T, dir string) { rewrite(t, dir, "imu.csv", "", imuRow(0, 1e3, "  ")) }, []string{"columns.imu"}},
		{"x back, y right, z up", func(t *testing.T, dir string) {
			rewrite(t, dir, "imu.csv", "", func(v []float64, n int) string {
				return fmt.Sprintf("%.6f,%.6f,%.6f,%.6f,%.5f,%.5f,%.5f", v[0], -v[1], -v[2], v[3], -v[4], -v[5], v[6])
			})
		}, []string{"imu.mount_yaw_deg"}},
		{"ms since the logger was switched on", func(t *testing.T, dir string) {
			rewrite(t, dir, "imu.csv", "", imuRow(fixtures.Standard("nominal", 7).Start-37.2, 1e3, "\t"))
		}, []string{"columns.imu", "columns.imu_offset_s"}},
		{"header in another order", func(t *testing.T, dir string) {
			rewrite(t, dir, "imu.csv", "accel_x [g];accel_y [g];accel_z [g];gyro_x [deg/s];gyro_y [deg/s];gyro_z [deg/s];timestamp [us]\n", func(v []float64, n int) string {
				f := strings.Split(imuRow(0, 1e6, ";")(v, n), ";")
				return strings.Join(append(f[1:], f[0]), ";")
			})
		}, nil},
		{"GPS time", func(t *testing.T, dir string) {
			rewrite(t, dir, "imu.csv", "", imuRow(315964800-18, 1, ","))
		}, []string{"columns.imu", "columns.imu_offset_s"}},
		{"wheel in km/h behind a counter", func(t *testing.T, dir string) {
			rewrite(t, dir, "wheel.csv", "", func(v []float64, n int) string { return fmt.Sprintf("%d,%.6f,%.4f", n, v[0], 3.6*v[1]) })
		}, []string{"columns.wheel"}},
		{"sentences in GPS time", func(t *testing.T, dir string) { shifted(t, dir, 18) }, []string{"columns.gnss_offset_s"}},
		{"a table of positions", positionTable, nil},
		{"the same beside a sensor with a clock of its own, x back, y right, in g and deg/s", func(t *testing.T, dir string) {
			positionTable(t, dir)
			originalShape(t, dir, 0.117)
			rewrite(t, dir, "wheel.csv", "", func(v []float64, _ int) string { return fmt.Sprintf("%.6f,%.4f", v[0]+0.117, v[1]) })
		}, []string{"columns.imu_offset_s", "gnss.latency_sigma_s", "imu.mount_yaw_deg"}},
	} {
		if i >= 4 && os.Getenv("KERBLINE_LONG") == "" {
			break
		}
		t.Run(tt.name, func(t *testing.T) {
			s := fixtures.Standard("nominal", 7)
			s.Duration, s.Lever = 150, [3]float64{0.55, -0.2, 0.9}
			dir := filepath.Join(t.TempDir(), "first")
			if err := s.Write(dir); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, "kerbline.toml"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
			tt.make(t, dir)
			code, out, errOut := kerbline(t, "setup", dir, "--yes")
			if code != exitDone {
				t.Fatalf("exit %d: %s%s", code, out, errOut)
			}
			for _, k := range tt.keys {
				if !strings.Contains(out, "\n"+k+" ") {
					t.Errorf("%s is not found:\n%s", k, out)
				}
			}
			got := usableIn.FindAllStringSubmatch(out, -1)
			if len(got) != 2 {
				t.Fatalf("the two settings are not compared:\n%s", out)
			}
			was, _ := strconv.ParseFloat(got[0][2], 64)
			is, _ := strconv.ParseFloat(got[1][2], 64)
			// 14 s of 140 pass until turns have shown the lever arm.
			if was > 10 || is < 85 {
				t.Errorf("usable %.1f %% before and %.1f %% after, want nothing before and the drive after:\n%s", was, is, out)
			}
			// What was written is what was tried.
			if code, out, errOut := kerbline(t, "setup", dir, "--yes"); code != exitDone || strings.Contains(out, "columns.") {
				t.Errorf("a second setup: exit %d:\n%s%s", code, out, errOut)
			}
		})
	}
}

// originalShape writes the samples as a logger of the real drive did: columns between
// blanks with names and units, g and deg/s, x back, y right, z up, ahead of UTC.
func originalShape(t *testing.T, dir string, ahead float64) {
	t.Helper()
	const g = 9.80665
	rewrite(t, dir, "imu.csv", "time(s)  acc_x(g)  acc_y(g)  acc_z(g)  gyr_x(deg/s)  gyr_y(deg/s)  gyr_z(deg/s)\n", func(v []float64, _ int) string {
		return fmt.Sprintf("%.4f  %.6f  %.6f  %.6f  %.5f  %.5f  %.5f", v[0]+ahead, -v[4]/g, -v[5]/g, v[6]/g, -v[1]/degree, -v[2]/degree, v[3]/degree)
	})
}

// A real car's drive in the shapes in which it was published is read without a
// converter and usable after setup.
func TestSetup_RealDrive(t *testing.T) {
	drive := os.Getenv("KERBLINE_DRIVE")
	if drive == "" {
		t.Skip("KERBLINE_DRIVE is not set")
	}
	dir := t.TempDir()
	for _, name := range []string{"nmea.log", "imu.csv"} {
		b, err := os.ReadFile(filepath.Join(drive, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	positionTable(t, dir)
	originalShape(t, dir, 0)
	code, out, errOut := kerbline(t, "setup", dir, "--yes")
	if code != exitDone {
		t.Fatalf("exit %d: %s%s", code, out, errOut)
	}
	got := usableIn.FindAllStringSubmatch(out, -1)
	if len(got) != 2 {
		t.Fatalf("the two settings are not compared:\n%s", out)
	}
	t.Log(out)
	if is, _ := strconv.ParseFloat(got[1][2], 64); is < 80 {
		t.Errorf("usable %.1f %% of driving, want 80 %%", is)
	}
}

// Without a terminal nothing is written unasked, and nothing is overwritten
// without a copy.
func TestSetup_AsksFirst(t *testing.T) {
	s := fixtures.Standard("nominal", 7)
	s.Duration = 120
	dir := filepath.Join(t.TempDir(), "first")
	if err := s.Write(dir); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "kerbline.toml")
	mine := []byte("# mine\n[limits]\nlateral_m = 0.45\n")
	if err := os.WriteFile(path, mine, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, answer := range []string{"", "maybe\n"} {
		var o, e strings.Builder
		code := run(t.Context(), []string{"setup", dir}, strings.NewReader(answer), &o, &e)
		if b, _ := os.ReadFile(path); string(b) != string(mine) || code != exitDone || !strings.Contains(o.String(), "Nothing is written") {
			t.Fatalf("answer %q: exit %d, file %q\n%s%s", answer, code, b, o.String(), e.String())
		}
	}
	var o, e strings.Builder
	if code := run(t.Context(), []string{"setup", dir}, strings.NewReader("yes\n"), &o, &e); code != exitDone {
		t.Fatalf("exit %d: %s", code, e.String())
	}
	if b, _ := os.ReadFile(path + ".before"); string(b) != string(mine) {
		t.Errorf("the file before is kept as %q", b)
	}
	if b, _ := os.ReadFile(path); !strings.Contains(string(b), "lateral_m = 0.45") || !strings.Contains(string(b), "antenna_m") {
		t.Errorf("the new file holds\n%s", b)
	}
}
