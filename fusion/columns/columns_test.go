package columns

import (
	"math"
	"strings"
	"testing"
)

var (
	imuColumns   = []Quantity{Time, GyroX, GyroY, GyroZ, ForceX, ForceY, ForceZ}
	wheelColumns = []Quantity{Time, Speed}
)

// Lines as loggers write them, and what they hold in SI units. The factors are
// those of the units: 1 g is 9.80665 m/s² (CGPM 1901), a degree π/180, a knot
// 1852 m an hour.
func TestLayout_Lines(t *testing.T) {
	const d = math.Pi / 180
	imu := []float64{1778922000.5, 10 * d, -20 * d, 30 * d, 0, 9.80665, -9.80665}
	for _, tt := range []struct {
		what, list, line string
		want             []Quantity
		out              []float64
	}{
		{"our own", "t,wx,wy,wz,fx,fy,fz", "1778922000.5,1,2,3,4,5,6", imuColumns, []float64{1778922000.5, 1, 2, 3, 4, 5, 6}},
		{"counter first, ms, g, deg/s", "count,timestamp[ms],ax[g],ay,az,gx[deg/s],gy,gz", "7,1778922000500,0,1,-1,10,-20,30", imuColumns, imu},
		{"time last, unit behind an underscore", "acc_x_g,acc_y_g,acc_z_g,gyro_x_dps,gyro_y_dps,gyro_z_dps,time_us", "0,1,-1,10,-20,30,1778922000500000", imuColumns, imu},
		{"tabs and quotes", "\"Time (s)\"\t\"Gyro X (deg/s)\"\t\"Gyro Y (deg/s)\"\t\"Gyro Z (deg/s)\"\t\"Acc X (m/s^2)\"\t\"Acc Y (m/s^2)\"\t\"Acc Z (m/s^2)\"", "1778922000.5\t10\t-20\t30\t0\t9.80665\t-9.80665", imuColumns, imu},
		{"spaces, a comment sign", "# t wx[deg/s] wy wz fx[g] fy fz", "  1778922000.5   10  -20 30 0 1   -1", imuColumns, imu},
		{"semicolons and decimal commas", "t;wx[deg/s];wy;wz;fx[g];fy;fz", "1778922000,5;10;-20;30;0;1;-1", imuColumns, imu},
		{"axes turned round", "t, -wx[deg/s], -wy, wz, -fx[g], -fy, fz", "1778922000.5,-10,20,30,0,-1,-1", imuColumns, imu},
		{"middleware's names, whole seconds and the rest", "header.stamp.sec,header.stamp.nanosec,angular_velocity.x,angular_velocity.y,angular_velocity.z,linear_acceleration.x,linear_acceleration.y,linear_acceleration.z", "1778922000,500000000,1,2,3,4,5,6", imuColumns, []float64{1778922000.5, 1, 2, 3, 4, 5, 6}},
		{"date and time of day", "utc,v[km/h]", "2026-05-16T09:00:00.500Z,36", wheelColumns, []float64{1778922000.5, 10}},
		{"date with a zone", "utc,v[kn]", "2026-05-16 11:00:00.5+02:00,3600", wheelColumns, []float64{1778922000.5, 1852}},
		{"an empty field", "t;v", "1778922000.5;", wheelColumns, []float64{1778922000.5, math.NaN()}},
	} {
		l, err := parse(tt.list, tt.want)
		if err != nil {
			t.Errorf("%s: %v", tt.what, err)
			continue
		}
		out := make([]float64, len(tt.want))
		bad, text := l.Numbers([]byte(tt.line), out)
		if bad >= 0 {
			t.Errorf("%s: field %d (%q) cannot be read", tt.what, bad, text)
			continue
		}
		for i, x := range out {
			if tol := 1e-9 * math.Max(1, math.Abs(tt.out[i])); !(math.Abs(x-tt.out[i]) <= tol) && !(math.IsNaN(x) && math.IsNaN(tt.out[i])) {
				t.Errorf("%s: %s is %.12g, want %.12g", tt.what, l.Name(i), x, tt.out[i])
			}
		}
		if got, ok := l.Time([]byte(tt.line)); !ok || math.Abs(got-tt.out[0]) > 1e-6 {
			t.Errorf("%s: time %.6f, %v, want %.6f", tt.what, got, ok, tt.out[0])
		}
	}
}

