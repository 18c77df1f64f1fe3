package acceptance

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/score"
)

// long reports whether the full numbers of seeds are asked for.
var long = os.Getenv("KERBLINE_LONG") != ""

// goal reports what is wanted and not reached yet: the guide lists it. It is an
// error with KERBLINE_GOALS, and a line of the log without.
func goal(t *testing.T, format string, a ...any) {
	t.Helper()
	if os.Getenv("KERBLINE_GOALS") != "" {
		t.Errorf(format, a...)
		return
	}
	t.Logf("goal not reached: "+format, a...)
}

// seeds returns n seeds in the short run and most in the long one.
func seeds(n, most uint64) (s []uint64) {
	if long {
		n = most
	}
	for i := range n {
		s = append(s, 1000+i)
	}
	return s
}

// session is one recording, decoded once, with what is known of its truth.
type session struct {
	name   string
	cfg    fusion.Config
	course []byte
	in     []fusion.Measurement
	truth  *score.Truth
	labels *score.Labels
	sc     *fixtures.Scenario // nil for one that the generator did not make
	hint   int                // cursor in truth
}

// generate makes the recording of sc and decodes it.
func generate(t testing.TB, sc fixtures.Scenario) *session {
	t.Helper()
	files, _ := sc.Files()
	s := decode(t, fmt.Sprintf("%s %d", sc.Name, sc.Seed), files)
	s.sc = &sc
	return s
}

func decode(t testing.TB, name string, files map[string][]byte) *session {
	t.Helper()
	s := &session{name: name, course: files[fixtures.CourseFile]}
	rec, err := recording.FromFiles(files)
	if err != nil {
		t.Fatal(name, err)
	}
	set, err := rec.Settings()
	if err != nil {
		t.Fatal(name, err)
	}
	s.cfg = set.Config
	if s.truth, err = rec.Truth(); err != nil {
		t.Fatal(name, err)
	}
	if s.labels, err = score.ReadLabels(bytes.NewReader(files[fixtures.LabelsFile])); err != nil {
		t.Fatal(name, err)
	}
	lines := 0
	for _, content := range files {
		lines += bytes.Count(content, []byte{'\n'})
	}
	s.in = make([]fusion.Measurement, 0, lines) // at most: grown piece by piece it takes a fifth of a test's time
	_, err = runner.Each(t.Context(), rec, s.cfg, nil, func(m *fusion.Measurement) error {
		s.in = append(s.in, *m)
		if m.Frame != nil { // valid during the call
			f := *m.Frame
			s.in[len(s.in)-1].Frame = &f
		}
		if m.Observed != nil {
			e := *m.Observed
			e.Obs = slices.Clone(e.Obs)
			s.in[len(s.in)-1].Observed = &e
		}
		if m.Ephemeris != nil {
			e := *m.Ephemeris
			s.in[len(s.in)-1].Ephemeris = &e
		}
		return nil
	})
	if err != nil {
		t.Fatal(name, err)
	}
	return s
}

// practice returns the practice recordings by name, none when they are absent.
func practice(t testing.TB) []string {
	t.Helper()
	dir := os.Getenv("KERBLINE_RECORDINGS")
	if dir == "" {
		return nil
	}
	found, _ := filepath.Glob(filepath.Join(dir, "*", fixtures.NMEAFile))
	for i := range found {
		found[i] = filepath.Dir(found[i])
	}
	slices.Sort(found)
	return found
}

// folder reads the files of a recording.
func folder(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	es, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range es {
		if out[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// track loads the map anew: a monitor binds it. nil without one.
func (s *session) track(t testing.TB) *course.Course {
	t.Helper()
	if s.course == nil {
		return nil
	}
	c, err := course.Load(s.course)
	if err != nil {
		t.Fatal(s.name, err)
	}
	return c
}

// play runs a monitor of its own over the session; keep, where it is not nil,
// says which measurements it is given.
func (s *session) play(t testing.TB, cfg fusion.Config, keep func(*fusion.Measurement) bool, look func(*fusion.Snapshot, []fusion.Event)) {
	t.Helper()
	m := fusion.NewMonitor(cfg, s.track(t))
	for i := range s.in {
		if keep != nil && !keep(&s.in[i]) {
			continue
		}
		if snap, ev := m.Step(&s.in[i]); snap != nil || len(ev) > 0 {
			look(snap, ev)
		}
	}
	if ev := m.Close(); len(ev) > 0 {
		look(nil, ev)
	}
}

// score plays the session and judges it.
func (s *session) score(t testing.TB, cfg fusion.Config) *score.Result {
	t.Helper()
	sc := score.New(s.truth, s.labels)
	s.play(t, cfg, nil, sc.Add)
	return sc.Result()
}

// since returns host time t in s of true UTC after the start of a generated
// session.
func (s *session) since(t float64) float64 { return s.sc.UTC(t) }

func deg(r float64) float64 { return r * 180 / math.Pi }

// branch plays the session and, on the first usable line of an epoch after
// every further period (s) from moving off, hands f a copy of the monitor, the
// index of the next measurement and the line. The copy shares the state of the
// correction link with its original, so the session must have no tap.
func (s *session) branch(t testing.TB, cfg fusion.Config, keep func(*fusion.Measurement) bool, period float64, f func(m *fusion.Monitor, next int, at *fusion.Snapshot)) {
	t.Helper()
	m := fusion.NewMonitor(cfg, s.track(t))
	due := s.sc.Still + score.SettleTime
	for i := range s.in {
		if keep != nil && !keep(&s.in[i]) {
			continue
		}
		snap, _ := m.Step(&s.in[i])
		if snap == nil || s.in[i].Kind != fusion.KindEpoch || snap.Verdict != fusion.Usable || s.since(snap.T) < due {
			continue
		}
		due += period
		at := *snap
		f(m.Clone(), i+1, &at)
	}
}

// errors returns the errors of a line across and along the direction of travel
// and of yaw, m, m, rad; ok is false where the truth has none.
func (s *session) errors(snap *fusion.Snapshot) (lat, lon, yaw float64, ok bool) {
	ref, ok := s.truth.At(snap.T, &s.hint)
	if !ok || !snap.HasPos {
		return 0, 0, 0, false
	}
	p := s.truth.Frame().FromLLA(snap.Pos)
	de, dn := p.E-ref.Pos.E, p.N-ref.Pos.N
	sin, cos := math.Sincos(score.Direction(snap))
	return -sin*de + cos*dn, cos*de + sin*dn, math.Remainder(snap.Yaw-ref.Yaw, 2*math.Pi), true
}

// beyond reports whether a line on whose level something may rest is off by more.
func (s *session) beyond(snap *fusion.Snapshot) bool {
	lat, lon, _, ok := s.errors(snap)
	return ok && (snap.Verdict == fusion.Usable || snap.Verdict == fusion.Coasting) &&
		(math.Abs(lat) > snap.PLLat.Total || math.Abs(lon) > snap.PLLon.Total)
}
