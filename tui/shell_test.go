package tui

import (
	"context"
	"errors"
	"fmt"
	"math"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kerbline/fusion"

	"github.com/gdamore/tcell/v2"
)

// controls is a Transport that writes down what it is asked for.
type controls struct {
	mu  sync.Mutex
	did []string
}

func (t *controls) note(s string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.did = append(t.did, s)
}
func (t *controls) Pause()           { t.note("pause") }
func (t *controls) StepOnce()        { t.note("step") }
func (t *controls) Seek(s float64)   { t.note(fmt.Sprintf("seek %g", s)) }
func (t *controls) SeekEvent(by int) { t.note(fmt.Sprintf("event %d", by)) }
func (t *controls) Faster(by int)    { t.note(fmt.Sprintf("speed %d", by)) }
func (t *controls) notes() []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]string(nil), t.did...)
}
func (t *controls) until(n int) (ok bool) {
	for range 60000 {
		if len(t.notes()) >= n {
			return true
		}
		time.Sleep(time.Millisecond)
	}
	return false
}

// A robot walks through every page of a live screen, asks to quit, thinks
// better of it, confirms a mark, and quits.
func TestRobotLive(t *testing.T) {
	v := sampleUnusable()
	var marked, steers atomic.Value
	r := sit(t, 80, 24, Options{Latest: func() *View { return v }, Now: at(v), Confirm: func(m string, antenna bool) { marked.Store(fmt.Sprint(m, antenna)) }, Steer: func(d fusion.Driven) { steers.Store(d) }})
	r.sees("UNUSABLE for 8.2 s", "m mark")
	for i, want := range []string{"of 0.50 m", "▸proof", "▸link", "▸senses", "▸lap", "▸diary", "▸setup"} {
		r.types(fmt.Sprint(i + 1))
		r.sees(want)
	}
	r.presses(tcell.KeyTab)
	r.sees("of 0.50 m", "MISSING")
	r.presses(tcell.KeyBacktab)
	r.sees("▸setup")
	r.presses(tcell.KeyBacktab)
	r.sees("▸diary")
	r.types("?")
	r.sees("▸help", "no safety device", "emergency stop", "marshals", "low speed first", "licensed practice")
	r.presses(tcell.KeyPgDn)
	r.presses(tcell.KeyPgDn)
	r.presses(tcell.KeyPgDn)
	r.presses(tcell.KeyPgDn)
	r.presses(tcell.KeyPgDn)
	r.presses(tcell.KeyPgDn)
	r.sees("replay: faster, slower")
	r.presses(tcell.KeyPgUp) // one press is enough to leave the end
	r.wait(func(s string) bool { return !strings.Contains(s, "replay: faster, slower") })
	r.presses(tcell.KeyEscape)
	r.sees("▸diary")
	r.types("1m")
	r.sees("Confirm a check mark", "2 pit [exit]")
	r.types("2")
	r.sees("▸ 2 pit [exit]", "body origin (mid")
	r.types("a")
	r.sees("Bring the antenna over")
	r.presses(tcell.KeyEnter)
	r.wait(func(s string) bool { return !strings.Contains(s, "Confirm a check mark") })
	if m := marked.Load(); m != "pit [exit]true" {
		t.Errorf("confirmed %v", m)
	}
	r.types("m")
	r.sees("Confirm a check mark")
	r.presses(tcell.KeyEscape)
	r.wait(func(s string) bool { return !strings.Contains(s, "Confirm a check mark") })
	r.types("d")
	r.wait(func(string) bool { return steers.Load() == fusion.DrivenManual })
	r.types("q")
	r.sees("Stop watching and end the run?")
	r.types("x")
	r.sees("? help")
	r.types("q")
	r.sees("Stop watching")
	r.types("y")
	if err := r.ends(); err != nil {
		t.Error(err)
	}
}

func TestRobotReplay(t *testing.T) {
	v := sampleReplay()
	var tp controls
	r := sit(t, 80, 24, Options{Latest: func() *View { return v }, Transport: &tp})
	r.sees("replay 83.4 of 180 s 2x", "PAUSED", "space pause")
	r.types(" .nb+-")
	for _, k := range []tcell.Key{tcell.KeyLeft, tcell.KeyRight, tcell.KeyUp, tcell.KeyDown} {
		r.presses(k)
	}
	want := []string{"pause", "step", "event 1", "event -1", "speed 1", "speed -1", "seek -10", "seek 10", "seek 60", "seek -60"}
	if !tp.until(len(want)) || !reflect.DeepEqual(tp.notes(), want) {
		t.Errorf("%q, want %q", tp.notes(), want)
	}
	r.types("m") // no marks in a replay
	r.types("q") // and no question before leaving it
	if err := r.ends(); err != nil {
		t.Error(err)
	}
}

