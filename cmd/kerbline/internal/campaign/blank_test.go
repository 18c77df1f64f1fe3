package campaign

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/score"
)

// levels are the lateral levels of usable lines by their tenth of a second of
// host time: epochs that are gone leave lines of silence, and more of them.
type levels map[int64]float64

// replay runs the monitor over files held in memory.
func replay(files map[string][]byte) (levels, error) {
	rec, err := recording.FromFiles(files)
	if err != nil {
		return nil, err
	}
	cfg, err := rec.Settings()
	if err != nil {
		return nil, err
	}
	crs, err := rec.Course()
	if err != nil {
		return nil, err
	}
	out, mon := levels{}, fusion.NewMonitor(cfg.Config, crs)
	_, err = runner.Each(context.Background(), rec, cfg.Config, nil, func(m *fusion.Measurement) error {
		if snap, _ := mon.Step(m); snap != nil && snap.Verdict == fusion.Usable {
			out[int64(math.Floor(snap.T*10))] = snap.PLLat.Total
		}
		return nil
	})
	return out, err
}

// deletion leaves out a field of one kind of sentence, or the sentence whole
// (field 0), in a share of them.
type deletion struct {
	kind  string
	field int
	share float64
}

func (d deletion) String() string {
	return fmt.Sprintf("%s field %d in %.0f %%", d.kind, d.field, 100*d.share)
}

// drawDeletions draws one to three of what the log has.
func drawDeletions(r *rand.Rand, log []byte) (out []deletion) {
	fields := map[string]int{}
	var kinds []string
	for line := range bytes.Lines(log[:min(len(log), 1<<16)]) {
		if i := bytes.IndexByte(line, '$'); i >= 0 && len(line) > i+6 {
			k := string(line[i+3 : i+6])
			if fields[k] == 0 {
				kinds = append(kinds, k)
			}
			fields[k] = bytes.Count(line[i:], []byte{','})
		}
	}
	slices.Sort(kinds)
	for range 1 + r.IntN(3) {
		d := deletion{kind: kinds[r.IntN(len(kinds))], share: []float64{1, 1, 0.5, 0.1}[r.IntN(4)]}
		if r.IntN(6) > 0 {
			d.field = 1 + r.IntN(fields[d.kind])
		}
		out = append(out, d)
	}
	return out
}

// apply returns the log without what is deleted, its checksums made anew.
func apply(r *rand.Rand, log []byte, ds []deletion) []byte {
	out := make([]byte, 0, len(log))
	for line := range bytes.Lines(log) {
		i, star := bytes.IndexByte(line, '$'), bytes.LastIndexByte(line, '*')
		if i < 0 || star < i+7 {
			out = append(out, line...)
			continue
		}
		f := strings.Split(string(line[i+1:star]), ",")
		dropped := false
		for _, d := range ds {
			if !strings.HasSuffix(f[0], d.kind) || r.Float64() >= d.share {
				continue
			}
			if d.field == 0 {
				dropped = true
			} else if d.field < len(f) {
				f[d.field] = ""
			}
		}
		if dropped {
			continue
		}
		body := strings.Join(f, ",")
		var x byte
		for k := range len(body) {
			x ^= body[k]
		}
		out = fmt.Appendf(out, "%s$%s*%02X\r\n", line[:i], body, x)
	}
	return out
}

// less says what the deletions made better than it was, "" where nothing: what
// the receiver does not say can not make the position better known.
func less(was, is levels) string {
	var a, b []float64
	for t, v := range is {
		if w, ok := was[t]; ok {
			a, b = append(a, w), append(b, v)
		}
	}
	if float64(len(is)) > 1.01*float64(len(was)) {
		return fmt.Sprintf("usable time grew from %.1f to %.1f s", float64(len(was))/10, float64(len(is))/10)
	}
	for _, q := range []float64{0.5, 0.95} {
		if w, v := score.Quantile(a, q), score.Quantile(b, q); v < 0.99*w {
			return fmt.Sprintf("level at %.0f %% shrank from %.3f to %.3f m", 100*q, w, v)
		}
	}
	return ""
}

// Less information, wider level: fields and sentences left out at random of a
// generated recording, and of those that KERBLINE_RECORDINGS names,
// KERBLINE_BLANKS times.
func TestLessInformationWiderLevel(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv("KERBLINE_BLANKS"))
	if err != nil {
		t.Skip("no KERBLINE_BLANKS")
	}
	all := map[string]map[string][]byte{}
	d := fixtures.NewDrive("nominal", 11)
	all["generated"], _ = d.Files()
	dirs, _ := filepath.Glob(filepath.Join(os.Getenv("KERBLINE_RECORDINGS"), "*", fixtures.NMEAFile))
	for _, path := range dirs {
		files := map[string][]byte{}
		for _, name := range []string{fixtures.NMEAFile, fixtures.CorrectionsFile, fixtures.IMUFile, fixtures.WheelFile, fixtures.CourseFile, fixtures.SettingsFile} {
			if b, err := os.ReadFile(filepath.Join(filepath.Dir(path), name)); err == nil {
				files[name] = b
			}
		}
		all[filepath.Base(filepath.Dir(path))] = files
	}
	var names []string
	for name := range all {
		names = append(names, name)
	}
	slices.Sort(names)
	was := make([]levels, len(names))
	each(len(names), func(k int) {
		if was[k], err = replay(all[names[k]]); err != nil {
			t.Error(names[k], err)
		}
	})
	bad := make([]string, n)
	each(n, func(k int) {
		name := names[k%len(names)]
		r := rand.New(rand.NewPCG(uint64(k), 1))
		files := map[string][]byte{}
		for f, b := range all[name] {
			files[f] = b
		}
		ds := drawDeletions(r, files[fixtures.NMEAFile])
		files[fixtures.NMEAFile] = apply(r, files[fixtures.NMEAFile], ds)
		is, err := replay(files)
		if err != nil {
			return // a recording without a time is refused: that is no level at all
		}
		if what := less(was[k%len(names)], is); what != "" {
			bad[k] = fmt.Sprintf("%s without %v: %s", name, ds, what)
		}
	})
	count := 0
	for _, b := range bad {
		if b != "" {
			count++
			t.Log(b)
		}
	}
	t.Logf("%d of %d made better by less", count, n)
	if count > 0 {
		t.Error("want none")
	}
}
