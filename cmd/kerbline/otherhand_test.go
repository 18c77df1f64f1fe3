package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf16"

	"kerbline/fixtures"
)

// otherHandCases are combinations and shapes beside those of firstReasonCases: two
// things wrong at once, odd names and clocks, files of another place or day.
var otherHandCases = []reasonCase{
	// Two at once: the more basic one is named first.
	{"lever arm unset and g", both(unsetLever, imuUnits(1/gravityOf, 1)), `columns.imu.*\[g\]`},
	{"mounting 90 deg and wheel in km/h", both(func(f recordingFiles) { f.setting("imu", "mount_yaw_deg = 90.0") }, wheelScale(3.6)), `imu.mount_yaw_deg`},
	{"deg/s and GPS time", both(imuUnits(1, 1/degree), imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-315964800+18) })), `columns.imu`},
	{"sentences in GPS time and wheel in mph", both(func(f recordingFiles) { f.ahead(18) }, wheelScale(2.236936)), `columns.gnss_offset_s|columns.wheel`},
	{"lever arm crossed and latency 0.5 s", both(func(f recordingFiles) { f.setting("vehicle", "antenna_m = [-0.2, 0.55, 0.9]") },
		func(f recordingFiles) { f.setting("gnss", "latency_s = 0.5") }), `gnss.latency_s|vehicle.antenna_m`},
	{"x right, y ahead, z up in g and deg/s", both(imuUnits(1/gravityOf, 1/degree), imuAxes(func(x [3]float64) [3]float64 { return [3]float64{-x[1], x[0], x[2]} })), `columns.imu.*\[deg/s\].*\[g\]`},
	{"lever arm unset and wheel negative", both(unsetLever, wheelScale(-1)), `vehicle.antenna_m|columns.wheel`},

	// Clocks.
	{"inertial clock of TAI, 37 s ahead", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+37) }), `columns.imu_offset_s = -3[67]\.`},
	{"inertial clock 37 s behind", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-37) }), `columns.imu_offset_s = 3[67]\.`},
	{"inertial clock 18 s behind", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t-18) }), `columns.imu_offset_s = 1[78]\.`},
	{"inertial clock 60 s ahead", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+60) }), `columns.imu_offset_s = -(59|60)\.`},
	{"wheel clock 37 s ahead", func(f recordingFiles) {
		f.wheel(func(t, v float64) (float64, float64) { return t + 37, v })
	}, `columns.wheel_offset_s = -3[67]\.`},
	{"inertial sensor of another day", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", t+3*86400) }), `columns.imu_offset_s.*25920|25919`},
	{"local seconds of the day", imuTimes(func(t float64) string { return fmt.Sprintf("%.6f", math.Mod(t+7200, 86400)) }), `columns.imu_offset_s`},
	{"whole seconds alone", imuTimes(func(t float64) string { return fmt.Sprintf("%.0f", math.Floor(t)) }), `times of the inertial sensor came in steps`},
	{"times of seven digits", imuTimes(func(t float64) string { return strconv.FormatFloat(float64(float32(t)), 'f', 1, 64) }), `times of the inertial sensor came in steps`},
	{"stamps in us", stamped(func(ms int64) string { return fmt.Sprint(ms * 1000) }), ``},
	{"stamps in ns", stamped(func(ms int64) string { return fmt.Sprint(ms * 1000000) }), ``},
	{"stamps in s with decimals", stamped(func(ms int64) string { return fmt.Sprintf("%.3f", float64(ms)/1e3) }), ``},
	{"dates of the week of 1024 weeks ago", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "RMC" {
				field[9] = "220207" // 2026-10-07 less 1024 weeks
			}
			return host, field
		})
	}, `date|clock|week|^$`},

	// Names and shapes of tables.
	{"names of a middleware", named("%time,field.angular_velocity.x,field.angular_velocity.y,field.angular_velocity.z,field.linear_acceleration.x,field.linear_acceleration.y,field.linear_acceleration.z\n"), ``},
	{"names with units in brackets", named("Time (s);Gyr_X [rad/s];Gyr_Y [rad/s];Gyr_Z [rad/s];Acc_X [m/s^2];Acc_Y [m/s^2];Acc_Z [m/s^2]\n", ";"), ``},
	{"names that nobody knows", named("c1,c2,c3,c4,c5,c6,c7\n"), ``},
	{"other order by its names", func(f recordingFiles) {
		f.rows(fixtures.IMUFile, "acc_z,acc_y,acc_x,gyro_z,gyro_y,gyro_x,unix_time\n", func(v []float64, _ int) string {
			return plainRow([]float64{v[6], v[5], v[4], v[3], v[2], v[1], v[0]})
		})
	}, ``},
	{"a byte order mark, semicolons, decimal commas, CRLF, units", func(f recordingFiles) {
		f.rows(fixtures.IMUFile, "\ufeffTimestamp [ms];Gyro X [deg/s];Gyro Y [deg/s];Gyro Z [deg/s];Accel X [g];Accel Y [g];Accel Z [g]\r\n", func(v []float64, _ int) string {
			w := []float64{v[0] * 1e3, v[1] / degree, v[2] / degree, v[3] / degree, v[4] / gravityOf, v[5] / gravityOf, v[6] / gravityOf}
			return strings.ReplaceAll(strings.ReplaceAll(plainRow(w), ",", ";"), ".", ",") + "\r"
		})
	}, ``},
	{"wheel by its names in km/h and ms", func(f recordingFiles) {
		f.rows(fixtures.WheelFile, "time_ms;speed_kmh\n", func(v []float64, _ int) string { return fmt.Sprintf("%.0f;%.3f", v[0]*1e3, v[1]*3.6) })
	}, ``},
	{"wheel named rpm", func(f recordingFiles) {
		f.rows(fixtures.WheelFile, "t,rpm\n", func(v []float64, _ int) string { return fmt.Sprintf("%.6f,%.2f", v[0], v[1]*35.2) })
	}, `columns.wheel|wheel`},
	{"date and time in two columns", func(f recordingFiles) {
		f.rows(fixtures.IMUFile, "date time wx wy wz fx fy fz\n", func(v []float64, _ int) string {
			return strings.Replace(isoTime(v[0]), "T", " ", 1) + " " + strings.ReplaceAll(plainRow(v[1:]), ",", " ")
		})
	}, ``},
	{"units behind the names, wrong", named("t,wx_dps,wy_dps,wz_dps,fx,fy,fz\n"), `columns.imu`},
	{"a third of the lines cut off", imuLines(func(v []float64, n int) string {
		if n%3 == 0 {
			return plainRow(v[:5])
		}
		return plainRow(v)
	}), `do not hold what their columns say`},
	{"words for missing values", imuLines(func(v []float64, n int) string {
		if n%50 == 0 {
			return fmt.Sprintf("%.6f,NaN,NaN,NaN,,,", v[0])
		}
		return plainRow(v)
	}), ``},
	{"two axes of rates missing", func(f recordingFiles) {
		f.rows(fixtures.IMUFile, "t,wz,fx,fy,fz\n", func(v []float64, _ int) string { return plainRow([]float64{v[0], v[3], v[4], v[5], v[6]}) })
	}, `inertial sensor could not be read`},
	{"x ahead, y right, z down, forces as accelerations", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, [3]float64{w[0], -w[1], -w[2]}, [3]float64{-a[0], a[1], a[2]}
		})
	}, `columns.imu|mount`},
	{"yaw gyro with a bias of 5 deg/s", func(f recordingFiles) {
		f.imu(func(t float64, w, a [3]float64) (float64, [3]float64, [3]float64) {
			return t, [3]float64{w[0], w[1], w[2] + 5*degree}, a
		})
	}, `bias|gyro|inertial|^$`},
	{"inertial file ends half way", func(f recordingFiles) { f.half(fixtures.IMUFile) }, `inertial sensor`},
	{"sentences end half way", func(f recordingFiles) { f.half(fixtures.NMEAFile) }, `receiver|GNSS|^$`},

	// The receiver.
	{"another rate of the port, a third of the bytes wrong", func(f recordingFiles) {
		f[fixtures.NMEAFile] = spoilt(f[fixtures.NMEAFile], 0.33)
	}, `baud|checksum|sentences|bytes`},
	{"a byte in 200 wrong", func(f recordingFiles) { f[fixtures.NMEAFile] = spoilt(f[fixtures.NMEAFile], 0.005) }, `damaged`},
	{"east for west", func(f recordingFiles) { f.replaceField("GGA", 5, "W", "E") }, `positions|hemisphere|map`},
	{"no separation of the geoid", func(f recordingFiles) { f.replaceField("GGA", 11, "52.300", "") }, ``},
	{"height above the ellipsoid, no separation", func(f recordingFiles) { f.replaceField("GGA", 11, "52.300", "0.000") }, ``},
	{"RMC once a second", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			if sentenceOf(field) == "RMC" && !strings.HasSuffix(field[1], ".00") {
				return host, nil
			}
			return host, field
		})
	}, ``},
	{"another receiver's sentences between", func(f recordingFiles) {
		f.between(func(field []string) []string {
			if sentenceOf(field) != "GGA" {
				return nil
			}
			other := append([]string(nil), field...)
			other[0], other[6] = "GPGGA", "1"
			m, _ := strconv.ParseFloat(field[2][2:], 64)
			other[2] = field[2][:2] + fmt.Sprintf("%010.7f", m+0.0011)
			return other
		})
	}, `^$|receiver|fix|talker`},
	{"estimated all the time", quality("6"), `fixed|fix`},
	{"base of another place in the corrections", func(f recordingFiles) { f.setting("base", "ecef_m = [4135013.0941, 1398438.9423, 4635002.2568]") }, `base`},
	{"sigma in GST thirty times too small", func(f recordingFiles) {
		f.sentences(func(host int64, field []string) (int64, []string) {
			for i := 6; sentenceOf(field) == "GST" && i < 9; i++ {
				s, _ := strconv.ParseFloat(field[i], 64)
				field[i] = fmt.Sprintf("%.4f", s/30)
			}
			return host, field
		})
	}, ``},
	{"sentences in lower case", func(f recordingFiles) {
		f[fixtures.NMEAFile] = bytes.ReplaceAll(f[fixtures.NMEAFile], []byte("$GN"), []byte("$gn"))
	}, `checksum|GGA|sentences`},

	// Settings and map.
	{"lever arm in mm", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [550.0, -200.0, 900.0]") }, `vehicle.antenna_m`},
	{"lever arm up first", func(f recordingFiles) { f.setting("vehicle", "antenna_m = [0.9, 0.55, -0.2]") }, theLever},
	{"settings of another encoding", func(f recordingFiles) {
		var b []byte
		for _, u := range append([]uint16{0xfeff}, utf16.Encode([]rune(string(f[fixtures.SettingsFile])))...) {
			b = append(b, byte(u), byte(u>>8))
		}
		f[fixtures.SettingsFile] = b
	}, `UTF-16`},
	{"settings with a byte order mark and CRLF", func(f recordingFiles) {
		f[fixtures.SettingsFile] = append([]byte("\ufeff"), bytes.ReplaceAll(f[fixtures.SettingsFile], []byte("\n"), []byte("\r\n"))...)
	}, ``},
	{"map of a survey with another base", func(f recordingFiles) {
		f.replace(fixtures.CourseFile, `"base_ecef_m":[4135013.`, `"base_ecef_m":[4135014.`)
	}, `map|base`},
	{"map with heights", func(f recordingFiles) {
		f[fixtures.CourseFile] = aVertex.ReplaceAll(f[fixtures.CourseFile], []byte("[$1,$2,57.5]"))
	}, ``},
	{"map the other way round", func(f recordingFiles) {
		v := aVertex.FindAll(f[fixtures.CourseFile], -1)
		i := len(v)
		f[fixtures.CourseFile] = aVertex.ReplaceAllFunc(f[fixtures.CourseFile], func([]byte) []byte { i--; return bytes.Clone(v[i]) })
	}, `map|^$`},
	{"map 4 m to the north", func(f recordingFiles) { f.northwards(4) }, `map`},
	{"map as an area", func(f recordingFiles) {
		f.replace(fixtures.CourseFile, `"LineString","coordinates":[`, `"Polygon","coordinates":[[`)
		f[fixtures.CourseFile] = regexp.MustCompile(`\]\]\}`).ReplaceAll(f[fixtures.CourseFile], []byte("]]]}"))
	}, `LineString`},
	{"corrections of another day", func(f recordingFiles) { f.links(func(t float64) string { return fmt.Sprintf("%.6f", t-86400) }) }, ``},
	{"corrections' bytes in upper case", func(f recordingFiles) {
		f[fixtures.CorrectionsFile] = append([]byte("t,hex\n"), bytes.ToUpper(f[fixtures.CorrectionsFile][6:])...)
	}, ``},
}

