package report

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
)

// The report shows the vector of a refuted fix over time, as a figure and as a table:
// what was put in, while it was there.
func TestRefuted(t *testing.T) {
	s := fixtures.Standard("nominal", 5)
	s.Duration = 110
	s.Observe = signals.Config{Rate: 1, Second: "L5", Still: 0.3, Moving: 0.3, EphEvery: 20, EphOnLink: true}
	s.Faults = faults.Set{{Kind: faults.Jump, From: -1, To: 80, Size: 0.9, Dir: [3]float64{1, 0, 0}}}
	r := replay(t, s)
	p := r.page(t)
	var html bytes.Buffer
	if err := p.Write(&html); err != nil {
		t.Fatal(err)
	}
	f := p.Sheets[0].Wide["refuted"]
	if f == nil || len(f.ops) < 12 || !strings.Contains(html.String(), "Refuted fixes") || !strings.Contains(html.String(), "only a check mark") {
		t.Fatalf("no figure of the refuted fix: %v", f)
	}
	n := 0
	if err := p.EachTable(func(name string, tab *Table) error {
		if name != "refuted" {
			return nil
		}
		for _, row := range tab.Rows {
			x, _ := strconv.ParseFloat(row[0], 64)
			e, _ := strconv.ParseFloat(row[2], 64)
			no, _ := strconv.ParseFloat(row[3], 64)
			if math.Hypot(e-0.9, no) > 0.1 || x > 84 {
				t.Errorf("at %.1f s: %.2f east, %.2f north", x, e, no)
			}
			n++
		}
		return nil
	}); err != nil || n < 60 {
		t.Errorf("%d rows, %v", n, err)
	}
	// Without one there is neither.
	if f := refutedFigure(fixture(t).session, wideW); f != nil {
		t.Error("a figure of refuted fixes without one")
	}
}
