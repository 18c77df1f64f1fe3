package report

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// pngScale is how many dots of a PNG file a px of a figure has.
const pngScale = 2.0

// PNG writes the figure as a PNG image, two dots a px.
func (f *Figure) PNG(w io.Writer) error {
	face, err := faces()
	if err != nil {
		return err
	}
	r := &raster{face: face, img: image.NewRGBA(image.Rect(0, 0, int(math.Ceil(f.W*pngScale)), int(math.Ceil(f.H*pngScale))))}
	draw.Draw(r.img, r.img.Bounds(), image.NewUniform(paper), image.Point{}, draw.Src)
	for i := range f.ops {
		r.op(&f.ops[i])
	}
	return (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(w, r.img)
}

// raster draws on an image.
type raster struct {
	img  *image.RGBA
	face func(size float64, bold bool) (font.Face, error)
	z    vector.Rasterizer
}

func (r *raster) op(o *op) {
	switch o.kind {
	case opText:
		r.text(o)
	case opArea:
		if o.style.fill != nil {
			r.fill([][]pt{o.pts}, o.style.paint())
		}
		if o.style.stroke != nil {
			r.stroke(append(o.pts[:len(o.pts):len(o.pts)], o.pts[0]), o.style)
		}
	case opLine:
		r.stroke(o.pts, o.style)
	}
}

// fill paints polygons; where they overlap they must turn the same way.
func (r *raster) fill(polys [][]pt, src image.Image) {
	// Only the part of the image that is touched.
	lo, hi := pt{math.Inf(1), math.Inf(1)}, pt{math.Inf(-1), math.Inf(-1)}
	for _, p := range polys {
		for _, q := range p {
			lo.x, lo.y = math.Min(lo.x, q.x), math.Min(lo.y, q.y)
			hi.x, hi.y = math.Max(hi.x, q.x), math.Max(hi.y, q.y)
		}
	}
	box := image.Rect(int(math.Floor(lo.x*pngScale)), int(math.Floor(lo.y*pngScale)), int(math.Ceil(hi.x*pngScale)), int(math.Ceil(hi.y*pngScale))).Intersect(r.img.Bounds())
	if box.Empty() {
		return
	}
	r.z.Reset(box.Dx(), box.Dy())
	for _, p := range polys {
		for i, q := range p {
			x, y := float32(q.x*pngScale)-float32(box.Min.X), float32(q.y*pngScale)-float32(box.Min.Y)
			if i == 0 {
				r.z.MoveTo(x, y)
			} else {
				r.z.LineTo(x, y)
			}
		}
		r.z.ClosePath()
	}
	r.z.Draw(r.img, box, src, box.Min)
}

// stroke draws a line as one rectangle a piece, with a disc at each corner.
func (r *raster) stroke(pts []pt, s *style) {
	h := s.width / 2
	var polys [][]pt
	seg := func(a, b pt) {
		l := math.Hypot(b.x-a.x, b.y-a.y)
		if l == 0 {
			return
		}
		nx, ny := -(b.y-a.y)/l*h, (b.x-a.x)/l*h
		polys = append(polys, []pt{{a.x + nx, a.y + ny}, {a.x - nx, a.y - ny}, {b.x - nx, b.y - ny}, {b.x + nx, b.y + ny}})
	}
	corner := func(c pt) {
		var disc []pt
		for i := range 8 {
			sin, cos := math.Sincos(-2 * math.Pi * float64(i) / 8)
			disc = append(disc, pt{c.x + h*cos, c.y + h*sin})
		}
		polys = append(polys, disc)
	}
	flush := func() {
		if len(polys) > 0 {
			r.fill(orient(polys), image.NewUniform(s.stroke))
			polys = polys[:0]
		}
	}
	if s.dash == nil {
		for i := 1; i < len(pts); i++ {
			seg(pts[i-1], pts[i])
			if i > 1 {
				corner(pts[i-1])
			}
			if len(polys) > 400 { // keeps the touched part small
				flush()
			}
		}
		flush()
		return
	}
	on, k, left := true, 0, s.dash[0]
	for i := 1; i < len(pts); i++ {
		a, b := pts[i-1], pts[i]
		for {
			l := math.Hypot(b.x-a.x, b.y-a.y)
			if l < left {
				if on {
					seg(a, b)
				}
				left -= l
				break
			}
			c := pt{a.x + (b.x-a.x)*left/l, a.y + (b.y-a.y)*left/l}
			if on {
				seg(a, c)
			}
			a, on, k = c, !on, (k+1)%len(s.dash)
			left = s.dash[k]
		}
	}
	flush()
}

// orient makes all polygons turn the same way.
func orient(polys [][]pt) [][]pt {
	for _, p := range polys {
		a := 0.0
		for i, q := range p {
			n := p[(i+1)%len(p)]
			a += q.x*n.y - n.x*q.y
		}
		if a < 0 {
			for i, j := 0, len(p)-1; i < j; i, j = i+1, j-1 {
				p[i], p[j] = p[j], p[i]
			}
		}
	}
	return polys
}

// paint returns what fills an area of the style.
func (s *style) paint() image.Image {
	if s.pattern == plain {
		return image.NewUniform(s.fill)
	}
	return &tiles{s}
}

// tiles is an endless image of a pattern.
type tiles struct{ s *style }

func (t *tiles) ColorModel() color.Model { return color.RGBAModel }
func (t *tiles) Bounds() image.Rectangle { return image.Rect(-1e9, -1e9, 1e9, 1e9) }

func (t *tiles) At(x, y int) color.Color {
	u, v := (float64(x)+0.5)/pngScale, (float64(y)+0.5)/pngScale
	in := func(v float64) float64 { return v - tile*math.Floor(v/tile) }
	d := (u + v) / math.Sqrt2
	e := (u - v) / math.Sqrt2
	on := false
	switch t.s.pattern {
	case stripes:
		on = in(d) < penLine*1.4
	case crossing:
		on = in(d) < penLine || in(e) < penLine
	case dots:
		p, q := in(u), in(v)
		on = math.Hypot(p-1.5, q-1.5) < penDot || math.Hypot(p-4.5, q-4.5) < penDot
	}
	if on {
		return t.s.ink
	}
	return t.s.fill
}

func (r *raster) text(o *op) {
	f, err := r.face(o.size*pngScale, o.bold)
	if err != nil {
		return // the fonts were parsed before; a face of them cannot fail
	}
	d := font.Drawer{Dst: r.img, Face: f}
	x := o.pts[0].x * pngScale
	w := float64(d.MeasureString(o.text)) / 64
	switch o.anchor {
	case middle:
		x -= w / 2
	case end:
		x -= w
	}
	put := func(dx, dy float64, c color.Color) {
		d.Src = image.NewUniform(c)
		d.Dot = fixed.Point26_6{X: fixed.Int26_6(math.Round((x + dx) * 64)), Y: fixed.Int26_6(math.Round((o.pts[0].y*pngScale + dy) * 64))}
		d.DrawString(o.text)
	}
	if o.halo {
		for i := range 8 {
			sin, cos := math.Sincos(math.Pi / 4 * float64(i))
			put(3*cos, 3*sin, paper)
		}
	}
	put(0, 0, ink)
}

var fonts = struct {
	once          sync.Once
	regular, bold *opentype.Font
	err           error
}{}

// faces returns a maker of font faces; each size is made once.
func faces() (func(size float64, bold bool) (font.Face, error), error) {
	fonts.once.Do(func() {
		if fonts.regular, fonts.err = opentype.Parse(goregular.TTF); fonts.err == nil {
			fonts.bold, fonts.err = opentype.Parse(gobold.TTF)
		}
	})
	if fonts.err != nil {
		return nil, fmt.Errorf("report: font: %w", fonts.err)
	}
	type key struct {
		size float64
		bold bool
	}
	made := map[key]font.Face{}
	return func(size float64, bold bool) (font.Face, error) {
		k := key{size, bold}
		if f := made[k]; f != nil {
			return f, nil
		}
		src := fonts.regular
		if bold {
			src = fonts.bold
		}
		f, err := opentype.NewFace(src, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingFull})
		if err == nil {
			made[k] = f
		}
		return f, err
	}, nil
}
