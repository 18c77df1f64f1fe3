package tui

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/verdict"
	"kerbline/gnss/geodesy"
)

func draw(v *View, w, h int, st State) *Canvas {
	c := NewCanvas(w, h)
	Draw(c, v, st)
	return c
}

// Only the shell may know tview: everything else is pure functions.
func TestOnlyShellImportsTview(t *testing.T) {
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || f.Name() == "shell.go" || f.Name() == "draw_test.go" {
			continue
		}
		b, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), `"github.com/rivo/tview"`) {
			t.Errorf("%s imports tview", f.Name())
		}
	}
}

func TestJudge(t *testing.T) {
	with := func(change func(*View)) *View {
		v := sampleUsable()
		change(v)
		return v
	}
	for _, tt := range []struct {
		name, word, verdict string
		v                   *View
	}{
		{"good", "GO", "USABLE", sampleUsable()},
		{"over the cap", "SLOW", "USABLE", with(func(v *View) { v.Snap.Speed = v.Snap.SpeedCap + 0.1 })},
		{"at the cap", "GO", "USABLE", with(func(v *View) { v.Snap.Speed = v.Snap.SpeedCap })},
		{"slow", "SLOW", "USABLE", with(func(v *View) { v.Snap.Advice = fusion.AdviseMapSlow })},
		{"no cap", "HAND OVER", "USABLE", with(func(v *View) { v.Snap.SpeedCap = nan })},
		{"cap of nothing", "HAND OVER", "USABLE", with(func(v *View) { v.Snap.SpeedCap = 0 })},
		{"usable but told to leave", "HAND OVER", "NOT USABLE", with(func(v *View) { v.Snap.Advice = fusion.AdviseReactive })},
		{"usable but told to stop", "HAND OVER", "NOT USABLE", with(func(v *View) { v.Snap.Advice = fusion.AdviseStop })},
		{"coasting", "COAST", "COASTING", sampleCoasting()},
		{"coasting, time is up", "HAND OVER", "COASTING", with(func(v *View) {
			v.Snap.Verdict, v.Snap.Advice, v.Snap.LeaveIn = fusion.Coasting, fusion.AdviseMapSlow, 0
		})},
		{"coasting, time unknown", "HAND OVER", "COASTING", with(func(v *View) { v.Snap.Verdict, v.Snap.Advice = fusion.Coasting, fusion.AdviseMapSlow })},
		{"coasting, told to leave", "HAND OVER", "COASTING", with(func(v *View) {
			v.Snap.Verdict, v.Snap.LeaveIn, v.Snap.Advice = fusion.Coasting, 3, fusion.AdviseReactive
		})},
		{"unusable", "HAND OVER", "UNUSABLE", sampleUnusable()},
		{"unusable, advice contradicts", "HAND OVER", "NOT USABLE", with(func(v *View) { v.Snap.Verdict = fusion.Unusable })},
		{"unusable, stop", "STOP", "UNUSABLE", with(func(v *View) { v.Snap.Verdict, v.Snap.Advice = fusion.Unusable, fusion.AdviseStop })},
		{"a verdict that does not exist", "HAND OVER", "NOT USABLE", with(func(v *View) { v.Snap.Verdict = 77 })},
		{"unproven, standing", "WAIT", "UNPROVEN", sampleUnproven()},
		{"unproven, driving", "HAND OVER", "UNPROVEN", with(func(v *View) { v.Snap.Verdict, v.Snap.Advice = fusion.Unproven, fusion.AdviseReactive })},
		{"unproven, only the receiver knows the speed", "HAND OVER", "UNPROVEN", with(func(v *View) {
			v.Snap.Verdict, v.Snap.Advice, v.Snap.Speed, v.Snap.Epoch.Speed = fusion.Unproven, fusion.AdviseReactive, nan, 9
		})},
		{"unproven, stop", "STOP", "UNPROVEN", with(func(v *View) { v.Snap.Verdict, v.Snap.Advice = fusion.Unproven, fusion.AdviseStop })},
		{"nothing", "NO DATA", "NOT USABLE", sampleNothing()},
		{"a blank snapshot", "NO DATA", "NOT USABLE", with(func(v *View) { v.Snap.Seq, v.Snap.T = 0, nan })},
		{"stale", "NO DATA", "NOT USABLE", sampleStale()},
		{"just not stale", "GO", "USABLE", with(func(v *View) { v.Stale = StaleAfter })},
		{"age unknown", "NO DATA", "NOT USABLE", with(func(v *View) { v.Stale = nan })},
		{"a replayed moment does not age", "GO", "USABLE", sampleReplay()},
	} {
		f := headlineOf(tt.v)
		if f.word != tt.word || f.verdict != tt.verdict {
			t.Errorf("%s: %s, %s, want %s, %s", tt.name, f.word, f.verdict, tt.word, tt.verdict)
		}
		if goes := f.look == lookGood || f.look == lookSlow; goes != (tt.word == "GO" || tt.word == "SLOW") {
			t.Errorf("%s: shown in look %d", tt.name, f.look)
		}
		if f.todo == "" {
			t.Errorf("%s: no sentence", tt.name)
		}
	}
}

