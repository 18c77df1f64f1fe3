//go:build unix

package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/tune"
	"kerbline/gnss/geodesy"
	"kerbline/tui"
)

// job is one thing to time. It does its work n times.
type job func(n int)

// rounds is how often each job of a row is timed, in turns.
const rounds = 5

// fastest returns the least ns of processor time that each job takes, each
// timed for some 0.2 s a round.
func fastest(jobs ...job) []float64 {
	n := make([]int, len(jobs))
	best := make([]float64, len(jobs))
	for i, f := range jobs {
		best[i] = math.Inf(1)
		for n[i] = 1; ; n[i] *= 2 {
			if began := cpu(); f.took(n[i], began) > 100e6 || n[i] > 1<<30 {
				break
			}
		}
	}
	for range rounds {
		for i, f := range jobs {
			best[i] = math.Min(best[i], f.took(n[i], cpu())/float64(n[i]))
		}
	}
	return best
}

func (f job) took(n int, began float64) float64 {
	f(n)
	return cpu() - began
}

// cpu is the processor time this process has used, ns: what other processes do
// meanwhile does not count.
func cpu() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return float64(u.Utime.Nano() + u.Stime.Nano())
}

// table prints rows as Markdown, columns aligned.
type table struct{ rows [][4]string }

func (tb *table) add(what, here, peer string, ratio float64) {
	r := ""
	if !math.IsNaN(ratio) {
		r = figures(ratio)
	}
	tb.rows = append(tb.rows, [4]string{what, here, peer, r})
}

// pair adds a row of two times in ns for one unit of work.
func (tb *table) pair(what string, here, peer float64, of string) {
	tb.add(what, duration(here), duration(peer)+" "+of, peer/here)
}

func (tb *table) write(w io.Writer) {
	head := [4]string{"what", "here", "beside it", "ratio"}
	var width [4]int
	for _, r := range append([][4]string{head}, tb.rows...) {
		for i, c := range r {
			width[i] = max(width[i], len([]rune(c)))
		}
	}
	line := func(r [4]string) {
		fmt.Fprintf(w, "| %-*s | %-*s | %-*s | %*s |\n", width[0], r[0], width[1], r[1], width[2], r[2], width[3], r[3])
	}
	line(head)
	fmt.Fprintf(w, "|-%s-|-%s-|-%s-|-%s:|\n", strings.Repeat("-", width[0]), strings.Repeat("-", width[1]), strings.Repeat("-", width[2]), strings.Repeat("-", width[3]))
	for _, r := range tb.rows {
		line(r)
	}
}

// duration writes ns with three figures.
func duration(ns float64) string {
	for _, u := range []struct {
		name string
		ns   float64
	}{{"s", 1e9}, {"ms", 1e6}, {"µs", 1e3}} {
		if ns >= 0.9995*u.ns {
			return figures(ns/u.ns) + " " + u.name
		}
	}
	return figures(ns) + " ns"
}

// figures writes x with three figures, and the thousands of a large one apart.
func figures(x float64) string {
	if x <= 0 {
		return strconv.FormatFloat(x, 'g', 3, 64)
	}
	place := int(math.Floor(math.Log10(x * 1.0005)))
	if place <= 2 {
		return strconv.FormatFloat(x, 'f', min(2-place, 9), 64)
	}
	unit := math.Pow10(place - 2)
	s := strconv.FormatFloat(math.Round(x/unit)*unit, 'f', 0, 64)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + " " + s[i:]
	}
	return s
}

func TestDuration(t *testing.T) {
	for _, r := range []struct {
		ns   float64
		want string
	}{{3.94e9, "3.94 s"}, {1234, "1.23 µs"}, {999, "999 ns"}, {999.9, "1.00 µs"}, {18.53, "18.5 ns"}, {412.4e6, "412 ms"}, {99.999e6, "100 ms"},
		{0, "0 ns"}, {0.04, "0.0400 ns"}, {4999888e9, "5 000 000 s"}} {
		if got := duration(r.ns); got != r.want {
			t.Errorf("%g ns: %q, want %q", r.ns, got, r.want)
		}
	}
}

