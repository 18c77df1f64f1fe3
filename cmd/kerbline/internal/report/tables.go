package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"kerbline/fusion"
	"kerbline/fusion/day"
	"kerbline/fusion/score"
	"kerbline/fusion/words"
	"kerbline/gnss/corrections"
)

// Table is the data behind a figure. Units stand in the header; an unknown
// number is an empty field.
type Table struct {
	Name   string // of its file: "series"
	Header []string
	Rows   [][]string
}

// WriteCSV writes the table with its header.
func (t *Table) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	if err := c.Write(t.Header); err != nil {
		return err
	}
	return c.WriteAll(t.Rows) // flushes
}

func cell(v float64, dec int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', dec, 64)
}

// tables returns the data of every figure of a session and the criteria of c.
// Times are Unix s UTC (utc_s) and s after the first verdict line (x_s).
func tables(s *day.Session, c *day.Check) []Table {
	ts := []Table{series(s), places(s), laps(s), breaks(s), jumps(s), outages(s), events(s), track(s), criteria(c)}
	if s.Sky != nil {
		ts = append(ts, aheadTable(s))
	}
	if len(s.Refuted) > 0 {
		ts = append(ts, refuted(s))
	}
	if s.Score != nil {
		ts = append(ts, diagrams(s))
	}
	return ts
}

// quantities are the columns of each figure over time, and their decimals.
var quantities = [day.NumQuantities]struct {
	name string
	dec  int
}{
	{"pl_lat_m", 4}, {"al_lat_m", 4}, {"error_lat_m", 4}, {"pl_lon_m", 4}, {"al_lon_m", 4}, {"error_lon_m", 4},
	{"pl_yaw_rad", 4}, {"al_yaw_rad", 4}, {"error_yaw_rad", 4},
	{"age_s", 3}, {"sats", 0}, {"cn0_dbhz", 1}, {"speed_mps", 4}, {"speed_cap_mps", 4}, {"coast_s", 3},
}

