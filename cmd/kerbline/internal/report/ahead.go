package report

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"kerbline/fusion/day"
	"kerbline/fusion/outlook"
	"kerbline/gnss/geodesy"
)

// How grades of the sky look.
var gradeStyles = [...]*style{day.SkyGood: stFine, day.SkyThin: stHalf, day.SkyRefused: stGone}

// aheadRow is one row of the hours ahead: what is foreseen, or what was had then.
type aheadRow struct {
	at    float64 // Unix s
	had   bool
	known bool
	cells []outlook.Cell // by place; Sats is NaN where nothing was had
}

// aheadRowsOf lists what is foreseen, half hour by half hour, and below each what the
// recording had in it, where it lasted that long.
func aheadRowsOf(o *outlook.Outlook) (rows []aheadRow) {
	for i := range o.Rows {
		at := o.From.UTC() + float64(i)*o.Step
		known := o.Known[i] >= outlook.LeastKnown
		if !known && len(rows) > 0 && i > 0 && o.Known[i-1] < outlook.LeastKnown {
			break // one such row says it
		}
		rows = append(rows, aheadRow{at: at, known: known, cells: o.Rows[i]})
		if cells := had(o, i); cells != nil {
			rows = append(rows, aheadRow{at: at, had: true, known: true, cells: cells})
		}
	}
	return rows
}

// had returns what was had in row i by place, nil for nothing.
func had(o *outlook.Outlook, i int) []outlook.Cell {
	cells := make([]outlook.Cell, len(o.Rows[i]))
	n := make([]float64, len(cells))
	any := false
	for k := range o.Had {
		h := &o.Had[k]
		if math.Floor(h.From.Sub(o.From)/o.Step) != float64(i) {
			continue
		}
		any = true
		c := &cells[h.Place]
		n[h.Place]++
		c.Sats += (h.Sats - c.Sats) / n[h.Place]
		c.HDOP += (h.HDOP() - c.HDOP) / n[h.Place]
	}
	if !any {
		return nil
	}
	for p := range cells {
		if n[p] == 0 {
			cells[p] = outlook.Cell{Sats: math.NaN(), HDOP: math.NaN()}
		}
	}
	return cells
}

// aheadFigure is place of the lap by hour of the day: in each cell the satellites that
// will be received there, its look by the fix gate.
func aheadFigure(s *day.Session, w float64) *Figure {
	if s.Sky == nil {
		return nil
	}
	const high = 17.0
	o, rows := s.Sky, aheadRowsOf(s.Sky)
	zone := s.Config.Zone()
	left, top := 52.0, 22.0
	if zone.Known() {
		left = 90
	}
	pw := w - left - rightRoom
	n := len(o.Rows[0])
	each := int(math.Ceil(float64(n) / math.Max(1, math.Floor(pw/25)))) // places a cell
	f := &Figure{Name: "ahead", W: w, H: top + float64(len(rows))*high + 40, Says: "satellites foreseen by place of the lap and hour of the day, beside what the recording had"}
	title := "UTC"
	if zone.Known() {
		title += "   " + zone.Letters(s.UTCStart)
	}
	f.text(4, 13, begin, title).bold = true
	f.text(left, 13, begin, "satellites by place along the lap").bold = true
	y := top
	for i := range rows {
		r := &rows[i]
		label := (time.Unix(int64(r.at), 0).UTC()).Format("15:04")
		if zone.Known() {
			label += "  " + zone.At(r.at).Format("15:04")
		}
		if r.had {
			label = "had"
		}
		f.text(left-6, y+12.5, end, label)
		if !r.known {
			f.text(left+4, y+12.5, begin, "too few ephemerides reach this hour")
			y += high
			continue
		}
		for a := 0; a < n; a += each {
			b := min(n, a+each)
			x := left + pw*float64(a)/float64(n)
			worst := outlook.Cell{Sats: math.Inf(1)}
			for p := a; p < b; p++ {
				if k := &r.cells[p]; !math.IsNaN(k.Sats) {
					worst.Sats, worst.HDOP = math.Min(worst.Sats, k.Sats), math.Max(worst.HDOP, k.HDOP)
				}
			}
			width := pw * float64(b-a) / float64(n)
			if math.IsInf(worst.Sats, 1) {
				f.rect(stBlank, x, y, width-1, high-1.5)
				continue
			}
			g := day.Grade(s.Config, worst.Sats, worst.HDOP)
			f.rect(gradeStyles[g], x, y, width-1, high-1.5).tip = fmt.Sprintf("%s, %s: %.0f satellites, HDOP %s", label, placeSpan(o, a, b), worst.Sats, figures(worst.HDOP))
			f.text(x+width/2, y+12.5, middle, strconv.Itoa(int(worst.Sats))).halo = g != day.SkyGood
		}
		y += high
	}
	f.lapAxis(o.Length, left, y, pw)
	return f
}