// TestTable prints the table. It is a test to be asked for, by .ci/bench:
//
//	KERBLINE_BENCH       set: measure
//	KERBLINE_BENCH_HOUR  s of recording for the rows of a whole process, 3600 if unset
//	KERBLINE_PEER        a program that prints "predict_ns N update_ns N hour_s N" of a
//	                     dense filter in another language; its rows are left out if unset
func TestTable(t *testing.T) {
	if os.Getenv("KERBLINE_BENCH") == "" {
		t.Skip("takes minutes of a quiet machine: run .ci/bench")
	}
	d := made(t)
	var tb table
	decoding(t, d, &tb)
	peer := outside(t)
	filter(&tb, peer)
	phases(t, &tb, peer)
	steps(t, d, &tb)
	tuning(t, d, &tb)
	screen(t, d, &tb)
	processes(t, &tb, peer)

	fmt.Printf("%s, %d cores, %s %s/%s, %s; load %s.\n", processor(), runtime.NumCPU(), runtime.Version(), runtime.GOOS, runtime.GOARCH,
		time.Now().UTC().Format("2006-01-02"), loadAverage())
	fmt.Printf("Processor time, except Step by kind and replay (on the clock); fastest of %d rounds here and beside it in turns.\nThe ratio is the time beside over the time here.\n\n", rounds)
	tb.write(os.Stdout)
}

func processor() string {
	b, err := os.ReadFile("/proc/cpuinfo")
	if m := regexp.MustCompile(`model name\s*:\s*(.+)`).FindSubmatch(b); err == nil && m != nil {
		return strings.TrimSpace(string(m[1]))
	}
	return "unknown processor"
}

func loadAverage() string {
	b, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Join(strings.Fields(string(b))[:3], " ")
}

func decoding(t *testing.T, d *drive, tb *table) {
	var sink int
	repeat := func(f func([]byte) int, b []byte) job {
		return func(n int) {
			for range n {
				sink += f(b)
			}
		}
	}
	row := func(what, of string, b []byte, a, p func([]byte) int) {
		units := float64(a(b))
		r := fastest(repeat(a, b), repeat(p, b))
		tb.pair(fmt.Sprintf("%s, %.0f MB/s", what, float64(len(b))/r[0]*1e3), r[0]/units, r[1]/units, of)
	}
	row("a sentence, from bytes", "go-nmea alone", d.sentences, readOurs, readAlone)
	row("a correction frame, from bytes", "plain scanner", d.corrections, scanOurs, scanPlain)
	row("an IMU line, from bytes", "strings.Split, ParseFloat", d.imu, csvOurs, csvPlain)

	var snap fusion.Snapshot
	d.replay(t, func(s *fusion.Snapshot, _ []fusion.Event) {
		if s != nil {
			snap = *s
		}
	})
	buf := lines.AppendVerdict(nil, &snap)
	v, err := lines.ParseVerdict(buf)
	if err != nil {
		t.Fatal(err)
	}
	v.ValidUntil = 0
	if _, err := json.Marshal(v); err != nil {
		t.Fatal(err)
	}
	r := fastest(func(n int) {
		for range n {
			buf = lines.AppendVerdict(buf[:0], &snap)
		}
	}, func(n int) {
		for range n {
			b, _ := json.Marshal(v)
			sink += len(b)
		}
	})
	tb.pair("a verdict line, written", r[0], r[1], "encoding/json")
}

// foreign is the program of KERBLINE_PEER and what it printed in the run that
// had the processor most to itself.
type foreign struct {
	path                  string
	predict, update, hour float64 // ns, ns, s of processor time
	wall                  float64 // s on the clock for the hour, the least of all runs
	share                 float64 // of the processor in that run
}

var printed = regexp.MustCompile(`predict_ns (\S+) update_ns (\S+) hour_s (\S+)`)

