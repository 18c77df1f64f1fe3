package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"kerbline/fixtures"
)

// recordingFiles is a recording by the names of its files.
type recordingFiles map[string][]byte

// rows rewrites the rows of a table of numbers; row takes them and how many came
// before. A line of names may stand in front.
func (f recordingFiles) rows(name, names string, row func(v []float64, n int) string) {
	var out bytes.Buffer
	out.WriteString(names)
	n := 0
	for line := range bytes.Lines(f[name]) {
		var v []float64
		for _, x := range strings.Split(strings.TrimSpace(string(line)), ",") {
			if y, err := strconv.ParseFloat(x, 64); err == nil {
				v = append(v, y)
			}
		}
		if len(v) >= 2 {
			out.WriteString(row(v, n))
			out.WriteByte('\n')
			n++
		}
	}
	f[name] = out.Bytes()
}

// imu rewrites the samples with another time and other values.
func (f recordingFiles) imu(change func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64)) {
	f.rows(fixtures.IMUFile, "t,wx,wy,wz,fx,fy,fz\n", func(v []float64, _ int) string {
		t, w, a := change(v[0], [3]float64(v[1:4]), [3]float64(v[4:7]))
		return fmt.Sprintf("%.6f,%.6f,%.6f,%.6f,%.5f,%.5f,%.5f", t, w[0], w[1], w[2], a[0], a[1], a[2])
	})
}

func (f recordingFiles) wheel(change func(t, v float64) (float64, float64)) {
	f.rows(fixtures.WheelFile, "t,v\n", func(v []float64, _ int) string {
		t, s := change(v[0], v[1])
		return fmt.Sprintf("%.6f,%.4f", t, s)
	})
}

var aSentence = regexp.MustCompile(`^(\\c:(\d+)\*..\\)?\$(.*)\*..$`)

// sentences rewrites the sentences: change takes the host time (ms, -1 without a
// TAG block) and the fields, and returns them, or nil to leave one out.
func (f recordingFiles) sentences(change func(host int64, field []string) (int64, []string)) {
	var out strings.Builder
	for line := range strings.Lines(string(f[fixtures.NMEAFile])) {
		m := aSentence.FindStringSubmatch(strings.TrimRight(line, "\r\n"))
		if m == nil {
			continue
		}
		host := int64(-1)
		if m[2] != "" {
			host, _ = strconv.ParseInt(m[2], 10, 64)
		}
		host, field := change(host, strings.Split(m[3], ","))
		if field == nil {
			continue
		}
		if host >= 0 {
			tag := fmt.Sprintf("c:%d", host)
			fmt.Fprintf(&out, "\\%s*%02X\\", tag, checksum(tag))
		}
		body := strings.Join(field, ",")
		fmt.Fprintf(&out, "$%s*%02X\r\n", body, checksum(body))
	}
	f[fixtures.NMEAFile] = []byte(out.String())
}

// telling reports whether the second field of a sentence is a time.
func telling(field []string) bool {
	return len(field) > 1 && slices.Contains([]string{"GGA", "RMC", "GST", "ZDA", "GBS", "GNS"}, field[0][len(field[0])-3:])
}

func sentenceOf(field []string) string { return field[0][len(field[0])-3:] }

// ahead makes the receiver's clock tell s seconds more.
func (f recordingFiles) ahead(s float64) {
	f.sentences(func(host int64, field []string) (int64, []string) {
		if telling(field) && len(field[1]) >= 6 {
			h, _ := strconv.Atoi(field[1][:2])
			m, _ := strconv.Atoi(field[1][2:4])
			x, _ := strconv.ParseFloat(field[1][4:], 64)
			t := math.Mod(float64(h*3600+m*60)+x+s+86400, 86400)
			field[1] = fmt.Sprintf("%02d%02d%05.2f", int(t)/3600, int(t)/60%60, math.Mod(t, 60))
		}
		return host, field
	})
}

// setting puts lines of settings in place of those of a key, or behind the rest.
func (f recordingFiles) setting(section, line string) {
	key, _, _ := strings.Cut(line, " ")
	var out []string
	done := false
	for _, l := range strings.Split(strings.TrimSpace(string(f[fixtures.SettingsFile])), "\n") {
		if strings.HasPrefix(l, key+" ") {
			continue
		}
		out = append(out, l)
		if strings.TrimSpace(l) == "["+section+"]" {
			out = append(out, line)
			done = true
		}
	}
	if !done {
		out = append(out, "", "["+section+"]", line)
	}
	f[fixtures.SettingsFile] = []byte(strings.Join(out, "\n") + "\n")
}

