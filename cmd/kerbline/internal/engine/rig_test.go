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

// rig plays the devices of a car: all that a recording holds, each piece in its
// time, in the order of the recording. In a synctest bubble its clock is the
// bubble's, and a drive of minutes takes as long as the engine works on it.
type rig struct {
	t    testing.TB
	dev  []arrival
	from float64 // host Unix s at which it begins
	give func(ch fusion.Channel, b []byte)

	mu    sync.Mutex
	began time.Time
	quiet map[fusion.Channel]bool // unplugged
	step  int64                   // ns, of the host clock
}

// arrival is an item and where it comes in.
type arrival struct {
	item
	ch fusion.Channel
}

func newRig(t testing.TB, files map[string][]byte, from float64) *rig {
	r := &rig{t: t, began: time.Now(), quiet: map[fusion.Channel]bool{}}
	by := streams(t, files)
	for _, ch := range []fusion.Channel{fusion.ChanNMEA, fusion.ChanCorrections, fusion.ChanIMU, fusion.ChanWheel} {
		for _, it := range by[ch] {
			r.dev = append(r.dev, arrival{it, ch})
		}
	}
	sort.SliceStable(r.dev, func(i, j int) bool { return r.dev[i].t < r.dev[j].t })
	r.from = by[fusion.ChanIMU][0].t + from
	return r
}

// now is the host clock of the rig, ns.
func (r *rig) now() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return recorder.Nanos(r.from) + int64(time.Since(r.began)) + r.step
}

// mute unplugs a device's cable, or plugs it in again.
func (r *rig) mute(ch fusion.Channel, quiet bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.quiet[ch] = quiet
}

// set changes the host clock by ns.
func (r *rig) set(ns int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.step += ns
}

// play gives everything in its time until ctx ends or to is reached, s after the
// beginning.
func (r *rig) play(ctx context.Context, to float64) {
	r.mu.Lock()
	r.began = time.Now()
	began := r.began
	r.mu.Unlock()
	for _, it := range r.dev {
		if it.t < r.from {
			continue
		}
		if it.t > r.from+to {
			return
		}
		if wait := time.Duration((it.t-r.from)*1e9) - time.Since(began); wait > 0 {
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
			}
		}
		r.mu.Lock()
		quiet := r.quiet[it.ch]
		r.mu.Unlock()
		if !quiet {
			r.give(it.ch, it.b)
		}
	}
}

// options are those of an engine for the rig's car, without inputs.
func (r *rig) options(files map[string][]byte, rec string) Options {
	cfg, err := settings.Parse("kerbline.toml", files[fixtures.SettingsFile])
	if err != nil {
		r.t.Fatal(err)
	}
	o := Options{Config: cfg.Config, Now: r.now}
	var head recorder.Head
	head.Attachments = append(head.Attachments, recorder.Attachment{Name: recorder.SettingsName, Data: files[fixtures.SettingsFile]})
	if b := files[fixtures.CourseFile]; b != nil {
		if o.Course, err = course.Load(b); err != nil {
			r.t.Fatal(err)
		}
		head.Attachments = append(head.Attachments, recorder.Attachment{Name: recorder.CourseName, Data: b})
	}
	if rec != "" {
		// To the disk every two seconds, not four times a second: a bubble's minutes
		// pass in a moment, the disk's do not.
		o.Record = &recorder.Options{Path: rec, Head: head, Every: 2 * time.Second}
	}
	return o
}

// start runs an engine whose bytes come from the rig, and returns what ends it.
func (r *rig) start(o Options) (e *Engine, end func() error) {
	e, err := New(o)
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	if r.give == nil {
		r.give = func(ch fusion.Channel, b []byte) { e.Bytes(ctx, r.now(), ch, b) }
	}
	ran := make(chan error, 1)
	go func() { ran <- e.Run(ctx) }()
	return e, func() error { cancel(); return <-ran }
}

// drive runs an engine on the rig for d s of host time.
func (r *rig) drive(o Options, d float64) error {
	_, end := r.start(o)
	r.play(context.Background(), d)
	time.Sleep(200 * time.Millisecond)
	return end()
}

// wait waits for up to s of host time until ok, and returns how long it took in
// s, -1 when it did not come.
func (r *rig) wait(s float64, ok func() bool) float64 {
	for begin := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		d := time.Since(begin).Seconds()
		if ok() {
			return d
		}
		if d > s {
			return -1
		}
	}
}

// ports are real devices: a receiver on a serial port, a radio on TCP, an
// inertial sensor by UDP and a wheel counter through a pipe.
type ports struct {
	dir   string
	gnss  *ptytest.Port
	radio net.Listener
	imu   net.Conn
	wheel *os.File

	mu   sync.Mutex
	link net.Conn
}

func newPorts(t testing.TB) *ports {
	p := &ports{dir: t.TempDir()}
	p.gnss = ptytest.New(t, filepath.Join(p.dir, "ttyACM0"))
	var err error
	if p.radio, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.radio.Close() })
	go func() {
		for {
			c, err := p.radio.Accept()
			if err != nil {
				return
			}
			p.mu.Lock()
			p.link = c
			p.mu.Unlock()
		}
	}()
	pc, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := pc.LocalAddr().String()
	pc.Close()
	if p.imu, err = net.Dial("udp", addr); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.imu.Close() })
	if err := syscall.Mkfifo(filepath.Join(p.dir, "wheel"), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *ports) inputs(t testing.TB) []Input {
	spec := func(s string) sources.Spec {
		spec, err := sources.Parse(s)
		if err != nil {
			t.Fatal(err)
		}
		return spec
	}
	return []Input{
		{fusion.ChanNMEA, spec("serial://" + p.gnss.Path + "?baud=460800")},
		{fusion.ChanCorrections, spec("tcp://" + p.radio.Addr().String())},
		{fusion.ChanIMU, spec("udp://" + p.imu.RemoteAddr().String())},
		{fusion.ChanWheel, spec(filepath.Join(p.dir, "wheel"))},
	}
}

// send gives bytes to a device; what it does not take is lost, as on a cable.
func (p *ports) send(ch fusion.Channel, b []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch ch {
	case fusion.ChanNMEA:
		p.gnss.SetWriteDeadline(time.Now().Add(time.Second))
		p.gnss.Write(b)
	case fusion.ChanCorrections:
		if p.link != nil {
			p.link.Write(b)
		}
	case fusion.ChanIMU:
		p.imu.Write(b)
	case fusion.ChanWheel:
		if p.wheel == nil {
			p.wheel, _ = os.OpenFile(filepath.Join(p.dir, "wheel"), os.O_WRONLY|syscall.O_NONBLOCK, 0)
		}
		if p.wheel != nil {
			p.wheel.Write(b)
		}
	}
}

// observer collects what an engine gives.
type observer struct {
	mu       sync.Mutex
	verdicts []byte
	events   []byte
	n        [4]int // by verdict
	last     fusion.Snapshot
	states   State
	heard    []fusion.Event
}

func (p *observer) look(s *fusion.Snapshot, events []fusion.Event) {
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

func (p *observer) state(s State) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.states = s
}

func (p *observer) snap() fusion.Snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.last
}

func (p *observer) source(ch fusion.Channel) sources.Status {
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
func replay(t testing.TB, path string) *observer {
	t.Helper()
	rec, err := recording.Open(path, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := rec.Settings()
	if err != nil {
		t.Fatal(err)
	}
	p := new(observer)
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
