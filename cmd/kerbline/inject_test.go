package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/sweep"
	"kerbline/fixtures"
	"kerbline/fusion/score"
)

// clean writes a session without faults and without truth.
func clean(t testing.TB, seed uint64, seconds float64) string {
	t.Helper()
	s := fixtures.Standard("nominal", seed)
	s.Still, s.Duration = 20, seconds
	files, _ := s.Files()
	delete(files, fixtures.TruthFile)
	delete(files, fixtures.LabelsFile)
	dir := filepath.Join(t.TempDir(), "clean")
	if err := fixtures.WriteFiles(dir, files); err != nil {
		t.Fatal(err)
	}
	return dir
}

func must(t testing.TB, args ...string) (out, errOut string) {
	t.Helper()
	code, out, errOut := kerbline(t, args...)
	if code != exitDone {
		t.Fatalf("%v: exit %d: %s", args, code, errOut)
	}
	return out, errOut
}

// Gross faults put into a recording without truth come back by the tool's own
// scoring with no miss: every jump of 1 m is alarmed by its first epoch, nothing is
// misleading, nothing is a false alarm.
func TestInject_GrossJumpsComeBack(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		dir := clean(t, seed, 200)
		out := filepath.Join(t.TempDir(), "jumps")
		must(t, "inject", dir, "-o", out, "--scatter", "jump=5:1", "--seed", string('0'+rune(seed)))
		labels, err := sweep.Labels(out)
		if err != nil || len(labels.Faults) != 5 {
			t.Fatalf("labels %+v, %v", labels, err)
		}
		_, sum := must(t, "replay", out)
		for _, want := range []string{"judged by      labelled faults", "missed 0 of ", "95th percentile 0.0 s", "misleading     0.0 s", "false alarms   jump 0 of"} {
			if !strings.Contains(sum, want) {
				t.Errorf("seed %d: no %q in\n%s", seed, want, sum)
			}
		}
		if strings.Contains(sum, "MISSED") || strings.Contains(sum, "missed 0 of 0") {
			t.Errorf("seed %d: a jump of 1 m was missed, or none was met:\n%s", seed, sum)
		}
	}
}

// Injected outages are told apart by cause, as those of the generator are.
func TestInject_CausesComeBack(t *testing.T) {
	for _, kind := range []string{"link_silent", "link_corrupt", "link_late", "receiver_not_using", "receiver_silent", "sky_blocked", "base_moved"} {
		dir := clean(t, 4, 170)
		out := filepath.Join(t.TempDir(), kind)
		spec := kind + ":70..110"
		switch kind {
		case "link_late":
			spec += ":9"
		case "receiver_silent":
			spec = kind + ":70..75"
		case "sky_blocked":
			spec += ":0.8"
		case "base_moved":
			spec = kind + ":70..:0.5:90"
		}
		must(t, "inject", dir, "-o", out, "--fault", spec)
		_, sum := must(t, "replay", out)
		if want := "outage put down to " + kind; !strings.Contains(sum, want) {
			t.Errorf("%s: no %q in\n%s", kind, want, sum)
		}
		if !strings.Contains(sum, "misleading     0.0 s") {
			t.Errorf("%s: misleading in\n%s", kind, sum)
		}
	}
}

// A folder and an MCAP file with the same faults replay alike.
func TestInject_FileAndFolderAlike(t *testing.T) {
	dir := clean(t, 2, 90)
	a, b := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b.mcap")
	for _, o := range []string{a, b} {
		must(t, "inject", dir, "-o", o, "--fault", "jump:60..65:0.4", "--fault", "garbled:70..80")
	}
	va, _ := must(t, "replay", a, "--verdicts", "-")
	vb, _ := must(t, "replay", b, "--verdicts", "-")
	if va != vb || strings.Count(va, "\n") < 800 {
		t.Errorf("%d and %d lines, or other ones", strings.Count(va, "\n"), strings.Count(vb, "\n"))
	}
	la, err := os.ReadFile(filepath.Join(a, "labels.json"))
	if err != nil {
		t.Fatal(err)
	}
	lb, err := os.ReadFile(strings.TrimSuffix(b, ".mcap") + ".labels.json")
	if err != nil || string(la) != string(lb) {
		t.Errorf("labels differ, %v", err)
	}
	if code, _, _ := kerbline(t, "inject", dir, "-o", a, "--fault", "jump:1..2"); code != exitFailed {
		t.Errorf("wrote over a recording, exit %d", code)
	}
}

func TestInject_WrongUsage(t *testing.T) {
	dir := clean(t, 2, 40)
	out := filepath.Join(t.TempDir(), "x")
	for _, args := range [][]string{
		{"inject", dir, "--fault", "jump:1..2"},
		{"inject", dir, "-o", out},
		{"inject", dir, "-o", out, "--fault", "jmp:1..2"},
		{"inject", dir, "-o", out, "--fault", "jump:100..200"},
		{"inject", dir, "-o", out, "--scatter", "link_silent=50"},
	} {
		if code, _, e := kerbline(t, args...); code != exitUsage || e == "" {
			t.Errorf("%v: exit %d, %q, want %d and words", args[2:], code, e, exitUsage)
		}
	}
}

