package tui

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"kerbline/fusion"

	"github.com/gdamore/tcell/v2"
	"github.com/rivo/tview"
)

// Transport moves a replay. Its methods are called from the screen and must
// return at once.
type Transport interface {
	Pause()               // pause, or go on
	StepOnce()            // play one epoch and pause
	Seek(seconds float64) // relative to where the replay stands
	SeekEvent(by int)     // to the next event (1) or the one before (-1)
	Faster(by int)        // one step faster (1) or slower (-1)
}

// Options say what a screen shows and whom its keys reach.
type Options struct {
	Latest    func() *View                    // newest view, nil before the first; required
	Transport Transport                       // nil in live
	Confirm   func(mark string, antenna bool) // a person confirms that the car, or its antenna, stands on a check mark; must return at once
	Steer     func(fusion.Driven)             // a person says who steers from now on; must return at once
	Take      func(set string)                // a person takes proposed settings for this run; must return at once
	Interval  time.Duration                   // between paints, 0 for 120 ms
	Now       func() time.Time                // wall clock, nil for time.Now
	Screen    tcell.Screen                    // nil for the terminal
	NoColour  bool                            // as if NO_COLOR were set
}

// ErrStuck is returned when the terminal did not take the last screen in time.
var ErrStuck = errors.New("tui: the terminal does not answer")

// Failure is a mistake of our own that ended the screen; Stack says where.
type Failure struct {
	Value any
	Stack []byte
}

func (f *Failure) Error() string { return fmt.Sprintf("tui: the screen failed: %v", f.Value) }

// stopPatience is how long Run waits for a terminal that hangs.
const stopPatience = 2 * time.Second

// Run shows the dashboard until ctx ends, the person quits, or the terminal
// goes away. The terminal is restored when it returns, also after a mistake of
// our own while drawing, which comes back as an error: a screen that fails
// never takes the monitor or the recording with it. It returns nil after a
// quit or the end of ctx.
func Run(ctx context.Context, o Options) error {
	screen := o.Screen
	if screen == nil {
		var err error
		if screen, err = tcell.NewScreen(); err != nil {
			return fmt.Errorf("tui: no terminal to draw on: %w", err)
		}
	}
	s := &shell{o: o, quit: make(chan struct{}), screen: &initOnce{Screen: screen}}
	if s.o.Interval <= 0 {
		s.o.Interval = 120 * time.Millisecond
	}
	if s.o.Now == nil {
		s.o.Now = time.Now
	}
	s.noColour = o.NoColour || os.Getenv("NO_COLOR") != ""
	if err := s.screen.Init(); err != nil {
		return fmt.Errorf("tui: no terminal to draw on: %w", err)
	}
	onScreen.Store(s.screen)
	defer onScreen.CompareAndSwap(s.screen, nil)
	defer s.screen.Fini()
	s.ascii = s.screen.CharacterSet() != "UTF-8"

	s.app = tview.NewApplication().SetScreen(s.screen)
	s.app.SetInputCapture(s.key)
	s.app.SetRoot(&board{Box: tview.NewBox(), s: s}, true)

	ended := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				ended <- &Failure{p, debug.Stack()}
			}
		}()
		ended <- s.app.Run()
	}()
	go s.paint(ctx)

	select {
	case err := <-ended:
		return s.result(err)
	case <-ctx.Done():
	case <-s.quit:
	}
	select {
	case err := <-ended:
		return s.result(err)
	case <-time.After(stopPatience):
		return ErrStuck
	}
}

// onScreen is the screen that owns the terminal now.
var onScreen atomic.Pointer[initOnce]

// Rescue is for the other goroutines of the program: `defer tui.Rescue()` gives
// the terminal back before a panic is printed over the dashboard, and lets the
// panic go on.
func Rescue() {
	if p := recover(); p != nil {
		if s := onScreen.Load(); s != nil {
			s.Fini()
		}
		panic(p)
	}
}

// initOnce lets the shell see the error of Init, which tview hides, and makes
// tview's own call of Init harmless.
type initOnce struct {
	tcell.Screen
	once sync.Once
	err  error
}

