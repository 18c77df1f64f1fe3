package score

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/integrity"
	"kerbline/gnss/geodesy"
)

var origin = geodesy.LLA{Lat: 48 * geodesy.Degree, Lon: 11 * geodesy.Degree, H: 400}

const t0 = 1_700_000_000.0

// circle is the truth of a constant turn: 10 m/s, 0.5 rad/s, radius 20 m.
func circle(t *testing.T, seconds, step float64) *Truth {
	t.Helper()
	tr := NewTruth(origin)
	f := geodesy.NewFrame(origin)
	for i := 0; float64(i)*step <= seconds; i++ {
		x := float64(i) * step
		p := f.ToLLA(geodesy.ENU{E: 20 * math.Sin(0.5*x), N: 20 * (1 - math.Cos(0.5*x))})
		if err := tr.Add(t0+x, p, wrap(0.5*x), 0); err != nil {
			t.Fatal(err)
		}
	}
	return tr
}

// Exact circle (v 10 m/s, turn 0.5 rad/s): the parabola's slope at the samples is
// short by v(wh)^2/6 = 4.2 mm/s, which the cubic turns into at most
// h·0.096·4.2 mm/s = 0.04 mm between samples h = 0.1 s apart.
func TestTruthAt_Circle(t *testing.T) {
	tr := circle(t, 20, 0.1)
	hint := 0
	for x := 0.2; x < 19.8; x += 0.037 {
		p, ok := tr.At(t0+x, &hint)
		if !ok {
			t.Fatalf("no reference at %.3f s", x)
		}
		e, n := 20*math.Sin(0.5*x), 20*(1-math.Cos(0.5*x))
		if d := math.Hypot(p.Pos.E-e, p.Pos.N-n); d > 5e-5 {
			t.Errorf("at %.3f s: %.2g m off", x, d)
		}
		if d := math.Hypot(p.Vel.E-10*math.Cos(0.5*x), p.Vel.N-10*math.Sin(0.5*x)); d > 0.01 {
			t.Errorf("at %.3f s: velocity %.2g m/s off", x, d)
		}
		if d := math.Abs(wrap(p.Yaw - 0.5*x)); d > 1e-6 {
			t.Errorf("at %.3f s: heading %.2g rad off", x, d)
		}
	}
	if _, ok := tr.At(t0-0.01, &hint); ok {
		t.Error("a reference before its first sample")
	}
	if _, ok := tr.At(math.NaN(), &hint); ok {
		t.Error("a reference at NaN")
	}
	// Back in time with a stale cursor.
	if p, ok := tr.At(t0+1, &hint); !ok || math.Hypot(p.Pos.E-20*math.Sin(0.5), p.Pos.N-20*(1-math.Cos(0.5))) > 1e-5 {
		t.Errorf("back in time: %v %v", p, ok)
	}
}

func TestTruthAt_NothingInGaps(t *testing.T) {
	tr := NewTruth(origin)
	for i := range 100 {
		x := float64(i) * 0.1
		if i >= 50 {
			x += 3
		}
		if err := tr.Add(t0+x, origin, math.NaN(), 0); err != nil {
			t.Fatal(err)
		}
	}
	hint := 0
	if _, ok := tr.At(t0+6, &hint); ok {
		t.Error("interpolated over a gap of 3 s in a 10 Hz reference")
	}
	if p, ok := tr.At(t0+9, &hint); !ok || !math.IsNaN(p.Yaw) {
		t.Errorf("after the gap: %v %v, want a pose without heading", p, ok)
	}
}

