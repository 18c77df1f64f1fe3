package columns

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// drive is an invented one: turns both ways, braking, noise.
type drive struct {
	t     []float64 // Unix s
	w, f  [][3]float64
	speed []float64
	ref   Reference
}

func newDrive(r *rand.Rand) drive {
	d := drive{}
	const from, seconds = 1778922000.0, 200
	turn := func(t float64) float64 { return 0.4*math.Sin(t/3.1) + 0.3*math.Sin(t/7.7+1) }
	speed := func(t float64) float64 { return 8 + 3*math.Sin(t/9) }
	for i := range seconds * 100 {
		s := float64(i) / 100
		d.t = append(d.t, from+s)
		d.w = append(d.w, [3]float64{0.02 * r.NormFloat64(), 0.02 * r.NormFloat64(), turn(s) + 0.01*r.NormFloat64()})
		d.f = append(d.f, [3]float64{math.Cos(s/9) / 3, speed(s) * turn(s), 9.81 + 0.3*r.NormFloat64()})
		d.speed = append(d.speed, speed(s))
	}
	for i := range seconds * 10 {
		s := float64(i) / 10
		d.ref.T, d.ref.Rate = append(d.ref.T, from+s), append(d.ref.Rate, turn(s)+0.02*r.NormFloat64())
		d.ref.Speed = append(d.ref.Speed, speed(s)+0.002*r.NormFloat64())
	}
	d.ref.From, d.ref.To = from, from+seconds
	return d
}

// clocks of loggers: what a time column holds at Unix time t, and how exactly
// the offset of it can be found.
var clocks = []struct {
	name string
	of   func(t float64) string
	tol  float64 // s
}{
	{"Unix s", func(t float64) string { return fmt.Sprintf("%.6f", t) }, 0},
	{"Unix ms", func(t float64) string { return fmt.Sprintf("%.0f", t*1e3) }, 1e-3},
	{"Unix us", func(t float64) string { return fmt.Sprintf("%.0f", t*1e6) }, 1e-5},
	{"Unix ns", func(t float64) string { return fmt.Sprintf("%.0f", t*1e9) }, 1e-5},
	{"GPS s", func(t float64) string { return fmt.Sprintf("%.3f", t-315964800+18) }, 1e-3},
	{"GPS s of week", func(t float64) string { return fmt.Sprintf("%.3f", math.Mod(t-315964800+18, 604800)) }, 1e-3},
	{"s of the day", func(t float64) string { return fmt.Sprintf("%.3f", math.Mod(t, 86400)) }, 1e-3},
	{"ms since the logger started 7 s before", func(t float64) string { return fmt.Sprintf("%.0f", (t-1778922000+7)*1e3) }, 0.1},
	{"ISO 8601", func(t float64) string {
		return fmt.Sprintf("2026-05-16T09:%02d:%09.6f", int(t-1778922000)/60, math.Mod(t-1778922000, 60))
	}, 1e-5},
}