func (f recordingFiles) replace(name, from, to string) {
	f[name] = bytes.ReplaceAll(f[name], []byte(from), []byte(to))
}

// hostTimes adds s to the host times of corrections.
func (f recordingFiles) links(change func(t float64) string) {
	var out strings.Builder
	out.WriteString("t,hex\n")
	for line := range strings.Lines(string(f[fixtures.CorrectionsFile])) {
		a, b, _ := strings.Cut(strings.TrimSpace(line), ",")
		if t, err := strconv.ParseFloat(a, 64); err == nil {
			out.WriteString(change(t) + "," + b + "\n")
		}
	}
	f[fixtures.CorrectionsFile] = []byte(out.String())
}

// nominalFiles is the recording that faults are made in.
var nominalFiles = sync.OnceValue(func() recordingFiles {
	s := fixtures.Standard("nominal", 7)
	s.Lever = [3]float64{0.55, -0.2, 0.9}
	s.Start += 7.3
	f, _ := s.Files()
	delete(f, fixtures.TruthFile)
	return f
})

const gravityOf = 9.80665

type reasonCase struct {
	name string
	make func(f recordingFiles)
	want string // of the day check's first reason
}

// firstReasonCases are the faults of settings and inputs that a new team makes, and
// what the first reason must name; nothing where the input is read all the same.
var firstReasonCases = []reasonCase{
	{"nothing", func(f recordingFiles) {}, ""},
	// Settings.
	{"lever arm unset", func(f recordingFiles) { f.replace(fixtures.SettingsFile, "antenna_m", "#antenna_m") }, theLever},
	{"lever arm, forward negative", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [-0.55, -0.2, 0.9]") }, theLever},
	{"lever arm, left positive", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [0.55, 0.2, 0.9]") }, theLever},
	{"lever arm, crossed", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [-0.2, 0.55, 0.9]") }, theLever},
	{"lever arm 0.3 m off", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [0.85, -0.2, 0.9]") }, theLever},
	{"lever arm in cm", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [55.0, -20.0, 90.0]") }, `vehicle.antenna_m`},
	{"lever arm of another car", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [1.55, 0.4, 1.4]") }, theLever},
	{"inertial sensor 0.6 m ahead by the settings", func(f recordingFiles) { f.setting("imu", "position_m = [0.6, 0.0, 0.0]") }, `imu.position_m`},
	{"mounting by the settings 90 deg", func(f recordingFiles) { f.setting("imu", "mount_yaw_deg = 90.0") }, `imu.mount_yaw_deg`},
	{"mounting by the settings 180 deg", func(f recordingFiles) { f.setting("imu", "mount_yaw_deg = 180.0") }, `imu.mount_yaw_deg`},
	{"mounting by the settings 20 deg", func(f recordingFiles) { f.setting("imu", "mount_yaw_deg = 20.0") }, `imu.mount_yaw_deg`},
	{"mounting by the settings upside down", func(f recordingFiles) { f.setting("imu", "mount_roll_deg = 180.0") }, `imu.mount_roll_deg`},
	{"mounting by the settings 15 deg pitch", func(f recordingFiles) { f.setting("imu", "mount_pitch_deg = 15.0") }, `imu.mount_pitch_deg`},
	{"latency 0.5 s by the settings", func(f recordingFiles) {
		f.setting("gnss", "latency_s = 0.5")
		f.setting("gnss", "latency_sigma_s = 0.005")
	}, `gnss.latency_s`},
	{"base of another survey", func(f recordingFiles) { f.setting("base", "ecef_m = [4135514.0, -1398438.9, 4635002.3]") }, `base is not where it was surveyed`},
	{"base unset", func(f recordingFiles) { f.replace(fixtures.SettingsFile, "ecef_m", "#ecef_m") }, `base.ecef_m|^$`},
	{"base of latitude, longitude, height", func(f recordingFiles) { f.setting("base", "ecef_m = [44.29, 11.86, 150.0]") }, `base.ecef_m`},
	{"other station id", func(f recordingFiles) { f.setting("base", "station = 7") }, `base.station`},
	{"greatest age 0.5 s", func(f recordingFiles) { f.setting("gnss", "max_age_s = 0.5") }, `gnss.max_age_s`},
	{"least satellites 40", func(f recordingFiles) { f.setting("gnss", "min_sats = 40") }, `gnss.min_sats`},
	{"greatest HDOP 0.5", func(f recordingFiles) { f.setting("gnss", "max_hdop = 0.5") }, `gnss.max_hdop`},
	{"greatest sigma 1 mm", func(f recordingFiles) { f.setting("gnss", "max_sigma_m = 0.001") }, `gnss.max_sigma_m`},
	{"gyro range 1", func(f recordingFiles) { f.setting("imu", "gyro_range_rps = 0.3") }, `imu.gyro_range`},
	{"accelerometer range in g", func(f recordingFiles) { f.setting("imu", "acc_range_mps2 = 8.0") }, `imu.acc_range`},
	{"lateral limit 5 cm", func(f recordingFiles) { f.setting("limits", "lateral_m = 0.05") }, `limits.lateral_m`},
	{"half width of the car in dm", func(f recordingFiles) { f.setting("vehicle", "half_width_m = 3.0") }, `half_width_m`},
	{"columns of forces and rates exchanged", func(f recordingFiles) { f.setting("columns", `imu = "t,fx,fy,fz,wx,wy,wz"`) }, `columns.imu`},
	{"columns with deg/s", func(f recordingFiles) { f.setting("columns", `imu = "t,wx[deg/s],wy,wz,fx,fy,fz"`) }, `columns.imu`},
	{"columns with g", func(f recordingFiles) { f.setting("columns", `imu = "t,wx,wy,wz,fx[g],fy,fz"`) }, `columns.imu`},
	{"columns with ms", func(f recordingFiles) { f.setting("columns", `imu = "t[ms],wx,wy,wz,fx,fy,fz"`) }, `columns.imu`},
	{"columns with a counter that is none", func(f recordingFiles) { f.setting("columns", `imu = "n,t,wx,wy,wz,fx,fy,fz"`) }, `columns.imu`},
	{"wheel columns with km/h", func(f recordingFiles) { f.setting("columns", `wheel = "t,v[km/h]"`) }, `columns.wheel`},
	{"offset of the inertial clock 18 s", func(f recordingFiles) { f.setting("columns", `imu_offset_s = 18.0`) }, `columns.imu_offset_s`},
	{"offset of the inertial clock 0.3 s", func(f recordingFiles) { f.setting("columns", `imu_offset_s = 0.3`) }, `columns.imu_offset_s|imu.latency_s|gnss.latency_s`},
	{"offset of the wheel's clock 2 s", func(f recordingFiles) { f.setting("columns", `wheel_offset_s = 2.0`) }, `columns.wheel_offset_s|wheel.latency_s`},
	{"GPS time by the settings, UTC in the sentences", func(f recordingFiles) { f.setting("columns", `gnss_offset_s = -18.0`) }, `columns.gnss_offset_s`},
	{"settings damaged", func(f recordingFiles) { f.replace(fixtures.SettingsFile, "[vehicle]", "[vehicle") }, `kerbline.toml`},
	{"settings with an unknown key", func(f recordingFiles) { f.setting("vehicle", "antena_m = [0.55, -0.2, 0.9]") }, `antenna_m`},
	{"settings with a wrong type", func(f recordingFiles) { f.setting("vehicle", `antenna_m = "0.55 -0.2 0.9"`) }, `antenna_m`},
	{"settings missing", func(f recordingFiles) { delete(f, fixtures.SettingsFile) }, `settings`},
	{"settings empty", func(f recordingFiles) { f[fixtures.SettingsFile] = nil }, `vehicle.antenna_m`},

	// Units, axes, order and clock of the inertial sensor.
	{"g", imuUnits(1/gravityOf, 1), `columns.imu.*\[g\]`},
	{"mg", imuUnits(1e3/gravityOf, 1), `columns.imu.*\[mg\]`},
	{"deg/s", imuUnits(1, 1/degree), `columns.imu.*\[deg/s\]`},
	{"mdeg/s", imuUnits(1, 1e3/degree), `columns.imu.*\[mdeg/s\]`},
	{"g and deg/s", imuUnits(1/gravityOf, 1/degree), `columns.imu.*\[deg/s\].*\[g\]`},
	{"x back, y right, z up", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{-x[0], -x[1], x[2]} }), `imu.mount_yaw_deg.*180`},
	{"x ahead, y right, z down", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{x[0], -x[1], -x[2]} }), `imu.mount_roll_deg.*180`},
	{"x right, y ahead, z up", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{-x[1], x[0], x[2]} }), `imu.mount_yaw_deg.*90`},
	{"x up", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{x[2], x[1], -x[0]} }), `imu.mount_pitch_deg = -90`},
	{"turned by 20 deg", imuAxes(func(x [3]float64) [3]float64 {
		s, c := math.Sincos(20 * degree)
		return [3]float64{c*x[0] + s*x[1], -s*x[0] + c*x[1], x[2]}
	}), `imu.mount_yaw_deg`},
	{"pitched by 10 deg", imuAxes(func(x [3]float64) [3]float64 {
		s, c := math.Sincos(10 * degree)
		return [3]float64{c*x[0] - s*x[2], x[1], s*x[0] + c*x[2]}
	}), `imu.mount_pitch_deg`},
	{"left-handed axes", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{x[0], -x[1], x[2]} }), `columns.imu`},
	{"yaw gyro negative", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, [3]float64{w[0], w[1], -w[2]}, a
		})
	}, `columns.imu.*-wz`},
	{"gravity taken off", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, w, [3]float64{a[0], a[1], a[2] - gravityOf}
		})
	}, `gravity`},
	{"times in ms", imuTimes(func(t float64) string { return fmt.Sprintf("%.3f", t*1e3) }), `columns.imu.*t\[ms\]`},
	{"times in us", imuTimes(func(t float64) string { return fmt.Sprintf("%.0f", t*1e6) }), `columns.imu.*t\[us\]`},
	{"times in ns", imuTimes(func(t float64) string { return fmt.Sprintf("%.0f", t*1e9) }), `columns.imu.*t\[ns\]`},
	{"GPS time", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-315964800+18) }), `columns.imu_offset_s.*3159647`},
	{"GPS time since 1970", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+18) }), `columns.imu_offset_s.*-1[78]\.`},
	{"time of week", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", math.Mod(t-315964800+18, 604800)) }), `columns.imu_offset_s`},
	{"time of day", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", math.Mod(t, 86400)) }), `columns.imu_offset_s`},
	{"local time", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+7200) }), `columns.imu_offset_s.*-7[12]`},
	{"since switched on", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-1791367200+37) }), `columns.imu_offset_s`},
	{"ms since switched on", imuTimes(func(t float64) string { return fmt.Sprintf("%.0f", 1e3*(t-1791367200+37)) }), `columns.imu.*t\[ms\]`},
	{"clock of another computer, 7 s", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+7) }), `columns.imu_offset_s.*-[67]`},
	{"clock of another computer, 0.4 s", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+0.4) }), `columns.imu_offset_s.*-0\.[34]|latency`},
	{"80 ms late", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+0.08) }), `imu.latency_s|columns.imu_offset_s|^$`},
	{"tabs", imuLines(func(v []float64, n int) string { return strings.ReplaceAll(plainRow(v), ",", "\t") }), ``},
	{"semicolons", imuLines(func(v []float64, n int) string { return strings.ReplaceAll(plainRow(v), ",", ";") }), ``},
	{"blanks", imuLines(func(v []float64, n int) string { return strings.ReplaceAll(plainRow(v), ",", "  ") }), ``},
	{"decimal commas", imuLines(func(v []float64, n int) string {
		return strings.ReplaceAll(strings.ReplaceAll(plainRow(v), ",", ";"), ".", ",")
	}), ``},
	{"a counter first", imuLines(func(v []float64, n int) string { return fmt.Sprintf("%d,%s", n, plainRow(v)) }), `columns.imu.*-,t,`},
	{"time last", imuLines(func(v []float64, n int) string { return plainRow(v[1:]) + fmt.Sprintf(",%.6f", v[0]) }), `columns.imu.*,t`},
	{"forces before rates", imuLines(func(v []float64, n int) string {
		return fmt.Sprintf("%.6f,", v[0]) + plainRow(slices.Concat(v[4:7], v[1:4]))
	}), `columns.imu.*t,fx,fy,fz,wx`},
	{"11 columns", imuLines(func(v []float64, n int) string { return plainRow(v) + ",20.1,-3.2,44.0,31.5" }), `columns.imu|^$`},
	{"three columns alone", imuLines(func(v []float64, n int) string { return fmt.Sprintf("%.6f,%.6f,%.6f", v[0], v[1], v[2]) }), `inertial sensor could not be read`},
	{"names in another order", func(f recordingFiles) {
		f.rows(fixtures.IMUFile, "time,acc_x,acc_y,acc_z,gyro_x,gyro_y,gyro_z\n", func(v []float64, n int) string {
			return fmt.Sprintf("%.6f,", v[0]) + plainRow(slices.Concat(v[4:7], v[1:4]))
		})
	}, ``},
	{"dates and times of day", imuLines(func(v []float64, n int) string { return isoTime(v[0]) + "," + plainRow(v[1:]) }), ``},
	{"inertial file missing", func(f recordingFiles) { delete(f, fixtures.IMUFile) }, `inertial sensor`},
	{"inertial file empty", func(f recordingFiles) { f[fixtures.IMUFile] = nil }, `inertial sensor`},
	{"inertial sensor stuck", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, [3]float64{0.001, 0.002, 0.001}, [3]float64{0, 0, 9.81}
		})
	}, `inertial`},
	{"10 Hz", func(f recordingFiles) {
		n := 0
		var out bytes.Buffer
		for line := range bytes.Lines(f[fixtures.IMUFile]) {
			if n%20 == 0 {
				out.Write(line)
			}
			n++
		}
		f[fixtures.IMUFile] = out.Bytes()
	}, `inertial sensor.*rate|rate.*inertial|Hz`},

	// Wheel.
	{"km/h", wheelScale(3.6), `columns.wheel.*km/h`},
	{"mph", wheelScale(2.236936), `columns.wheel.*mph`},
	{"counts", wheelScale(41.7), `columns.wheel`},
	{"wheel negative", wheelScale(-1), `columns.wheel.*-v`},
	{"wheel in ms", func(f recordingFiles) {
		f.rows(fixtures.WheelFile, "", func(v []float64, n int) string { return fmt.Sprintf("%.3f,%.4f", v[0]*1e3, v[1]) })
	}, `columns.wheel.*t\[ms\]`},
	{"wheel in GPS time", func(f recordingFiles) {
		f.wheel(func(t, v float64) (float64, float64) { return t - 315964800 + 18, v })
	}, `columns.wheel_offset_s`},
	{"wheel behind a counter", func(f recordingFiles) {
		f.rows(fixtures.WheelFile, "", func(v []float64, n int) string { return fmt.Sprintf("%d,%.6f,%.4f", n, v[0], v[1]) })
	}, `columns.wheel`},
	{"wheel stuck at zero", func(f recordingFiles) {
		f.wheel(func(t, v float64) (float64, float64) { return t, 0 })
	}, `wheel`},

	// Receiver.
	{"sentences in GPS time", func(f recordingFiles) { f.ahead(18) }, `columns.gnss_offset_s.*-18`},
	{"no RMC", without("RMC", "VTG"), ``},
	{"no RMC, no date", without("RMC", "VTG", "ZDA"), ``},
	{"GGA alone", without("RMC", "VTG", "ZDA", "GST", "GSA", "GSV"), ``},
	{"no GST", without("GST"), ``},
	{"no GGA", without("GGA"), `GGA`},
	{"no stamps", func(f recordingFiles) {
		f.sentences(func(_ int64, field []string) (int64, []string) { return -1, field })
	}, `columns.imu_offset_s|stamps|latency`},
	{"stamps of local time", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) { return host + 7200_000, field })
	}, `clock|stamps|columns.*offset`},
	{"1 Hz", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if telling(field) && !strings.HasSuffix(field[1], ".00") {
				return host, nil
			}
			return host, field
		})
	}, `receiver's rate|^$`},
	{"3 decimals of a minute", decimals(3), `decimals`},
	{"2 decimals of a minute", decimals(2), `decimals`},
	{"single all the time", quality("1"), `did not use them|fix`},
	{"float all the time", quality("5"), `fixed|fix`},
	{"latitude and longitude exchanged", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "GGA" && field[2] != "" {
				field[2], field[4] = field[4][1:], "0"+field[2]
			}
			return host, field
		})
	}, `map|latitude`},
	{"hemisphere", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			for i := range field {
				if field[i] == "N" && (sentenceOf(field) == "GGA" || sentenceOf(field) == "RMC") && i < 5 {
					field[i] = "S"
				}
			}
			return host, field
		})
	}, `map|hemisphere`},
	{"checksums of another line end", func(f recordingFiles) {
		f[fixtures.NMEAFile] = regexp.MustCompile(`\*([0-9A-F]{2})\r`).ReplaceAll(f[fixtures.NMEAFile], []byte("*00\r"))
	}, `checksum`},
	{"binary messages alone", func(f recordingFiles) {
		f[fixtures.NMEAFile] = bytes.Repeat([]byte{0xb5, 0x62, 1, 7, 92, 0, 3, 9}, 9000)
	}, `GGA|sentences`},
	{"receiver's log 3 s longer", func(f recordingFiles) {
		cut := func(name string, s float64) {
			lines := bytes.SplitAfter(f[name], []byte("\n"))
			last := lines[len(lines)-2]
			end, _ := strconv.ParseFloat(string(last[:bytes.IndexByte(last, ',')]), 64)
			var out []byte
			for _, l := range lines {
				if i := bytes.IndexByte(l, ','); i > 0 {
					if t, err := strconv.ParseFloat(string(l[:i]), 64); err == nil && t > end-s {
						break
					}
				}
				out = append(out, l...)
			}
			f[name] = out
		}
		cut(fixtures.IMUFile, 3)
		cut(fixtures.WheelFile, 3)
		cut(fixtures.CorrectionsFile, 3)
	}, ``},
	{"velocity 0.3 s late", func(f recordingFiles) {
		var late []string
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "RMC" {
				late = append(late, field[7]+","+field[8])
				if n := len(late); n > 3 {
					field[7], field[8], _ = strings.Cut(late[n-4], ",")
				}
			}
			return host, field
		})
	}, `velocity|^$`},

	// By another hand: other values of the same kinds.
	{"wheel mm/s", wheelScale(1000), `columns.wheel.*mm/s`},
	{"wheel in turns a minute", wheelScale(35.2), `columns.wheel|wheel`},
	{"wheel of half the size", wheelScale(0.5), `wheel`},
	{"wheel 12 percent", wheelScale(1.12), `wheel|^$`},
	{"roll 30", imuAxes(func(x [3]float64) [3]float64 {
		s, c := math.Sincos(30 * degree)
		return [3]float64{x[0], c*x[1] + s*x[2], -s*x[1] + c*x[2]}
	}), `imu.mount_roll_deg`},
	{"pitch 45", imuAxes(func(x [3]float64) [3]float64 {
		s, c := math.Sincos(45 * degree)
		return [3]float64{c*x[0] - s*x[2], x[1], s*x[0] + c*x[2]}
	}), `imu.mount_pitch_deg`},
	{"yaw -35", imuAxes(func(x [3]float64) [3]float64 {
		s, c := math.Sincos(-35 * degree)
		return [3]float64{c*x[0] + s*x[1], -s*x[0] + c*x[1], x[2]}
	}), `imu.mount_yaw_deg`},
	{"z down alone", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{x[0], x[1], -x[2]} }), `columns.imu`},
	{"y z swapped", imuAxes(func(x [3]float64) [3]float64 { return [3]float64{x[0], x[2], x[1]} }), `columns.imu|mount`},
	{"mrad/s", imuUnits(1, 1000), `mrad/s`},
	{"g, header lies", func(f recordingFiles) {
		f.rows(fixtures.IMUFile, "t[s],wx[rad/s],wy[rad/s],wz[rad/s],fx[m/s^2],fy[m/s^2],fz[m/s^2]\n", func(v []float64, n int) string {
			for i := 4; i < 7; i++ {
				v[i] /= gravityOf
			}
			return plainRow(v)
		})
	}, `columns.imu.*\[g\]`},
	{"gyro negative all", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, [3]float64{-w[0], -w[1], -w[2]}, a
		})
	}, `columns.imu.*-w`},
	{"force negative all", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, w, [3]float64{-a[0], -a[1], -a[2]}
		})
	}, `columns.imu|mount`},
	{"DGPS all the time", quality("2"), `fixed|fix`},
	{"offset -2 s", func(f recordingFiles) { f.setting("columns", `imu_offset_s = -2.0`) }, `columns.imu_offset_s`},
	{"imu clock a day", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-86400) }), `columns.imu_offset_s.*8640|8639`},
	{"mount pitch by settings -90", func(f recordingFiles) { f.setting("imu", "mount_pitch_deg = -90.0") }, `mount_pitch`},
	{"latency 0 sure", func(f recordingFiles) {
		f.setting("gnss", "latency_s = 0.0")
		f.setting("gnss", "latency_sigma_s = 0.001")
	}, `latency|^$`},
	{"limit along 0.1", func(f recordingFiles) { f.setting("limits", "along_m = 0.1") }, `limits.along`},
	{"limit heading 0.2", func(f recordingFiles) { f.setting("limits", "heading_deg = 0.2") }, `limits.heading`},
	{"risk tiny", func(f recordingFiles) { f.setting("limits", "risk = 1e-12") }, `limits|^$`},
	{"decimal commas in settings", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [0,55, -0,2, 0,9]") }, `antenna_m`},
	{"degrees in place of minutes", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "GGA" && len(field[2]) > 4 {
				m, _ := strconv.ParseFloat(field[2][2:], 64)
				d, _ := strconv.ParseFloat(field[2][:2], 64)
				field[2] = fmt.Sprintf("%.9f", d+m/60)
			}
			return host, field
		})
	}, `map|latitude|degrees|field`},
	{"corrections as base64 text", func(f recordingFiles) {
		f[fixtures.CorrectionsFile] = []byte(strings.Repeat("1791367200.1,0x0102zz\n", 400))
	}, `correction`},
	{"map in metres", func(f recordingFiles) {
		f[fixtures.CourseFile] = aVertex.ReplaceAll(f[fixtures.CourseFile], []byte("[6$1,48$2]"))
	}, `map|track|longitude|latitude`},
	{"gyros that end at 0.25 rad/s", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			for i := range w {
				w[i] = math.Max(-0.25, math.Min(0.25, w[i]))
			}
			return t, w, a
		})
	}, `inertial|gyro|columns.imu|IMU`},
	{"60 ms early", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-0.06) }), `offset|latency|^$`},
	{"receiver 2 Hz", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if telling(field) && !strings.HasSuffix(field[1], ".00") && !strings.HasSuffix(field[1], ".50") {
				return host, nil
			}
			return host, field
		})
	}, `rate|^$`},
	{"4 decimals", decimals(4), `decimals|^$`},
	{"sats blank", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "GGA" {
				field[7], field[8] = "", ""
			}
			return host, field
		})
	}, ``},
	{"imu at 20 Hz", func(f recordingFiles) {
		n := 0
		var out bytes.Buffer
		for line := range bytes.Lines(f[fixtures.IMUFile]) {
			if n%10 == 0 {
				out.Write(line)
			}
			n++
		}
		f[fixtures.IMUFile] = out.Bytes()
	}, `Hz|rate`},
	// Corrections.
	{"corrections missing", func(f recordingFiles) { delete(f, fixtures.CorrectionsFile) }, ``},
	{"corrections in ms", func(f recordingFiles) { f.links(func(t float64) string { return fmt.Sprintf("%.3f", t*1e3) }) }, `corrections`},
	{"corrections of another clock", func(f recordingFiles) { f.links(func(t float64) string { return fmt.Sprintf("%.6f", t+20) }) }, `corrections`},
	{"corrections garbage", func(f recordingFiles) {
		f[fixtures.CorrectionsFile] = regexp.MustCompile(`,d3`).ReplaceAll(f[fixtures.CorrectionsFile], []byte(",aa"))
	}, `correction`},

	// Map.
	{"no map", func(f recordingFiles) { delete(f, fixtures.CourseFile) }, `map|^$`},
	{"map 3 km off", func(f recordingFiles) { f.northwards(3000) }, `map`},
	{"map with coordinates exchanged", func(f recordingFiles) {
		f[fixtures.CourseFile] = aVertex.ReplaceAll(f[fixtures.CourseFile], []byte("[$2,$1]"))
	}, `map`},
	{"map damaged", func(f recordingFiles) { f.replace(fixtures.CourseFile, "LineString", "Linestring") }, `LineString`},
	{"map without a width", func(f recordingFiles) { f.replace(fixtures.CourseFile, "half_width_m", "width") }, `half_width_m`},
}