func (s *initOnce) Init() error {
	s.once.Do(func() { s.err = s.Screen.Init() })
	return s.err
}

// shell is everything that is not a pure function.
type shell struct {
	o        Options
	app      *tview.Application
	screen   *initOnce
	noColour bool
	ascii    bool

	// Touched by tview's event loop only.
	state  State
	canvas Canvas
	failed error
	usable bool // at the last paint

	quitOnce sync.Once
	quit     chan struct{}
}

func (s *shell) stop() { s.quitOnce.Do(func() { close(s.quit) }) }

func (s *shell) result(err error) error {
	var f *Failure
	switch {
	case errors.As(err, &f):
		return f
	case err != nil:
		return fmt.Errorf("tui: the terminal is lost: %w", err)
	}
	return s.failed
}

// paint redraws until the end, then stops the application. It is the only
// caller of QueueUpdateDraw, which would block without limit once the event loop is
// gone (tview #1163): so it is also the one that ends the loop, after its own
// last update came back.
func (s *shell) paint(ctx context.Context) {
	t := time.NewTicker(s.o.Interval)
	defer t.Stop()
	for {
		s.app.QueueUpdateDraw(func() {})
		select {
		case <-ctx.Done():
			s.app.Stop()
			return
		case <-s.quit:
			s.app.Stop()
			return
		case <-t.C:
		}
	}
}

// ring sounds the terminal's bell when a live position stops being usable, and when
// a usable one grows old: who drives does not look at the screen.
func (s *shell) ring(v *View, screen tcell.Screen) {
	usable := v.Snap.Verdict == fusion.Usable && v.Snap.Seq > 0 && !(v.Stale > staleBell)
	if s.usable && !usable && s.o.Transport == nil {
		_ = screen.Beep() // a terminal without a bell shows the word all the same
	}
	s.usable = usable
}

// staleBell is how old a view may be and still hold, s: as published verdicts.
const staleBell = 0.5

// view returns the newest view with its age.
func (s *shell) view() *View {
	p := s.o.Latest()
	if p == nil {
		return &View{}
	}
	v := *p
	v.Stale = s.o.Now().Sub(v.Made).Seconds()
	return &v
}

// key runs in tview's event loop and so must not wait for anything.
func (s *shell) key(e *tcell.EventKey) *tcell.EventKey {
	v := s.view()
	st, a := s.state.Key(e.Key(), e.Rune(), v)
	w, h := s.screen.Size()
	s.state = st.Clamp(v, w, h)
	switch t := s.o.Transport; {
	case a.Kind == DoTake && s.o.Take != nil:
		s.o.Take(a.Set)
	case a.Kind == DoQuit:
		s.stop()
	case a.Kind == DoConfirm && s.o.Confirm != nil:
		s.o.Confirm(a.Mark, a.Antenna)
	case a.Kind == DoSteer && s.o.Steer != nil:
		s.o.Steer(a.Driven)
	case t == nil:
	case a.Kind == DoPause:
		t.Pause()
	case a.Kind == DoStep:
		t.StepOnce()
	case a.Kind == DoSeek:
		t.Seek(a.By)
	case a.Kind == DoEvent:
		t.SeekEvent(int(a.By))
	case a.Kind == DoSpeed:
		t.Faster(int(a.By))
	}
	return nil
}

// board is the one primitive of the application.
type board struct {
	*tview.Box
	s *shell
}

// Draw puts the canvas on the screen. A panic in drawing ends the screen in
// good order instead of unwinding through tview.
func (b *board) Draw(screen tcell.Screen) {
	s := b.s
	defer func() {
		if p := recover(); p != nil {
			s.failed = &Failure{p, debug.Stack()}
			s.stop()
		}
	}()
	w, h := screen.Size()
	s.canvas.Reset(w, h)
	v := s.view()
	s.ring(v, screen)
	Draw(&s.canvas, v, s.state)
	th := chooseTheme(s.state.Contrast, screen.Colors(), s.noColour)
	for y := range h {
		for x := range w {
			cell := s.canvas.cells[y*w+x]
			if s.ascii {
				cell.R = plainRune(cell.R)
			}
			screen.SetContent(x, y, cell.R, nil, th[cell.S])
		}
	}
}
