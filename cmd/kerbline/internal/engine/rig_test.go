//go:build linux

package engine

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/cmd/kerbline/internal/sources/ptytest"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/course"
)

// item is some bytes that arrive at host time t.
type item struct {
	t float64 // Unix s
	b []byte
}

// streams cuts the files of a recording into what each device sends and when.
// Sentences lose their TAG blocks: live, the host stamps.
func streams(t testing.TB, files map[string][]byte) map[fusion.Channel][]item {
	t.Helper()
	out := map[fusion.Channel][]item{}
	each := func(name string, f func(line string)) {
		for line := range strings.Lines(string(files[name])) {
			f(line)
		}
	}
	each(fixtures.NMEAFile, func(line string) {
		tag, sentence, ok := strings.Cut(line[1:], `\`)
		ms, err := strconv.ParseFloat(strings.TrimPrefix(strings.Split(tag, "*")[0], "c:"), 64)
		if !ok || err != nil {
			t.Fatalf("no TAG block: %q", line)
		}
		out[fusion.ChanNMEA] = append(out[fusion.ChanNMEA], item{ms / 1000, []byte(sentence)})
	})
	csv := func(name string, ch fusion.Channel) {
		each(name, func(line string) {
			first, rest, _ := strings.Cut(line, ",")
			at, err := strconv.ParseFloat(first, 64)
			if err != nil {
				return // header
			}
			it := item{at, []byte(line)}
			if ch == fusion.ChanCorrections {
				if it.b, err = hex.DecodeString(strings.TrimSpace(rest)); err != nil {
					t.Fatal(err)
				}
			}
			out[ch] = append(out[ch], it)
		})
	}
	csv(fixtures.CorrectionsFile, fusion.ChanCorrections)
	csv(fixtures.IMUFile, fusion.ChanIMU)
	csv(fixtures.WheelFile, fusion.ChanWheel)
	return out
}

// rig plays the devices of a car: a receiver on a serial port, a radio on TCP,
// an inertial sensor by UDP and a wheel counter through a pipe.
type rig struct {
	t     testing.TB
	dir   string
	dev   map[fusion.Channel][]item
	from  float64 // host Unix s at which it begins
	speed float64
	began time.Time

	port  *ptytest.Port
	radio net.Listener
	imu   net.Conn
	wheel *os.File

	mu    sync.Mutex
	quiet map[fusion.Channel]bool // unplugged
	link  net.Conn
	step  int64 // ns, of the host clock
}

func newRig(t testing.TB, files map[string][]byte, from, speed float64) *rig {
	r := &rig{t: t, dir: t.TempDir(), dev: streams(t, files), speed: speed, quiet: map[fusion.Channel]bool{}}
	r.from = r.dev[fusion.ChanIMU][0].t + from
	r.port = ptytest.New(t, filepath.Join(r.dir, "ttyACM0"))
	var err error
	if r.radio, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.radio.Close() })
	pc, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := pc.LocalAddr().String()
	pc.Close()
	if r.imu, err = net.Dial("udp", addr); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.imu.Close() })
	if err := syscall.Mkfifo(filepath.Join(r.dir, "wheel"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.began = time.Now()
	return r
}

// now is the host clock of the rig, ns.
func (r *rig) now() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return recorder.Nanos(r.from) + int64(float64(time.Since(r.began))*r.speed) + r.step
}

func (r *rig) inputs() []Input {
	spec := func(s string) sources.Spec {
		p, err := sources.Parse(s)
		if err != nil {
			r.t.Fatal(err)
		}
		return p
	}
	return []Input{
		{fusion.ChanNMEA, spec("serial://" + r.port.Path + "?baud=460800")},
		{fusion.ChanCorrections, spec("tcp://" + r.radio.Addr().String())},
		{fusion.ChanIMU, spec("udp://" + r.imu.RemoteAddr().String())},
		{fusion.ChanWheel, spec(filepath.Join(r.dir, "wheel"))},
	}
}

// mute unplugs a device's cable, or plugs it in again.
func (r *rig) mute(ch fusion.Channel, quiet bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.quiet[ch] = quiet
}

// play sends everything in its time until ctx ends or to is reached, s after
// the beginning.
func (r *rig) play(ctx context.Context, to float64) {
	var wg sync.WaitGroup
	go func() {
		for {
			c, err := r.radio.Accept()
			if err != nil {
				return
			}
			r.mu.Lock()
			r.link = c
			r.mu.Unlock()
		}
	}()
	for ch, items := range r.dev {
		wg.Add(1)
		go func() {
			defer wg.Done()
			i := sort.Search(len(items), func(i int) bool { return items[i].t >= r.from })
			for ; i < len(items); i++ {
				it := items[i]
				if it.t > r.from+to {
					return
				}
				wait := time.Duration((it.t-r.from)/r.speed*1e9) - time.Since(r.began)
				if wait > 0 {
					select {
					case <-ctx.Done():
						return
					case <-time.After(wait):
					}
				}
				r.send(ch, it.b)
			}
		}()
	}
	wg.Wait()
}

func (r *rig) send(ch fusion.Channel, b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.quiet[ch] {
		return
	}
	switch ch {
	case fusion.ChanNMEA:
		r.port.SetWriteDeadline(time.Now().Add(time.Second))
		r.port.Write(b)
	case fusion.ChanCorrections:
		if r.link != nil {
			r.link.Write(b)
		}
	case fusion.ChanIMU:
		r.imu.Write(b)
	case fusion.ChanWheel:
		if r.wheel == nil {
			r.wheel, _ = os.OpenFile(filepath.Join(r.dir, "wheel"), os.O_WRONLY|syscall.O_NONBLOCK, 0)
		}
		if r.wheel != nil {
			r.wheel.Write(b)
		}
	}
}

// options are those of an engine on the rig's devices.
func (r *rig) options(files map[string][]byte, rec string) Options {
	cfg, err := settings.Parse("kerbline.toml", files[fixtures.SettingsFile])
	if err != nil {
		r.t.Fatal(err)
	}
	o := Options{Config: cfg.Config, Inputs: r.inputs(), Now: r.now, speed: r.speed}
	var head recorder.Head
	head.Attachments = append(head.Attachments, recorder.Attachment{Name: recorder.SettingsName, Data: files[fixtures.SettingsFile]})
	if b := files[fixtures.CourseFile]; b != nil {
		if o.Course, err = course.Load(b); err != nil {
			r.t.Fatal(err)
		}
		head.Attachments = append(head.Attachments, recorder.Attachment{Name: recorder.CourseName, Data: b})
	}
	if rec != "" {
		o.Record = &recorder.Options{Path: rec, Head: head}
	}
	return o
}

// tape collects what an engine gives.
type tape struct {
	mu       sync.Mutex
	verdicts []byte
	events   []byte
	n        [4]int // by verdict
	last     fusion.Snapshot
	states   State
	heard    []fusion.Event
}

func (p *tape) look(s *fusion.Snapshot, events []fusion.Event) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if s != nil {
		p.verdicts = lines.AppendVerdict(p.verdicts, s)
		p.n[s.Verdict]++
		p.last = *s
	}
	for i := range events {
		p.events = lines.AppendEvent(p.events, &events[i])
		p.heard = append(p.heard, events[i])
	}
}

func (p *tape) state(s State) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.states = s
}

func (p *tape) snap() fusion.Snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.last
}

func (p *tape) source(ch fusion.Channel) sources.Status {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range p.states.Sources {
		if s.Channel == ch {
			return s
		}
	}
	return sources.Status{}
}

// replay runs a recording as the replay command does.
func replay(t testing.TB, path string) *tape {
	t.Helper()
	rec, err := recording.Open(path, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := rec.Settings()
	if err != nil {
		t.Fatal(err)
	}
	p := new(tape)
	_, _, err = runner.Monitor(t.Context(), rec, cfg.Config, runner.Watch{After: func(s *fusion.Snapshot, events []fusion.Event) error {
		p.look(s, events)
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// alike reports the first difference between two line files.
func alike(got, want []byte) error {
	if bytes.Equal(got, want) {
		return nil
	}
	a, b := bytes.SplitAfter(got, []byte("\n")), bytes.SplitAfter(want, []byte("\n"))
	for i := range min(len(a), len(b)) {
		if !bytes.Equal(a[i], b[i]) {
			return fmt.Errorf("line %d of %d and %d:\n got %s\nwant %s", i, len(a), len(b), a[i], b[i])
		}
	}
	return fmt.Errorf("%d lines, want %d", len(a), len(b))
}