// northwards moves the map by so many metres.
func (f recordingFiles) northwards(m float64) {
	f[fixtures.CourseFile] = aVertex.ReplaceAllFunc(f[fixtures.CourseFile], func(b []byte) []byte {
		v := aVertex.FindSubmatch(b)
		lat, _ := strconv.ParseFloat(string(v[2]), 64)
		return fmt.Appendf(nil, "[%s,%.10f]", v[1], lat+m/111e3)
	})
}

var aVertex = regexp.MustCompile(`\[(-?\d+\.\d+),(-?\d+\.\d+)\]`)

func imuUnits(force, rate float64) func(recordingFiles) {
	return func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			for i := range 3 {
				w[i] *= rate
				a[i] *= force
			}
			return t, w, a
		})
	}
}

func imuAxes(turn func([3]float64) [3]float64) func(recordingFiles) {
	return func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) { return t, turn(w), turn(a) })
	}
}

func plainRow(v []float64) string {
	var s []string
	for _, x := range v {
		s = append(s, strconv.FormatFloat(x, 'f', 6, 64))
	}
	return strings.Join(s, ",")
}

func imuTimes(tell func(t float64) string) func(recordingFiles) {
	return imuLines(func(v []float64, _ int) string { return tell(v[0]) + "," + plainRow(v[1:]) })
}