// outside runs the program of KERBLINE_PEER, nil when there is none.
func outside(t *testing.T) *foreign {
	path := os.Getenv("KERBLINE_PEER")
	if path == "" {
		return nil
	}
	f := &foreign{path: path, wall: math.Inf(1)}
	for range rounds {
		f.run(t)
	}
	return f
}

// run runs it once more. It looks at the clock; what it prints is taken down to
// its share of the processor.
func (f *foreign) run(t *testing.T) {
	cmd := exec.Command(f.path)
	began := time.Now()
	out, err := cmd.Output()
	took := time.Since(began)
	m := printed.FindSubmatch(out)
	if err != nil || m == nil {
		t.Fatalf("KERBLINE_PEER %s: %v, printed %q", f.path, err, out)
	}
	var v [3]float64
	for i := range v {
		if v[i], err = strconv.ParseFloat(string(m[i+1]), 64); err != nil {
			t.Fatal(err)
		}
	}
	f.wall = math.Min(f.wall, v[2])
	if share := math.Min(1, float64(cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime())/float64(took)); share > f.share {
		f.share, f.predict, f.update, f.hour = share, share*v[0], share*v[1], share*v[2]
	}
}

func filter(tb *table, peer *foreign) {
	// The covariance would shrink or grow without end: it starts again.
	const n = 2000
	predict := func(every int) job {
		f := newOurs(every)
		p := f.P
		return func(k int) {
			for i := range k {
				w, a := sample(i)
				f.Predict(w, a, 0.005)
				if i%n == n-1 {
					f.P = p
				}
			}
		}
	}
	d := newTwin()
	start := *d
	start.P = nil
	p := newTwin().P
	r := fastest(predict(1), predict(4), func(k int) {
		for i := range k {
			w, a := sample(i)
			d.predict(w, a, 0.005)
			if i%n == n-1 {
				d.P.Copy(p)
			}
		}
	})
	tb.pair("predict, 21 states, every sample", r[0], r[2], "dense twin in gonum, 15 states")
	if peer != nil {
		tb.pair("predict, 21 states, every sample", r[0], peer.predict, "dense C++, 15 states")
	}
	tb.pair("predict as the monitor does, every 4th sample", r[1], r[2], "dense twin in gonum, 15 states")
	if peer != nil {
		tb.pair("predict as the monitor does, every 4th sample", r[1], peer.predict, "dense C++, 15 states")
	}

	f, w := newOurs(1), r3zero
	P := f.P
	r = fastest(func(k int) {
		for range k {
			o := f.Position(r3at(f.Pos, 0.01), [3]float64{1e-4, 1e-4, 1e-4}, lever, w)
			f.Apply(&o)
			f.P = P
		}
	}, func(k int) {
		for range k {
			d.update(r3at(r3zero, 0.01), 0, 1e-4, lever)
			d.P.Copy(p)
		}
	})
	tb.pair("position update, three axes", r[0], r[1], "dense twin in gonum, 15 states")
	if peer != nil {
		tb.pair("position update, three axes", r[0], peer.update, "dense C++, 15 states")
	}

	const hour, part = 3600 * 200, 20000
	r = fastest(func(k int) {
		for range k {
			ours(newOurs(4), part)
		}
	}, func(k int) {
		for range k {
			twin(newTwin(), part)
		}
	})
	here, beside := r[0]*hour/part, r[1]*hour/part
	tb.pair("an hour of the filter alone", here, beside, "dense twin in gonum, 15 states")
	if peer != nil {
		tb.pair("an hour of the filter alone", here, peer.hour*1e9, "dense C++, 15 states")
	}
}

