package tui

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gdamore/tcell/v2"
)

var update = flag.Bool("update", false, "rewrite the golden screens; read the difference before committing it")

func sscan(s string, x *float64) (int, error) {
	var err error
	*x, err = strconv.ParseFloat(s, 64)
	return 1, err
}

// camera is a simulated screen that keeps a picture of what was last shown: the
// cells tcell hands out are its own and change while they are read.
type camera struct {
	tcell.SimulationScreen
	mu    sync.Mutex
	cells []tcell.SimCell
	w, h  int
}

func (c *camera) Show() {
	c.SimulationScreen.Show()
	cells, w, h := c.GetContents()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cells, c.w, c.h = append(c.cells[:0], cells...), w, h
}

// picture returns a copy of what was last shown.
func (c *camera) picture() ([]tcell.SimCell, int, int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]tcell.SimCell(nil), c.cells...), c.w, c.h
}

// robot is a person in front of a simulated screen.
type robot struct {
	t      *testing.T
	screen *camera
	done   chan error
	cancel context.CancelFunc
}

// sit starts the dashboard on a simulated screen of w by h.
func sit(t *testing.T, w, h int, o Options) *robot {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r := &robot{t: t, screen: &camera{SimulationScreen: tcell.NewSimulationScreen("UTF-8")}, done: make(chan error, 1), cancel: cancel}
	o.Screen = r.screen
	o.Interval = 5 * time.Millisecond
	started := make(chan struct{})
	latest := o.Latest
	var seen bool
	o.Latest = func() *View { // called from the event loop only
		if !seen {
			seen = true
			close(started)
		}
		return latest()
	}
	go func() { r.done <- Run(ctx, o) }()
	select {
	case <-started:
	case err := <-r.done:
		t.Fatalf("the screen ended: %v", err)
	}
	r.screen.SetSize(w, h)
	t.Cleanup(func() { cancel() })
	r.wait(func(s string) bool { return strings.Count(s, "\n") == h })
	return r
}

// text returns what the screen shows.
func (r *robot) text() string {
	cells, w, h := r.screen.picture()
	var b strings.Builder
	for y := range h {
		row := make([]rune, w)
		for x := range w {
			row[x] = ' '
			if c := cells[y*w+x]; len(c.Runes) > 0 {
				row[x] = c.Runes[0]
			}
		}
		b.WriteString(strings.TrimRight(string(row), " "))
		b.WriteByte('\n')
	}
	return b.String()
}

// wait looks until the screen is as wanted and returns it.
func (r *robot) wait(want func(string) bool) string {
	r.t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		if s := r.text(); want(s) {
			return s
		}
		if time.Now().After(deadline) {
			r.t.Fatalf("the screen never came:\n%s", r.text())
		}
		time.Sleep(2 * time.Millisecond)
	}
}

func (r *robot) sees(parts ...string) string {
	r.t.Helper()
	return r.wait(func(s string) bool {
		for _, p := range parts {
			if !strings.Contains(s, p) {
				return false
			}
		}
		return true
	})
}

func (r *robot) types(s string) {
	for _, c := range s {
		r.screen.InjectKey(tcell.KeyRune, c, tcell.ModNone)
	}
}

func (r *robot) presses(k tcell.Key) { r.screen.InjectKey(k, 0, tcell.ModNone) }

func (r *robot) leaves() error {
	r.t.Helper()
	r.cancel()
	return r.ends()
}

func (r *robot) ends() error {
	r.t.Helper()
	select {
	case err := <-r.done:
		return err
	case <-time.After(time.Minute):
		r.t.Fatal("the screen did not end")
		return nil
	}
}

// at returns a clock that makes v as old as its Stale says.
func at(v *View) func() time.Time {
	return func() time.Time { return v.Made.Add(time.Duration(v.Stale * float64(time.Second))) }
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name+".golden")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs (go test -update rewrites it):\n%s\nwant\n%s", file, got, want)
	}
}

// The screens as a terminal gets them, through tview and a simulated screen.
func TestGoldenScreens(t *testing.T) {
	for _, s := range samples {
		for _, size := range [][2]int{{80, 24}, {120, 40}, {200, 60}} {
			name := fmt.Sprintf("%s_%dx%d", s.name, size[0], size[1])
			t.Run(name, func(t *testing.T) {
				v := s.view()
				r := sit(t, size[0], size[1], Options{Latest: func() *View { return v }, Now: at(v)})
				want := PlainScreen(v, size[0], size[1])
				got := r.wait(func(s string) bool { return s == want })
				if err := r.leaves(); err != nil {
					t.Error(err)
				}
				golden(t, name, got)
			})
		}
	}
}

// The other pages and the largest layout, as pure functions.
func TestGoldenPages(t *testing.T) {
	for p := PageProof; p <= PageHelp; p++ {
		golden(t, "page_"+pageNames[p], draw(sampleUnusable(), 80, 24, State{Page: p}).String())
	}
	golden(t, "marks", draw(sampleUnusable(), 80, 24, State{Marking: true, Mark: 1}).String())
	golden(t, "taking", draw(sampleSetupWrong(), 80, 24, State{Taking: sampleSetupWrong().Snap.Symptom.Set}).String())
	golden(t, "quitting", draw(sampleUsable(), 80, 24, State{Quitting: true}).String())
	var lines strings.Builder
	for _, s := range samples {
		lines.WriteString(PlainLine(s.view()) + "\n")
	}
	golden(t, "plain_lines", lines.String())
}