// imuLines rewrites the samples as lines without names.
func imuLines(row func(v []float64, n int) string) func(recordingFiles) {
	return func(f recordingFiles) { f.rows(fixtures.IMUFile, "", row) }
}

func isoTime(t float64) string {
	whole, part := math.Modf(t)
	return fmt.Sprintf("%s.%06d", time.Unix(int64(whole), 0).UTC().Format("2006-01-02T15:04:05"), int(part*1e6))
}

func wheelScale(k float64) func(recordingFiles) {
	return func(f recordingFiles) { f.wheel(func(t, v float64) (float64, float64) { return t, k * v }) }
}

func without(kinds ...string) func(recordingFiles) {
	return func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if slices.Contains(kinds, sentenceOf(field)) {
				return host, nil
			}
			return host, field
		})
	}
}

func decimals(n int) func(recordingFiles) {
	return func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			for i, s := range field {
				if p := strings.IndexByte(s, '.'); p >= 4 && i > 1 && (sentenceOf(field) == "GGA" || sentenceOf(field) == "RMC") {
					field[i] = s[:min(len(s), p+1+n)]
				}
			}
			return host, field
		})
	}
}

func quality(q string) func(recordingFiles) {
	return func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "GGA" && field[6] == "4" {
				field[6] = q
			}
			return host, field
		})
	}
}

