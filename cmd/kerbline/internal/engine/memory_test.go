//go:build linux

package engine

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"kerbline/fixtures"
)

// What live driving learned of the lap stands in its file at the end, and the next
// run takes it: its recording holds what was read, so a replay says the same.
func TestMemoryOfTheLap(t *testing.T) {
	sc := fixtures.Standard("nominal", 7)
	sc.Duration = 75
	files, _ := sc.Files()
	dir := t.TempDir()
	file := filepath.Join(dir, "lap.json")
	for i, want := range []string{"", "is taken: heights of "} {
		rec := filepath.Join(dir, []string{"first.mcap", "second.mcap"}[i])
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, files, 0)
			o := r.options(files, rec)
			o.Config.Memory.File = file
			live := new(observer)
			o.Look, o.State = live.look, live.state
			if err := r.drive(o, sc.Duration); err != nil {
				t.Fatal(err)
			}
			sameAgain(t, rec, live)
		})
		told := ""
		for _, e := range replay(t, rec).heard {
			if e.Cause == "memory" {
				told += e.Detail
			}
		}
		if want == "" && told != "" || !strings.Contains(told, want) {
			t.Errorf("run %d: the replay says %q of the memory, want %q", i+1, told, want)
		}
	}
	data, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(data), `"heights":[[`) {
		t.Errorf("%.80s, %v: want heights", data, err)
	}
	if left, _ := filepath.Glob(file + ".*"); len(left) > 0 {
		t.Errorf("%v is left", left)
	}
}