// theLever is the lever arm of the recording, forward and left within 6 cm.
const theLever = `vehicle.antenna_m = \[0\.(49|5\d|60|61), -0\.(1[4-9]|2[0-6]),`

func both(one, other func(recordingFiles)) func(recordingFiles) {
	return func(f recordingFiles) { one(f); other(f) }
}

func unsetLever(f recordingFiles) { f.replace(fixtures.SettingsFile, "antenna_m", "#antenna_m") }

// named writes the samples under another line of names, and with another separator.
func named(names string, sep ...string) func(recordingFiles) {
	return func(f recordingFiles) {
		f.rows(fixtures.IMUFile, names, func(v []float64, _ int) string {
			return strings.ReplaceAll(plainRow(v), ",", strings.Join(append(sep, ",")[:1], ""))
		})
	}
}

// stamped writes the host times of sentences another way.
func stamped(tell func(ms int64) string) func(recordingFiles) {
	tag := regexp.MustCompile(`\\c:(\d+)\*..\\`)
	return func(f recordingFiles) {
		f[fixtures.NMEAFile] = tag.ReplaceAllFunc(f[fixtures.NMEAFile], func(b []byte) []byte {
			ms, _ := strconv.ParseInt(string(tag.FindSubmatch(b)[1]), 10, 64)
			c := "c:" + tell(ms)
			return fmt.Appendf(nil, "\\%s*%02X\\", c, checksum(c))
		})
	}
}