// steps times one Step by kind of measurement over a drive, less what looking
// at the clock costs. Beside it stands how long there is until the next of the
// kind.
func steps(t *testing.T, d *drive, tb *table) {
	tp := d.tape(t)
	from, to := tp.Span()
	best := map[fusion.Kind]float64{}
	count := map[fusion.Kind]int{}
	for range rounds {
		spent := map[fusion.Kind][]float64{}
		m := fusion.NewMonitor(d.cfg.Config, d.course(t))
		tp.Each(func(in *fusion.Measurement) {
			began := time.Now()
			m.Step(in)
			spent[in.Kind] = append(spent[in.Kind], float64(time.Since(began)))
		})
		for k, all := range spent {
			count[k] = len(all)
			if x := undisturbed(all); best[k] == 0 || x < best[k] {
				best[k] = x
			}
		}
	}
	look := make([]float64, 100000)
	for i := range look {
		began := time.Now()
		look[i] = float64(time.Since(began))
	}
	for _, k := range []struct {
		name string
		kind fusion.Kind
	}{{"IMU", fusion.KindIMU}, {"wheel", fusion.KindWheel}, {"epoch", fusion.KindEpoch}, {"frame", fusion.KindFrame}, {"bytes on the link", fusion.KindLink}, {"tick", fusion.KindTick}} {
		here := math.Max(best[k.kind]-undisturbed(look), 1)
		tb.pair("Step, "+k.name, here, (to-from)*1e9/float64(count[k.kind]), "until the next")
	}

	var mallocs, n float64
	r := fastest(func(k int) {
		for range k {
			m := fusion.NewMonitor(d.cfg.Config, d.course(t))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			tp.Each(func(in *fusion.Measurement) { m.Step(in) })
			runtime.ReadMemStats(&after)
			mallocs, n = float64(after.Mallocs-before.Mallocs), float64(tp.Len())
		}
	})
	tb.pair("Step, all of a recorded second", r[0]/(to-from), 1e9, "real time")
	tb.add("allocations a Step, start and events included", figures(mallocs/n), "0 in steady state: TestStepAllocatesNothing", math.NaN())
}

// undisturbed is the mean of all but the largest 2 %, in which the machine did
// something else.
func undisturbed(all []float64) float64 {
	slices.Sort(all)
	all = all[:len(all)-len(all)/50]
	sum := 0.0
	for _, x := range all {
		sum += x
	}
	return sum / float64(len(all))
}

func tuning(t *testing.T, d *drive, tb *table) {
	tp := d.tape(t)
	truth, err := d.rec.Truth()
	if err != nil {
		t.Fatal(err)
	}
	var buf []byte
	r := fastest(func(n int) {
		for range n {
			tune.Play(tp, d.cfg.Config, d.course(t), tune.Reference{Truth: truth})
		}
	}, func(n int) {
		for range n {
			d.replay(t, func(s *fusion.Snapshot, _ []fusion.Event) {
				if s != nil {
					buf = lines.AppendVerdict(buf[:0], s)
				}
			})
		}
	})
	tb.pair("tune, a setting on a recorded hour", r[0]*3600/driveLength, r[1]*3600/driveLength, "a replay of it")
}

func screen(t *testing.T, d *drive, tb *table) {
	f := tui.NewFeed(tui.View{Name: "Quarry Loop", Course: centreLine(t, d), Closed: true, Risk: 1e-5, RiskCoast: 1e-2})
	d.replay(t, f.Step)
	f.Publish(time.Unix(0, 0))
	v := f.Latest()
	for _, s := range []struct{ w, h int }{{80, 24}, {120, 40}, {200, 60}} {
		c := tui.NewCanvas(s.w, s.h)
		r := fastest(func(n int) {
			for range n {
				c.Reset(s.w, s.h)
				tui.Draw(c, v, tui.State{})
			}
		})
		tb.pair(fmt.Sprintf("the screen drawn, %dx%d", s.w, s.h), r[0], 120e6, "between paints")
	}
}

func centreLine(t *testing.T, d *drive) (line []geodesy.LLA) {
	var g struct {
		Features []struct {
			Geometry struct{ Coordinates [][]float64 }
		}
		Geometry struct{ Coordinates [][]float64 }
	}
	if err := json.Unmarshal(d.track, &g); err != nil {
		t.Fatal(err)
	}
	at := g.Geometry.Coordinates
	for _, f := range g.Features {
		at = append(at, f.Geometry.Coordinates...)
	}
	for _, c := range at {
		line = append(line, geodesy.LLA{Lat: c[1] * geodesy.Degree, Lon: c[0] * geodesy.Degree})
	}
	if len(line) < 10 {
		t.Fatalf("a map of %d points", len(line))
	}
	return line
}