func TestResize(t *testing.T) {
	v := sampleUsable()
	r := sit(t, 80, 24, Options{Latest: func() *View { return v }, Now: at(v)})
	for _, size := range [][2]int{{120, 40}, {200, 60}, {60, 20}, {10, 3}, {80, 24}, {1, 1}, {132, 43}} {
		r.screen.SetSize(size[0], size[1])
		want := PlainScreen(v, size[0], size[1])
		r.wait(func(s string) bool { return s == want })
	}
	if err := r.leaves(); err != nil {
		t.Error(err)
	}
}

// The screen itself notices that nobody publishes any more.
func TestGrowsStale(t *testing.T) {
	v := sampleUsable()
	var age atomic.Int64
	r := sit(t, 80, 24, Options{Latest: func() *View { return v }, Now: func() time.Time { return v.Made.Add(time.Duration(age.Load())) }})
	r.sees("USABLE for 2 min 10 s", "every check holds")
	age.Store(int64(499 * time.Millisecond))
	time.Sleep(30 * time.Millisecond)
	r.sees("USABLE for 2 min 10 s")
	age.Store(int64(600 * time.Millisecond))
	r.sees("NOT USABLE", "silent for, s", "The monitor is silent")
	age.Store(0)
	r.sees("every check holds")
	if err := r.leaves(); err != nil {
		t.Error(err)
	}
}

func TestNothingPublished(t *testing.T) {
	r := sit(t, 80, 24, Options{Latest: func() *View { return nil }})
	r.sees("NOT USABLE", "waiting for", "no safety device")
	r.types("123456?c")
	r.sees("▸help")
	if err := r.leaves(); err != nil {
		t.Error(err)
	}
}

// With NO_COLOR no cell has a colour of its own, and what must be seen is
// carried by attributes and characters.
func TestNoColour(t *testing.T) {
	t.Setenv("NO_COLOR", "1")
	v := sampleUnusable()
	r := sit(t, 80, 24, Options{Latest: func() *View { return v }, Now: at(v)})
	r.sees("UNUSABLE for 8.2 s")
	r.types("c")
	time.Sleep(20 * time.Millisecond)
	cells, w, _ := r.screen.picture()
	for i, c := range cells {
		fg, bg, _ := c.Style.Decompose()
		if fg != tcell.ColorDefault || bg != tcell.ColorDefault {
			t.Fatalf("cell %d,%d has colours %v on %v", i%w, i/w, fg, bg)
		}
	}
	alarm := strings.Index(strings.SplitN(r.text(), "\n", 2)[0], "NOT RECORDING")
	if _, _, attr := cells[alarm].Style.Decompose(); attr&tcell.AttrReverse == 0 {
		t.Error("NOT RECORDING is not reversed")
	}
	if err := r.leaves(); err != nil {
		t.Error(err)
	}
}

// A mistake of our own while drawing ends the screen with an error, the
// terminal restored, the caller alive.
func TestPanicWhileDrawing(t *testing.T) {
	before := runtime.NumGoroutine()
	v := sampleUsable()
	var broken atomic.Bool
	r := sit(t, 80, 24, Options{Now: at(v), Latest: func() *View {
		if broken.Load() {
			panic("a mistake")
		}
		return v
	}})
	r.sees("every check holds")
	broken.Store(true)
	err := r.ends()
	var f *Failure
	if !errors.As(err, &f) || f.Value != "a mistake" || !strings.Contains(string(f.Stack), "Draw") {
		t.Errorf("error %v", err)
	}
	if _, w, h := r.screen.GetContents(); w != 0 || h != 0 {
		t.Errorf("the screen was not restored: %dx%d", w, h)
	}
	settles(t, before)
}