// The sweep from end to end: in parts, merged, at once, with a held-out
// recording and everything written; the same bytes both ways.
func TestTune_EndToEnd(t *testing.T) {
	dir := clean(t, 3, 100)
	tmp := t.TempDir()
	in := func(name string) string { return filepath.Join(tmp, name) }
	must(t, "inject", dir, "-o", in("jumps"), "--scatter", "jump=2:1", "--scatter-after", "40")
	must(t, "inject", dir, "-o", in("other"), "--scatter", "jump=2:1", "--scatter-after", "40", "--seed", "2")
	vary := []string{"--vary", "tests.dwell_s=1..4/2", "--vary", "gnss.max_age_s=5,20"}
	whole, _ := must(t, append([]string{"tune", in("jumps"), in("other"), "--csv", in("whole.csv"), "--plot", in("p.svg"), "-o", in("t.toml"), "--check", in("jumps")}, vary...)...)
	if !strings.Contains(whole, "4 settings of 2 keys over 2 recordings, judged by labels") || !strings.Contains(whole, "held out: jumps") {
		t.Errorf("report:\n%s", whole)
	}
	for _, part := range []string{"1", "2"} {
		must(t, append([]string{"tune", in("jumps"), in("other"), "--shard", part + "/2", "--resume", in("part" + part)}, vary...)...)
	}
	must(t, "tune", "--merge", in("part1"), "--merge", in("part2"), "--csv", in("merged.csv"), "--config", filepath.Join(in("jumps"), "kerbline.toml"))
	a, err := os.ReadFile(in("whole.csv"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(in("merged.csv"))
	if err != nil || string(a) != string(b) {
		t.Errorf("at once:\n%s\nin parts:\n%s\n%v", a, b, err)
	}
	// What was written serves as settings.
	if code, _, e := kerbline(t, "config", in("t.toml")); code != exitDone {
		t.Errorf("the chosen settings: %s", e)
	}
	if err := os.WriteFile(in("a.toml"), []byte("[tests]\ndwell_s = 1.0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(in("b.toml"), []byte("[tests]\ndwell_s = 30.0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	side, _ := must(t, "tune", "--compare", in("a.toml"), in("b.toml"), in("jumps"))
	if !strings.Contains(side, "requalifying") || !strings.Contains(side, "stretches differ") {
		t.Errorf("side by side:\n%s", side)
	}
	for _, args := range [][]string{
		{"tune", in("jumps")},
		{"tune", in("jumps"), "--vary", "tests.dwel_s=1..2/2"},
		{"tune", in("jumps"), "--vary", "tests.dwell_s=-5..2/2"},
		{"tune", in("jumps"), "--vary", "tests.dwell_s=1..2/2", "--shard", "1/2"},
		{"tune", in("jumps"), "--vary", "tests.dwell_s=1..2/2", "--resume", in("part1")},
		{"tune", "--compare", in("a.toml"), in("b.toml")},
		{"tune", "--merge", in("part1"), "--vary", "tests.dwell_s=1..2/2"},
	} {
		if code, _, e := kerbline(t, args...); code != exitUsage || e == "" {
			t.Errorf("%v: exit %d, %q, want %d and words", args, code, e, exitUsage)
		}
	}
}

// Recordings of another simulator, where there are any: its faults injected
// into its clean one are told by the same words as in its own, none missed.
func TestInject_LikePractice(t *testing.T) {
	root := os.Getenv("KERBLINE_RECORDINGS")
	if root == "" {
		t.Skip("KERBLINE_RECORDINGS names no folder of recordings")
	}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Skip("no practice recordings: " + err.Error())
	}
	clean := ""
	faulty := map[string]*score.Labels{}
	for _, e := range entries {
		dir := filepath.Join(root, e.Name())
		l, err := sweep.Labels(dir)
		switch {
		case err != nil:
			t.Fatal(err)
		case l == nil:
		case len(l.Faults) == 0:
			clean = dir
		default:
			faulty[dir] = l
		}
	}
	if clean == "" || len(faulty) == 0 {
		t.Skip("no clean and faulty practice recordings in " + root)
	}
	for dir, theirs := range faulty {
		b, err := os.ReadFile(filepath.Join(dir, "labels.json"))
		if err != nil {
			t.Fatal(err)
		}
		var head struct {
			Start float64 `json:"start_unix"`
		}
		if err := json.Unmarshal(b, &head); err != nil {
			t.Fatal(err)
		}
		args := []string{"inject", clean, "-o", filepath.Join(t.TempDir(), "mine")}
		for _, f := range theirs.Faults {
			args = append(args, "--fault", spec(f, head.Start))
		}
		must(t, args...)
		_, mine := must(t, "replay", args[3])
		_, other := must(t, "replay", dir)
		if a, b := told(mine), told(other); a != b || a == "" || strings.Contains(a, "MISSED") {
			t.Errorf("%s: injected:\n%s\ntheirs:\n%s", filepath.Base(dir), a, b)
		}
	}
}

func spec(f score.Label, start float64) string {
	num := func(v float64) string { b, _ := json.Marshal(v); return string(b) }
	s := f.Kind + ":" + num(f.From-start) + ".." + num(f.To-start)
	if !math.IsNaN(f.Size) {
		s += ":" + num(f.Size)
		switch f.Kind {
		case "jump", "wrong_fix", "drift", "base_moved", "base_restarted":
			s += ":" + num(math.Atan2(f.Dir[0], f.Dir[1])*180/math.Pi)
		}
	}
	return s
}

// told keeps of a summary which fault was told by what.
func told(sum string) string {
	var out []string
	in := false
	for _, l := range strings.Split(sum, "\n") {
		if strings.HasPrefix(l, "shifts alerted") {
			in = true
			continue
		}
		if !in || !strings.HasPrefix(l, "      ") {
			in = false
			continue
		}
		f := strings.Fields(l)
		kind, by := f[0], ""
		if i := strings.Index(l, ": "); i >= 0 {
			by = strings.Fields(l[i+2:])[0]
		}
		if i := strings.Index(l, "put down to "); i >= 0 {
			by += " " + l[i+12:]
		}
		out = append(out, kind+" "+by)
	}
	return strings.Join(out, "\n")
}
