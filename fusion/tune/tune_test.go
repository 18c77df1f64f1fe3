package tune

import (
	"bytes"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/rtcm"
)

func TestParseAxis(t *testing.T) {
	for _, r := range []struct {
		in   string
		want []string
	}{
		{"tests.dwell_s=1..5/5", []string{"1", "2", "3", "4", "5"}},
		{"limits.risk=1e-7..1e-3/5log", []string{"1e-07", "1e-06", "1e-05", "0.0001", "0.001"}},
		{"a.b=5..1/3", []string{"5", "3", "1"}},
		{"a.b=0.1, 0.25,7", []string{"0.1", "0.25", "7"}},
		{"a.b=1..1.0000001/3", []string{"1"}},
	} {
		a, err := ParseAxis(r.in)
		if err != nil || !slices.Equal(a.Values, r.want) {
			t.Errorf("%q: %v %v, want %v", r.in, a.Values, err, r.want)
		}
	}
	for _, r := range []struct{ in, want string }{
		{"tests.dwell_s", "no key="},
		{"=1..2/3", "no key="},
		{"k=1..2", "no number of values"},
		{"k=1..2/1", "not 2 to 10000"},
		{"k=1..2/x", "not 2 to 10000"},
		{"k=a..2/3", "are no numbers"},
		{"k=NaN..2/3", "are no numbers"},
		{"k=1..Inf/3", "are no numbers"},
		{"k=2..2/3", "both ends"},
		{"k=0..2/3log", "above 0"},
		{"k=1,x", "is no number"},
	} {
		if _, err := ParseAxis(r.in); err == nil || !strings.Contains(err.Error(), r.want) {
			t.Errorf("%q: %v, want %q", r.in, err, r.want)
		}
	}
}

func TestGrid(t *testing.T) {
	g := Grid{{"a.x", []string{"1", "2", "3"}}, {"b.y", []string{"5", "6"}}}
	if err := g.Check(); err != nil || g.Len() != 6 {
		t.Fatalf("%v, %d settings, want 6", err, g.Len())
	}
	if got := g.Assign(3); !slices.Equal(got, []string{"a.x=2", "b.y=6"}) {
		t.Errorf("setting 3 is %v", got)
	}
	for _, bad := range []Grid{nil, {g[0], g[0]}} {
		if bad.Check() == nil {
			t.Errorf("%v was accepted", bad)
		}
	}
}

// What a decoded recording gives back is what went in, in order, whatever the kinds, and it
// keeps nothing of the caller's.
func TestTape_GivesBack(t *testing.T) {
	e := gnss.Epoch{UTC: 5, Sats: 12}
	f := rtcm.Message{Number: 1077, EpochMs: 9}
	in := []fusion.Measurement{
		{T: 1, Kind: fusion.KindTick, Channel: fusion.ChanTick},
		{T: 2, Kind: fusion.KindIMU, Channel: fusion.ChanIMU, W: [3]float64{1, 2, 3}, F: [3]float64{4, 5, 6}},
		{T: 3, Kind: fusion.KindEpoch, Channel: fusion.ChanNMEA, Epoch: &e},
		{T: 3, Kind: fusion.KindWheel, Channel: fusion.ChanWheel, V: 7},
		{T: 4, Kind: fusion.KindLink, Channel: fusion.ChanCorrections, N: 120},
		{T: 4, Kind: fusion.KindJunk, Channel: fusion.ChanCorrections, N: 3, Reason: uint8(rtcm.BadCRC)},
		{T: 4, Kind: fusion.KindFrame, Channel: fusion.ChanCorrections, Frame: &f},
		{T: 5, Kind: fusion.KindRefused, Channel: fusion.ChanNMEA, Reason: 2, Note: "line"},
		{T: 6, Kind: fusion.KindNote, Channel: fusion.ChanNote, Note: "mark start"},
		{T: 7, Kind: fusion.KindIMU, Channel: fusion.ChanIMU, W: [3]float64{7, 8, 9}},
	}
	var want []fusion.Measurement
	d := &Decoded{}
	for i := range in {
		d.Add(&in[i])
		w := in[i]
		if w.Epoch != nil {
			c := *w.Epoch
			w.Epoch = &c
		}
		if w.Frame != nil {
			c := *w.Frame
			w.Frame = &c
		}
		want = append(want, w)
	}
	e.Sats, f.Number = 0, 0
	for range 2 {
		i := 0
		d.Each(func(m *fusion.Measurement) {
			if !reflect.DeepEqual(*m, want[i]) {
				t.Errorf("measurement %d: %+v, want %+v", i, *m, want[i])
			}
			i++
		})
		if i != len(in) {
			t.Errorf("%d measurements, want %d", i, len(in))
		}
	}
	if from, to := d.Span(); from != 1 || to != 7 {
		t.Errorf("span %g to %g, want 1 to 7", from, to)
	}
}

