package sweep

import (
	"bufio"
	"fmt"
	"html"
	"io"
	"math"
	"strings"

	"kerbline/fusion/tune"
)

// WriteSVG draws the price list: every setting at its unavailability and its
// misleading seconds, those that nothing beats joined by a line.
func (r *Report) WriteSVG(w io.Writer) error {
	const (
		width, height            = 760, 480
		left, right, top, bottom = 80, 20, 40, 60
	)
	b := bufio.NewWriter(w)
	maxX, maxY := 0.0, 0.0
	for i := range r.Rows {
		g := r.Rows[i].Figures.Goals()
		maxX = math.Max(maxX, 100*g[tune.GoalUnavailable])
		if g[tune.GoalMisleading] > maxY {
			maxY = g[tune.GoalMisleading]
		}
	}
	stepX, stepY := tick(maxX), tick(maxY)
	maxX, maxY = stepX*math.Ceil(maxX/stepX+1e-9), stepY*math.Ceil(maxY/stepY+1e-9)
	x := func(v float64) float64 { return left + v/maxX*(width-left-right) }
	y := func(v float64) float64 { return height - bottom - v/maxY*(height-top-bottom) }

	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="12">`+"\n", width, height)
	fmt.Fprintf(b, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", width, height)
	fmt.Fprintf(b, `<text x="%d" y="20" font-size="14">%d settings over %d recordings</text>`+"\n", left, r.Plan.Grid.Len(), len(r.Plan.Sources))
	for v := 0.0; v <= maxX*1.0001; v += stepX {
		fmt.Fprintf(b, `<path d="M%.1f %dV%d" stroke="#ddd"/><text x="%.1f" y="%d" text-anchor="middle">%.4g</text>`+"\n", x(v), top, height-bottom, x(v), height-bottom+18, v)
	}
	for v := 0.0; v <= maxY*1.0001; v += stepY {
		fmt.Fprintf(b, `<path d="M%d %.1fH%d" stroke="#ddd"/><text x="%d" y="%.1f" text-anchor="end">%.4g</text>`+"\n", left, y(v), width-right, left-8, y(v)+4, v)
	}
	fmt.Fprintf(b, `<text x="%d" y="%d" text-anchor="middle">not available while driving, %%</text>`+"\n", (left+width-right)/2, height-18)
	fmt.Fprintf(b, `<text transform="translate(22 %d) rotate(-90)" text-anchor="middle">misleading, s</text>`+"\n", (top+height-bottom)/2)

	var path []string
	mark := func(i int, radius float64, fill, extra string) {
		row := &r.Rows[i]
		g := row.Figures.Goals()
		if math.IsNaN(g[tune.GoalMisleading]) || math.IsNaN(g[tune.GoalUnavailable]) {
			return
		}
		var title strings.Builder
		fmt.Fprintf(&title, "%s", name(row))
		for k, v := range r.values(row) {
			fmt.Fprintf(&title, " %s=%s", r.Plan.Grid[k].Key, v)
		}
		fmt.Fprintf(b, `<circle cx="%.1f" cy="%.1f" r="%g" fill="%s"%s><title>%s: %.1f s misleading, %s available</title></circle>`+"\n",
			x(100*g[tune.GoalUnavailable]), y(g[tune.GoalMisleading]), radius, fill, extra, html.EscapeString(title.String()), g[tune.GoalMisleading], percent(row.Figures.Availability()))
	}
	for i := len(r.Rows) - 1; i >= 0; i-- {
		if row := &r.Rows[i]; !row.Undominated {
			mark(i, 3, "#bbb", "")
		}
	}
	for i := range r.Rows {
		if g := r.Rows[i].Figures.Goals(); r.Rows[i].Undominated && !math.IsNaN(g[tune.GoalMisleading]+g[tune.GoalUnavailable]) {
			path = append(path, fmt.Sprintf("%.1f %.1f", x(100*g[tune.GoalUnavailable]), y(g[tune.GoalMisleading])))
		}
	}
	if len(path) > 1 {
		fmt.Fprintf(b, `<path d="M%s" fill="none" stroke="#06c"/>`+"\n", strings.Join(path, "L"))
	}
	for i := range r.Rows {
		row := &r.Rows[i]
		if row.Undominated {
			mark(i, 4, "#06c", "")
		}
		if row.Index < 0 {
			mark(i, 7, "none", ` stroke="#c60" stroke-width="2"`)
		}
		if i == r.Chosen {
			mark(i, 10, "none", ` stroke="#090" stroke-width="2"`)
		}
	}
	fmt.Fprintf(b, `<text x="%d" y="20" text-anchor="end"><tspan fill="#06c">nothing beats it</tspan>  <tspan fill="#c60">start</tspan>  <tspan fill="#090">chosen</tspan></text>`+"\n", width-right)
	fmt.Fprintln(b, "</svg>")
	return b.Flush()
}

// tick returns a round step that divides most into two to five.
func tick(most float64) float64 {
	if !(most > 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(most)))
	for _, k := range []float64{0.2, 0.5, 1, 2, 5} {
		if most/(k*p) <= 5 {
			return k * p
		}
	}
	return 10 * p
}