// settles waits until no more goroutines run than before.
func settles(t *testing.T, before int) {
	t.Helper()
	for range 30000 {
		if runtime.NumGoroutine() <= before {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
	buf := make([]byte, 1<<16)
	t.Errorf("%d goroutines, %d before:\n%s", runtime.NumGoroutine(), before, buf[:runtime.Stack(buf, true)])
}

// Starting and stopping leaves nothing behind, also when stopped at once.
func TestStopsCleanly(t *testing.T) {
	before := runtime.NumGoroutine()
	v := sampleUsable()
	for i := range 40 {
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error, 1)
		screen := tcell.NewSimulationScreen("UTF-8")
		go func() {
			done <- Run(ctx, Options{Latest: func() *View { return v }, Screen: screen, Interval: time.Millisecond, Now: at(v)})
		}()
		time.Sleep(time.Duration(i%8) * time.Millisecond / 2)
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
		case <-time.After(time.Minute):
			t.Fatal("the screen did not stop")
		}
	}
	settles(t, before)
}

// noTerminal fails like a screen without a terminal.
type noTerminal struct{ tcell.SimulationScreen }

func (noTerminal) Init() error { return errors.New("not a terminal") }

func TestNoTerminal(t *testing.T) {
	err := Run(context.Background(), Options{Latest: func() *View { return nil }, Screen: noTerminal{tcell.NewSimulationScreen("UTF-8")}})
	if err == nil || !strings.Contains(err.Error(), "not a terminal") {
		t.Errorf("error %v", err)
	}
}

// A panic elsewhere gives the terminal back before it goes on.
func TestRescue(t *testing.T) {
	v := sampleUsable()
	r := sit(t, 80, 24, Options{Latest: func() *View { return v }, Now: at(v)})
	r.sees("every check holds")
	func() {
		defer func() {
			if p := recover(); p != "elsewhere" {
				t.Errorf("the panic became %v", p)
			}
		}()
		defer Rescue()
		panic("elsewhere")
	}()
	if _, w, h := r.screen.GetContents(); w != 0 || h != 0 {
		t.Errorf("the screen was not restored: %dx%d", w, h)
	}
	if err := r.leaves(); err != nil && !errors.Is(err, ErrStuck) {
		t.Error(err)
	}
}