func TestTape_EachAllocatesNothing(t *testing.T) {
	d := &Decoded{}
	for i := range 100 {
		d.Add(&fusion.Measurement{T: float64(i), Kind: fusion.KindIMU})
		d.Add(&fusion.Measurement{T: float64(i), Kind: fusion.KindEpoch, Epoch: &gnss.Epoch{}})
	}
	n := 0
	// The one allocation is the measurement handed out, whatever the length.
	if a := testing.AllocsPerRun(20, func() { d.Each(func(*fusion.Measurement) { n++ }) }); a > 1 {
		t.Errorf("%g allocations a pass, want at most 1", a)
	}
}

func figures(misleading float64, available float64, delay float64, falses int) Figures {
	return Figures{Recordings: 1, Seconds: 1000, Settled: 1000, SettledGood: 1000 * available, Usable: 1000 * available,
		UsableJudged: 1000 * available, Judged: 1000, Misleading: misleading, Delays: []float64{delay}, FalseAlarms: falses, AlarmHours: 0.5, Each: []float64{available}}
}

func TestRank(t *testing.T) {
	rows := []Ranked{
		{Index: -1, Figures: figures(2, 0.95, 0.5, 1)},          // beaten by 1
		{Index: 0, Figures: figures(0, 0.80, 0.5, 0), Steps: 3}, // nothing beats it: safest
		{Index: 1, Figures: figures(2, 0.96, 0.5, 1), Steps: 1}, // nothing beats it
		{Index: 2, Figures: figures(5, 0.99, 0.5, 1), Steps: 1}, // nothing beats it: most available
		{Index: 3, Figures: figures(5, 0.98, 0.7, 1), Steps: 1}, // beaten by 2
		{Index: 4, Figures: figures(0, 0.80, 0.5, 0), Steps: 2}, // equal to 0, nearer
		{Index: 5, Figures: figures(2, 0.96, 0.5, 1), Steps: 4}, // equal to 1, farther
		{Index: 6, Figures: figures(0, 0.70, 0.1, 0), Steps: 1}, // quickest
	}
	Rank(rows)
	var order []int
	for _, r := range rows {
		order = append(order, r.Index)
	}
	if want := []int{4, 0, 6, 1, 5, 2, -1, 3}; !slices.Equal(order, want) {
		t.Errorf("order %v, want %v", order, want)
	}
	for _, r := range rows {
		if want := r.Index != -1 && r.Index != 3; r.Undominated != want {
			t.Errorf("setting %d: undominated %v, want %v", r.Index, r.Undominated, want)
		}
		if r.Index == -1 && r.By != 1 || r.Index == 3 && r.By != 2 {
			t.Errorf("setting %d beaten by %d", r.Index, r.By)
		}
	}
}

// What was not judged weighs for nobody.
func TestRank_Unjudged(t *testing.T) {
	a, b := figures(0, 0.9, 0, 0), figures(0, 0.8, 0, 0)
	for _, f := range []*Figures{&a, &b} {
		f.Delays, f.AlarmHours, f.Judged, f.UsableJudged = nil, 0, 0, 0
	}
	rows := []Ranked{{Index: 0, Figures: b}, {Index: 1, Figures: a}}
	Rank(rows)
	if rows[0].Index != 1 || rows[1].Undominated {
		t.Errorf("%+v, want the more available one alone in front", rows)
	}
}

func TestFigures(t *testing.T) {
	f := figures(3, 0.9, 0.2, 2)
	g := figures(1, 0.7, 0.1, 0)
	g.Missed = 1
	f.Merge(&g)
	if f.Recordings != 2 || f.Availability() != 0.8 || f.Misleading != 4 || !slices.Equal(f.Delays, []float64{0.1, 0.2}) {
		t.Errorf("merged %+v", f)
	}
	if d := f.DelayP95(); !math.IsInf(d, 1) {
		t.Errorf("p95 with one of three missed: %g, want never", d)
	}
	if r := f.FalseRate(); r != 2 {
		t.Errorf("%g false alarms an hour, want 2", r)
	}
	// 0 of 0: no claim.
	var none Figures
	b := none.Bounds()
	for _, v := range []float64{b.Runs, b.False, b.Missed, none.DelayP95(), none.FalseRate()} {
		if !math.IsNaN(v) {
			t.Errorf("a claim from nothing: %+v", b)
		}
	}
	// No event in 1000 s: 2.995732/h·3600/1000, Garwood (1936).
	clean := figures(0, 1, 0.1, 0)
	if got := clean.Bounds().Runs; math.Abs(got-2.995732*3.6) > 1e-5 {
		t.Errorf("bound %g runs an hour, want %g", got, 2.995732*3.6)
	}
}