// processes times the program itself, as a person runs it, over a generated
// recording: from files to verdict lines.
func processes(t *testing.T, tb *table, peer *foreign) {
	seconds := 3600.0
	if s := os.Getenv("KERBLINE_BENCH_HOUR"); s != "" {
		var err error
		if seconds, err = strconv.ParseFloat(s, 64); err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	program, folder, mcap := filepath.Join(dir, "kerbline"), filepath.Join(dir, "hour"), filepath.Join(dir, "hour.mcap")
	if out, err := exec.Command("go", "build", "-o", program, "kerbline/cmd/kerbline").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	sc := fixtures.Standard("nominal", 1)
	sc.Duration = seconds
	if err := sc.Write(folder); err != nil {
		t.Fatal(err)
	}
	// A recording of the track has no truth to be judged by.
	if err := os.Remove(filepath.Join(folder, fixtures.TruthFile)); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(program, "convert", folder, mcap).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	forms := []struct {
		name, path      string
		wall, cpu, peak float64 // ns, ns, MB
	}{{name: "folder", path: folder}, {name: "MCAP", path: mcap}}
	for i := range forms {
		forms[i].wall, forms[i].cpu = math.Inf(1), math.Inf(1)
	}
	for range rounds {
		for i := range forms {
			f := &forms[i]
			cmd := exec.Command(program, "replay", f.path, "--verdicts", filepath.Join(dir, "v"), "--events", filepath.Join(dir, "e"))
			var out bytes.Buffer
			cmd.Stdout, cmd.Stderr = &out, &out
			began := time.Now()
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			peak := watch(cmd.Process.Pid)
			err := cmd.Wait()
			f.wall = math.Min(f.wall, float64(time.Since(began)))
			if err != nil {
				t.Fatalf("%v: %s", err, out.Bytes())
			}
			f.cpu = math.Min(f.cpu, float64(cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime()))
			f.peak = math.Max(f.peak, peak())
		}
		if peer != nil {
			peer.run(t)
		}
	}
	wall, cpu, beside := seconds*1e9, math.NaN(), "real time"
	if peer != nil {
		hours := seconds / 3600
		wall, cpu, beside = peer.wall*1e9*hours, peer.hour*1e9*hours, "dense C++, its filter alone"
	}
	for _, f := range forms {
		what := fmt.Sprintf("replay of %s, %s to lines", span(seconds), f.name)
		tb.pair(what, f.wall, wall, beside)
		if peer != nil {
			tb.pair(what+", processor time", f.cpu, cpu, beside)
		} else {
			tb.add(what+", processor time", duration(f.cpu), "", math.NaN())
		}
		if f.peak > 0 {
			tb.add(what+", peak memory", figures(f.peak)+" MB", "", math.NaN())
		}
	}
}

// watch follows the peak of a process's memory, as long as it runs, and returns
// what ends that and gives the peak in MB; 0 where the system does not tell.
// The peak that wait reports would be this process's own: it is inherited.
func watch(pid int) (peak func() float64) {
	stop, done := make(chan struct{}), make(chan float64)
	go func() {
		high := 0.0
		for {
			b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
			if m := highWater.FindSubmatch(b); m != nil {
				kB, _ := strconv.ParseFloat(string(m[1]), 64)
				high = math.Max(high, kB/1024)
			}
			select {
			case <-stop:
				done <- high
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return func() float64 {
		close(stop)
		return <-done
	}
}

var highWater = regexp.MustCompile(`VmHWM:\s*(\d+) kB`)

func span(s float64) string {
	if s == 3600 {
		return "an hour"
	}
	return figures(s) + " s"
}
