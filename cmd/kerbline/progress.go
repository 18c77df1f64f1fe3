package main

import (
	"io"
	"os"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"
)

// terminal returns the file behind w when it is a terminal, else nil.
func terminal(w io.Writer) *os.File {
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return f
	}
	return nil
}

// progress is a bar on a terminal. The methods of a nil progress do nothing.
type progress struct {
	p     *mpb.Progress
	bar   *mpb.Bar
	total int64
}

// newProgress returns nil where w is no terminal: in a pipe there is nothing to
// see and nothing to clean up.
func newProgress(w io.Writer, what string) *progress {
	f := terminal(w)
	if f == nil {
		return nil
	}
	p := mpb.New(mpb.WithOutput(f), mpb.WithWidth(60))
	bar := p.AddBar(0, mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name(what+" ")),
		mpb.AppendDecorators(decor.Percentage(), decor.Name(" "), decor.AverageETA(decor.ET_STYLE_GO)))
	return &progress{p: p, bar: bar}
}

// at moves the bar.
func (g *progress) at(done, total int64) {
	if g == nil || total == 0 {
		return
	}
	if total != g.total {
		g.total = total
		g.bar.SetTotal(total, false)
	}
	g.bar.SetCurrent(min(done, total-1)) // completing is for end: the bar must outlive late news
}

// end takes the bar off the terminal.
func (g *progress) end() {
	if g == nil {
		return
	}
	g.bar.Abort(true) // else Wait waits without limit
	g.p.Wait()
}