// half leaves the first half of the lines of a file.
func (f recordingFiles) half(name string) {
	lines := bytes.SplitAfter(f[name], []byte("\n"))
	f[name] = bytes.Join(lines[:len(lines)/2], nil)
}

// replaceField puts to in place of from in a field of the sentences of a type.
func (f recordingFiles) replaceField(kind string, i int, from, to string) {
	f.sentences(func(host int64, field []string) (int64, []string) {
		if sentenceOf(field) == kind && field[i] == from {
			field[i] = to
		}
		return host, field
	})
}

// between puts behind each sentence what another makes of it.
func (f recordingFiles) between(other func(field []string) []string) {
	var out bytes.Buffer
	for line := range bytes.Lines(f[fixtures.NMEAFile]) {
		out.Write(line)
		m := aSentence.FindStringSubmatch(strings.TrimRight(string(line), "\r\n"))
		if m == nil {
			continue
		}
		if field := other(strings.Split(m[3], ",")); field != nil {
			body := strings.Join(field, ",")
			fmt.Fprintf(&out, "%s$%s*%02X\r\n", m[1], body, checksum(body))
		}
	}
	f[fixtures.NMEAFile] = out.Bytes()
}

// spoilt changes a share of the bytes.
func spoilt(b []byte, share float64) []byte {
	r := rand.New(rand.NewPCG(7, 7))
	b = bytes.Clone(b)
	for i := range b {
		if r.Float64() < share {
			b[i] ^= byte(1 + r.IntN(255))
		}
	}
	return b
}
