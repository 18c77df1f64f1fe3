//go:build linux

package main

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A sweep over the bus, a worker killed in the middle of it: the same table to the
// byte as on one computer.
func TestWork(t *testing.T) {
	rec := loop(t, "nominal", 90)
	vary := []string{"--vary", "tests.dwell_s=1..4/4", "--vary", "limits.risk=1e-6..1e-4/3log"}
	local, shared := filepath.Join(t.TempDir(), "local.csv"), filepath.Join(t.TempDir(), "shared.csv")
	args := append([]string{"tune", rec, "--csv", local}, vary...)
	if code, _, errOut := kerbline(t, args...); code != exitDone {
		t.Fatal(errOut)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	first := start(t, "work", rec, "--bus", "nats://"+addr, "--cores", "1") // it waits for the bus
	first.until("working for")
	kept := filepath.Join(t.TempDir(), "kept.ndjson")
	p := start(t, append([]string{"tune", rec, "--csv", shared, "--bus", addr, "--resume", kept}, vary...)...)
	eventually(t, "a result", func() bool {
		b, _ := os.ReadFile(kept)
		return strings.Count(string(b), "\n") > 2
	})
	first.Process.Kill()
	first.Wait()
	start(t, "work", rec, "--bus", "nats://"+addr, "--cores", "2")
	done := make(chan error, 1)
	go func() { done <- p.Wait() }()
	select {
	case err := <-done:
		if err != nil {
			t.Fatalf("%v\n%s", err, p.said())
		}
	case <-time.After(3 * time.Minute):
		t.Fatalf("the sweep did not end\n%s", p.said())
	}
	a, _ := os.ReadFile(local)
	b, _ := os.ReadFile(shared)
	if len(a) == 0 || string(a) != string(b) {
		t.Errorf("local\n%s\nover the bus\n%s", a, b)
	}
	for _, tt := range []struct{ args, want string }{
		{"work " + rec, "want --bus"},
		{"work", "RECORDING is missing"},
	} {
		if code, _, errOut := kerbline(t, strings.Fields(tt.args)...); code != exitUsage || !strings.Contains(errOut, tt.want) {
			t.Errorf("%s: %d, %s", tt.args, code, errOut)
		}
	}
}

// Two workers of one core each are at least 1.8 times as fast as one, start and loading
// of the recording included.
func TestWorkersSpeed(t *testing.T) {
	if os.Getenv("KERBLINE_WALL") == "" {
		t.Skip("KERBLINE_WALL is not set: it takes two cores that nobody else uses")
	}
	t.Setenv("GOMAXPROCS", "1")
	rec := loop(t, "nominal", 600)
	sweep := func(workers int) time.Duration {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		addr := l.Addr().String()
		l.Close()
		p := start(t, "tune", rec, "--csv", filepath.Join(t.TempDir(), "out.csv"), "--bus", addr, "--vary", "tests.dwell_s=1..8/8", "--vary", "limits.risk=1e-6..1e-4/10log")
		p.until("bus at")
		began := time.Now()
		for range workers {
			w := start(t, "work", rec, "--bus", "nats://"+addr, "--cores", "1")
			defer w.Process.Kill()
		}
		if err := p.Wait(); err != nil {
			t.Fatalf("%v\n%s", err, p.said())
		}
		return time.Since(began)
	}
	best := 0.0
	for range 3 {
		one, two := sweep(1), sweep(2)
		best = max(best, one.Seconds()/two.Seconds())
		t.Logf("80 settings: one worker %v, two %v, %.2f times as fast", one, two, one.Seconds()/two.Seconds())
		if best >= 1.8 {
			return
		}
	}
	t.Errorf("two workers are %.2f times as fast as one, want 1.8", best)
}
