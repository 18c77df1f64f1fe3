package report

import (
	"fmt"
	"image/color"
	"image/png"
	"io"
	"math"
	"sync"

	"github.com/fogleman/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
)

// pngScale is how many dots of a PNG file a px of a figure has.
const pngScale = 2.0

// PNG writes the figure as a PNG image, two dots a px.
func (f *Figure) PNG(w io.Writer) error {
	face, err := faces()
	if err != nil {
		return fmt.Errorf("report: font: %w", err)
	}
	dc := gg.NewContext(int(math.Ceil(f.W*pngScale)), int(math.Ceil(f.H*pngScale)))
	dc.SetColor(paper)
	dc.Clear()
	dc.SetLineCapButt()
	dc.SetLineJoinRound()
	for i := range f.ops {
		o := &f.ops[i]
		if o.kind == opText {
			dc.SetFontFace(face[o.bold])
			o.lettering(dc)
			continue
		}
		for _, p := range o.pts {
			dc.LineTo(p.x*pngScale, p.y*pngScale)
		}
		if o.kind == opArea {
			dc.ClosePath()
			if o.style.fill != nil {
				dc.SetFillStyle(o.style)
				dc.FillPreserve()
			}
		}
		if o.style.stroke != nil {
			dc.SetColor(o.style.stroke)
			dc.SetLineWidth(o.style.width * pngScale)
			dc.SetDash()
			if d := o.style.dash; d != nil {
				dc.SetDash(d[0]*pngScale, d[1]*pngScale)
			}
			dc.StrokePreserve()
		}
		dc.ClearPath()
	}
	return (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(w, dc.Image())
}

// lettering draws the words of o, with a halo where they stand over a drawing.
func (o *op) lettering(dc *gg.Context) {
	put := func(dx, dy float64, c color.Color) {
		dc.SetColor(c)
		dc.DrawStringAnchored(o.text, o.pts[0].x*pngScale+dx, o.pts[0].y*pngScale+dy, float64(o.anchor)/2, 0)
	}
	if o.halo {
		for i := range 8 {
			sin, cos := math.Sincos(math.Pi / 4 * float64(i))
			put(3*cos, 3*sin, paper)
		}
	}
	put(0, 0, ink)
}

// ColorAt implements gg.Pattern: the colour of a dot of an area.
func (s *style) ColorAt(x, y int) color.Color {
	u, v := (float64(x)+0.5)/pngScale, (float64(y)+0.5)/pngScale
	in := func(v float64) float64 { return v - tile*math.Floor(v/tile) }
	d, e := in((u+v)/math.Sqrt2), in((u-v)/math.Sqrt2)
	p, q := in(u), in(v)
	on := false
	switch s.pattern {
	case stripes:
		on = d < penLine*1.4
	case crossing:
		on = d < penLine || e < penLine
	case dots:
		on = math.Hypot(p-1.5, q-1.5) < penDot || math.Hypot(p-4.5, q-4.5) < penDot
	}
	if on {
		return s.ink
	}
	return s.fill
}

// faces returns the regular and the bold (true) face of the lettering.
var faces = sync.OnceValues(func() (map[bool]font.Face, error) {
	made := map[bool]font.Face{}
	for bold, ttf := range map[bool][]byte{false: goregular.TTF, true: gobold.TTF} {
		f, err := opentype.Parse(ttf)
		if err != nil {
			return nil, err
		}
		if made[bold], err = opentype.NewFace(f, &opentype.FaceOptions{Size: letter * pngScale, DPI: 72, Hinting: font.HintingFull}); err != nil {
			return nil, err
		}
	}
	return made, nil
})
