package report

import (
	"fmt"
	"html"
	"html/template"
	"image/color"
	"math"
	"strconv"
	"strings"
)

// svg returns the figure as an element of the page. Its styles and patterns are
// those of the page (styleSheet, patterns).
func (f *Figure) svg(class string) template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="fig %s" viewBox="0 0 %s %s" role="img" aria-label="%s"%s>`, class, px(f.W), px(f.H), html.EscapeString(f.Says), f.data)
	for i := range f.ops {
		f.ops[i].svg(&b)
	}
	b.WriteString("</svg>")
	return template.HTML(b.String()) // all words in it are escaped above
}

func (o *op) svg(b *strings.Builder) {
	switch o.kind {
	case opText:
		fmt.Fprintf(b, `<text x="%s" y="%s"`, px(o.pts[0].x), px(o.pts[0].y))
		class := [...]string{begin: "", middle: " m", end: " e"}[o.anchor]
		if o.bold {
			class += " b"
		}
		if o.halo {
			class += " h"
		}
		if class != "" {
			fmt.Fprintf(b, ` class="%s"`, class[1:])
		}
		fmt.Fprintf(b, `>%s</text>`, html.EscapeString(o.text))
	default:
		b.WriteString(`<path class="`)
		b.WriteString(o.style.name)
		b.WriteString(`" d="`)
		path(b, o.pts)
		if o.kind == opArea {
			b.WriteByte('z')
		}
		if o.tip == "" {
			b.WriteString(`"/>`)
			return
		}
		fmt.Fprintf(b, `"><title>%s</title></path>`, html.EscapeString(o.tip))
	}
}

// path writes points to a tenth of a px, each relative to the one before.
func path(b *strings.Builder, pts []pt) {
	tenth := func(v float64) int { return int(math.Round(v * 10)) }
	put := func(command byte, ns ...int) {
		b.WriteByte(command)
		for i, n := range ns {
			if i > 0 && n >= 0 {
				b.WriteByte(' ')
			}
			b.WriteString(px(float64(n) / 10))
		}
	}
	x, y := 0, 0
	for i, p := range pts {
		nx, ny := tenth(p.x), tenth(p.y)
		switch dx, dy := nx-x, ny-y; {
		case i == 0:
			put('M', nx, ny)
		case dx == 0 && dy == 0:
		case dy == 0:
			put('h', dx)
		case dx == 0:
			put('v', dy)
		default:
			put('l', dx, dy)
		}
		x, y = nx, ny
	}
}

func px(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

func hexColor(c color.Color) string {
	n := color.NRGBAModel.Convert(c).(color.NRGBA)
	return fmt.Sprintf("#%02x%02x%02x", n.R, n.G, n.B)
}

// styleSheet returns the rules of every style for the page.
func styleSheet() template.CSS {
	var b strings.Builder
	for _, s := range styles {
		fmt.Fprintf(&b, ".fig .%s,.key .%s{fill:", s.name, s.name)
		switch {
		case s.pattern != plain:
			fmt.Fprintf(&b, "url(#p-%s)", s.name)
		case s.fill != nil:
			b.WriteString(hexColor(s.fill))
		default:
			b.WriteString("none")
		}
		if s.stroke != nil {
			fmt.Fprintf(&b, ";stroke:%s;stroke-width:%s;stroke-linejoin:round", hexColor(s.stroke), strconv.FormatFloat(s.width, 'g', -1, 64))
		}
		if s.dash != nil {
			fmt.Fprintf(&b, ";stroke-dasharray:%g %g", s.dash[0], s.dash[1])
		}
		b.WriteString("}\n")
	}
	return template.CSS(b.String())
}

// Size of the patterns, px.
const (
	tile    = 6.0
	penLine = 1.5
	penDot  = 1.1
)

// patterns returns the pattern definitions of the page.
func patterns() template.HTML {
	var b strings.Builder
	b.WriteString(`<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>`)
	for _, s := range styles {
		if s.pattern == plain {
			continue
		}
		fmt.Fprintf(&b, `<pattern id="p-%s" width="%g" height="%g" patternUnits="userSpaceOnUse"`, s.name, tile, tile)
		if s.pattern == stripes || s.pattern == crossing {
			b.WriteString(` patternTransform="rotate(45)"`)
		}
		fmt.Fprintf(&b, `><rect width="%g" height="%g" fill="%s"/>`, tile, tile, hexColor(s.fill))
		switch s.pattern {
		case stripes:
			fmt.Fprintf(&b, `<rect width="%g" height="%g" fill="%s"/>`, penLine*1.4, tile, hexColor(s.ink))
		case crossing:
			fmt.Fprintf(&b, `<path d="M0 0h%gv%gh-%gz" fill="none" stroke="%s" stroke-width="%g"/>`, tile, tile, tile, hexColor(s.ink), penLine)
		case dots:
			fmt.Fprintf(&b, `<circle cx="1.5" cy="1.5" r="%g" fill="%s"/><circle cx="4.5" cy="4.5" r="%g" fill="%s"/>`, penDot, hexColor(s.ink), penDot, hexColor(s.ink))
		}
		b.WriteString(`</pattern>`)
	}
	b.WriteString(`</defs></svg>`)
	return template.HTML(b.String())
}
