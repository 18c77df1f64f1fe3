package publish

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fusion"
)

// consumerC builds the reference consumer in C, or skips where there is no
// compiler.
func consumerC(t *testing.T) string {
	t.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		t.Skip("no C compiler here")
	}
	out := filepath.Join(t.TempDir(), "consumer")
	if b, err := exec.Command(cc, "-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-pedantic", "-o", out, filepath.Join("consumer", "consumer.c"), "-lm").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	return out
}

// The reference consumer in C takes and refuses what the rule takes and refuses,
// and decides as it does, over hours of monitors that come and go, queues, clocks
// that step, doubles, forgeries and rubbish.
func TestConsumerC(t *testing.T) {
	if testing.Short() {
		t.Skip("another program, one goroutine")
	}
	program := consumerC(t)
	rng := rand.New(rand.NewPCG(8, 1))
	var in, want bytes.Buffer
	var r Rule
	disengaged := true
	hear := func(now float64, sender string, line []byte) {
		line = bytes.TrimSuffix(line, []byte("\n"))
		on := 0
		if disengaged {
			on = 1
		}
		fmt.Fprintf(&in, "%.6f %s %d %s\n", now, sender, on, line)
		fmt.Sscanf(fmt.Sprintf("%.6f", now), "%f", &now)
		taken := 0
		if v, err := lines.ParseVerdict(line); err == nil && r.Hear(now, sender, &v, disengaged) == "" {
			taken = 1
		}
		d := r.Decide(now)
		usable := 0
		if d.Usable {
			usable, disengaged = 1, false
		} else if rng.IntN(40) == 0 {
			disengaged = true
		}
		fmt.Fprintf(&want, "%d %d %s\n", taken, usable, d.Advice)
	}
	now := 0.0
	s := full(0, 1)
	for session := range 60 {
		live := lines.Live{Session: fmt.Sprintf("%016x", session/2), Hold: Hold}
		sender := fmt.Sprintf("127.0.0.1:%d", 40000+session/4)
		clock := 1e9 + 1e3*rng.Float64()
		late := 0.0
		for range 400 {
			now += 0.02 + 0.1*rng.Float64()
			if rng.IntN(150) == 0 {
				now += 8 * rng.Float64()
			}
			if rng.IntN(100) == 0 {
				late = rng.Float64() * rng.Float64()
			}
			if rng.IntN(300) == 0 {
				clock += rng.NormFloat64()
			}
			live.N++
			s.T = now + clock - late*rng.Float64()
			s.Verdict = fusion.Verdict(rng.IntN(4))
			if rng.IntN(3) > 0 {
				s.Verdict = fusion.Usable
			}
			s.Advice = fusion.Advice(rng.IntN(4))
			s.SpeedCap = []float64{0, 7.5, 25, math.NaN()}[rng.IntN(4)]
			line := lines.AppendLive(nil, s, live)
			hear(now, sender, line)
			switch rng.IntN(12) {
			case 0:
				hear(now+0.01, sender, line) // doubled
			case 1:
				hear(now+0.01, "127.0.0.2:9", line)
			case 2:
				f := live
				f.N, f.Hold = live.N+uint64(rng.IntN(400)), []float64{0, 0.1, 0.3, 60}[rng.IntN(4)]
				s.T += []float64{0, 1e6, -1e6, 0.25}[rng.IntN(4)]
				hear(now+0.01, sender, lines.AppendLive(nil, s, f))
			case 3:
				cut := bytes.TrimSuffix(line, []byte("\n"))
				hear(now+0.01, sender, cut[:rng.IntN(len(cut))])
			case 4:
				hear(now+0.01, sender, bytes.Replace(line, []byte(`"n":`), []byte(`"n":null,"x":`), 1))
			}
		}
	}
	cmd := exec.Command(program, "-")
	cmd.Stdin = &in
	inputs := strings.Split(in.String(), "\n")
	got, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	a, b := strings.Split(string(got), "\n"), strings.Split(want.String(), "\n")
	taken, usable := 0, 0
	for i := range b {
		if i >= len(a) || a[i] != b[i] {
			t.Fatalf("line %d: C says %q, the rule %q, of %s", i, a[min(i, len(a)-1)], b[i], inputs[i])
		}
		if strings.HasPrefix(b[i], "1") {
			taken++
		}
		if strings.HasPrefix(b[i], "1 1") {
			usable++
		}
	}
	t.Logf("%d lines, %d taken, %d usable", len(b), taken, usable)
	if taken < 3000 || taken > len(b)-5000 || usable < 500 {
		t.Errorf("%d lines, %d taken, %d usable: what was compared says little", len(b), taken, usable)
	}
}

// It hears a publisher, and falls silent with it.
func TestConsumerCHears(t *testing.T) {
	program := consumerC(t)
	c, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(c.LocalAddr().String())
	c.Close()
	cmd := exec.Command(program, port)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cmd.Process.Kill(); cmd.Wait() }()
	said := bufio.NewScanner(out)
	until := func(want string) {
		t.Helper()
		for said.Scan() {
			if said.Text() == want {
				return
			}
		}
		t.Fatalf("never said %q", want)
	}
	until("NOT USABLE nothing heard")
	p, err := Dial("127.0.0.1:"+port, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	quit, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		s := full(0, 1)
		s.Verdict, s.Advice = fusion.Usable, fusion.AdviseMapSlow
		for {
			select {
			case <-quit:
				return
			case <-time.After(50 * time.Millisecond):
				s.T = float64(time.Now().UnixNano()) / 1e9
				p.Send(s)
			}
		}
	}()
	until("USABLE     usable map_slow, at most 7 m/s")
	close(quit)
	<-ended
	p.Close()
	until("NOT USABLE nothing heard")
}