func TestCompare(t *testing.T) {
	a, b := figures(0, 0.9, 0.1, 0), figures(0, 0.9, 0.1, 0)
	b.Runs, b.FalseAlarms = 1, 1
	if n := Compare(&a, &b); n.BeyondChance() {
		t.Errorf("one event against none: %+v is called beyond chance", n)
	}
	b.Runs = 12
	if n := Compare(&a, &b); !n.BeyondChance() || n.Misleading > 1e-3 {
		t.Errorf("12 runs against none in equal time: %+v is called chance", n)
	}
	a.Each = []float64{0.99, 0.98, 0.97, 0.99, 0.98, 0.97}
	b = figures(0, 0.9, 0.1, 0)
	b.Each = []float64{0.91, 0.90, 0.89, 0.92, 0.88, 0.90}
	if n := Compare(&a, &b); !n.BeyondChance() {
		t.Errorf("availability of 6 recordings 8 %% apart: %+v is called chance", n)
	}
}

func TestResultsRoundTrip(t *testing.T) {
	p := &Plan{Grid: Grid{{"a.x", []string{"1", "2", "3"}}}, Sources: []Source{{Name: "one", Sum: "s"}, {Name: "two"}}}
	var b bytes.Buffer
	if err := WritePlan(&b, p); err != nil {
		t.Fatal(err)
	}
	var in []Outcome
	for s := -1; s < 3; s++ {
		for r := range 2 {
			o := Outcome{Cell{s, r}, figures(float64(s), 0.9, 0.1, r)}
			in = append(in, o)
			if err := o.Write(&b); err != nil {
				t.Fatal(err)
			}
		}
	}
	whole := b.Len()
	// A power cut in the middle of a line.
	b.WriteString(`{"i":2,"r":1,"f":{"recor`)
	var out []Outcome
	q, good, err := ReadResults("mem", bytes.NewReader(b.Bytes()), func(o *Outcome) { out = append(out, *o) })
	if err != nil || good != int64(whole) || !p.Same(q) || !reflect.DeepEqual(in, out) {
		t.Errorf("read back %d outcomes, %d of %d bytes, %v", len(out), good, whole, err)
	}
	q.Sources[0].Name = "elsewhere"
	if !p.Same(q) {
		t.Error("the same recording under another name is another sweep")
	}
	q.Grid[0].Values[1] = "2.5"
	if p.Same(q) {
		t.Error("other values are the same sweep")
	}
	for _, r := range []struct{ in, want string }{
		{"", "is empty"},
		{"{}\n", "no plan"},
		{"{\"kerbline\":\"tune\",\"vary\":[],\"recordings\":[]}\n{\"i\":5,\"r\":0}\n", "line 2"},
		{"{\"kerbline\":\"tune\"}\nxx\n", "line 2"},
	} {
		if _, _, err := ReadResults("mem", strings.NewReader(r.in), func(*Outcome) {}); err == nil || !strings.Contains(err.Error(), r.want) {
			t.Errorf("%q: %v, want %q", r.in, err, r.want)
		}
	}
}

// However a sweep is spread, each setting is done once.
func TestShard(t *testing.T) {
	for n := 1; n <= 5; n++ {
		count := map[int]int{}
		for i := 1; i <= n; i++ {
			for s := -1; s < 20; s++ {
				if (Shard{i, n}).Has(s) {
					count[s]++
				}
			}
		}
		for s := -1; s < 20; s++ {
			if count[s] != 1 {
				t.Errorf("setting %d is done %d times in %d parts", s, count[s], n)
			}
		}
	}
	if h, err := ParseShard("2/5"); err != nil || h != (Shard{2, 5}) {
		t.Errorf("%v %v", h, err)
	}
	for _, bad := range []string{"", "0/5", "6/5", "1/0", "x", "1/2/3", "1/2 x"} {
		if _, err := ParseShard(bad); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}

// Rows do not depend on the order in which outcomes came.
func TestGather_AnyOrder(t *testing.T) {
	p := &Plan{Grid: Grid{{"a.x", []string{"1", "2", "3"}}}, Sources: make([]Source, 3)}
	var all []Outcome
	for s := -1; s < 3; s++ {
		for r := range 3 {
			all = append(all, Outcome{Cell{s, r}, figures(0.1*float64(s*r), 0.3+0.1*float64(r), 0.1, r)})
		}
	}
	steps := func(s int) float64 { return float64(s + 1) }
	want, missing := Gather(p, all, steps)
	if missing != 0 || len(want) != 4 {
		t.Fatalf("%d rows, %d missing", len(want), missing)
	}
	slices.Reverse(all)
	if got, _ := Gather(p, all, steps); !reflect.DeepEqual(got, want) {
		t.Error("another order of outcomes gives other rows")
	}
	rows, missing := Gather(p, all[1:], steps)
	if missing != 1 || len(rows) != 3 {
		t.Errorf("with one outcome missing: %d rows and %d missing, want 3 and 1", len(rows), missing)
	}
}
