package calibrate

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"unicode/utf8"
)

// Write writes the result as a table for people.
func (r *Result) Write(w io.Writer) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "still %.0f s, driven %.0f s, %d epochs used\n", r.Still, r.Driven, r.Epochs)
	for i, f := range r.Findings {
		if i == 0 {
			fmt.Fprintln(b, "\nlook at this first:")
		}
		fmt.Fprintf(b, "  %s\n", f)
	}
	fmt.Fprintf(b, "\n%-22s %12s %10s  %-16s %10s  %-11s  %s\n", "", "value", "1 sigma", "unit", "settings", "", "")
	for i := range r.Items {
		it := &r.Items[i]
		value, sigma, configured := "-", "-", "-"
		if !math.IsNaN(it.Value) {
			value, sigma = it.Text()
		}
		if !math.IsNaN(it.Configured) {
			configured = strconv.FormatFloat(it.Configured, 'g', 6, 64)
		}
		line := fmt.Sprintf("%-22s %12s %10s  %-16s %10s  %-11s  %s", it.Name, value, sigma, it.Unit, configured, it.Verdict, it.Note)
		for line[len(line)-1] == ' ' {
			line = line[:len(line)-1]
		}
		fmt.Fprintln(b, line)
	}
	return b.Flush()
}

// Text returns value and standard deviation with the digits that mean
// something: two of the latter.
func (it *Item) Text() (value, sigma string) {
	s := it.Sigma
	if !(s > 0) || math.IsInf(s, 0) {
		return strconv.FormatFloat(it.Value, 'g', 4, 64), "-"
	}
	digit := int(math.Floor(math.Log10(s))) - 1 // place of the last one that counts
	if digit >= -5 || digit >= -7 && math.Abs(it.Value) >= 1e-3 {
		n := max(0, -digit)
		return plain(strconv.FormatFloat(it.Value, 'f', n, 64)), strconv.FormatFloat(s, 'f', n, 64)
	}
	if it.Value == 0 {
		return "0", strconv.FormatFloat(s, 'e', 1, 64)
	}
	// Digits behind the point of d.dde-dd.
	n := max(0, int(math.Floor(math.Log10(math.Abs(it.Value))))-digit)
	return plain(strconv.FormatFloat(it.Value, 'e', min(n, 8), 64)), strconv.FormatFloat(s, 'e', 1, 64)
}

// plain takes the sign off a zero.
func plain(s string) string {
	if v, err := strconv.ParseFloat(s, 64); err == nil && v == 0 && s[0] == '-' {
		return s[1:]
	}
	return s
}

// number is a float64 that is null in JSON where it is not known.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if v := float64(n); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return json.Marshal(v)
	}
	return []byte("null"), nil
}

// MarshalJSON writes the result as one object; what is not known is null. Noise
// terms and points are in the unit of their axis, points as [tau_s, deviation].
func (r *Result) MarshalJSON() ([]byte, error) {
	type item struct {
		Name       string `json:"name"`
		Unit       string `json:"unit"`
		Key        string `json:"key,omitempty"`
		Index      int    `json:"index"`
		Value      number `json:"value"`
		Sigma      number `json:"sigma"`
		Configured number `json:"configured"`
		Verdict    string `json:"verdict"`
		Note       string `json:"note,omitempty"`
	}
	type term struct {
		Value number `json:"value"`
		Sigma number `json:"sigma"`
	}
	type curve struct {
		Axis         string      `json:"axis"`
		Unit         string      `json:"unit"`
		Quantisation term        `json:"quantisation"`
		White        term        `json:"white"`
		Instability  term        `json:"bias_instability"`
		Walk         term        `json:"rate_random_walk"`
		Ramp         term        `json:"ramp"`
		Points       [][2]number `json:"points"`
	}
	out := struct {
		Still    number   `json:"still_s"`
		Driven   number   `json:"driven_s"`
		Epochs   int      `json:"epochs"`
		Findings []string `json:"findings"`
		Items    []item   `json:"items"`
		Allan    []curve  `json:"allan"`
	}{number(r.Still), number(r.Driven), r.Epochs, append([]string{}, r.Findings...), []item{}, []curve{}}
	for _, it := range r.Items {
		out.Items = append(out.Items, item{it.Name, it.Unit, it.Key, it.Index, number(it.Value), number(it.Sigma), number(it.Configured), it.Verdict.String(), it.Note})
	}
	for i := range r.Curves {
		c := &r.Curves[i]
		q := curve{Axis: c.Name, Unit: c.Unit, Points: [][2]number{}}
		to := [nNoise]*term{&q.Quantisation, &q.White, &q.Instability, &q.Walk, &q.Ramp}
		for k, t := range c.Noise.terms() {
			*to[k] = term{number(t.Value), number(t.Sigma)}
		}
		for _, p := range c.Points {
			q.Points = append(q.Points, [2]number{number(p.Tau), number(p.Dev)})
		}
		out.Allan = append(out.Allan, q)
	}
	return json.Marshal(out)
}

