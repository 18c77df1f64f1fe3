package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/season"
)

// A folder is read once; afterwards the digests answer, and the very same. What
// changed is read again, and what cannot be read stops nothing.
func TestSeason(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"monday", "tuesday"} {
		if err := os.CopyFS(filepath.Join(dir, name), os.DirFS(loop(t, "nominal", 60))); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "broken.mcap"), []byte("no recording"), 0o644); err != nil {
		t.Fatal(err)
	}
	code, first, errOut := kerbline(t, "season", dir, "--json")
	if code != exitDone || !strings.Contains(errOut, "broken.mcap") {
		t.Fatalf("exit %d, messages %q", code, errOut)
	}
	var s season.Season
	if err := json.Unmarshal([]byte(first), &s); err != nil || s.Recordings != 1 || len(s.Twice) != 1 || len(s.Days) != 1 || len(s.Evidence) == 0 {
		t.Fatalf("%v, %+v", err, s)
	}
	// A digest that holds is taken as it is: one that was written over shows it.
	beside := season.Beside(filepath.Join(dir, "monday"))
	data, err := os.ReadFile(beside)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(beside, []byte(strings.Replace(string(data), `"steps": 0`, `"steps": 7`, 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, out, _ := kerbline(t, "season", dir, "--json"); !strings.Contains(out, `"n": 7`) {
		t.Errorf("a digest that holds was not used:\n%s", out)
	}
	// Another setting, a touched recording, or the wish: read again.
	if _, out, _ := kerbline(t, "season", dir, "--json", "--set", "day.usable_share=0.9"); strings.Contains(out, `"n": 7`) {
		t.Error("a digest of other settings was used")
	}
	if err := os.WriteFile(beside, data, 0o644); err != nil {
		t.Fatal(err)
	}
	later := time.Now().Add(time.Hour)
	if err := os.Chtimes(filepath.Join(dir, "monday", "nmea.log"), later, later); err != nil {
		t.Fatal(err)
	}
	if _, out, _ := kerbline(t, "season", dir, "--json"); out != first {
		t.Errorf("read again it says otherwise:\n%s\n%s", out, first)
	}
	if code, out, _ := kerbline(t, "season", dir); code != exitDone || !strings.HasPrefix(out, "1 recording on 1 day") {
		t.Errorf("exit %d\n%s", code, out)
	}
	for _, args := range [][]string{{"season"}, {"season", dir, dir}} {
		if code, _, _ := kerbline(t, args...); code != exitUsage {
			t.Errorf("%v: exit %d", args, code)
		}
	}
	if code, _, errOut := kerbline(t, "season", t.TempDir()); code != exitFailed || !strings.Contains(errOut, "no recording in it") {
		t.Errorf("an empty folder: exit %d, %q", code, errOut)
	}
}
