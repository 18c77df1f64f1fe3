package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/season"
	"kerbline/fixtures"
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

// A season of distinct recordings, KERBLINE_SEASON of them: the first run beside the
// replays of the same on all cores, and the answer afterwards in under a second.
// KERBLINE_SEASON_LENGTH is the length of each, s.
func TestSeason_Speed(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("KERBLINE_SEASON"))
	if n == 0 {
		t.Skip("set KERBLINE_SEASON to a number of recordings, such as 200")
	}
	length, err := strconv.ParseFloat(cmp.Or(os.Getenv("KERBLINE_SEASON_LENGTH"), "360"), 64)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	kinds := []string{"nominal", "link_silent", "jump", "no_wheel", "nominal"}
	onAllCores(n, func(i int) {
		s := fixtures.Standard(kinds[i%len(kinds)], uint64(i))
		s.Start += float64(86400*(i/5) + 1800*(i%5))
		s.Duration = length
		if err := s.Write(filepath.Join(dir, fmt.Sprintf("run%03d", i))); err != nil {
			t.Error(err)
		}
	})
	timed := func(f func()) float64 {
		from := time.Now()
		f()
		return time.Since(from).Seconds()
	}
	replays := timed(func() {
		onAllCores(n, func(i int) {
			if code, _, errOut := kerbline(t, "replay", filepath.Join(dir, fmt.Sprintf("run%03d", i)), "--verdicts", os.DevNull, "--events", os.DevNull); code != exitDone {
				t.Errorf("replay: exit %d: %s", code, errOut)
			}
		})
	})
	var out [2]string
	var took [2]float64
	for i := range took {
		took[i] = timed(func() {
			var code int
			var errOut string
			if code, out[i], errOut = kerbline(t, "season", dir); code != exitDone {
				t.Fatalf("exit %d: %s", code, errOut)
			}
		})
	}
	t.Logf("%d recordings of %.0f s: replays %.1f s, first run %.1f s (%.2f times), second run %.3f s\n%s", n, length, replays, took[0], took[0]/replays, took[1], out[1])
	if out[0] != out[1] || !strings.HasPrefix(out[1], fmt.Sprintf("%d recordings on %d days\n", n, (n+4)/5)) {
		t.Error("the second run answers otherwise, or not for all")
	}
	if took[0] > 1.3*replays || took[1] > 1 {
		t.Error("want a first run of at most 1.3 times the replays, and a second under 1 s")
	}
}

// onAllCores calls f with 0 to n-1.
func onAllCores(n int, f func(int)) {
	var next atomic.Int64
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				f(int(i))
			}
		})
	}
	group.Wait()
}
