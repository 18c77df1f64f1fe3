package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/day"
)

// What is enlarged follows from the lines that replay writes: the ellipses' axes are
// 2.4477 of their sigmas (the 95 % quantile of chi-square with 2 degrees of freedom
// is 5.9915, any table), the look of each is the verdict.
func TestEnlarged_Reproduced(t *testing.T) {
	r := fixture(t)
	s := r.page(t).Sheets[0]
	if len(s.Pieces) != len(r.session.Lap.Laps) {
		t.Errorf("%d pieces of %d laps", len(s.Pieces), len(r.session.Lap.Laps))
	}
	tip := regexp.MustCompile(`^(\w+), .*: 95 % within ([0-9.]+) m along, ([0-9.]+) m across$`)
	k := math.Sqrt(5.9915)
	n := 0
	for i := range s.Pieces {
		p := &s.Pieces[i]
		for j := range p.Figures[0].ops {
			m := tip.FindStringSubmatch(p.Figures[0].ops[j].tip)
			if m == nil {
				continue
			}
			n++
			along, _ := strconv.ParseFloat(m[2], 64)
			across, _ := strconv.ParseFloat(m[3], 64)
			found := false
			for v := range r.verdicts {
				l := &r.verdicts[v]
				x := float64(l.T - r.verdicts[0].T)
				if x >= p.From-0.01 && x <= p.To+0.01 && l.Verdict == m[1] && math.Abs(k*float64(l.SigmaLon)-along) < 0.001 && math.Abs(k*float64(l.SigmaLat)-across) < 0.001 {
					found = true
					break
				}
			}
			if !found {
				t.Errorf("%s: no line has an ellipse of %s", p.Title, m[0])
			}
		}
	}
	if n < 10*len(s.Pieces) {
		t.Errorf("%d ellipses in %d pieces", n, len(s.Pieces))
	}
}

// The piece with the most time lost is shown where nobody asked, else what was asked
// for; without a map minutes stand for laps.
func TestEnlarged_Chosen(t *testing.T) {
	r := fixture(t)
	chosen := func(in Input) (list []*Piece, all int) {
		p, err := New([]Input{in}, day.Ask{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range p.Sheets[0].Pieces {
			if q := &p.Sheets[0].Pieces[i]; q.Chosen {
				list = append(list, q)
			}
		}
		return list, len(p.Sheets[0].Pieces)
	}
	in := r.input(t)
	got, _ := chosen(in)
	if len(got) != 1 {
		t.Fatalf("%d pieces chosen", len(got))
	}
	most := lost(r.session, got[0].From, got[0].To)
	for i := range r.session.Lap.Laps {
		if l := &r.session.Lap.Laps[i]; lost(r.session, l.From, l.To) > most {
			t.Errorf("lap %d lost more than what is enlarged", i+1)
		}
	}
	lap := &r.session.Lap.Laps[1]
	in.Part = &Part{Text: "lap 2", From: lap.From + 0.1, To: lap.To - 0.1}
	if got, _ = chosen(in); len(got) != 1 || !strings.HasPrefix(got[0].Title, "lap 2: ") {
		t.Errorf("asked for lap 2: %+v", got)
	}
	in.Part = &Part{Text: "60 to 73", From: 60, To: 73}
	if got, _ = chosen(in); len(got) != 1 || !strings.HasPrefix(got[0].Title, "60 to 73: ") || len(got[0].Figures) != 3 {
		t.Errorf("asked for 13 s: %+v", got)
	}
	in = r.input(t)
	s := *r.session
	s.Lap = day.LapGrid{}
	in.Session, in.Course = &s, nil
	if got, n := chosen(in); len(got) != 1 || !strings.HasPrefix(got[0].Title, "minute ") || n != int(math.Ceil(s.Length/60)) {
		t.Errorf("without a map %d pieces: %+v", n, got)
	}
	in.Trace = nil
	if got, n := chosen(in); n != 0 || len(got) != 0 {
		t.Error("enlarged without a trace")
	}
}

// A session longer than a trace can hold is thinned evenly.
func TestTrace_Long(t *testing.T) {
	var tr Trace
	s := fusion.Snapshot{T: 1e9}
	const n = maxMoments*2 + 10
	for range n {
		s.T += 0.1
		tr.Add(&s)
	}
	if len(tr.Moments) > maxMoments || len(tr.Moments) < maxMoments/2 {
		t.Fatalf("%d moments", len(tr.Moments))
	}
	step := tr.Moments[1].X - tr.Moments[0].X
	for i := 1; i < len(tr.Moments); i++ {
		if d := tr.Moments[i].X - tr.Moments[i-1].X; math.Abs(d-step) > 1e-3 {
			t.Fatalf("a step of %g s among steps of %g s at %d", d, step, i)
		}
	}
	if last := tr.Moments[len(tr.Moments)-1].X; math.Abs(last-(n-1)*0.1) > 2*step {
		t.Errorf("it ends at %g s of %g", last, (n-1)*0.1)
	}
}

// Local time has a row of its own below the axis where the settings name a zone.
func TestLocalTime(t *testing.T) {
	s := fixtures.Standard("nominal", 3)
	s.Duration = 70
	r := replay(t, s)
	r.settings.TimeZone = "Asia/Kathmandu" // 5 h 45 min ahead
	r.session.Config = &r.settings.Config
	page := markup(t, r.page(t))
	zone := r.settings.Zone()
	for _, want := range []string{">UTC</text>", ">UTC+5:45</text>", fmt.Sprintf("(%s UTC+5:45)", zone.At(r.session.UTCStart).Format("15:04:05")), `data-ahead="20700"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
}