// WCAG 2.1, relative luminance and contrast ratio (from memory).
func TestThemeContrast(t *testing.T) {
	lum := func(c tcell.Color) float64 {
		r, g, b := c.RGB()
		f := func(v int32) float64 {
			x := float64(v) / 255
			if x <= 0.03928 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*f(r) + 0.7152*f(g) + 0.0722*f(b)
	}
	for name, th := range map[string]*theme{"night": &night, "sun": &sun} {
		for s := range numStyles {
			fg, bg, _ := th[s].Decompose()
			a, b := lum(fg), lum(bg)
			if c := (max(a, b) + 0.05) / (min(a, b) + 0.05); c < 4.5 {
				t.Errorf("%s style %d: contrast %.1f, want 4.5", name, s, c)
			}
		}
		// Go and no differ in lightness, whatever the eye makes of the hue.
		_, good, _ := th[HeadGood].Decompose()
		_, bad, _ := th[HeadBad].Decompose()
		if c := (lum(good) + 0.05) / (lum(bad) + 0.05); c < 4.5 {
			t.Errorf("%s: go and no differ in lightness by %.1f only", name, c)
		}
	}
	for s := range numStyles {
		if fg, bg, _ := mono[s].Decompose(); fg != tcell.ColorDefault || bg != tcell.ColorDefault {
			t.Errorf("style %d has a colour without colour", s)
		}
	}
	if chooseTheme(0, 256, false) != &night || chooseTheme(1, 256, false) != &sun || chooseTheme(2, 256, false) != &mono ||
		chooseTheme(3, 256, false) != &night || chooseTheme(1, 256, true) != &mono || chooseTheme(0, 2, false) != &mono {
		t.Error("wrong theme")
	}
}

// A terminal without Unicode gets characters it has, for everything we draw.
func TestPlainRunes(t *testing.T) {
	for _, s := range samples {
		for p := range numPages + 1 {
			for _, size := range [][2]int{{80, 24}, {200, 60}} {
				for _, cell := range draw(s.view(), size[0], size[1], State{Page: p}).cells {
					if got := plainRune(cell.R); got >= 0x80 || got == '?' && cell.R != '?' {
						t.Fatalf("%s page %d: %q becomes %q", s.name, p, cell.R, got)
					}
				}
			}
		}
	}
}

func TestKeyChangesNothingByItself(t *testing.T) {
	v := sampleUsable()
	st := State{Page: PageLink, Scroll: 3}
	for _, k := range []tcell.Key{tcell.KeyF1, tcell.KeyEnter, tcell.KeyEscape, tcell.KeyInsert} {
		if got, a := st.Key(k, 0, v); got != st || a.Kind != DoNothing {
			t.Errorf("key %v: %+v %+v", k, got, a)
		}
	}
	for _, r := range "xyz890m .nb+-" { // replay keys and marks that are not there do nothing live
		if got, a := st.Key(tcell.KeyRune, r, v); got != st || a.Kind != DoNothing {
			t.Errorf("key %q: %+v %+v", r, got, a)
		}
	}
	if _, a := st.Key(tcell.KeyCtrlC, 0, v); a.Kind != DoQuit {
		t.Error("Ctrl-C does not quit")
	}
	if _, a := st.Key(tcell.KeyRune, 'q', nil); a.Kind == DoQuit {
		t.Error("q quits live without a question")
	}
}

// A feed keeps what it must, no more, and never changes what it published.
func TestFeed(t *testing.T) {
	f := NewFeed(View{Name: "Quarry Loop", Course: quarryLoop()})
	if f.Latest() != nil {
		t.Error("a view before the first")
	}
	course := quarryLoop()
	now := time.Unix(1000, 0)
	var first *View
	var firstTrail []TrailPoint
	for i := range 40000 {
		s := fusion.Snapshot{T: float64(i), Seq: uint64(i + 1), Verdict: fusion.Usable, HasPos: true, Pos: course[i%len(course)]}
		f.Step(&s, []fusion.Event{{T: float64(i), Kind: fusion.EventVerdict}})
		f.Step(nil, nil)
		if i == 5000 {
			f.Publish(now)
			first = f.Latest()
			firstTrail = append(firstTrail, first.Trail...)
		}
	}
	f.Publish(now)
	v := f.Latest()
	if len(v.Trail) != maxTrail || len(v.Events) != maxEvents {
		t.Errorf("%d trail points and %d events, want %d and %d", len(v.Trail), len(v.Events), maxTrail, maxEvents)
	}
	if v.Events[0].T != 39999 || v.Events[maxEvents-1].T != 39800 || v.Trail[maxTrail-1].T != 39999 {
		t.Error("the newest are not there")
	}
	if !reflect.DeepEqual(first.Trail, firstTrail) || first.Events[0].T != 5000 || first.Snap.T != 5000 {
		t.Error("a published view changed")
	}
	// Many events at once keep the newest.
	many := make([]fusion.Event, 3*maxEvents)
	for i := range many {
		many[i].T = float64(i)
	}
	f.Step(nil, many)
	f.Publish(now)
	if v := f.Latest(); len(v.Events) != maxEvents || v.Events[0].T != float64(len(many)-1) {
		t.Errorf("%d events, newest %v", len(v.Events), v.Events[0].T)
	}
	// A car that stands leaves one point, a change of verdict another.
	f.Reset()
	s := fusion.Snapshot{T: 1, Seq: 1, Verdict: fusion.Usable, HasPos: true, Pos: course[0]}
	for range 100 {
		f.Step(&s, nil)
	}
	s.Verdict = fusion.Coasting
	f.Step(&s, nil)
	s.HasPos = false
	f.Step(&s, nil)
	f.Publish(now)
	if v := f.Latest(); len(v.Trail) != 2 || len(v.Events) != 0 || v.Name != "Quarry Loop" {
		t.Errorf("after a reset: %d points, %d events, name %q", len(v.Trail), len(v.Events), v.Name)
	}
	f.Set(func(v *View) { v.Replay = &Replay{Pos: 3} })
	f.Publish(now)
	published := f.Latest()
	f.Set(func(v *View) { v.Replay.Pos = 4 })
	if published.Replay.Pos != 3 {
		t.Error("a published replay state changed")
	}
}

// BenchmarkScreen is one paint through tview to a simulated terminal.
func BenchmarkScreen(b *testing.B) {
	v := sampleUnusable()
	screen := tcell.NewSimulationScreen("UTF-8")
	if err := screen.Init(); err != nil {
		b.Fatal(err)
	}
	for _, size := range [][2]int{{80, 24}, {200, 60}} {
		b.Run(fmt.Sprintf("%dx%d", size[0], size[1]), func(b *testing.B) {
			screen.SetSize(size[0], size[1])
			s := &shell{o: Options{Latest: func() *View { return v }, Now: at(v)}, quit: make(chan struct{})}
			p := &board{s: s}
			for b.Loop() {
				screen.Clear()
				p.Draw(screen)
				screen.Show()
			}
			if s.failed != nil {
				b.Fatal(s.failed)
			}
		})
	}
}