// placeSpan names the places from a to b.
func placeSpan(o *outlook.Outlook, a, b int) string {
	if o.Length == 0 {
		return "everywhere"
	}
	step := o.Length / float64(len(o.Rows[0]))
	return fmt.Sprintf("%.0f to %.0f m", float64(a)*step, float64(b)*step)
}

// lapAxis draws m along the lap below y.
func (f *Figure) lapAxis(length, left, y, w float64) {
	f.line(stAxis, pt{left, y}, pt{left + w, y})
	if length == 0 {
		f.text(left+w, y+16, end, "no map: all places together")
		return
	}
	for _, v := range steps(length, int(w/70)) {
		x := left + w*v/length
		f.line(stAxis, pt{x, y}, pt{x, y + 4})
		f.text(x, y+16, middle, fmt.Sprintf("%.0f", v))
	}
	f.text(left+w, y+32, end, fmt.Sprintf("m along the lap of %.0f m", length))
}

// skylineFigure is what hides the sky along the lap, as one drives between it: upwards
// to the left, downwards to the right.
func skylineFigure(s *day.Session, w float64) *Figure {
	o := s.Sky
	if o == nil || o.Length == 0 {
		return nil
	}
	const half = 66.0
	left, top := 52.0, 22.0
	pw := w - left - rightRoom
	f := &Figure{Name: "skyline", W: w, H: top + 2*half + 40, Says: "the highest elevation hidden to the left and to the right along the lap"}
	f.text(left, 13, begin, "hidden up to, degrees above the horizon").bold = true
	f.rect(stGround, left, top, pw, 2*half)
	mid := top + half
	high := func(el float64) float64 { return half * el / (math.Pi / 2) }
	for _, v := range []float64{30, 60, 90} {
		for _, side := range []float64{-1, 1} {
			y := mid + side*high(v*geodesy.Degree)
			f.line(stGrid, pt{left, y}, pt{left + pw, y})
			if v < 90 {
				f.text(left-5, y+4, end, fmt.Sprintf("%.0f", v))
			}
		}
	}
	n := len(o.Sky)
	step := o.Length / float64(n)
	for p := range o.Sky {
		k := &o.Sky[p]
		if !k.Driven {
			continue
		}
		x := left + pw*float64(p)/float64(n)
		for _, b := range []struct {
			side, el float64
			name     string
		}{{-1, k.Left, "left"}, {1, k.Right, "right"}} {
			h := high(b.el)
			f.rect(stSoft, x, mid+math.Min(0, b.side*h), pw/float64(n), h).tip = fmt.Sprintf("%.0f to %.0f m, %s: hidden up to %.0f degrees", float64(p)*step, float64(p+1)*step, b.name, b.el/geodesy.Degree)
		}
	}
	f.line(stLine, pt{left, mid}, pt{left + pw, mid})
	f.text(left-5, top+10, end, "left")
	f.text(left-5, top+2*half-2, end, "right")
	f.lapAxis(o.Length, left, top+2*half, pw)
	return f
}

// aheadTable is the data of the hours ahead.
func aheadTable(s *day.Session) Table {
	t := Table{Name: "ahead", Header: []string{"from_utc_s", "from_m", "to_m", "ephemerides_share", "foreseen_sats", "foreseen_hdop", "had_sats", "had_hdop"}}
	o := s.Sky
	step := o.Length / float64(len(o.Rows[0]))
	for i := range o.Rows {
		h := had(o, i)
		for p := range o.Rows[i] {
			c := &o.Rows[i][p]
			sats, hdop := math.NaN(), math.NaN()
			if h != nil {
				sats, hdop = h[p].Sats, h[p].HDOP
			}
			t.Rows = append(t.Rows, []string{cell(o.From.UTC()+float64(i)*o.Step, 0), cell(float64(p)*step, 1), cell(float64(p+1)*step, 1), cell(o.Known[i], 3),
				cell(c.Sats, 0), cell(c.HDOP, 3), cell(sats, 2), cell(hdop, 3)})
		}
	}
	return t
}
