package tui

import (
	"strings"
	"unicode"
)

// Style is the role of a cell; a theme turns it into colour and attributes.
type Style uint8

const (
	Plain  Style = iota
	Label        // the name of a value
	Strong       // a value worth meeting first
	Rule         // lines, scales, dots that only hold the eye
	Good         // text in the look of each verdict
	Slow
	Coast
	Bad
	Unsure
	HeadGood // the filled panel behind the big word
	HeadSlow
	HeadCoast
	HeadBad
	HeadUnsure
	Alarm // must not be missed: NOT RECORDING, a source lost
	Keys  // the line of keys
	numStyles
)

// Cell is one character on the screen with its role.
type Cell struct {
	R rune
	S Style
}

// Canvas is a rectangle of cells. Writing outside it does nothing.
type Canvas struct {
	W, H  int
	cells []Cell
}

// NewCanvas returns a blank canvas of w by h cells; negative sizes count as 0.
func NewCanvas(w, h int) *Canvas {
	c := &Canvas{}
	c.Reset(w, h)
	return c
}

// Reset blanks c at w by h cells and keeps its storage when that is enough.
func (c *Canvas) Reset(w, h int) {
	c.W, c.H = max(w, 0), max(h, 0)
	n := c.W * c.H
	if cap(c.cells) < n {
		c.cells = make([]Cell, n)
	}
	c.cells = c.cells[:n]
	for i := range c.cells {
		c.cells[i] = Cell{' ', Plain}
	}
}

// At returns the cell at column x, row y, blank outside the canvas.
func (c *Canvas) At(x, y int) Cell {
	if x < 0 || y < 0 || x >= c.W || y >= c.H {
		return Cell{' ', Plain}
	}
	return c.cells[y*c.W+x]
}

// Set writes one cell.
func (c *Canvas) Set(x, y int, r rune, s Style) {
	if x < 0 || y < 0 || x >= c.W || y >= c.H {
		return
	}
	c.cells[y*c.W+x] = Cell{r, s}
}

// Text writes s from column x on and cuts it at the right edge. s must be
// clean: text from outside goes through [Clean] first.
func (c *Canvas) Text(x, y int, st Style, s string) {
	for _, r := range s {
		c.Set(x, y, r, st)
		x++
	}
}

// Fill writes r over a rectangle.
func (c *Canvas) Fill(x, y, w, h int, r rune, st Style) {
	for j := y; j < y+h; j++ {
		for i := x; i < x+w; i++ {
			c.Set(i, j, r, st)
		}
	}
}

// put writes l at x, y in at most w cells; what does not fit is cut and the
// cut is shown by an ellipsis.
func (c *Canvas) put(x, y, w int, l line) {
	for i, cell := range l {
		if i >= w {
			break
		}
		if i == w-1 && len(l) > w {
			cell.R = '…'
		}
		c.Set(x+i, y, cell.R, cell.S)
	}
}

// String returns the characters of c, one line a row, without trailing blanks.
func (c *Canvas) String() string {
	var b strings.Builder
	b.Grow(c.H * (c.W + 1))
	row := make([]rune, c.W)
	for y := range c.H {
		for x := range c.W {
			row[x] = c.cells[y*c.W+x].R
		}
		b.WriteString(strings.TrimRight(string(row), " "))
		b.WriteByte('\n')
	}
	return b.String()
}

// Clean returns s as it may be written into cells: one character a cell, no
// control sequence, no direction override, no combining mark. A tab or a line
// end becomes a blank; a character that may be wider than one cell, or that is
// no character at all, becomes a question mark.
func Clean(s string) string {
	ok := true
	for _, r := range s {
		if r < ' ' || r > '~' {
			ok = false
			break
		}
	}
	if ok {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case r >= ' ' && r <= '~':
			return r
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Mn, r):
			return -1
		// U+1100 is the first character of East Asian width W (UAX #11).
		case r == unicode.ReplacementChar || r >= 0x1100 && !narrow(r) || !unicode.IsPrint(r):
			return '?'
		}
		return r
	}, s)
}

// narrow lists the ranges above U+1100 that our own sentences use and that
// are one cell wide: general punctuation, arrows, box drawing, blocks.
func narrow(r rune) bool {
	return r >= 0x2010 && r <= 0x2027 || r >= 0x2190 && r <= 0x2193 || r >= 0x2500 && r <= 0x259f || r == '√'
}

// line is one row of cells being put together from left to right.
type line []Cell

// text starts a line.
func text(st Style, s string) line { return line(nil).put(st, s) }

// row starts a line with the name of its value in the label column.
func row(label string) line { return text(Label, label).to(labelWidth) }

// labelWidth is the column at which values begin in a list of named values.
const labelWidth = 9

// put appends clean text.
func (l line) put(st Style, s string) line {
	for _, r := range s {
		l = append(l, Cell{r, st})
	}
	return l
}

// out appends text from outside.
func (l line) out(st Style, s string) line { return l.put(st, Clean(s)) }

// to pads l with blanks up to column col, with one blank at least when text
// already reaches it.
func (l line) to(col int) line {
	if len(l) >= col && len(l) > 0 && l[len(l)-1].R != ' ' {
		return append(l, Cell{' ', Plain})
	}
	for len(l) < col {
		l = append(l, Cell{' ', Plain})
	}
	return l
}

// String returns the characters of l.
func (l line) String() string {
	r := make([]rune, len(l))
	for i, c := range l {
		r[i] = c.R
	}
	return string(r)
}

// wrapLine breaks l at blanks into lines of at most w cells; all but the first
// begin with indent blanks.
func wrapLine(l line, w, indent int) []line {
	indent = min(indent, w/2)
	var out []line
	for len(l) > w && w > 0 {
		cut := w
		for cut > indent && l[cut].R != ' ' {
			cut--
		}
		if cut <= indent {
			cut = w
		}
		out = append(out, l[:cut:cut])
		for cut < len(l) && l[cut].R == ' ' {
			cut++
		}
		l = append(line(nil).to(indent), l[cut:]...)
		if len(l) == indent {
			return out
		}
	}
	return append(out, l)
}

// wrap breaks s at blanks into lines of at most w characters; a longer word
// is cut.
func wrap(s string, w int) []string {
	if w < 1 {
		return nil
	}
	var lines []string
	var cur []rune
	for _, word := range strings.Fields(s) {
		r := []rune(word)
		if len(cur) > 0 && len(cur)+1+len(r) > w {
			lines = append(lines, string(cur))
			cur = nil
		}
		if len(cur) > 0 {
			cur = append(cur, ' ')
		}
		cur = append(cur, r...)
		for len(cur) > w {
			lines = append(lines, string(cur[:w]))
			cur = append([]rune(nil), cur[w:]...)
		}
	}
	if len(cur) > 0 {
		lines = append(lines, string(cur))
	}
	return lines
}
