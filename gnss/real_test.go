package gnss

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
)

// dataRoot returns the folder of recordings that an environment variable names.
func dataRoot(t *testing.T, env string) string {
	t.Helper()
	root := os.Getenv(env)
	if root == "" {
		t.Skipf("%s names no folder of recordings", env)
	}
	return root
}

// run assembles a stream cut into chunks of at most size bytes. Lines without
// a TAG block arrive 0.08 s after the time they or the line before them tell,
// or at start.
func run(b []byte, start float64, size int) (epochs []*Epoch, tally nmea.Tally, a *Assembler, outside int64) {
	a = NewAssembler()
	p := nmea.NewParser()
	var f nmea.Framer
	now := start
	emit := func(e *Epoch) { epochs = append(epochs, e) }
	onLine := func(l nmea.Line) {
		if l.Err != nil {
			tally.Refuse(l.Offset, l.Err)
			return
		}
		s, err := p.Parse(l.Text)
		if err != nil {
			tally.Refuse(l.Offset, err)
			return
		}
		tally.Accept(s)
		if l.Tagged {
			now = l.T
		} else if !math.IsNaN(s.Time) {
			now = nearestDay(s.Time, now) + 0.08
		}
		a.Push(now, s, emit)
	}
	for len(b) > 0 {
		n := min(size, len(b))
		f.Push(start, b[:n], onLine)
		b = b[n:]
	}
	f.Flush(start, onLine)
	a.Flush(now, emit)
	return epochs, tally, a, f.Outside()
}

// values returns what the epochs point to.
func values(epochs []*Epoch) (out []Epoch) {
	for _, e := range epochs {
		out = append(out, *e)
	}
	return out
}

type counts struct{ epochs, noPos, fixed, float, changes int }

func count(epochs []*Epoch) (c counts) {
	last := QualityUnknown
	for _, e := range epochs {
		c.epochs++
		if !e.HasPos {
			c.noPos++
		}
		switch e.Quality {
		case QualityFixed:
			c.fixed++
		case QualityFloat:
			c.float++
		}
		if last != QualityUnknown && e.Quality != last {
			c.changes++
		}
		last = e.Quality
	}
	return c
}

// Counts published with the recordings: a walk of 536 epochs with three changes
// of quality, sentences among binary frames (Liraz-Benbenishti/GNSS_IMU
// 4190200); a static receiver (ros-drivers/nmea_navsat_driver b168f49); a cold
// start (qualities 2, 0, 2, 0) with a gap (AeroRust/nmea f5b77fd).
func TestRealReceivers(t *testing.T) {
	for _, tt := range []struct {
		file   string
		start  float64 // Unix s, a host clock right to some hours
		want   counts
		maxGap float64 // s
	}{
		{"walk/receiver.bin", 1756400000, counts{epochs: 536, fixed: 349, float: 187, changes: 3}, 0.25},
		{"nmea/static_fixed_2hz.log", 1587370000, counts{epochs: 120, fixed: 120}, 0.5},
		{"nmea/cold_start_1hz.log", 1490950000, counts{epochs: 1307, noPos: 314, changes: 3}, 72},
	} {
		t.Run(tt.file, func(t *testing.T) {
			b, err := os.ReadFile(filepath.Join(dataRoot(t, "KERBLINE_REAL"), tt.file))
			if err != nil {
				t.Skip(err)
			}
			epochs, tally, a, outside := run(b, tt.start, len(b))
			t.Logf("read %v, refused %v (%v), dropped %+v, %d bytes outside", tally.Read, tally.Refused, tally.Last, a.Dropped(), outside)
			if got := count(epochs); got != tt.want {
				t.Errorf("counts %+v, want %+v", got, tt.want)
			}
			if n := tally.Total(); n > 0 {
				t.Errorf("%d lines refused, the last because: %v", n, tally.Last)
			}
			for _, size := range []int{1, 7, 300, 4096} {
				again, _, _, outside2 := run(b, tt.start, size)
				if fmt.Sprint(values(again)) != fmt.Sprint(values(epochs)) || outside2 != outside {
					t.Errorf("chunks of %d bytes give other epochs", size)
				}
			}
			last, gap := math.NaN(), 0.0
			for i, e := range epochs {
				if e.HasPos && !e.DateSeen {
					t.Fatalf("epoch %d has a position and no date", i)
				}
				if e.UTC <= last {
					t.Fatalf("epoch %d goes back from %f to %f", i, last, e.UTC)
				}
				if !math.IsNaN(last) && !math.IsNaN(e.UTC) {
					gap = math.Max(gap, e.UTC-last)
				}
				if !math.IsNaN(e.UTC) {
					last = e.UTC
				}
			}
			if math.Abs(gap-tt.maxGap) > 1e-6 {
				t.Errorf("longest gap %g s, want %g", gap, tt.maxGap)
			}
		})
	}
}