// No reason is cut off on the smallest screen: whatever stands first is there
// whole, with its value and limit, and so is every one that follows.
func TestReasonsWhole(t *testing.T) {
	for id := range verdict.NumReasons {
		for _, extra := range []int{0, 1, 4} {
			v := sampleUnusable()
			v.Snap.NeedsProof = false
			rs := []fusion.Reason{{Code: id.String(), Value: 123.456, Limit: 99.5, Unit: "deg/s", Since: sampleT - 754}}
			for k := range extra {
				rs = append(rs, fusion.Reason{Code: (id + verdict.ReasonID(k) + 1).String(), Value: 123.456, Limit: 99.5, Unit: "m", Since: sampleT - 754})
			}
			setReasons(v, rs...)
			f := headlineOf(v)
			screen := draw(v, 80, 24, State{}).String()
			flat := strings.Join(strings.Fields(screen), " ")
			told := 0
			for i, r := range v.reasons(&f) {
				if !strings.Contains(flat, strings.Join(strings.Fields(r), " ")) {
					if i == 0 {
						t.Errorf("%s with %d more: %q is not whole on the screen:\n%s", id, extra, r, screen)
					}
					break
				}
				told++
			}
			if left := len(rs) - told; (left > 0) != strings.Contains(flat, fmt.Sprintf("(+%d more, page 2)", left)) {
				t.Errorf("%s with %d more: %d told, and the rest not counted:\n%s", id, extra, told, screen)
			}
			for p := PageProof; p < numPages; p++ { // the head of the other pages: whole or not at all
				head := strings.Join(strings.Split(draw(v, 80, 24, State{Page: p}).String(), "\n")[1:5], " ")
				if strings.Contains(head, "for 12 min") && !strings.Contains(head, "34 s") {
					t.Errorf("%s: a reason is cut on page %d:\n%s", id, p, head)
				}
			}
		}
	}
}

// Every word and figure that may be shown big has its letters.
func TestFont(t *testing.T) {
	words := []string{"GO", "SLOW", "COAST", "HAND OVER", "STOP", "WAIT", "NO DATA", "0123456789.-"}
	for _, s := range words {
		for _, r := range s {
			g, ok := glyphs[r]
			if !ok {
				t.Errorf("no glyph for %q", r)
			}
			for _, dots := range g {
				if len(dots) != len(g[0]) {
					t.Errorf("glyph %q is ragged", r)
				}
			}
		}
		if w := bigWidth(s, 1); w > MinWidth-6 && s != words[len(words)-1] {
			t.Errorf("%s is %d wide", s, w)
		}
	}
	// An unknown figure is shown as a dash, which the font does not have: it
	// must not be asked for one.
	for _, s := range samples {
		f := headlineOf(s.view())
		for _, n := range f.numbers() {
			for _, r := range n.text {
				if _, ok := glyphs[r]; !ok {
					t.Errorf("%s: figure %q has no glyph for %q", s.name, n.text, r)
				}
			}
		}
	}
}

