//go:build linux

package engine

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/cmd/kerbline/internal/sources/ptytest"
	"kerbline/fixtures"
	"kerbline/fusion"
)

// TestSoak lets the engine work through hours of data as fast as it can and
// watches what it holds: memory, goroutines, descriptors. Two minutes in the
// normal run; KERBLINE_SOAK_HOURS=8 for a day at the track.
func TestSoak(t *testing.T) {
	if testing.Short() {
		t.Skip("eight sessions")
	}
	sessions, length := 8, 60.0
	if h, err := strconv.ParseFloat(os.Getenv("KERBLINE_SOAK_HOURS"), 64); err == nil {
		sessions, length = int(h*6+0.5), 600
	}
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) { soak(t, dir, sessions, length) })
}

func soak(t *testing.T, dir string, sessions int, length float64) {
	day := func(k int) map[string][]byte {
		s := fixtures.Standard([]string{"nominal", "link_silent", "jump", "base_moved"}[k%4], uint64(k))
		s.Start += float64(k) * length
		s.HostOff, s.HostDrift = 0, 0
		s.Still, s.Duration = 20, length
		files, _ := s.Files()
		return files
	}
	r := newRig(t, day(0), 0)
	o := r.options(day(0), filepath.Join(dir, "run.mcap"))
	o.Record.MaxBytes = 64 << 20
	live := new(observer)
	o.Look = func(s *fusion.Snapshot, ev []fusion.Event) {
		if s != nil {
			live.n[s.Verdict]++
		}
	}
	_, end := r.start(o)

	var heap []int64
	var goroutines, descriptors int
	var mallocs, steps uint64
	for k := range sessions {
		if k > 0 {
			r.dev = newRig(t, day(k), 0).dev
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for _, it := range r.dev {
			time.Sleep(time.Duration(recorder.Nanos(it.t) - r.now()))
			r.give(it.ch, it.b)
		}
		synctest.Wait()
		runtime.ReadMemStats(&after)
		mallocs += after.Mallocs - before.Mallocs
		steps += uint64(len(r.dev))
		r.dev = nil
		runtime.GC()
		fds, _ := os.ReadDir("/proc/self/fd")
		if k == 1 {
			goroutines, descriptors = runtime.NumGoroutine(), len(fds)
		}
		if k > 1 && (runtime.NumGoroutine() > goroutines || len(fds) > descriptors) {
			t.Errorf("session %d: %d goroutines and %d descriptors, %d and %d before", k, runtime.NumGoroutine(), len(fds), goroutines, descriptors)
		}
		runtime.ReadMemStats(&after)
		heap = append(heap, int64(after.HeapAlloc))
	}
	if err := end(); err != nil {
		t.Fatal(err)
	}
	// What is in use does not grow with the length of the day: the summary of
	// the recording's present part is all that may.
	half := slices.Max(heap[:max(len(heap)/2, 1)])
	if last := heap[len(heap)-1]; last > half+8<<20 {
		t.Errorf("heap in use grew: %v", heap)
	}
	if n := live.n[0] + live.n[1] + live.n[2] + live.n[3]; float64(n) < 9*float64(sessions)*length {
		t.Errorf("%d verdicts in %g s", n, float64(sessions)*length)
	}
	t.Logf("%.2f h of data, %d records, verdicts %v, %.3f allocations a record; heap in use %.1f to %.1f MB, %d goroutines, %d descriptors",
		float64(sessions)*length/3600, steps, live.n, float64(mallocs)/float64(steps),
		float64(slices.Min(heap))/1e6, float64(slices.Max(heap))/1e6, goroutines, descriptors)
}

// BenchmarkLatency sends an epoch ten times a second to a serial port and an
// inertial sample two hundred times a second by UDP, and measures how long the
// verdict of each epoch takes: from the device's write to the datagram at the
// consumer. Recording and second consumer run too. Each iteration is one epoch;
// -benchtime 2000x takes 200 s. The histogram is logged with -v.
func BenchmarkLatency(b *testing.B) {
	dir := b.TempDir()
	port := ptytest.New(b, filepath.Join(dir, "ttyACM0"))
	l, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	pc, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	imuAddr := pc.LocalAddr().String()
	pc.Close()
	imu, err := net.Dial("udp", imuAddr)
	if err != nil {
		b.Fatal(err)
	}
	defer imu.Close()
	p, err := publish.Dial(l.LocalAddr().String(), false, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	gnss, _ := sources.Parse("serial://" + port.Path)
	udp, _ := sources.Parse("udp://" + imuAddr)
	e, err := New(Options{Config: fusion.DefaultConfig(), Publish: []Publisher{p},
		Inputs: []Input{{fusion.ChanNMEA, gnss}, {fusion.ChanIMU, udp}},
		Record: &recorder.Options{Path: filepath.Join(dir, "run.mcap")}})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- e.Run(ctx) }()
	time.Sleep(300 * time.Millisecond)

	go func() {
		t := time.NewTicker(5 * time.Millisecond)
		defer t.Stop()
		for range t.C {
			if ctx.Err() != nil {
				return
			}
			fmt.Fprintf(imu, "%.6f,0.001,0.002,0.001,0.05,0.04,9.81\n", recorder.Seconds(time.Now().UnixNano()))
		}
	}()

	// The sentences of one epoch each, from the demo, in one burst.
	var epochs [][]byte
	for line := range strings.Lines(string(fixtures.Demo()[fixtures.NMEAFile])) {
		_, sentence, _ := strings.Cut(line[1:], `\`)
		if strings.Contains(sentence[:7], "GGA") {
			epochs = append(epochs, nil)
		}
		if n := len(epochs); n > 0 {
			epochs[n-1] = append(epochs[n-1], sentence...)
		}
	}
	var took []time.Duration
	buf := make([]byte, 4096)
	for i := range 20 { // the decoder learns which sentences an epoch has
		port.Write(epochs[i])
		time.Sleep(100 * time.Millisecond)
	}
	for i := 20; b.Loop(); i++ {
		time.Sleep(100*time.Millisecond - time.Duration(time.Now().UnixNano())%(100*time.Millisecond))
		for { // verdicts of silences that came meanwhile
			l.SetReadDeadline(time.Now().Add(time.Microsecond))
			if _, _, err := l.ReadFrom(buf); err != nil {
				break
			}
		}
		sent := time.Now()
		port.Write(epochs[i%len(epochs)])
		for {
			l.SetReadDeadline(time.Now().Add(time.Second))
			n, _, err := l.ReadFrom(buf)
			if err != nil {
				b.Fatal("no verdict in a second")
			}
			got := time.Now()
			v, err := lines.ParseVerdict(buf[:n])
			if err != nil {
				b.Fatal(err)
			}
			// A verdict of the silence before does not count.
			if v.Quality >= 0 && float64(v.T) >= recorder.Seconds(sent.UnixNano())-1e-4 {
				took = append(took, got.Sub(sent))
				break
			}
		}
	}
	b.StopTimer()
	cancel()
	<-ran
	slices.Sort(took)
	at := func(q float64) float64 { return took[min(int(q*float64(len(took))), len(took)-1)].Seconds() * 1e3 }
	b.ReportMetric(at(0.5), "p50-ms")
	b.ReportMetric(at(0.99), "p99-ms")
	b.ReportMetric(at(0.999), "p99.9-ms")
	b.ReportMetric(at(1), "max-ms")
	b.ReportMetric(0, "ns/op")
	for lo := 50 * time.Microsecond; lo < time.Second; lo *= 2 {
		n := sort.Search(len(took), func(i int) bool { return took[i] >= lo })
		m := sort.Search(len(took), func(i int) bool { return took[i] >= 2*lo })
		if m > n {
			b.Logf("%9v to %9v: %5d %s", lo, 2*lo, m-n, strings.Repeat("#", 1+60*(m-n)/len(took)))
		}
	}
}