func TestParse_Faults(t *testing.T) {
	for _, tt := range []struct{ list, want string }{
		{"t,wx,wy,wz,fx,fy", "no column fz"},
		{"t,wx[furlong],wy,wz,fx,fy,fz", `unit of wx is "furlong"`},
		{"t,wx,wx,wy,wz,fx,fy,fz", "wx stands twice"},
		{"", "no column t"},
	} {
		if _, err := parse(tt.list, imuColumns); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("parse(%q): %v, want %q in it", tt.list, err, tt.want)
		}
	}
}

// A line of names changes the columns, unless the settings told them; other
// text is no line of names.
func TestTable_Header(t *testing.T) {
	var out [7]float64
	line := []byte("0,0,1,2,3,4,1778922000")
	for _, tt := range []struct {
		list, header string
		is           bool
		time         float64
	}{
		{"", "fx,fy,fz,wx,wy,wz,t", true, 1778922000},
		{"wx,wy,wz,fx,fy,fz,t", "fx,fy,fz,wx,wy,wz,t", true, 1778922000},
		{"t,fx,fy,fz,wx,wy,wz", "fx,fy,fz,wx,wy,wz,t", true, 0},
		{"", "a,b,c,d,e,f,g", false, 0},
		{"", "# recorded at the track", false, 0},
		{"", "1778922000,1,2,3,4,5,6", false, 0},
	} {
		tab, err := newTable(tt.list, 0, imuColumns)
		if err != nil {
			t.Fatal(err)
		}
		if is := tab.Header([]byte(tt.header)); is != tt.is {
			t.Errorf("Header(%q) = %v, want %v", tt.header, is, tt.is)
		}
		if tab.Numbers(line, out[:]); out[0] != tt.time {
			t.Errorf("list %q, header %q: time %g, want %g", tt.list, tt.header, out[0], tt.time)
		}
	}
}

func TestTable_Offset(t *testing.T) {
	tab, _ := newTable("", -18, wheelColumns)
	if got, ok := tab.Time([]byte("1778922018,3")); !ok || got != 1778922000 {
		t.Errorf("time %v %v, want 18 s earlier", got, ok)
	}
}

func FuzzNumbers(f *testing.F) {
	f.Add("t[ms];ax[g];ay;az;gx[deg/s];gy;gz", "1,5;2;3;;5;6;7")
	f.Add("# sec nsec wx wy wz fx fy fz", "1 2 3 4 5 6 7 8")
	f.Add("utc,v", "2026-05-16T09:00:00Z,1")
	f.Fuzz(func(t *testing.T, list, line string) {
		tab, err := newTable(list, 0, imuColumns)
		if err != nil {
			tab, _ = newTable("", 0, imuColumns)
		}
		tab.Header([]byte(line))
		var out [7]float64
		tab.Numbers([]byte(line), out[:])
		if at, ok := tab.Time([]byte(line)); ok && !(at >= 0 && at < MaxUnix) {
			t.Fatalf("%q, %q: time %v", list, line, at)
		}
	})
}

// A list of names is one from the time and one more wanted column on; numbers are
// none, nor names without the time or alone.
func TestIsHeader(t *testing.T) {
	want := []Quantity{Time, GyroX, GyroY, GyroZ}
	for line, is := range map[string]bool{
		"t,wx,wy,wz": true, "t,wx": true, "wz,t": true, "t": false, "wx,wy,wz": false, "1.5,2,3,4": false, "t,colour": false, "": false,
	} {
		if got := isHeader([]byte(line), want); got != is {
			t.Errorf("%q: %v, want %v", line, got, is)
		}
	}
}