// Whatever the order, separator, units and clock of a table, what is recognised
// reads it right.
func TestRecogniseIMU(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	d := newDrive(r)
	for n := range 54 {
		clock := clocks[n%len(clocks)]
		rate := []string{"rad/s", "deg/s", "mdeg/s"}[r.IntN(3)]
		force := []string{"m/s^2", "g", "mg"}[r.IntN(3)]
		sep := []string{",", ";", "\t", " ", ", "}[r.IntN(5)]
		groups := []string{"time", "gyro", "force", "counter", "temperature", "magnetic"}
		groups = groups[:3+r.IntN(4)]
		r.Shuffle(len(groups), func(i, j int) { groups[i], groups[j] = groups[j], groups[i] })
		var lines [][]byte
		for i := range d.t {
			if i%5 > 0 {
				continue
			}
			var f []string
			for _, g := range groups {
				switch g {
				case "time":
					f = append(f, clock.of(d.t[i]))
				case "gyro":
					for _, x := range d.w[i] {
						f = append(f, fmt.Sprintf("%.7g", x/rateUnits[rate]))
					}
				case "force":
					for _, x := range d.f[i] {
						f = append(f, fmt.Sprintf("%.7g", x/forceUnits[force]))
					}
				case "counter":
					f = append(f, fmt.Sprint(i))
				case "temperature":
					f = append(f, fmt.Sprintf("%.1f", 31+0.01*float64(i%7)))
				case "magnetic":
					f = append(f, "24.1", fmt.Sprintf("%.1f", -3+0.1*r.NormFloat64()), "41.3")
				}
			}
			lines = append(lines, []byte(strings.Join(f, sep)))
		}
		what := fmt.Sprintf("%s, %s, %s, %q, %v", clock.name, rate, force, sep, groups)
		got, err := RecogniseIMU(lines, d.ref)
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		if !got.Sure {
			t.Errorf("%s: not confirmed by the turns", what)
		}
		s := Settings{IMU: got.List, IMUOffset: got.Offset}
		tab, err := s.IMUTable()
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		var out [7]float64
		if bad, text := tab.Numbers(lines[400], out[:]); bad >= 0 {
			t.Errorf("%s: read as %q: column %d (%q) cannot be read", what, got.List, bad, text)
			continue
		}
		if math.Abs(out[0]-d.t[2000]) > clock.tol+1e-6 || math.Abs(out[3]-d.w[2000][2]) > 1e-4 || math.Abs(out[6]-d.f[2000][2]) > 1e-3 || math.Abs(out[4]-d.f[2000][0]) > 1e-3 {
			t.Errorf("%s: read as %q, offset %.3f (%s): %v, want %.3f %v %v", what, got.List, got.Offset, got.Clock, out, d.t[2000], d.w[2000], d.f[2000])
		}
	}
}

func TestRecogniseWheel(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	d := newDrive(r)
	for n, unit := range []string{"m/s", "km/h", "mph", "kn", "cm/s", "mm/s"} {
		for _, sign := range []float64{1, -1} {
			var lines [][]byte
			for i := range d.t {
				if i%5 == 0 {
					lines = append(lines, fmt.Appendf(nil, "%.4f %d %s", sign*d.speed[i]/speedUnits[unit], i, clocks[n%4].of(d.t[i])))
				}
			}
			got, err := RecogniseWheel(lines, d.ref)
			if err != nil {
				t.Errorf("%s: %v", unit, err)
				continue
			}
			s := Settings{Wheel: got.List, WheelOffset: got.Offset}
			tab, err := s.WheelTable()
			if err != nil {
				t.Fatal(err)
			}
			var out [2]float64
			if tab.Numbers(lines[400], out[:]); math.Abs(out[0]-d.t[2000]) > 2e-3 || math.Abs(out[1]-d.speed[2000]) > 1e-3 {
				t.Errorf("%s: read as %q: %v, want %.3f %.3f", unit, got.List, out, d.t[2000], d.speed[2000])
			}
		}
	}
}

// What cannot be told is said, not guessed.
func TestRecognise_Nothing(t *testing.T) {
	d := newDrive(rand.New(rand.NewPCG(15, 16)))
	row := func(f func(i int) string) (lines [][]byte) {
		for i := range 400 {
			lines = append(lines, []byte(f(i)))
		}
		return lines
	}
	for _, tt := range []struct {
		what  string
		lines [][]byte
		want  string
	}{
		{"text", row(func(int) string { return "no numbers here" }), "0 lines of numbers"},
		{"no time", row(func(i int) string { return fmt.Sprintf("%d,1,2,3,0,0,9.8", -i) }), "no column rises"},
		{"no gravity", row(func(i int) string { return fmt.Sprintf("%.1f,1,2,3,0,0,42", 1778922000+float64(i)/2) }), "size of gravity"},
	} {
		if _, err := RecogniseIMU(tt.lines, d.ref); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.what, err, tt.want)
		}
	}
}
