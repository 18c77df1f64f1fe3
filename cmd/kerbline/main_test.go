package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
)

// kerbline runs the program and returns its exit code, output and messages.
func kerbline(t testing.TB, args ...string) (code int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(context.Background(), args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// loop writes a short recording with a fault and returns its folder.
func loop(t testing.TB, kind string, seconds float64) string {
	t.Helper()
	s := fixtures.Standard(kind, 7)
	s.Duration = seconds
	dir := filepath.Join(t.TempDir(), kind)
	if err := s.Write(dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

// The contract as others see it: well-formed lines in the order of time, at
// least ten a second, the same bytes twice, known words only.
func TestReplayLines(t *testing.T) {
	dir := loop(t, "jump", 120)
	var first [2]string
	for i := range 2 {
		v, e := filepath.Join(t.TempDir(), "v"), filepath.Join(t.TempDir(), "e")
		code, out, errOut := kerbline(t, "replay", dir, "--verdicts", v, "--events", e)
		if code != exitDone || out != "" {
			t.Fatalf("exit %d, output %q, messages %q", code, out, errOut)
		}
		for _, want := range []string{"recording ", "verdicts ", "events ", "judged by "} {
			if !strings.Contains(errOut, want) {
				t.Errorf("the summary has no %q:\n%s", want, errOut)
			}
		}
		vb, err := os.ReadFile(v)
		if err != nil {
			t.Fatal(err)
		}
		eb, err := os.ReadFile(e)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = [2]string{string(vb), string(eb)}
		} else if first != [2]string{string(vb), string(eb)} {
			t.Error("the second run writes other bytes")
		}
	}
	checkVerdicts(t, first[0], 120)
	kinds := map[string]bool{}
	for _, l := range strings.SplitAfter(strings.TrimSuffix(first[1], "\n"), "\n") {
		e, err := lines.ParseEvent([]byte(l))
		if err != nil {
			t.Fatal(err)
		}
		kinds[string(e.Kind)] = true
	}
	for k := range kinds {
		if !strings.Contains(" jump drift correction_outage base_changed receiver_gap imu_gap late_epoch clock_step quality_change verdict_change reinitialised unit_suspect fix_refuted fix_confirmed ", " "+k+" ") {
			t.Errorf("event kind %q", k)
		}
	}
	if !kinds["verdict_change"] {
		t.Error("no verdict ever changed")
	}
}

// fields of a verdict line, in the order of the output contract.
const fields = "t seq verdict advice reasons speed_cap_mps coast_s handover_s lat_deg lon_deg h_m yaw_rad speed_mps " +
	"sigma_lat_m sigma_lon_m sigma_yaw_rad pl_lat_m pl_lon_m pl_yaw_rad al_lat_m al_lon_m al_yaw_rad quality age_s station link hint"

func checkVerdicts(t *testing.T, all string, seconds float64) {
	t.Helper()
	n, last, verdicts := uint64(0), 0.0, map[string]int{}
	for _, l := range strings.SplitAfter(strings.TrimSuffix(all, "\n"), "\n") {
		v, err := lines.ParseVerdict([]byte(l))
		if err != nil {
			t.Fatal(err)
		}
		n++
		if v.Seq != n || float64(v.T) < last {
			t.Fatalf("line %d has seq %d and t %.4f after %.4f", n, v.Seq, v.T, last)
		}
		last = float64(v.T)
		verdicts[v.Verdict]++
		if n == 1 {
			d := json.NewDecoder(strings.NewReader(l))
			var keys []string
			depth := 0
			for tok, err := d.Token(); err == nil; tok, err = d.Token() {
				switch tok {
				case json.Delim('{'), json.Delim('['):
					depth++
				case json.Delim('}'), json.Delim(']'):
					depth--
				default:
					if s, ok := tok.(string); ok && depth == 1 && strings.Contains(l, `"`+s+`":`) {
						keys = append(keys, s)
					}
				}
			}
			if got := strings.Join(keys, " "); got != fields {
				t.Errorf("fields\n%s\nwant\n%s", got, fields)
			}
		}
	}
	if float64(n) < 10*seconds*0.99 {
		t.Errorf("%d lines in %g s, want 10 a second", n, seconds)
	}
	for v := range verdicts {
		if !strings.Contains(" unproven usable coasting unusable ", " "+v+" ") {
			t.Errorf("verdict %q", v)
		}
	}
	if verdicts["usable"] == 0 {
		t.Errorf("never usable: %v", verdicts)
	}
}

// A folder, its files by flags, and the MCAP file of the same records give the
// same lines.
func TestReplaySameFromEverywhere(t *testing.T) {
	dir := loop(t, "link_silent", 90)
	code, want, errOut := kerbline(t, "replay", dir, "--verdicts", "-", "--events", "-")
	if code != exitDone {
		t.Fatal(errOut)
	}
	file := func(name string) string { return filepath.Join(dir, name) }
	_, byFlags, errOut := kerbline(t, "replay", "--gnss", file("nmea.log"), "--corrections", file("corrections.csv"), "--imu", file("imu.csv"),
		"--wheel", file("wheel.csv"), "--course", file("track.geojson"), "--config", file("kerbline.toml"), "--verdicts", "-", "--events", "-")
	if byFlags != want {
		t.Errorf("by flags other lines are written: %s", errOut)
	}

	rec, err := recording.Open(dir, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := rec.Stream(0)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	head := recorder.Head{}
	for name, attachment := range map[string]string{"kerbline.toml": recorder.SettingsName, "track.geojson": recorder.CourseName} {
		b, err := os.ReadFile(file(name))
		if err != nil {
			t.Fatal(err)
		}
		head.Attachments = append(head.Attachments, recorder.Attachment{Name: attachment, Data: b})
	}
	path := filepath.Join(t.TempDir(), "run.mcap")
	f, err := recorder.Create(path, head)
	if err != nil {
		t.Fatal(err)
	}
	for r, ok := s.Next(); ok; r, ok = s.Next() {
		if err := f.Write(recorder.Nanos(r.T), r.Channel, r.Data); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	_, fromMCAP, errOut := kerbline(t, "replay", path, "--verdicts", "-", "--events", "-")
	if fromMCAP != want {
		t.Errorf("from MCAP other lines are written: %s", errOut)
	}
}

func TestExitCodes(t *testing.T) {
	dir := loop(t, "nominal", 5)
	bad := filepath.Join(t.TempDir(), "bad.toml")
	if err := os.WriteFile(bad, []byte("[limits]\nlateral = 0.5\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	map1 := filepath.Join(t.TempDir(), "map.geojson")
	if err := os.WriteFile(map1, []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args []string
		code int
		want string // part of the messages
	}{
		{[]string{"replay", dir}, exitDone, "verdicts"},
		{[]string{"config"}, exitDone, ""},
		{nil, exitDone, ""},
		{[]string{"fly"}, exitUsage, `unknown command "fly"`},
		{[]string{"repaly", "x"}, exitUsage, `unknown command "repaly", did you mean replay?`},
		{[]string{"replay", "--fast"}, exitUsage, "unknown flag --fast"},
		{[]string{"replay", "a", "b"}, exitUsage, "is one too many"},
		{[]string{"replay"}, exitUsage, "nothing to read, want a recording or --gnss FILE"},
		{[]string{"replay", dir, "--set", "tests.dwel_s=1"}, exitUsage, `did you mean "tests.dwell_s"?`},
		{[]string{"replay", dir, "--config", bad}, exitUsage, `bad.toml:2: unknown key "limits.lateral", did you mean "limits.lateral_m"?`},
		{[]string{"replay", dir, "--course", map1}, exitUsage, "map.geojson: course: "},
		{[]string{"replay", dir, "--screen", "--verdicts", "-"}, exitUsage, "--screen writes no lines"},
		{[]string{"replay", filepath.Join(dir, "none")}, exitFailed, "no such file or directory, want a folder or an MCAP file"},
		{[]string{"replay", filepath.Join(dir, "imu.csv")}, exitFailed, "want a folder or an MCAP file"},
		{[]string{"replay", dir, "--truth", filepath.Join(dir, "imu.csv")}, exitFailed, "imu.csv: score: truth: header"},
		{[]string{"replay", dir, "--verdicts", filepath.Join(dir, "no", "v")}, exitFailed, "no such file or directory"},
		{[]string{"replay", dir, "--verdicts", "/dev/full"}, exitFailed, "no space left on device"},
		{[]string{"config", bad}, exitUsage, "bad.toml:2"},
		{[]string{"config", filepath.Join(dir, "kerbline.toml")}, exitDone, ""},
	} {
		code, _, errOut := kerbline(t, tt.args...)
		if code != tt.code || !strings.Contains(errOut, tt.want) {
			t.Errorf("kerbline %s: exit %d, %q; want %d, %q", strings.Join(tt.args, " "), code, errOut, tt.code, tt.want)
		}
		if code != exitDone && (!strings.HasPrefix(errOut, "kerbline: ") || strings.Contains(errOut, "Usage:")) {
			t.Errorf("kerbline %s: message %q", strings.Join(tt.args, " "), errOut)
		}
	}
}

func TestConfigCommand(t *testing.T) {
	_, printed, _ := kerbline(t, "config")
	path := filepath.Join(t.TempDir(), "all.toml")
	if err := os.WriteFile(path, []byte(printed), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errOut := kerbline(t, "config", path)
	if code != exitDone || strings.Contains(out, " = ") {
		t.Errorf("the printed defaults checked: exit %d, %q, %q", code, out, errOut)
	}
	if err := os.WriteFile(path, []byte("limits.along_m = 2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, _ = kerbline(t, "config", path); code != exitDone || !strings.Contains(out, "along_m = 2.0  # m: alert limit along the track") {
		t.Errorf("a changed key: exit %d, %q", code, out)
	}
}

// Whatever stands in the files: an end, verdict lines or a message, no panic.
func TestReplayGarbage(t *testing.T) {
	good := loop(t, "nominal", 20)
	rng := rand.New(rand.NewPCG(1, 2))
	noise := make([]byte, 300_000)
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(good, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	spoil := map[string]func(b []byte) []byte{
		"cut":        func(b []byte) []byte { return b[:len(b)*2/3] },
		"noise":      func(b []byte) []byte { return append(append(bytes.Clone(b[:len(b)/2]), noise...), b[len(b)/2:]...) },
		"noise only": func([]byte) []byte { return noise },
		"empty":      func([]byte) []byte { return nil },
		"damaged": func(b []byte) []byte {
			b = bytes.Clone(b)
			for range len(b) / 200 {
				b[rng.IntN(len(b))] = byte(rng.Uint32())
			}
			return b
		},
		"backwards": func(b []byte) []byte {
			l := bytes.SplitAfter(b, []byte("\n"))
			for i, j := 0, len(l)-1; i < j; i, j = i+1, j-1 {
				l[i], l[j] = l[j], l[i]
			}
			return bytes.Join(l, nil)
		},
		"nan": func(b []byte) []byte {
			half := len(b) / 2
			return append(bytes.Clone(b[:half]), bytes.ReplaceAll(b[half:], []byte(",0"), []byte(",nan"))...)
		},
	}
	for how, f := range spoil {
		for _, name := range []string{"nmea.log", "corrections.csv", "imu.csv", "wheel.csv"} {
			t.Run(how+" "+name, func(t *testing.T) {
				dir := t.TempDir()
				for _, n := range []string{"nmea.log", "corrections.csv", "imu.csv", "wheel.csv", "kerbline.toml"} {
					b := read(n)
					if n == name {
						b = f(b)
					}
					if err := os.WriteFile(filepath.Join(dir, n), b, 0o600); err != nil {
						t.Fatal(err)
					}
				}
				code, out, errOut := kerbline(t, "replay", dir, "--verdicts", "-")
				if name == "nmea.log" && (how == "empty" || how == "noise only") {
					if code != exitFailed || !strings.Contains(errOut, "nmea.log: ") {
						t.Errorf("exit %d, %q", code, errOut)
					}
					return
				}
				if code != exitDone || !strings.Contains(errOut, "verdicts") {
					t.Fatalf("exit %d, %q", code, errOut)
				}
				if how != "empty" && how != "cut" && how != "backwards" && !strings.Contains(errOut, "refused") {
					t.Errorf("nothing was refused:\n%s", errOut)
				}
				for _, l := range strings.SplitAfter(strings.TrimSuffix(out, "\n"), "\n") {
					if _, err := lines.ParseVerdict([]byte(l)); err != nil {
						t.Fatal(err)
					}
				}
			})
		}
	}
}

// The built-in recording, where there is no terminal: a line a second, and
// everything it promises happens.
func TestDemoPlain(t *testing.T) {
	for _, args := range [][]string{{"demo", "--plain"}, {"demo"}} {
		code, out, errOut := kerbline(t, args...)
		if code != exitDone || errOut != "" {
			t.Fatalf("exit %d, %q", code, errOut)
		}
		for _, want := range []string{" usable map ", " coasting ", " unusable ", "correction_outage: ", "jump: ", "verdicts "} {
			if !strings.Contains(out, want) {
				t.Errorf("kerbline %s shows no %q", strings.Join(args, " "), want)
			}
		}
		if n := strings.Count(out, " | lateral "); n < 185 || n > 260 {
			t.Errorf("%d lines for 185 s", n)
		}
		if strings.Contains(out, "\x1b") {
			t.Error("control characters where there is no terminal")
		}
	}
	if code, _, errOut := kerbline(t, "demo", "--set", "limits.risk=2"); code != exitUsage || !strings.Contains(errOut, "limits.risk is 2, want") {
		t.Errorf("exit %d, %q", code, errOut)
	}
}

func TestInterrupted(t *testing.T) {
	dir := loop(t, "nominal", 20)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var out, errOut bytes.Buffer
	if code := run(ctx, []string{"replay", dir, "--verdicts", "-"}, nil, &out, &errOut); code != exitFailed || !strings.Contains(errOut.String(), "interrupted") {
		t.Errorf("exit %d, %q", code, errOut.String())
	}
}

// BenchmarkReplay goes from files to verdict lines; it prints what an hour of
// recording would take.
func BenchmarkReplay(b *testing.B) {
	const seconds = 300
	dir := loop(b, "nominal", seconds)
	v := filepath.Join(b.TempDir(), "v")
	for b.Loop() {
		if code, _, errOut := kerbline(b, "replay", dir, "--verdicts", v); code != exitDone {
			b.Fatal(errOut)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*3600/seconds, "hour_s")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/seconds*1e6, "us/recorded-s")
}