// Two verdicts are told apart by shape alone: with all colour gone, their
// kerbs and words still differ.
func TestVerdictsDifferWithoutColour(t *testing.T) {
	kerb := map[string]string{}
	word := map[string]string{}
	for _, s := range samples {
		if s.name == "replay" || s.name == "nothing" || strings.Contains(s.name, "_over") || strings.Contains(s.name, "_moving") || strings.Contains(s.name, "_stop") || strings.Contains(s.name, "setup") || s.name == "computer_late" {
			continue // the same looks as usable, stale, unusable and coasting
		}
		v := s.view()
		f := headlineOf(v)
		c := draw(v, 80, 24, State{})
		top := string([]rune(strings.SplitN(c.String(), "\n", 3)[1])[:40])
		if f.look == lookVoid {
			continue // shares the chequered kerb with unusable, by design
		}
		if with, ok := kerb[top]; ok {
			t.Errorf("%s and %s have the same kerb", s.name, with)
		}
		if with, ok := word[f.word]; ok {
			t.Errorf("%s and %s have the same word", s.name, with)
		}
		kerb[top], word[f.word] = s.name, s.name
	}
	if len(kerb) != 5 {
		t.Errorf("%d kerbs, want 5", len(kerb))
	}
	marks := map[rune]bool{}
	for _, m := range []look{lookSlow, lookCoast, lookUnsure, lookBad} {
		marks[m.trailGlyph()] = true
	}
	if len(marks) != 4 {
		t.Error("two verdicts share a mark on the map")
	}
}

// Figures that a person drives by are never rounded to the unsafe side.
func TestRounding(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{down(12.39, 1), "12.3"}, {down(12.3, 1), "12.3"}, {down(0.09, 1), "0.0"}, {down(0.3, 1), "0.3"},
		{up(0.201, 2), "0.21"}, {up(0.5, 2), "0.50"}, {up(0.3, 1), "0.3"},
		{down(nan, 1), dash}, {up(math.Inf(1), 1), dash}, {num(-0.001, 1), "0.0"}, {num(-1.26, 1), "-1.3"},
	} {
		if tt.got != tt.want {
			t.Errorf("%s, want %s", tt.got, tt.want)
		}
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 10000 {
		x := r.Float64() * 50
		var d, u float64
		if _, err := sscan(down(x, 1), &d); err != nil || d > x+1e-6 || x-d > 0.1+1e-6 {
			t.Fatalf("down(%v) = %v", x, d)
		}
		if _, err := sscan(up(x, 2), &u); err != nil || u < x-1e-6 || u-x > 0.01+1e-6 {
			t.Fatalf("up(%v) = %v", x, u)
		}
	}
}

