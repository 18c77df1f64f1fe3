package report

import (
	"fmt"
	"image/color"
	"math"
	"unicode/utf8"
)

// pt is a point of a figure, px from its upper left corner.
type pt struct{ x, y float64 }

// plus returns p moved by k times d.
func (p pt) plus(k float64, d pt) pt { return pt{p.x + k*d.x, p.y + k*d.y} }

// pattern is what fills an area beside its ground colour.
type pattern uint8

const (
	plain    pattern = iota
	stripes          // diagonal lines
	dots             // dots in rows
	crossing         // lines both ways
)

// style is how something is drawn; its name is its class in the page.
type style struct {
	name    string
	fill    color.Color // nil: none
	pattern pattern
	ink     color.Color // of the pattern
	stroke  color.Color // nil: none
	width   float64     // px
	dash    []float64   // px
}

func rgb(v uint32) color.NRGBA {
	return color.NRGBA{R: uint8(v >> 16), G: uint8(v >> 8), B: uint8(v), A: 255}
}

// The styles. Good times are pale and trouble is dark: the eye goes to what
// broke, on paper too. The lightness of fine, half, thin and gone differs by
// steps that survive a grey printer, and their patterns differ as well.
var (
	paper = rgb(0xffffff)
	ink   = rgb(0x1d1d1b)
	faint = rgb(0x6f6d66)
	hair  = rgb(0xcfccc2)
	deep  = rgb(0x5a0f1f)
	water = rgb(0x1b5c96)
	leaf  = rgb(0x0f7a63)

	stFine    = &style{name: "fine", fill: rgb(0xcfe8dd)}
	stHalf    = &style{name: "half", fill: rgb(0xeef4fb), pattern: stripes, ink: water}
	stThin    = &style{name: "thin", fill: rgb(0xf4f1ea), pattern: dots, ink: rgb(0x55524b)}
	stGone    = &style{name: "gone", fill: deep}
	stCrossed = &style{name: "crossed", fill: rgb(0xf6e9c8), pattern: crossing, ink: rgb(0x7a5200)}
	stBlank   = &style{name: "blank", fill: paper, stroke: hair, width: 0.8}

	stGround = &style{name: "ground", fill: rgb(0xfbfaf6)}
	stGrid   = &style{name: "grid", stroke: hair, width: 0.7}
	stAxis   = &style{name: "axis", stroke: faint, width: 0.9}
	stLine   = &style{name: "line", stroke: ink, width: 1.5}
	stBand   = &style{name: "band", fill: ink, stroke: ink, width: 1.1}
	stLimit  = &style{name: "limit", stroke: deep, width: 1.6, dash: []float64{6, 3}}
	stErr    = &style{name: "err", fill: rgb(0x8fc7b4), stroke: leaf, width: 0.8}
	stSoft   = &style{name: "soft", fill: rgb(0xb9b5a8), stroke: faint, width: 0.8}
	stTrack  = &style{name: "track", stroke: faint, width: 0.8}
	stMark   = &style{name: "mark", fill: paper, stroke: ink, width: 1.3}
	stBar    = &style{name: "bar", fill: rgb(0xe7d8b5), stroke: rgb(0x7a5200), width: 1}
	stArrow  = &style{name: "arrow", fill: ink}

	styles = []*style{stFine, stHalf, stThin, stGone, stCrossed, stBlank, stGround, stGrid, stAxis, stLine, stBand, stLimit,
		stErr, stSoft, stTrack, stMark, stBar, stArrow}
)

// shades are the greys of a density, light to dark.
var shades = func() (s [6]*style) {
	for i, v := range [6]uint32{0xdcd9d0, 0xb5b1a5, 0x8d897d, 0x64615a, 0x3f3d38, 0x1d1d1b} {
		s[i] = &style{name: "d" + string(rune('0'+i)), fill: rgb(v)}
		styles = append(styles, s[i])
	}
	return s
}()

// anchor is which part of a text stands at its point.
type anchor uint8

const (
	begin anchor = iota
	middle
	end
)

type opKind uint8

const (
	opArea opKind = iota // closed, filled, perhaps stroked
	opLine
	opText
)

type op struct {
	kind   opKind
	style  *style
	pts    []pt
	text   string
	anchor anchor
	bold   bool
	halo   bool   // words over a drawing
	tip    string // what the page shows when one rests on it
}

// Figure is a drawing of w by h px.
type Figure struct {
	Name string // of its file: "verdict"
	Says string // what it shows, for who cannot see it
	W, H float64
	ops  []op
	data string // attributes for the page's script: where which time is
}

// spans says that the figure's time axis goes from a to b, x.
func (f *Figure) spans(a, b float64) {
	f.data = fmt.Sprintf(` data-a="%.2f" data-b="%.2f" data-l="%s" data-w="%s"`, a, b, px(leftRoom), px(f.W-leftRoom-rightRoom))
}

// letter is the size of words in px.
const letter = 12.0

func (f *Figure) area(s *style, pts ...pt) *op {
	f.ops = append(f.ops, op{kind: opArea, style: s, pts: pts})
	return &f.ops[len(f.ops)-1]
}

func (f *Figure) rect(s *style, x, y, w, h float64) *op {
	return f.area(s, pt{x, y}, pt{x + w, y}, pt{x + w, y + h}, pt{x, y + h})
}

func (f *Figure) line(s *style, pts ...pt) {
	if len(pts) > 1 {
		f.ops = append(f.ops, op{kind: opLine, style: s, pts: pts})
	}
}

func (f *Figure) text(x, y float64, a anchor, t string) *op {
	f.ops = append(f.ops, op{kind: opText, pts: []pt{{x, y}}, text: t, anchor: a})
	return &f.ops[len(f.ops)-1]
}

// circle draws a round area.
func (f *Figure) circle(s *style, c pt, r float64) *op {
	var pts []pt
	for i := range 16 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 16)
		pts = append(pts, pt{c.x + r*cos, c.y + r*sin})
	}
	return f.area(s, pts...)
}

// wide returns about how many px t takes.
func wide(t string) float64 { return 0.56 * letter * float64(utf8.RuneCountInString(t)) }