// A clock that stepped back from 13 to 11 s: what is between came twice and is left out.
func TestReadTruth_ClockSteppedBack(t *testing.T) {
	var b strings.Builder
	b.WriteString("t,lat,lon,h\n")
	for x := 0.0; x < 13; x += 0.5 {
		fmt.Fprintf(&b, "%.1f,48,11,400\n", 1000+x)
	}
	for x := 11.0; x < 20; x += 0.5 {
		fmt.Fprintf(&b, "%.1f,48,11,401\n", 1000+x)
	}
	tr, err := ReadTruth(strings.NewReader(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	hint := 0
	for _, r := range []struct {
		x  float64
		ok bool
		u  float64
	}{{10, true, 0}, {12, false, 0}, {14, true, 1}} {
		if p, ok := tr.At(1000+r.x, &hint); ok != r.ok || ok && math.Abs(p.Pos.U-r.u) > 1e-6 {
			t.Errorf("at %g s: %+v %v, want %v %g m up", r.x, p, ok, r.ok, r.u)
		}
	}
}

func TestReadTruth(t *testing.T) {
	tr, err := ReadTruth(strings.NewReader("t,h,lat,lon,dist,yaw\n1700000000.0,400,48,11,0,0.5\n1700000000.1,400,48.00001,11,1,0.6\n"))
	if err != nil {
		t.Fatal(err)
	}
	hint := 0
	p, ok := tr.At(1700000000.1, &hint)
	if !ok || math.Abs(p.Pos.N-1.112) > 0.001 || p.Yaw != 0.6 {
		t.Errorf("second sample: %+v %v", p, ok)
	}
	for _, r := range []struct{ in, want string }{
		{"", "header"},
		{"t,lat,lon\n", `no column "h"`},
		{"t,lat,lon,h\n1,2,3,x\n", `line 2: "x"`},
		{"t,lat,lon,h\n1,2,3,4\n1,2,3,4\n", "fewer than two"},
		{"t,lat,lon,h\n1,200,3,4\n", "line 2"},
		{"t,lat,lon,h\n1,NaN,3,4\n", "line 2"},
		{"t,lat,lon,h\n1,2,3\n", "line 2"},
		{"t,lat,lon,h\n1,2,3,4\n", "fewer than two"},
	} {
		if _, err := ReadTruth(strings.NewReader(r.in)); err == nil || !strings.Contains(err.Error(), r.want) {
			t.Errorf("%q: error %v, want %q", r.in, err, r.want)
		}
	}
}

func TestLabelsRoundTrip(t *testing.T) {
	in := &Labels{HostMinusUTC: 0.5, Faults: []Label{
		{Kind: "link_silent", From: t0 + 10, To: t0 + 20, Size: math.NaN()},
		{Kind: "jump", From: t0 + 30, To: t0 + 40, Size: 0.25, Dir: [3]float64{0, 1, 0}, Until: t0 + 40},
		{Kind: "base_restarted", From: t0 + 50, To: t0 + 60, Size: 1, Dir: [3]float64{1, 0, 0}, Until: t0 + 90},
	}}
	var b bytes.Buffer
	if err := in.Write(&b, t0); err != nil {
		t.Fatal(err)
	}
	out, err := ReadLabels(&b)
	if err != nil {
		t.Fatal(err)
	}
	if out.HostMinusUTC != 0.5 || len(out.Faults) != 3 || !math.IsNaN(out.Faults[0].Size) || out.Faults[1] != in.Faults[1] || out.Faults[2] != in.Faults[2] {
		t.Errorf("read back %+v", out)
	}
	// The base is off only once it is back.
	for _, r := range []struct{ at, want float64 }{{55, 0}, {65, 1}, {95, 0}} {
		if e, _ := out.Faults[2].offset(t0 + r.at); e != r.want {
			t.Errorf("restarted base at %g s: %g m east, want %g", r.at, e, r.want)
		}
	}
	for _, bad := range []string{"", "{}", `{"start_unix":1,"faults":[{"kind":"jump","from":1}]}`, `{"start_unix":1,"faults":[{"kind":"jump","from":2,"to":1}]}`} {
		if _, err := ReadLabels(strings.NewReader(bad)); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
	if l, err := ReadLabels(strings.NewReader(`{"start_unix":1,"host_minus_utc_s":0,"faults":[]}`)); err != nil || l == nil || len(l.Faults) != 0 {
		t.Errorf("a recording without faults: %v %v", l, err)
	}
}

// run feeds a drive along the circle of truth whose position is off to the left
// by lateral(t); verdict decides the verdict. 10 Hz, limits 0.5 and 1 m.
type run struct {
	s    *Scorer
	snap fusion.Snapshot
	f    geodesy.Frame
}

func newRun(truth *Truth, labels *Labels) *run {
	return &run{s: New(truth, labels), f: geodesy.NewFrame(origin)}
}

func (r *run) line(x, lateral float64, v fusion.Verdict, events ...fusion.Event) {
	yaw := 0.5 * x
	e, n := 20*math.Sin(0.5*x), 20*(1-math.Cos(0.5*x))
	s := &r.snap
	s.T, s.Verdict, s.HasPos = t0+x, v, true
	s.Pos = r.f.ToLLA(geodesy.ENU{E: e - lateral*math.Sin(yaw), N: n + lateral*math.Cos(yaw)})
	s.Yaw, s.Speed, s.Vel = wrap(yaw+0.001), 10, geodesy.ENU{E: 10 * math.Cos(yaw), N: 10 * math.Sin(yaw)}
	s.PLLat, s.PLLon, s.PLYaw = fusion.PL{Total: 0.2}, fusion.PL{Total: 0.3}, fusion.PL{Total: 0.02}
	s.ALLat, s.ALLon, s.ALYaw = 0.5, 1, 3*geodesy.Degree
	s.HostMinusUTC = 0
	s.Epoch.UTC = t0 + x - 0.08
	r.s.Add(s, events)
}

func close(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %g, want %g ± %g", what, got, want, tol)
	}
}

func TestScorer_AgainstTruth(t *testing.T) {
	r := newRun(circle(t, 100, 0.1), nil)
	for i := range 1000 {
		x := float64(i) * 0.1
		lat, v := 0.1, fusion.Usable
		switch {
		case i < 50:
			v = fusion.Unproven
		case i >= 500 && i < 510: // beyond the protection level, within the limit
			lat = 0.3
		case i >= 600 && i < 605: // misleading for 0.5 s
			lat = 0.7
		case i >= 612 && i < 615: // the same run goes on within 2 s
			lat = -0.7
		case i >= 700 && i < 720: // beyond the limit, but said so
			lat, v = 0.8, fusion.Unusable
		case i >= 800 && i < 810:
			v = fusion.Coasting
		}
		r.line(x, lat, v)
	}
	got := r.s.Result()
	close(t, "usable s", got.Seconds[fusion.Usable], 92, 1e-6)
	close(t, "unproven s", got.Seconds[fusion.Unproven], 5, 1e-6)
	close(t, "coasting s", got.Seconds[fusion.Coasting], 1, 1e-6)
	close(t, "availability", got.Availability(), 0.92, 1e-9)
	close(t, "first usable s after moving off", got.FirstUsable, 5, 0.2)
	close(t, "driving availability", got.DrivingAvailability(), 77.0/80, 2e-3)
	close(t, "misleading s", got.MisleadingSeconds, 0.8, 1e-6)
	if got.MisleadingLines != 8 || got.MisleadingRuns != 1 {
		t.Errorf("misleading: %d lines in %d runs, want 8 in 1", got.MisleadingLines, got.MisleadingRuns)
	}
	close(t, "longest run", got.LongestMisleading, 1.5, 1e-6)
	close(t, "worst beyond the limit", got.WorstMisleading, 0.2, 1e-3)
	lat := &got.Axes[Lateral]
	if lat.Lines != 930 || lat.Bounded != 930-18 {
		t.Errorf("lateral bounded %d of %d, want 912 of 930", lat.Bounded, lat.Lines)
	}
	if r := lat.Diagram.Regions; r[integrity.Misleading] != 10 || r[integrity.Hazardous] != 28 || r[integrity.Nominal] != 962 {
		t.Errorf("regions %v, want 962 nominal, 10 misleading, 28 hazardous", r)
	}
	close(t, "median level", lat.MedianPL(), 0.2, 0.002)
	close(t, "median ratio", lat.MedianRatio(), 2, 0.03)
	close(t, "heading rms", got.YawRMS(), 0.001, 1e-5)
	// 0.1 m throughout but for 10 lines of 0.3, 8 of 0.7, 20 of 0.8 m.
	close(t, "horizontal rms", got.HorizontalRMS(), math.Sqrt((962*0.01+10*0.09+8*0.49+20*0.64)/1000), 1e-3)
	// Asking twice changes nothing.
	if again := r.s.Result(); again.Seconds != got.Seconds || again.MisleadingSeconds != got.MisleadingSeconds {
		t.Error("a second Result differs")
	}
}

// A position that lags 0.7 m along the track is within the limit along (1 m),
// the same across it is not: the split is by the direction of the map first.
func TestScorer_SplitsAlongTheMap(t *testing.T) {
	r := newRun(circle(t, 40, 0.1), nil)
	for i := range 300 {
		x := float64(i) * 0.1
		r.snap.HasCourse, r.snap.CourseYaw = true, 0.5*x+math.Pi/2
		r.line(x, 0.7, fusion.Usable)
	}
	if got := r.s.Result(); got.MisleadingLines != 0 {
		t.Errorf("%d misleading lines, want 0: the shift is along the map", got.MisleadingLines)
	}
}

func TestScorer_UnknownNeverVouches(t *testing.T) {
	r := newRun(circle(t, 40, 0.1), nil)
	r.line(1, 0.1, fusion.Usable)
	r.snap.T = t0 + 1.1
	r.snap.PLLat.Total, r.snap.ALLat = math.NaN(), math.NaN()
	r.s.Add(&r.snap, nil)
	got := r.s.Result()
	if a := got.Axes[Lateral]; a.Bounded != 1 || a.Lines != 2 {
		t.Errorf("bounded %d of %d with an unknown protection level, want 1 of 2", a.Bounded, a.Lines)
	}
	if got.MisleadingLines != 1 {
		t.Errorf("%d misleading lines, want 1: usable with an unknown limit", got.MisleadingLines)
	}
}

func labelled(faults ...Label) *Labels {
	for i := range faults {
		faults[i].From += t0
		faults[i].To += t0
	}
	return &Labels{Faults: faults}
}

func jumpEvent(x, size float64) fusion.Event {
	return fusion.Event{T: t0 + x, End: math.NaN(), Kind: fusion.EventJump, Size: size}
}

func TestScorer_Faults(t *testing.T) {
	left := [3]float64{0, 1, 0}
	labels := labelled(
		Label{Kind: "jump", From: 30.05, To: 35, Size: 1, Dir: left},      // alarmed at once
		Label{Kind: "wrong_fix", From: 50.05, To: 55, Size: 2, Dir: left}, // usable for 1.2 s more
		Label{Kind: "jump", From: 60.05, To: 65, Size: 0.05, Dir: left},   // missed
		Label{Kind: "jump", From: 70.05, To: 75, Size: 1, Dir: left},      // while already unusable
		Label{Kind: "link_silent", From: 80, To: 90, Size: math.NaN()},
	)
	r := newRun(nil, labels)
	for i := range 1300 {
		x := float64(i) * 0.1
		v := fusion.Usable
		var ev []fusion.Event
		switch {
		case i == 302: // first line whose epoch (0.08 s old) is past 30.05 s
			ev, v = append(ev, jumpEvent(x, 1)), fusion.Unusable
		case i > 302 && i < 352, i >= 514 && i < 560, i >= 690 && i < 760:
			v = fusion.Unusable
		case i == 200, i == 1250:
			ev = append(ev, jumpEvent(x, 0.2)) // nothing near: false
		case i == 851:
			ev = append(ev, fusion.Event{T: t0 + 83, End: t0 + 85, Kind: fusion.EventOutage, Cause: "link_silent"})
		case i == 1100: // within 30 s of the outage's end: a new fix
			ev = append(ev, jumpEvent(x, 0.3))
		}
		r.line(x, 0, v, ev...)
	}
	got := r.s.Result()
	want := []struct {
		by              string
		delay           float64
		already, missed bool
	}{
		{"jump", 0, false, false},
		{"unusable", 1.2, false, false},
		{"", math.NaN(), false, true},
		{"unusable", math.NaN(), true, false},
		{"correction_outage", 5.1, false, false}, // when it was told, not when it began
	}
	for i, w := range want {
		f := &got.Faults[i]
		if f.By != w.by || f.Already != w.already || f.Missed() != w.missed {
			t.Errorf("fault %d: by %q, already %v, missed %v, want %+v", i, f.By, f.Already, f.Missed(), w)
		}
		if d := f.Delay(); math.IsNaN(d) != math.IsNaN(w.delay) || math.Abs(d-w.delay) > 1e-6 {
			t.Errorf("fault %d: delay %.3f s, want %.3f", i, d, w.delay)
		}
	}
	if got.Faults[4].Cause != "link_silent" {
		t.Errorf("outage put down to %q, want link_silent", got.Faults[4].Cause)
	}
	if got.FalseJumps != 2 || got.Jumps != 4 {
		t.Errorf("%d false of %d jump alarms, want 2 of 4", got.FalseJumps, got.Jumps)
	}
	delays, missed := got.Delays()
	if len(delays) != 2 || missed != 1 {
		t.Errorf("delays %v, missed %d, want two and one", delays, missed)
	}
	// Labels alone: usable on the 12 epochs 2 m off is misleading.
	if got.MisleadingLines != 12 {
		t.Errorf("%d misleading lines, want 12", got.MisleadingLines)
	}
	var b strings.Builder
	if err := got.Write(&b); err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"labelled faults", "misleading     1.2 s (12 lines in 1 runs", "missed 1 of 3", "MISSED", "put down to link_silent", "jump 2 of 4"} {
		if !strings.Contains(b.String(), w) {
			t.Errorf("summary lacks %q:\n%s", w, b.String())
		}
	}
}

// Without labels a jump alarm is true when the receiver itself stepped against the
// reference, false when it did not.
func TestScorer_AlarmsAgainstTruth(t *testing.T) {
	r := newRun(circle(t, 100, 0.1), nil)
	for i := range 900 {
		x := float64(i) * 0.1
		shift := 0.0
		if i >= 400 && i < 600 {
			shift = 0.5
		}
		e := x - 0.08
		r.snap.Epoch.HasPos = true
		r.snap.Epoch.Pos = r.f.ToLLA(geodesy.ENU{E: 20*math.Sin(0.5*e) + shift, N: 20 * (1 - math.Cos(0.5*e))})
		var ev []fusion.Event
		if i == 300 || i == 401 || i == 602 {
			ev = append(ev, jumpEvent(x, 0.4))
		}
		r.line(x, 0, fusion.Usable, ev...)
	}
	if got := r.s.Result(); got.Jumps != 3 || got.FalseJumps != 1 {
		t.Errorf("%d false of %d alarms, want 1 of 3", got.FalseJumps, got.Jumps)
	}
}

// A smoothed reference judges only where its sigma is small against the limit.
func TestScorer_PoorReferenceDoesNotJudge(t *testing.T) {
	exact := circle(t, 60, 0.1)
	tr := NewTruth(origin)
	for i := range exact.t {
		sigma := 0.01
		if i >= 300 {
			sigma = 0.2
		}
		if err := tr.Add(exact.t[i], exact.frame.ToLLA(exact.pos[i]), exact.yaw[i], sigma); err != nil {
			t.Fatal(err)
		}
	}
	r := newRun(tr, nil)
	for i := range 600 {
		r.line(float64(i)*0.1, 0.7, fusion.Usable)
	}
	got := r.s.Result()
	if got.Judged < 298 || got.Judged > 301 || got.MisleadingLines != got.Judged {
		t.Errorf("judged %d lines, %d misleading, want 300 and all of them", got.Judged, got.MisleadingLines)
	}
	close(t, "judged s (less the 0.5 s it takes to see the car move)", got.JudgedDrive, 29.5, 0.2)
}

func TestMerge(t *testing.T) {
	one := func() *Result {
		r := newRun(circle(t, 50, 0.1), nil)
		for i := range 500 {
			lat := 0.1
			if i > 400 && i < 405 {
				lat = 0.8
			}
			r.line(float64(i)*0.1, lat, fusion.Usable)
		}
		return r.s.Result()
	}
	a, b := one(), one()
	sum := one()
	sum.Merge(b)
	if sum.Runs != 2 || sum.Lines != 2*a.Lines || sum.MisleadingRuns != 2*a.MisleadingRuns || sum.Axes[0].Lines != 2*a.Axes[0].Lines {
		t.Errorf("merged counts are not twice one run's")
	}
	close(t, "rms", sum.HorizontalRMS(), a.HorizontalRMS(), 1e-12)
	close(t, "median", sum.Axes[0].MedianPL(), a.Axes[0].MedianPL(), 1e-12)
	close(t, "total s", sum.Total(), 2*a.Total(), 1e-6)
}

func TestAddAllocatesNothing(t *testing.T) {
	r := newRun(circle(t, 100, 0.1), labelled(Label{Kind: "jump", From: 5, To: 50, Size: 1, Dir: [3]float64{1, 0, 0}}))
	x := 0.0
	ev := []fusion.Event{jumpEvent(1, 0.3)}
	r.line(x, 0.1, fusion.Usable)
	if n := testing.AllocsPerRun(500, func() {
		x += 0.1
		r.snap.T = t0 + x
		r.s.Add(&r.snap, ev)
	}); n != 0 {
		t.Errorf("%g allocations a line, want 0", n)
	}
}

func TestQuantiles(t *testing.T) {
	var s spread
	for i := 1; i <= 1000; i++ {
		s.add(float64(i) / 1000)
	}
	for _, q := range []float64{0.05, 0.5, 0.95} {
		if got := s.quantile(q); math.Abs(got/q-1) > 0.012 {
			t.Errorf("quantile %g of 0.001..1 = %g", q, got)
		}
	}
	x := []float64{3, 1, 2}
	close(t, "median of 1 2 3", Quantile(x, 0.5), 2, 0)
	close(t, "p95 of 1 2 3", Quantile(x, 0.95), 3, 0)
	if !math.IsNaN(Quantile(nil, 0.5)) {
		t.Error("quantile of nothing is not NaN")
	}
}