func TestWords(t *testing.T) {
	v := sampleUsable()
	for _, tt := range []struct{ got, want string }{
		{lasting(4.2), "4.2 s"}, {lasting(9.96), "10 s"}, {lasting(130), "2 min 10 s"}, {lasting(3660), "1 h 01 min"},
		{lasting(119.6), "2 min 00 s"}, {lasting(nan), dash}, {lasting(-3), "0 s"}, {lasting(1e12), dash},
		{timeOfDay(1781942537.437, 1), "08:02:17.4"}, {timeOfDay(1781942537.999, 1), "08:02:17.9"}, {timeOfDay(1781942537.999, 0), "08:02:17"},
		{timeOfDay(nan, 0), "--:--:--"}, {timeOfDay(-5, 0), "--:--:--"}, {timeOfDay(1e300, 1), "--:--:--"}, {timeOfDay(86399.95, 1), "23:59:59.9"},
		{v.clock(sampleT, 1), "08:02:17.4"},
		{bytesWords(999), "999 B"}, {bytesWords(12_340_000), "12.3 MB"}, {bytesWords(7_250_000_000), "7.25 GB"},
		{risk(1e-5), "1e-5"}, {risk(0.01), "1e-2"}, {risk(2.5e-7), "2.5e-7"}, {risk(nan), dash}, {risk(0), dash},
		{speedWord(0.25), "0.25x"}, {speedWord(1), "1x"}, {speedWord(64), "64x"}, {speedWord(10), "10x"},
		{shorten("/very/long/path/to/some/run-2026.mcap", 16), "…e/run-2026.mcap"},
		{v.reasonText(&fusion.Reason{Code: "corr-age", Value: 31.2, Limit: 10, Unit: "s", Since: sampleT - 12}), "corrections too old 31.2 s, limit 10.0 s, for 12 s"},
		{v.reasonText(&fusion.Reason{Code: "sats", Value: 5, Limit: 6, Since: sampleT - 2}), "too few satellites 5, needed 6, for 2.0 s"},
		{v.reasonText(&fusion.Reason{Code: "fix-quality", Value: 5, Limit: 4, Since: nan}), "fix quality float, needed fixed"},
		// What differs must look different.
		{v.reasonText(&fusion.Reason{Code: "pl-lateral", Value: 0.5004, Limit: 0.5, Unit: "m", Since: nan}), "lateral protection level 0.5004 m, limit 0.5000 m"},
		{v.reasonText(&fusion.Reason{Code: "pl-heading", Value: 4 * geodesy.Degree, Limit: 3 * geodesy.Degree, Unit: "rad", Since: nan}), "heading protection level 4.0 deg, limit 3.0 deg"},
		{v.reasonText(&fusion.Reason{Code: "never-heard-of", Value: nan, Limit: nan, Since: nan}), "never heard of"},
		{v.reasonText(&fusion.Reason{Code: "link-silent", Value: 28.7, Limit: nan, Unit: "s", Since: sampleT - 28.7}), "correction link silent 28.7 s"},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}

// What comes from outside is shown as it is or as question marks; it is read
// neither as a tview tag nor as a control sequence.
func TestOutsideText(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"station [RTK] id", "station [RTK] id"},
		{"[red]x[-]", "[red]x[-]"},
		{"a\x1b[31mred\x1b]0;title\x07b", "a[31mred]0;titleb"},
		{"tab\tand\nline\r\nend", "tab and line  end"},
		{"left\u202eright", "leftright"},
		{"e\u0301", "e"},
		{"wide 東京 \U0001F3C1", "wide ?? ?"},
		{"bad \xff\xfe byte", "bad ?? byte"},
		{"Grüße, naïve ±", "Grüße, naïve ±"},
		{"nbsp\u00a0x", "nbsp x"},
	} {
		if got := Clean(tt.in); got != tt.want {
			t.Errorf("Clean(%q) = %q, want %q", tt.in, got, tt.want)
		}
	}
	nasty := "[red]evil[-]\x1b[2J\u202e東"
	v := sampleUnusable()
	v.Name, v.Recording.Words, v.Notice, v.Snap.Symptom.Seen = nasty, nasty, nasty, nasty
	v.Sources = []Source{{nasty, false, nasty}, {nasty, true, nasty}}
	v.Marks = []string{nasty}
	v.Snap.Reasons[0].Code, v.Snap.Reasons[0].Unit = nasty, nasty
	v.Snap.Tests[0].Unit = nasty
	v.Events = []fusion.Event{{T: sampleT, End: nan, Kind: fusion.EventKind(nasty), Cause: nasty, Detail: nasty, Size: 1}}
	for p := range numPages + 1 {
		for _, st := range []State{{Page: p}, {Page: p, Marking: true}} {
			for _, size := range [][2]int{{80, 24}, {200, 60}, {30, 8}} {
				c := draw(v, size[0], size[1], st)
				for _, cell := range c.cells {
					if cell.R < ' ' || cell.R == 0x7f || cell.R >= 0x3000 || cell.R == '\u202e' {
						t.Fatalf("page %d shows %q", p, cell.R)
					}
				}
			}
		}
	}
	if s := draw(v, 80, 24, State{Page: PageDiary}).String(); !strings.Contains(s, "[red]evil[-]") {
		t.Errorf("brackets were eaten:\n%s", s)
	}
	if l := PlainLine(v); strings.ContainsAny(l, "\x1b\n\u202e") {
		t.Errorf("PlainLine(%q) holds control characters", l)
	}
}

