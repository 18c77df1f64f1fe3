package gnss

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"kerbline/gnss/nmea"
)

// dataFile returns a file of the recordings that lie beside the module, by
// environment variable or in ../shared, and skips the test without them.
func dataFile(t *testing.T, env, folder, name string) []byte {
	t.Helper()
	root := os.Getenv(env)
	if root == "" {
		dir, err := os.Getwd()
		for err == nil {
			if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
				break
			}
			up := filepath.Dir(dir)
			if up == dir {
				t.Skip("no go.mod above: cannot look for ../shared")
			}
			dir = up
		}
		root = filepath.Join(dir, "..", "shared", folder)
	}
	b, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Skipf("%s not set and no %s: %v", env, folder, err)
	}
	return b
}

// run assembles a stream. Lines without a TAG block arrive 0.08 s after the
// time they or the line before them tell, or at start.
func run(b []byte, start float64) (epochs []*Epoch, tally nmea.Tally, a *Assembler, outside int64) {
	a = NewAssembler()
	p := nmea.NewParser()
	var f nmea.Framer
	now := start
	emit := func(e *Epoch) { epochs = append(epochs, e) }
	f.Push(start, b, func(l nmea.Line) {
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
	})
	a.Flush(now, emit)
	return epochs, tally, a, f.Outside()
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
			epochs, tally, a, outside := run(dataFile(t, "KERBLINE_REAL", "real", tt.file), tt.start)
			t.Logf("read %v, refused %v (%v), dropped %+v, %d bytes outside", tally.Read, tally.Refused, tally.Last, a.Dropped(), outside)
			if got := count(epochs); got != tt.want {
				t.Errorf("counts %+v, want %+v", got, tt.want)
			}
			if n := tally.Total(); n > 0 {
				t.Errorf("%d lines refused, the last because: %v", n, tally.Last)
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