// Simulated track sessions at 10 Hz, with velocity and date once a second:
// every GGA becomes one epoch with a date, accuracy and height, at once, and
// nothing is refused or dropped.
func TestPracticeRecordings(t *testing.T) {
	root := dataRoot(t, "KERBLINE_RECORDINGS")
	folders, err := os.ReadDir(root)
	if err != nil {
		t.Skipf("no recordings: %v", err)
	}
	for _, folder := range folders {
		if !folder.IsDir() {
			continue
		}
		t.Run(folder.Name(), func(t *testing.T) {
			b, err := os.ReadFile(filepath.Join(root, folder.Name(), "nmea.log"))
			if err != nil {
				t.Skip(err)
			}
			epochs, tally, a, outside := run(b, 0, len(b))
			if want := bytes.Count(b, []byte("GGA,")); len(epochs) != want {
				t.Errorf("%d epochs of %d fixes", len(epochs), want)
			}
			if tally.Total() > 0 || a.Dropped() != (Dropped{}) || outside > 0 {
				t.Errorf("refused %v (%v), dropped %+v, %d bytes outside", tally.Refused, tally.Last, a.Dropped(), outside)
			}
			for i, e := range epochs {
				if !e.HasPos || !e.HasH || !e.DateSeen || math.IsNaN(e.SigmaN) || math.IsNaN(e.Speed) {
					t.Fatalf("epoch %d: %+v", i, *e)
				}
				if dt := e.UTC - epochs[max(i-1, 0)].UTC; i > 0 && math.Abs(dt-0.1) > 1e-6 {
					t.Fatalf("epoch %d comes %g s after the one before", i, dt)
				}
				if wait := e.Complete - e.Arrival; i > 20 && wait > 0.02 {
					t.Fatalf("epoch %d waited %g s", i, wait)
				}
			}
		})
	}
}

// The velocity of a real receiver, summed, agrees with the way its fixed
// positions went, once its lag is taken off: what the drift tests rest on. One
// lag for all, by least squares; hand-held, at 4 Hz (walk:
// Liraz-Benbenishti/GNSS_IMU 4190200).
func TestRealVelocityFollowsPosition(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(dataRoot(t, "KERBLINE_REAL"), "walk/receiver.bin"))
	if err != nil {
		t.Skip(err)
	}
	epochs, _, _, _ := run(b, 1756400000, len(b))
	frame := geodesy.NewFrame(epochs[0].Pos)
	type row struct{ y, dv float64 } // m, m/s, one axis
	for span, most := range map[float64]float64{2: 0.03, 6: 0.05, 15: 0.07} {
		var rows []row
		for i, e := range epochs {
			var way [2]float64
			for j := i; ; j-- {
				a := epochs[j]
				if a.Quality != QualityFixed || !(a.Speed > 0.5) || math.IsNaN(a.Course) {
					break
				}
				at, to := frame.FromLLA(a.Pos), frame.FromLLA(e.Pos)
				if e.UTC-a.UTC > span-1e-6 {
					rows = append(rows,
						row{to.E - at.E - way[0], e.Speed*math.Sin(e.Course) - a.Speed*math.Sin(a.Course)},
						row{to.N - at.N - way[1], e.Speed*math.Cos(e.Course) - a.Speed*math.Cos(a.Course)})
					break
				}
				if j == 0 || a.UTC-epochs[j-1].UTC > 0.3 {
					break
				}
				p, dt := epochs[j-1], a.UTC-epochs[j-1].UTC
				way[0] += dt / 2 * (a.Speed*math.Sin(a.Course) + p.Speed*math.Sin(p.Course))
				way[1] += dt / 2 * (a.Speed*math.Cos(a.Course) + p.Speed*math.Cos(p.Course))
			}
		}
		var sxy, sxx, sum float64
		for _, r := range rows {
			sxy += r.dv * r.y
			sxx += r.dv * r.dv
		}
		lag := sxy / sxx
		for _, r := range rows {
			sum += (r.y - lag*r.dv) * (r.y - lag*r.dv)
		}
		rms := math.Sqrt(sum / float64(len(rows)))
		t.Logf("%2.0f s: %d differences, lag %.3f s, rms %.3f m", span, len(rows), lag, rms)
		if len(rows) < 200 || !(lag > 0.05 && lag < 0.25) || !(rms < most) {
			t.Errorf("%.0f s: %d differences, lag %.3f s, rms %.3f m; want some hundred, about 0.14 s, at most %.2f m", span, len(rows), lag, rms, most)
		}
	}
}
