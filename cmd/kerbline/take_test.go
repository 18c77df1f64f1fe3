package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/fixtures"
)

// What is taken for one run is used by it, and lines, events, summary, a live
// recording and the report say so.
func TestTakeFlag(t *testing.T) {
	dir := loop(t, "nominal", 60)
	verdicts, events := filepath.Join(t.TempDir(), "v"), filepath.Join(t.TempDir(), "e")
	code, _, errOut := kerbline(t, "replay", dir, "--take", "gnss.latency_s = 0.07, vehicle.brake_mps2 = 5", "--verdicts", verdicts, "--events", events)
	if code != exitDone || !strings.Contains(errOut, "taken          for this run: gnss.latency_s = 0.07 (was ") {
		t.Errorf("exit %d: %s", code, errOut)
	}
	v, _ := os.ReadFile(verdicts)
	lines := strings.Split(strings.TrimSpace(string(v)), "\n")
	for _, l := range lines {
		if !strings.Contains(l, `"taken":"gnss.latency_s = 0.07 (was `) || !strings.Contains(l, "vehicle.brake_mps2 = 5 (was ") {
			t.Fatalf("a line does not say what is taken: %s", l)
		}
	}
	if e, _ := os.ReadFile(events); strings.Count(string(e), `"kind":"setting_taken"`) != 1 {
		t.Errorf("events:\n%s", e)
	}
	if _, out, _ := kerbline(t, "replay", dir, "--verdicts", "-"); strings.Contains(out, `"taken"`) {
		t.Error("a run that took nothing says so too")
	}
	for _, bad := range []string{"vehicle.antena_m = [1, 2, 3]", "gnss.latency_s", "sources.gnss = x", "gnss.latency_s = 90"} {
		code, _, errOut := kerbline(t, "replay", dir, "--take", bad)
		if code != exitUsage || errOut == "" {
			t.Errorf("--take %q: exit %d: %s", bad, code, errOut)
		}
	}
	// As a live run records it.
	path := filepath.Join(dir, fixtures.SettingsFile)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append([]byte("taken = \"gnss.latency_s = 0.07 (was 0.08)\"\n"), b...), 0o600); err != nil {
		t.Fatal(err)
	}
	_, out, _ := kerbline(t, "daycheck", dir)
	_, page, _ := kerbline(t, "report", dir, "-o", "-")
	for name, text := range map[string]string{"daycheck": out, "report": page} {
		if flat := strings.ReplaceAll(strings.Join(strings.Fields(text), " "), "&nbsp;", " "); !strings.Contains(strings.ReplaceAll(flat, "\u00a0", " "), "settings taken for that run alone: gnss.latency_s = 0.07") {
			t.Errorf("%s does not say it", name)
		}
	}
}
