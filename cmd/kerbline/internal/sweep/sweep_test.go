package sweep

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/tune"
)

// made returns the folder of a short generated session with jumps, made once.
var made = sync.OnceValue(func() string {
	dir, err := os.MkdirTemp("", "kerbline-sweep")
	if err != nil {
		panic(err)
	}
	sc := fixtures.Standard("jump", 5)
	jumps := 2
	if testing.Short() { // under the race detector
		jumps = 1
	}
	sc.Still, sc.Duration = 20, 60+25*float64(jumps)
	var faults []fixtures.Fault
	for i, f := range sc.Faults {
		if i < jumps {
			f.From, f.To, f.Size = 50+25*float64(i), 54+25*float64(i), 1
			faults = append(faults, f)
		}
	}
	sc.Faults = faults
	if err := sc.Write(dir); err != nil {
		panic(err)
	}
	return dir
})

func TestMain(m *testing.M) {
	code := m.Run()
	os.RemoveAll(made())
	os.Exit(code)
}

func input(t testing.TB, dir string) *Input {
	t.Helper()
	rec, err := recording.Open(dir, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	base, err := rec.Settings()
	if err != nil {
		t.Fatal(err)
	}
	in, err := Open(dir, rec, base)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func load(t testing.TB, dir string) *Loaded {
	t.Helper()
	l, err := input(t, dir).Load(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

var grid = tune.Grid{{Key: "tests.dwell_s", Values: []string{"1", "4"}}, {Key: "limits.lateral_m", Values: []string{"0.1", "0.5"}}}

func plan(t testing.TB, l *Loaded) *tune.Plan {
	t.Helper()
	src, err := l.Source()
	if err != nil {
		t.Fatal(err)
	}
	return &tune.Plan{Grid: grid, Sources: []tune.Source{src}}
}

func assign(s int) []string {
	if s < 0 {
		return nil
	}
	return grid.Assign(s)
}

// run plays what res lacks of the shard.
func run(t testing.TB, l *Loaded, res *Results, shard tune.Shard, cores int) {
	t.Helper()
	var todo []int
	for s := -1; s < grid.Len(); s++ {
		if shard.Has(s) && !res.Done(tune.Cell{Setting: s}) {
			todo = append(todo, s)
		}
	}
	if err := Run(context.Background(), l, 0, todo, assign, cores, res.Add); err != nil {
		t.Fatal(err)
	}
}

func ranked(l *Loaded, p *tune.Plan, res *Results) []tune.Ranked {
	rows, _ := tune.Gather(p, res.All, Steps(p.Grid, &l.Base.Config))
	tune.Rank(rows)
	return rows
}

func memory(t testing.TB, p *tune.Plan) *Results {
	t.Helper()
	res, err := OpenResults("", p)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// The figures are those of the one monitor, whatever the number of cores; a
// sweep stopped in the middle of a line and gone on with, and one done in parts,
// come to the same.
func TestSweep_SameHoweverSpread(t *testing.T) {
	l := load(t, made())
	p := plan(t, l)
	one := memory(t, p)
	run(t, l, one, tune.Shard{}, 1)
	want := ranked(l, p, one)
	if len(want) != 5 {
		t.Fatalf("%d rows, want 4 settings and the start", len(want))
	}
	if want[0].Figures.Seconds < 75 || len(want[0].Figures.Delays)+want[0].Figures.Missed == 0 {
		t.Fatalf("nothing was measured: %+v", want[0].Figures)
	}

	four := memory(t, p)
	run(t, l, four, tune.Shard{}, 4)
	if got := ranked(l, p, four); !reflect.DeepEqual(got, want) {
		t.Errorf("four cores: %+v\none core: %+v", got, want)
	}

	path := filepath.Join(t.TempDir(), "r.ndjson")
	res, err := OpenResults(path, p)
	if err != nil {
		t.Fatal(err)
	}
	run(t, l, res, tune.Shard{I: 1, N: 2}, 1) // half of it
	res.Close()
	b, _ := os.ReadFile(path)
	if err := os.WriteFile(path, b[:len(b)-20], 0o644); err != nil { // the last line cut
		t.Fatal(err)
	}
	if res, err = OpenResults(path, p); err != nil {
		t.Fatal(err)
	}
	if n := len(res.All); n == 0 || n > 2 {
		t.Errorf("%d outcomes found again, want those of whole lines", n)
	}
	run(t, l, res, tune.Shard{}, 2)
	res.Close()
	if got := ranked(l, p, res); !reflect.DeepEqual(got, want) {
		t.Error("resumed: other rows")
	}
	if _, again, err := Merge([]string{path}); err != nil || !reflect.DeepEqual(ranked(l, p, again), want) {
		t.Errorf("read from disk: other rows, %v", err)
	}

	var parts []string
	for i := 1; i <= 3; i++ {
		path := filepath.Join(t.TempDir(), "part")
		part, err := OpenResults(path, p)
		if err != nil {
			t.Fatal(err)
		}
		run(t, l, part, tune.Shard{I: i, N: 3}, 2)
		part.Close()
		parts = append(parts, path)
	}
	q, merged, err := Merge(parts)
	if err != nil || !q.Same(p) {
		t.Fatal(err)
	}
	if got := ranked(l, p, merged); !reflect.DeepEqual(got, want) {
		t.Error("merged parts: other rows")
	}

	other := *p
	other.Grid = tune.Grid{{Key: "tests.dwell_s", Values: []string{"2"}}}
	if _, err := OpenResults(path, &other); err == nil || !strings.Contains(err.Error(), "another sweep") {
		t.Errorf("results of another sweep: %v", err)
	}
}

func TestRun_StopsOnError(t *testing.T) {
	l := load(t, made())
	bad := errors.New("disk full")
	err := Run(context.Background(), l, 0, []int{-1, 0, 1, 2, 3}, assign, 2, func(*tune.Outcome) error { return bad })
	if !errors.Is(err, bad) {
		t.Errorf("%v, want the error of the disk", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := Run(ctx, l, 0, []int{-1, 0}, assign, 2, func(*tune.Outcome) error { return nil }); !errors.Is(err, runner.ErrInterrupted) {
		t.Errorf("stopped by the user: %v", err)
	}
	if err := Run(context.Background(), l, 0, []int{0}, func(int) []string { return []string{"tests.dwell_s=-1"} }, 1, func(*tune.Outcome) error { return nil }); err == nil {
		t.Error("an impossible setting was played")
	}
}

// Without truth and labels the smoothed trajectory judges, most of the drive,
// and a clean run comes out clean.
func TestLoad_Smoothed(t *testing.T) {
	sc := fixtures.Standard("nominal", 5)
	sc.Still, sc.Duration = 20, 90
	files, _ := sc.Files()
	delete(files, fixtures.TruthFile)
	delete(files, fixtures.LabelsFile)
	dir := t.TempDir()
	if err := fixtures.WriteFiles(dir, files); err != nil {
		t.Fatal(err)
	}
	l := load(t, dir)
	if l.Ref.Truth == nil || l.Ref.Truth.Exact() || l.Ref.Labels != nil {
		t.Fatalf("reference %+v, notes %v, want a smoothed one", l.Ref, l.Notes)
	}
	f, err := l.Play(nil)
	if err != nil {
		t.Fatal(err)
	}
	if share := f.Judged / f.Driving; !(share > 0.8) {
		// A goal that the guide lists as not reached: what reflections may do to a
		// fix widens the smoothed reference too.
		if os.Getenv("KERBLINE_GOALS") != "" || !(share > 0) {
			t.Errorf("judged %.0f %% of the drive, want most of it", 100*share)
		}
	}
	if f.Misleading > 0 || f.FalseAlarms > 0 {
		t.Errorf("a clean run: %.1f s misleading, %d false alarms", f.Misleading, f.FalseAlarms)
	}
}

func TestReport(t *testing.T) {
	l := load(t, made())
	p := plan(t, l)
	res := memory(t, p)
	run(t, l, res, tune.Shard{}, 0)
	rows := ranked(l, p, res)
	r := &Report{Plan: p, Base: l.Base.Config, Rows: rows, Check: &Check{Names: []string{"other"}, Chosen: rows[0].Figures, Old: rows[0].Figures}}
	var b strings.Builder
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"4 settings of 2 keys over 1 recordings", "tests.dwell_s", "<- chosen", "held out: other", "do not differ beyond chance", "runs an hour at 95 %"} {
		if !strings.Contains(b.String(), w) {
			t.Errorf("report lacks %q:\n%s", w, b.String())
		}
	}

	b.Reset()
	if err := r.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(b.String()), "\n")
	for _, line := range lines {
		if strings.Count(line, ",") != strings.Count(lines[0], ",") {
			t.Errorf("CSV line %q has other columns than %q", line, lines[0])
		}
	}
	if len(lines) != 6 {
		t.Errorf("%d CSV lines, want the head and 5", len(lines))
	}

	// The file loads, and holds what was chosen on top of what there was.
	for _, whole := range []*settings.File{nil, &l.Base} {
		b.Reset()
		if err := r.WriteTOML(&b, whole); err != nil {
			t.Fatal(err)
		}
		got, err := settings.Parse("chosen", []byte(b.String()))
		if err != nil {
			t.Fatalf("%v in\n%s", err, b.String())
		}
		want, err := Apply(l.Base, r.Assign())
		if err != nil {
			t.Fatal(err)
		}
		if whole == nil {
			if want, err = Apply(settings.Default(), r.Assign()); err != nil {
				t.Fatal(err)
			}
		}
		if !reflect.DeepEqual(got.Config, want) {
			t.Errorf("the written settings read back otherwise:\n%s", b.String())
		}
		if !strings.HasPrefix(b.String(), "# Chosen by kerbline tune from 4 settings") || !strings.Contains(b.String(), "# tried tests.dwell_s = 1 4") {
			t.Errorf("no evidence in\n%s", b.String())
		}
	}

	var svg bytes.Buffer
	if err := r.WriteSVG(&svg); err != nil {
		t.Fatal(err)
	}
	circles := 0
	for d := xml.NewDecoder(&svg); ; {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "circle" {
			circles++
			for _, a := range e.Attr {
				if a.Name.Local == "cx" && (strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf")) {
					t.Errorf("a point at %s", a.Value)
				}
			}
		}
	}
	if circles < 5 {
		t.Errorf("%d points drawn, want each setting", circles)
	}
}

// Two settings side by side: a lateral limit below the usual level shows as
// stretches on which the second is not usable, for that reason.
func TestLockstep(t *testing.T) {
	l := load(t, made())
	a, err := Apply(l.Base, []string{"limits.lateral_m=0.5"})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Apply(l.Base, []string{"limits.lateral_m=0.12"})
	if err != nil {
		t.Fatal(err)
	}
	var got []tune.Difference
	total := tune.Lockstep(l.Decoded, a, b, nil, nil, l.Ref.Truth, func(d *tune.Difference) { got = append(got, *d) })
	var onlyA, lateral float64
	for _, d := range got {
		if d.A.Verdict == d.B.Verdict || !(d.To > d.From) {
			t.Errorf("no difference: %+v", d)
		}
		if d.A.Verdict == fusion.Usable {
			onlyA += d.To - d.From
			if d.B.Reason.Code == "" {
				t.Errorf("no reason given: %+v", d)
			}
			// After a while it is put down to the limit itself.
			if d.B.Reason.Code == "pl-lateral" || d.B.Reason.Code == symptoms.Of(symptoms.Levels).Code {
				lateral += d.To - d.From
			}
		}
	}
	if len(got) == 0 || onlyA < 20 || lateral < 0.8*onlyA {
		t.Errorf("%d stretches, %.1f s usable with the wide limit only, %.1f s of them for the lateral level, want most of the drive", len(got), onlyA, lateral)
	}
	var same float64
	for v := range total {
		same += total[v][v]
	}
	from, to := l.Decoded.Span()
	var all float64
	for _, row := range total {
		for _, s := range row {
			all += s
		}
	}
	if math.Abs(all-(to-from)) > 2 || !(same < all) {
		t.Errorf("%.1f s in all, %.1f s the same, of %.1f s", all, same, to-from)
	}
	if n := 0; tune.Lockstep(l.Decoded, a, a, nil, nil, nil, func(*tune.Difference) { n++ }) == (tune.Totals{}) || n != 0 {
		t.Errorf("a setting differs from itself %d times", n)
	}
}

func TestLabels(t *testing.T) {
	dir := t.TempDir()
	if l, err := Labels(dir); l != nil || err != nil {
		t.Errorf("a folder without labels: %v %v", l, err)
	}
	file := filepath.Join(dir, "run.mcap")
	for name, text := range map[string]string{"run.mcap": "x", "run.labels.json": `{"start_unix":1,"faults":[]}`, "labels.json": "{"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if l, err := Labels(file); l == nil || err != nil {
		t.Errorf("labels beside a file: %v %v", l, err)
	}
	if _, err := Labels(dir); err == nil || !strings.Contains(err.Error(), "labels.json") {
		t.Errorf("broken labels: %v", err)
	}
}

func TestSteps(t *testing.T) {
	base := fusion.DefaultConfig()
	base.Tests.Dwell = 3.9
	steps := Steps(tune.Grid{{Key: "tests.dwell_s", Values: []string{"1", "2", "4"}}, {Key: "gnss.min_sats", Values: []string{"5", "6"}}}, &base)
	for s, want := range map[int]float64{-1: 0, 0: 2 + 1, 5: 0, 4: 1} {
		if got := steps(s); got != want {
			t.Errorf("setting %d is %g steps away, want %g", s, got, want)
		}
	}
}
