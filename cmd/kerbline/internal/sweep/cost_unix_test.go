//go:build unix

package sweep

import (
	"context"
	"io"
	"runtime"
	"syscall"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fixtures"
	"kerbline/fusion"
)

// replayOnce is what `replay` does with a recording: decode, step, write lines.
func replayOnce(b *testing.B, rec *recording.Recording, cfg fusion.Config) {
	b.Helper()
	var line []byte
	_, _, err := runner.Monitor(b.Context(), rec, cfg, runner.Watch{After: func(snap *fusion.Snapshot, _ []fusion.Event) error {
		if snap != nil {
			line = lines.AppendVerdict(line[:0], snap)
			io.Discard.Write(line)
		}
		return nil
	}})
	if err != nil {
		b.Fatal(err)
	}
}

// cpu returns the processor time this process has used, s: fair on a machine
// that does other things too.
func cpu(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// BenchmarkCost measures what a sweep of 24 settings costs, decoding included,
// against 24 replays of the same session of 400 s, both in processor time: that is what n replays on so many
// cores come down to. "of-replays" is the share, "busy" how much of the
// sweep's time all cores were at work (a busy machine lowers it).
func BenchmarkCost(b *testing.B) {
	const settings = 24
	dir := b.TempDir()
	if err := fixtures.Standard("nominal", 5).Write(dir); err != nil {
		b.Fatal(err)
	}
	in := input(b, dir)
	var replay, sweep, wall float64
	for b.Loop() {
		began := cpu(b)
		for range 4 {
			replayOnce(b, in.Rec, in.Base.Config)
		}
		replay += (cpu(b) - began) / 4

		began = cpu(b)
		clock := time.Now()
		l, err := in.Load(context.Background())
		if err != nil {
			b.Fatal(err)
		}
		todo := make([]int, settings)
		for i := range todo {
			todo[i] = i % grid.Len()
		}
		if err := Run(context.Background(), l, 0, todo, assign, 0, memory(b, plan(b, l)).Add); err != nil {
			b.Fatal(err)
		}
		sweep += cpu(b) - began
		wall += time.Since(clock).Seconds()
	}
	n := float64(b.N)
	b.ReportMetric(replay/n*1000, "cpu-ms/replay")
	b.ReportMetric(sweep/n/settings*1000, "cpu-ms/setting")
	b.ReportMetric(sweep/(settings*replay), "of-replays")
	b.ReportMetric(sweep/(wall*float64(runtime.GOMAXPROCS(0))), "busy")
	b.ReportMetric(0, "ns/op")
}