func TestBar(t *testing.T) {
	for _, tt := range []struct {
		pl   fusion.PL
		al   float64
		want string
	}{
		{fusion.PL{Total: 0.25, Noise: 0.10, Step: 0.10, Timing: 0.05}, 0.5, "██▓▓▓░······┃   "},
		{fusion.PL{Total: 0.5, Noise: 0.5}, 0.5, "████████████┃   "},
		{fusion.PL{Total: 0.51, Noise: 0.51}, 0.5, "████████████╋░  "},
		{fusion.PL{Total: 9, Noise: 9}, 0.5, "████████████╋██▶"},
		{fusion.PL{Total: 1e300, Noise: 1e300}, 0.5, "████████████╋██▶"},
		{nanPL(), 0.5, " unknown ···┃   "},
		{fusion.PL{Total: 0.25, Noise: 0.25}, nan, " unknown ···┃   "},
		{fusion.PL{Total: 0.30, Noise: 0.10, Step: 0.05, Drift: 0.10, Timing: 0.05}, 0.5, "██▓▓▒▒░·····┃   "},
		{fusion.PL{Total: 0.25, Noise: nan, Step: nan, Timing: nan}, 0.5, "██████······┃   "},
	} {
		if got := bar(&tt.pl, tt.al, 16).String(); got != tt.want {
			t.Errorf("bar(%+v, %v) = %q, want %q", tt.pl, tt.al, got, tt.want)
		}
	}
}

