package recording

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"kerbline/fusion"
)

// practice returns a folder of the practice recordings, or skips.
func practice(t testing.TB, name string) string {
	t.Helper()
	return outside(t, "KERBLINE_RECORDINGS", name)
}

// outside finds files that are not part of the project, below the folder that
// env names.
func outside(t testing.TB, env, name string) string {
	t.Helper()
	root := os.Getenv(env)
	if root == "" {
		t.Skipf("%s names no folder of recordings", env)
	}
	path := filepath.Join(root, name)
	if _, err := os.Stat(path); err != nil {
		t.Skipf("%s is not in %s", name, env)
	}
	return path
}

// A folder as another program writes it: everything comes out, once, in order,
// and nothing is refused.
func TestPracticeFolder(t *testing.T) {
	r, err := Open(practice(t, "nominal"), Paths{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Notes) > 0 {
		t.Errorf("notes %q", r.Notes)
	}
	if cfg, err := r.Settings(); err != nil || cfg.Vehicle.Antenna[0] == 0 {
		t.Errorf("settings: %v", err)
	}
	if c, err := r.Course(); err != nil || c == nil || c.Length() < 100 {
		t.Errorf("course: %v", err)
	}
	if tr, err := r.Truth(); err != nil || tr == nil {
		t.Errorf("truth: %v", err)
	}
	from, to := r.Span()
	if to-from < 399 || to-from > 402 {
		t.Errorf("span %.3f s, want 400", to-from)
	}
	var count [fusion.KindNote + 1]int
	last, bytes := from, 0
	for _, m := range feed(t, r) {
		count[m.Kind]++
		if m.T < last-1e-3 { // within a file times may run back by a sample's jitter
			t.Fatalf("%+v comes %.6f s after what it precedes", m, last-m.T)
		}
		last = max(last, m.T)
		if m.Kind == fusion.KindLink {
			bytes += int(m.N)
		}
	}
	if n := count[fusion.KindIMU]; n != 79999 {
		t.Errorf("%d IMU samples, want 79999", n)
	}
	if n := count[fusion.KindWheel]; n != 19999 {
		t.Errorf("%d wheel samples, want 19999", n)
	}
	if n := count[fusion.KindEpoch]; n != 4000 {
		t.Errorf("%d epochs, want 4000", n)
	}
	if n := count[fusion.KindTick]; n < 3999 || n > 4020 {
		t.Errorf("%d ticks, want 10 a second", n)
	}
	// 1680 frames, two of them damaged on the way.
	if count[fusion.KindFrame] != 1678 || count[fusion.KindRefused] != 0 || count[fusion.KindJunk] != 2 {
		t.Errorf("%d frames, %d refusals, %d junk", count[fusion.KindFrame], count[fusion.KindRefused], count[fusion.KindJunk])
	}
}

// BenchmarkFeed decodes and merges a recording of 200 Hz IMU, 50 Hz wheel, 10 Hz
// GNSS and corrections; it prints what an hour of it would take.
func BenchmarkFeed(b *testing.B) {
	r, err := Open(practice(b, "nominal"), Paths{})
	if err != nil {
		b.Fatal(err)
	}
	from, to := r.Span()
	n := 0
	for b.Loop() {
		f, err := r.Feed(fusion.DefaultConfig())
		if err != nil {
			b.Fatal(err)
		}
		n = 0
		for m, err := f.Next(); err != io.EOF; m, err = f.Next() {
			if err != nil {
				b.Fatal(err)
			}
			n += len(m)
		}
		f.Close()
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*3600/(to-from), "hour_s")
	b.ReportMetric(float64(n)/(to-from), "measurements/s")
}

// A measured byte stream with sentences among binary frames, beside an IMU with
// Unix times: epochs come out at their UTC and lie among the samples.
func TestMeasuredWalk(t *testing.T) {
	r, err := Open("", Paths{GNSS: outside(t, "KERBLINE_REAL", "walk/receiver.bin"), IMU: outside(t, "KERBLINE_REAL", "walk/imu.csv")})
	if err != nil {
		t.Fatal(err)
	}
	epochs, imu, refused, far := 0, 0, 0, 0
	last := 0.0
	for _, m := range feed(t, r) {
		switch m.Kind {
		case fusion.KindIMU:
			imu++
			last = m.T
		case fusion.KindEpoch:
			epochs++
			if m.Epoch.Arrival < m.Epoch.UTC+0.07 || m.Epoch.Arrival > m.Epoch.UTC+0.09 {
				t.Fatalf("epoch of %.3f arrives at %.3f, want 0.08 s later", m.Epoch.UTC, m.Epoch.Arrival)
			}
			if last != 0 && (m.T < last-0.3 || m.T > last+0.3) {
				far++
			}
		case fusion.KindRefused:
			refused++
		}
	}
	// 536 epochs: as counted with the recording.
	if epochs != 536 || imu < 20000 || far > 2 {
		t.Errorf("%d epochs, %d samples, %d epochs away from any sample, %d refused", epochs, imu, far, refused)
	}
}

// Measured logs without host times: a receiver's cold start with a gap of 72 s,
// and a still one.
func TestMeasuredLogs(t *testing.T) {
	for _, tt := range []struct {
		name   string
		epochs int
	}{{"nmea/cold_start_1hz.log", 1307}, {"nmea/static_fixed_2hz.log", 120}} {
		r, err := Open("", Paths{GNSS: outside(t, "KERBLINE_REAL", tt.name)})
		if err != nil {
			t.Fatal(err)
		}
		n, ticks := 0, 0
		for _, m := range feed(t, r) {
			switch m.Kind {
			case fusion.KindEpoch:
				n++
			case fusion.KindTick:
				ticks++
			case fusion.KindRefused:
				t.Errorf("%s: %s", tt.name, m.Note)
			}
		}
		from, to := r.Span()
		t.Logf("%s: %d epochs, %d ticks, %.1f s, notes %q", tt.name, n, ticks, to-from, r.Notes)
		if n != tt.epochs {
			t.Errorf("%s: %d epochs, want %d", tt.name, n, tt.epochs)
		}
	}
}

// Raw corrections alone: the stream of four bases, the week and the day that
// turn, six systems.
func TestMeasuredCorrections(t *testing.T) {
	for _, name := range []string{"msm7", "week_rollover", "four_bases", "glonass_day_rollover", "six_systems"} {
		r, err := Open("", Paths{Corrections: outside(t, "KERBLINE_REAL", "rtcm/"+name+".rtcm3")})
		if err != nil {
			t.Fatal(err)
		}
		frames, junk, ticks, first, last := 0, 0, 0, 0.0, 0.0
		for _, m := range feed(t, r) {
			switch m.Kind {
			case fusion.KindFrame:
				if frames == 0 {
					first = m.T
				}
				frames++
				last = m.T
			case fusion.KindJunk:
				junk += int(m.N)
			case fusion.KindTick:
				ticks++
			}
		}
		from, to := r.Span()
		t.Logf("%s: %d frames, %d junk bytes, %d ticks, %.1f s (span %.1f), notes %q", name, frames, junk, ticks, last-first, to-from, r.Notes)
		if frames == 0 {
			t.Errorf("%s: no frames", name)
		}
	}
}