// series is what the figures over time show, a row a step.
func series(s *day.Session) Table {
	t := Table{Name: "series", Header: []string{"x_s", "utc_s", "step_s"}}
	for _, v := range [...]fusion.Verdict{fusion.Usable, fusion.Coasting, fusion.Unproven, fusion.Unusable} {
		t.Header = append(t.Header, v.String()+"_s")
	}
	for q := range day.NumClasses {
		t.Header = append(t.Header, "quality_"+q.String()+"_s")
	}
	for c := corrections.Untapped; c <= corrections.Silent; c++ {
		t.Header = append(t.Header, "link_"+c.String()+"_s")
	}
	for _, q := range quantities {
		t.Header = append(t.Header, "min_"+q.name, "max_"+q.name)
	}
	for i := range s.Series.Bins {
		b := &s.Series.Bins[i]
		x := float64(i) * s.Series.Step
		row := []string{cell(x, 3), cell(s.UTC(x), 3), cell(s.Series.Step, 3)}
		for _, v := range [...]fusion.Verdict{fusion.Usable, fusion.Coasting, fusion.Unproven, fusion.Unusable} {
			row = append(row, cell(b.Verdict[v], 4))
		}
		for _, v := range slices.Concat(b.Quality[:], b.Link[:]) {
			row = append(row, cell(v, 4))
		}
		for i, q := range quantities {
			row = append(row, cell(b.Of[i].Lo(), q.dec), cell(b.Of[i].Hi(), q.dec))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// places is what the map shows.
func places(s *day.Session) Table {
	t := Table{Name: "places", Header: []string{"from_m", "to_m", "passes", "usable_passes", "usable_s", "coasting_s", "unproven_s", "unusable_s", "fixed_s",
		"pl_share_lateral", "pl_share_along", "pl_share_heading", "min_speed_cap_mps", "max_speed_mps", "min_coast_s"}}
	for i := range s.Lap.Places {
		p := &s.Lap.Places[i]
		t.Rows = append(t.Rows, []string{cell(float64(i)*s.Lap.Step, 2), cell(float64(i+1)*s.Lap.Step, 2), strconv.Itoa(p.Passes), strconv.Itoa(p.Good),
			cell(p.Sec[fusion.Usable], 3), cell(p.Sec[fusion.Coasting], 3), cell(p.Sec[fusion.Unproven], 3), cell(p.Sec[fusion.Unusable], 3), cell(p.Fixed, 3),
			cell(p.Ratio[score.Lateral].Value(), 4), cell(p.Ratio[score.Along].Value(), 4), cell(p.Ratio[score.Heading].Value(), 4),
			cell(p.Cap.Lo(), 3), cell(p.Speed.Hi(), 3), cell(p.Budget.Lo(), 3)})
	}
	return t
}

// laps is what the rows of the lap figure show: a cell a place, with the rank
// of its worst verdict (1 usable, 2 coasting, 3 unproven, 4 unusable, 0 not driven).
func laps(s *day.Session) Table {
	t := Table{Name: "laps", Header: []string{"lap", "from_x_s", "to_x_s", "from_utc_s", "whole", "settled", "usable_share", "max_speed_mps", "shift_east_m", "shift_north_m", "worst_by_place"}}
	for i := range s.Lap.Laps {
		l := &s.Lap.Laps[i]
		cells := make([]byte, len(l.Cells))
		for k, c := range l.Cells {
			cells[k] = '0' + c
		}
		t.Rows = append(t.Rows, []string{strconv.Itoa(i + 1), cell(l.From, 3), cell(l.To, 3), cell(s.UTC(l.From), 3), strconv.FormatBool(l.Whole), strconv.FormatBool(l.Settled),
			cell(l.Usable(), 4), cell(l.Speed, 3), cell(l.ShiftE, 4), cell(l.ShiftN, 4), string(cells)})
	}
	return t
}

func breaks(s *day.Session) Table {
	t := Table{Name: "breaks", Header: []string{"number", "from_x_s", "to_x_s", "from_utc_s", "driving_lost_s", "where_m", "coast_budget_s", "handed_over_x_s", "cause", "reason", "countdown_said_s", "countdown_ended_x_s", "why_ended"}}
	for i := range s.Breaks {
		b := &s.Breaks[i]
		t.Rows = append(t.Rows, []string{strconv.Itoa(i + 1), cell(b.From, 3), cell(b.To, 3), cell(s.UTC(b.From), 3), cell(b.Lost, 3), cell(b.Where, 1), cell(b.Coast, 3), cell(b.Handover, 3), b.Cause, b.Reason, cell(b.Said, 3), cell(b.Ended, 3), b.Why})
	}
	return t
}

func jumps(s *day.Session) Table {
	t := Table{Name: "jumps", Header: []string{"x_s", "utc_s", "size_m", "where_m", "back"}}
	for i := range s.Jumps {
		j := &s.Jumps[i]
		t.Rows = append(t.Rows, []string{cell(j.X, 3), cell(s.UTC(j.X), 3), cell(j.Size, 4), cell(j.Where, 1), strconv.FormatBool(j.Back)})
	}
	return t
}

func outages(s *day.Session) Table {
	t := Table{Name: "outages", Header: []string{"number", "from_x_s", "to_x_s", "from_utc_s", "cause", "where_m", "detail"}}
	for i := range s.Outages {
		o := &s.Outages[i]
		t.Rows = append(t.Rows, []string{strconv.Itoa(i + 1), cell(o.From, 3), cell(o.To, 3), cell(s.UTC(o.From), 3), o.Cause, cell(o.Where, 1), o.Detail})
	}
	return t
}

func events(s *day.Session) Table {
	t := Table{Name: "events", Header: []string{"x_s", "utc_s", "kind", "size", "size_unit", "where_m", "detail"}}
	for i := range s.Events {
		e := &s.Events[i]
		t.Rows = append(t.Rows, []string{cell(e.X, 3), cell(s.UTC(e.X), 3), string(e.Kind), cell(e.Size, 4), words.EventUnit(e.Kind), cell(e.Where, 1), e.Detail})
	}
	return t
}

// track is the driven line in m east and north of its first point.
func track(s *day.Session) Table {
	t := Table{Name: "track", Header: []string{"x_s", "east_m", "north_m", "verdict", "begins"}}
	for i := range s.Track.Points {
		p := &s.Track.Points[i]
		t.Rows = append(t.Rows, []string{cell(p.X, 3), cell(p.E, 3), cell(p.N, 3), fusion.Verdict(p.Verdict).String(), strconv.FormatBool(p.Cut)})
	}
	return t
}

func criteria(c *day.Check) Table {
	t := Table{Name: "criteria", Header: []string{"key", "name", "value", "limit", "limit_kind", "unit", "state", "effect", "sure"}}
	for i := range c.Rows {
		r := &c.Rows[i]
		kind := "most"
		if r.Least {
			kind = "least"
		}
		t.Rows = append(t.Rows, []string{r.Key, r.Name, cell(r.Value, 6), cell(r.Limit, 6), kind, r.Unit, r.State.String(), r.Effect.String(), r.Sure})
	}
	return t
}

// diagrams is the integrity diagrams: a row a cell that is not empty, by the
// lower edges of its error and protection level as shares of the alert limit.
func diagrams(s *day.Session) Table {
	t := Table{Name: "integrity", Header: []string{"axis", "error_share_from", "pl_share_from", "lines"}}
	const side = 2.0 / score.DiagramCells
	for a := range s.Score.Axes {
		d := &s.Score.Axes[a].Diagram
		for i := range d.Cells {
			for j, n := range d.Cells[i] {
				if n > 0 {
					t.Rows = append(t.Rows, []string{score.Axis(a).String(), cell(float64(i)*side, 5), cell(float64(j)*side, 5), fmt.Sprint(n)})
				}
			}
		}
	}
	return t
}