func TestMinuteBar(t *testing.T) {
	full := sampleType(1074, 1, 1, 0)
	slow := sampleType(1005, 0.1, 10, 0)
	dead := sampleType(1074, 1, 1, 30)
	never := sampleType(1074, 1, 1, 60)
	half := full
	for i := range half.Minute {
		half.Minute[i] = uint8(i % 2)
	}
	for _, tt := range []struct{ got, want string }{
		{minuteBar(&full, 6), "▆▆▆▆▆▆"},
		{minuteBar(&slow, 6), "▆▆▆▆▆▆"}, // its pauses are usual
		{minuteBar(&dead, 6), "▆▆▆···"},
		{minuteBar(&never, 6), "······"},
		{minuteBar(&half, 6), "▃▃▃▃▃▃"},
		{minuteBar(&full, 0), ""},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
	if n := len([]rune(minuteBar(&full, 500))); n != 60 {
		t.Errorf("%d cells, want 60: a second is the finest", n)
	}
}

func TestWrapLine(t *testing.T) {
	l := text(Plain, "one two three four fivesixseveneightnine")
	var got []string
	for _, p := range wrapLine(l, 12, 2) {
		got = append(got, p.String())
	}
	if want := []string{"one two", "  three four", "  fivesixsev", "  eneightnin", "  e"}; !reflect.DeepEqual(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got := wrap("one two three fourfourfour", 5); !reflect.DeepEqual(got, []string{"one", "two", "three", "fourf", "ourfo", "ur"}) {
		t.Errorf("%q", got)
	}
}

// The lap shows each verdict with its own mark, the newest pass on top, and the
// car with its direction.
func TestLap(t *testing.T) {
	show := func(v *View) string {
		c := NewCanvas(40, 14)
		drawLap(c, 0, 0, 40, 14, v)
		return c.String()
	}
	v := sampleUnusable()
	s := show(v)
	for _, want := range []string{"=", "o", "x", "S", "↖", " m ──"} {
		if !strings.Contains(s, want) {
			t.Errorf("no %q on the map:\n%s", want, s)
		}
	}
	if strings.Contains(s, "?") {
		t.Errorf("unproven where it was not:\n%s", s)
	}
	// A later good pass over the same ground takes the marks away.
	for _, p := range v.Trail {
		p.T += 60
		p.Verdict, p.Advice = fusion.Usable, fusion.AdviseMap
		v.Trail = append(v.Trail, p)
	}
	if s := show(v); strings.ContainsAny(s, "=ox") {
		t.Errorf("old verdicts stayed:\n%s", s)
	}
	// The same where that pass was a whole lap, a little beside the first.
	v = sampleUnusable()
	for i, pos := range append(quarryLoop(), quarryLoop()[:8]...) {
		v.Trail = append(v.Trail, TrailPoint{T: sampleT + float64(i), Pos: geodesy.LLA{Lat: pos.Lat + 7e-7, Lon: pos.Lon}, Verdict: fusion.Usable, Advice: fusion.AdviseMap})
	}
	if s := show(v); strings.ContainsAny(s, "=ox") {
		t.Errorf("verdicts of the lap before stayed:\n%s", s)
	}
	// A position thrown far away must not shrink the lap.
	v = sampleUsable()
	v.Snap.Pos.Lat += 0.1
	if s := show(v); strings.Count(s, "\n") < 10 || !strings.Contains(s, "50 m") {
		t.Errorf("the lap shrank:\n%s", s)
	}
	v.Course, v.Trail = nil, nil
	if s := show(v); strings.Contains(s, "no map") {
		t.Errorf("the car alone is drawn too:\n%s", s)
	}
	v.Snap.HasPos = false
	if s := show(v); !strings.Contains(s, "no map, no position yet") {
		t.Errorf("empty map:\n%s", s)
	}
}

func TestBrailleDots(t *testing.T) {
	// Unicode 15, chapter 21.1: dots 1-8 are bits 0-7, numbered down the left
	// column, then the right, with 7 and 8 below (from memory).
	all := uint8(0)
	for x := range 2 {
		for y := range 4 {
			all |= brailleDot(x, y)
		}
	}
	if all != 0xff || brailleDot(0, 0) != 1 || brailleDot(1, 0) != 8 || brailleDot(0, 3) != 0x40 || brailleDot(1, 3) != 0x80 {
		t.Error("braille dots are mixed up")
	}
}

// Whatever a snapshot holds and however large the screen is, drawing comes to
// an end, and a position that is not usable never reads GO.
func TestDrawAnything(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	odd := []float64{nan, math.Inf(1), math.Inf(-1), 0, -1, 1e300, -1e300, 5e-324, math.MaxFloat64, 1781942537, 3}
	var spoil func(x reflect.Value)
	spoil = func(x reflect.Value) {
		switch x.Kind() {
		case reflect.Struct:
			for i := range x.NumField() {
				if x.Field(i).CanSet() {
					spoil(x.Field(i))
				}
			}
		case reflect.Array:
			for i := range x.Len() {
				spoil(x.Index(i))
			}
		case reflect.Float64:
			if r.IntN(3) == 0 {
				x.SetFloat(odd[r.IntN(len(odd))])
			}
		case reflect.Int, reflect.Int64:
			if r.IntN(4) == 0 {
				x.SetInt([]int64{-1, 0, math.MaxInt64, math.MinInt64, 4711}[r.IntN(5)])
			}
		case reflect.Uint8, reflect.Uint64:
			if r.IntN(4) == 0 {
				x.SetUint(r.Uint64() >> (64 - x.Type().Bits()))
			}
		case reflect.Bool:
			if r.IntN(4) == 0 {
				x.SetBool(r.IntN(2) == 0)
			}
		}
	}
	for i := range 1500 {
		v := samples[i%len(samples)].view()
		spoil(reflect.ValueOf(&v.Snap).Elem())
		v.Stale = odd[r.IntN(len(odd))]
		if v.Replay != nil {
			v.Replay = &Replay{odd[r.IntN(len(odd))], odd[r.IntN(len(odd))], odd[r.IntN(len(odd))], r.IntN(2) == 0, r.IntN(2) == 0, odd[r.IntN(len(odd))]}
		}
		for j := range v.Events {
			v.Events[j].T, v.Events[j].End, v.Events[j].Size = odd[r.IntN(len(odd))], odd[r.IntN(len(odd))], odd[r.IntN(len(odd))]
		}
		if len(v.Trail) > 0 {
			v.Trail[r.IntN(len(v.Trail))].Pos.Lat = odd[r.IntN(len(odd))]
		}
		st := State{Page: Page(r.IntN(int(numPages) + 1)), Scroll: r.IntN(50) - 10, Marking: r.IntN(5) == 0, Mark: r.IntN(12), Quitting: r.IntN(9) == 0}
		w, h := r.IntN(220), r.IntN(70)
		c := draw(v, w, h, st)
		if len(c.cells) != w*h {
			t.Fatalf("canvas of %d cells, want %dx%d", len(c.cells), w, h)
		}
		PlainLine(v)
		f := headlineOf(v)
		if goes := f.word == "GO" || f.word == "SLOW"; goes && (v.Snap.Verdict != fusion.Usable || v.blank() || v.stale() || !(v.Snap.SpeedCap > 0)) {
			t.Fatalf("%s shown for %v", f.word, v.Snap.Verdict)
		}
	}
}

// A screen too small for the page still says the word and what is needed.
func TestSmallScreens(t *testing.T) {
	for _, s := range samples {
		v := s.view()
		f := headlineOf(v)
		for _, size := range [][2]int{{79, 24}, {80, 23}, {40, 12}, {20, 9}} {
			got := draw(v, size[0], size[1], State{}).String()
			if !strings.HasPrefix(got, f.word+"\n") || !strings.Contains(strings.ReplaceAll(got, "\n", " "), "80x24 needed") {
				t.Errorf("%s at %v:\n%s", s.name, size, got)
			}
		}
		for w := range 12 {
			draw(v, w, 3, State{})
		}
	}
}

// From 80x24 up, whatever the size, verdict, first reason and keys are there.
func TestAllSizes(t *testing.T) {
	v := sampleUnusable()
	for w := MinWidth; w <= 220; w += 7 {
		for h := MinHeight; h <= 70; h += 5 {
			s := draw(v, w, h, State{}).String()
			for _, want := range []string{"UNUSABLE for 8.2 s", "Hand over to reactive driving now", "position jumped 0.62 m, limit 0.11 m", "? help", "NOT RECORDING: disk full",
				"1.92 of 0.50 m", "FLOAT REFUSED", "SILENT 29 s", "OPEN 28 s", "no such device"} {
				if !strings.Contains(s, want) {
					t.Fatalf("%dx%d lacks %q:\n%s", w, h, want, s)
				}
			}
		}
	}
}

func BenchmarkDraw(b *testing.B) {
	for _, bb := range []struct {
		name string
		w, h int
	}{{"80x24", 80, 24}, {"120x40", 120, 40}, {"200x60", 200, 60}} {
		b.Run(bb.name, func(b *testing.B) {
			v := sampleUnusable()
			for len(v.Trail) < maxTrail {
				v.Trail = append(v.Trail, v.Trail...)
			}
			v.Trail = v.Trail[:maxTrail]
			c := NewCanvas(bb.w, bb.h)
			b.ReportAllocs()
			for b.Loop() {
				c.Reset(bb.w, bb.h)
				Draw(c, v, State{})
			}
		})
	}
}
