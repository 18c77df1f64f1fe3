//go:build unix

package bus

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
)

// watchersEnv makes the test binary a crowd of watchers in a process of their own: how
// many, and where.
const watchersEnv = "KERBLINE_TEST_WATCHERS"

func TestMain(m *testing.M) {
	if at := os.Getenv(watchersEnv); at != "" {
		crowd(at)
		return
	}
	os.Exit(m.Run())
}

// crowd watches until standard input ends, then prints the latencies of the verdicts
// that it heard: 0.50, 0.99 and the longest, in ms.
func crowd(at string) {
	count, url, _ := strings.Cut(at, " ")
	n, err := strconv.Atoi(count)
	if err != nil {
		panic(err)
	}
	target, err := Parse(url)
	if err != nil {
		panic(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var mu sync.Mutex
	var all []float64
	var wg sync.WaitGroup
	for range n {
		w, err := Watch(target)
		if err != nil {
			panic(err)
		}
		if err := w.nc.FlushTimeout(time.Minute); err != nil {
			panic(err)
		}
		wg.Go(func() {
			for {
				h, err := w.Next(ctx)
				if err != nil {
					return
				}
				if h.Verdict == nil {
					continue
				}
				now := float64(time.Now().UnixNano()) / 1e9
				if v, err := lines.ParseVerdict(h.Verdict); err == nil {
					mu.Lock()
					all = append(all, 1000*(now-float64(v.T)))
					mu.Unlock()
				}
			}
		})
	}
	fmt.Println("ready")
	bufio.NewReader(os.Stdin).ReadString('\n')
	cancel()
	wg.Wait()
	slices.Sort(all)
	if len(all) == 0 {
		fmt.Println("nothing heard")
		return
	}
	fmt.Println(len(all), all[len(all)/2], all[len(all)*99/100], all[len(all)-1])
}

// BenchmarkWatchers sends verdicts at the monitor's pace to fifty watchers in another
// process: what they cost this one, in percent of a core beyond what sending to nobody
// costs, and how late a verdict reaches them.
func BenchmarkWatchers(b *testing.B) {
	srv, err := Serve(ServeOptions{Addr: "127.0.0.1:0"})
	if err != nil {
		b.Fatal(err)
	}
	defer srv.Close()
	nc, err := srv.Connect()
	if err != nil {
		b.Fatal(err)
	}
	p, err := NewPublisher(nc, "red")
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	const pace = 20 // verdicts a second: ten on time, and those that changes bring
	send := func(n int) (core float64) {
		began, used := time.Now(), processor()
		tick := time.NewTicker(time.Second / pace)
		defer tick.Stop()
		for i := range n {
			<-tick.C
			s := snapshot(uint64(i + 1))
			s.T = float64(time.Now().UnixNano()) / 1e9
			p.Send(s)
		}
		return 100 * (processor() - used) / time.Since(began).Seconds()
	}
	alone := send(5 * pace)
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), watchersEnv+"=50 "+srv.URL())
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	r := bufio.NewReader(out)
	r.ReadString('\n')
	var core float64
	for b.Loop() {
		core = send(10 * pace)
	}
	in.Close()
	line, err := r.ReadString('\n')
	if err != nil {
		b.Fatal(err)
	}
	var n int
	var median, p99, most float64
	if _, err := fmt.Sscan(line, &n, &median, &p99, &most); err != nil {
		b.Fatalf("%q: %v", line, err)
	}
	cmd.Wait()
	b.ReportMetric(core-alone, "core_%")
	b.ReportMetric(median, "p50_ms")
	b.ReportMetric(p99, "p99_ms")
	b.ReportMetric(float64(n)/float64(b.N), "heard")
	b.ReportMetric(0, "ns/op")
}

// processor returns the processor time that this process used, s.
func processor() float64 {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return float64(u.Utime.Sec+u.Stime.Sec) + float64(u.Utime.Usec+u.Stime.Usec)/1e6
}