// dayAnswer is what the day check says first.
type dayAnswer struct {
	Answer   string
	Headline string
	Reasons  []struct{ What, Seen, Do string }
	Cautions []struct{ What, Seen, Do string }
}

// alwaysTried are the cases that every run tries; KERBLINE_LONG tries them all.
var alwaysTried = regexp.MustCompile(`^(nothing|lever arm unset|mounting by the settings 90 deg|settings (damaged|missing)|g and deg/s|x back|left-handed|GPS time|ms since|a counter first|semicolons|km/h|3 decimals|sentences in GPS time|map with coordinates)`)

// The first reason of the day check names the setting or input that is wrong, and so
// does the verdict line while it lasts; where nothing must be changed the answer is
// that of the recording without the fault.
func TestFirstReason(t *testing.T) {
	only := regexp.MustCompile(os.Getenv("KERBLINE_CASE"))
	named, tried := 0, 0
	for _, tt := range slices.Concat(firstReasonCases, otherHandCases) {
		if !only.MatchString(tt.name) || os.Getenv("KERBLINE_LONG") == "" && only.String() == "" && !alwaysTried.MatchString(tt.name) {
			continue
		}
		f := recordingFiles{}
		for name, b := range nominalFiles() {
			f[name] = b
		}
		tt.make(f)
		dir := filepath.Join(t.TempDir(), "first")
		if err := fixtures.WriteFiles(dir, f); err != nil {
			t.Fatal(err)
		}
		code, out, errOut := kerbline(t, "daycheck", dir, "--json")
		var a dayAnswer
		first := errOut
		if out != "" {
			if err := json.Unmarshal([]byte(out), &a); err != nil {
				t.Fatal(err)
			}
			first = ""
			switch {
			case code != exitDone:
				first = a.Reasons[0].What + " | " + a.Reasons[0].Do
			case len(a.Cautions) > 0:
				first = "caution " + a.Cautions[0].What + " | " + a.Cautions[0].Do
			}
		}
		want, handled := strings.CutSuffix(tt.want, "|^$")
		if tt.want == "" {
			want, handled = "^$", true
		}
		ok := regexp.MustCompile(want).MatchString(first) || handled && code == exitDone
		tried++
		mark := "named"
		switch {
		case ok:
			named++
		case code == exitDone:
			mark = "SILENT"
			t.Errorf("%s: yes, without a word of it: %s", tt.name, first)
		default:
			mark = "another"
			if os.Getenv("KERBLINE_LONG") == "" {
				t.Errorf("%s: %q, want %q", tt.name, first, tt.want)
			}
		}
		t.Logf("%-8s %s: exit %d, %s\n        %.400s", mark, tt.name, code, a.Headline, first)
	}
	t.Logf("%d of %d", named, tried)
	if 10*named < 9*tried {
		t.Errorf("%d of %d name it, want 90 %%", named, tried)
	}
}