// WriteSVG draws the Allan deviations with the noise models fitted to them: gyro
// to the left, accelerometer to the right. Without a still part the drawing says
// so.
func (r *Result) WriteSVG(w io.Writer) error {
	const width, height = 980, 460
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="12">`+"\n", width, height)
	fmt.Fprintf(b, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", width, height)
	if len(r.Curves) == 0 {
		fmt.Fprintf(b, `<text x="%d" y="%d" text-anchor="middle">still for %.0f s: too short for an Allan deviation</text>`+"\n", width/2, height/2, r.Still)
	} else {
		drawAllan(b, r.Curves[:3], "gyro", 80, 400)
		drawAllan(b, r.Curves[3:], "accelerometer", 570, 400)
	}
	fmt.Fprintln(b, "</svg>")
	return b.Flush()
}

var axisColour = [3]string{"#c33", "#283", "#06c"}

// drawAllan draws one panel, its plot from x to x+width.
func drawAllan(b io.Writer, curves []Curve, title string, left, width float64) {
	const top, bottom = 50.0, 400.0
	lo, hi := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	for i := range curves {
		for _, p := range curves[i].Points {
			if !(p.Dev > 0) {
				continue
			}
			for k, v := range [2]float64{math.Log10(p.Tau), math.Log10(p.Dev)} {
				lo[k], hi[k] = math.Min(lo[k], math.Floor(v)), math.Max(hi[k], math.Ceil(v))
			}
		}
	}
	fmt.Fprintf(b, `<text x="%g" y="20" font-size="14">%s</text>`+"\n", left, title)
	if !(hi[0] > lo[0]) || !(hi[1] >= lo[1]) {
		fmt.Fprintf(b, `<text x="%g" y="%g">reads the same all the time</text>`+"\n", left, top+20)
		return
	}
	hi[1] = math.Max(hi[1], lo[1]+1)
	x := func(v float64) float64 { return left + (math.Log10(v)-lo[0])/(hi[0]-lo[0])*width }
	y := func(v float64) float64 { return bottom - (math.Log10(v)-lo[1])/(hi[1]-lo[1])*(bottom-top) }
	for d := lo[0]; d <= hi[0]; d++ {
		at := x(math.Pow(10, d))
		fmt.Fprintf(b, `<path d="M%.1f %gV%g" stroke="#ddd"/><text x="%.1f" y="%g" text-anchor="middle">%s</text>`+"\n", at, top, bottom, at, bottom+18, decade(d))
	}
	for d := lo[1]; d <= hi[1]; d++ {
		at := y(math.Pow(10, d))
		fmt.Fprintf(b, `<path d="M%g %.1fH%g" stroke="#ddd"/><text x="%g" y="%.1f" text-anchor="end">%s</text>`+"\n", left, at, left+width, left-8, at+4, decade(d))
	}
	fmt.Fprintf(b, `<text x="%g" y="%g" text-anchor="middle">averaging time, s</text>`+"\n", left+width/2, bottom+40)
	fmt.Fprintf(b, `<text transform="translate(%g %g) rotate(-90)" text-anchor="middle">Allan deviation, %s</text>`+"\n", left-55, (top+bottom)/2, curves[0].Unit)
	for i := range curves {
		c := &curves[i]
		path := ""
		for _, p := range c.Points {
			if !(p.Dev > 0) {
				continue
			}
			// Degrees of freedom say how far the point may be off: 1 sigma.
			s := p.Dev / math.Sqrt(2*p.EDF)
			fmt.Fprintf(b, `<path d="M%.1f %.1fV%.1f" stroke="%s" stroke-opacity=".4"/><circle cx="%.1f" cy="%.1f" r="2" fill="%s"/>`+"\n",
				x(p.Tau), y(math.Max(p.Dev-s, math.Pow(10, lo[1]))), y(math.Min(p.Dev+s, math.Pow(10, hi[1]))), axisColour[i], x(p.Tau), y(p.Dev), axisColour[i])
			if m := c.Noise.dev(p.Tau); m >= math.Pow(10, lo[1]) && m <= math.Pow(10, hi[1]) {
				path += fmt.Sprintf("%.1f %.1fL", x(p.Tau), y(m))
			}
		}
		if n := len(path); n > 0 {
			fmt.Fprintf(b, `<path d="M%s" fill="none" stroke="%s"/>`+"\n", path[:n-1], axisColour[i])
		}
		name, _ := utf8.DecodeLastRuneInString(c.Name)
		white, _ := (&Item{Value: c.Noise.White.Value, Sigma: c.Noise.White.Sigma}).Text()
		fmt.Fprintf(b, `<text x="%g" y="%g" text-anchor="end" fill="%s">%c: %s %s/√Hz</text>`+"\n", left+width, top+16+15*float64(i), axisColour[i], name, white, c.Unit)
	}
}

// decade writes ten to the d.
func decade(d float64) string {
	if d >= -2 && d <= 3 {
		return strconv.FormatFloat(math.Pow(10, d), 'f', -1, 64)
	}
	return fmt.Sprintf("1e%g", d)
}
