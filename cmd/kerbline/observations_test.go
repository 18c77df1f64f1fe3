package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fixtures/signals"
)

// observedFolder writes a recording with the rover's observations.
func observedFolder(t *testing.T, change func(*fixtures.Scenario)) string {
	t.Helper()
	s := fixtures.Standard("nominal", 9)
	s.Duration = 100
	s.Observe = signals.Config{Rate: 2, Second: "L5", Still: 0.3, Moving: 0.3, WindUp: true, EphEvery: 20}
	if change != nil {
		change(&s)
	}
	dir := t.TempDir()
	if err := s.Write(dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

// A recording with observations gives the same lines as a folder, as an MCAP
// file and as that folder again, and its observations as a table; the commands
// that look for faults name what is missing.
func TestObservations_AllForms(t *testing.T) {
	dir := observedFolder(t, nil)
	tmp := t.TempDir()
	file := func(name string) string { return filepath.Join(tmp, name) }
	verdicts := func(from string) []byte {
		t.Helper()
		out := file(filepath.Base(from) + ".verdicts")
		if code, _, errOut := kerbline(t, "replay", from, "--verdicts", out); code != 0 {
			t.Fatal(errOut)
		}
		b, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	mcap, again, tables := file("run.mcap"), file("again"), file("tables")
	for _, args := range [][]string{{"convert", dir, mcap}, {"convert", mcap, again}, {"convert", "--tables", dir, tables}} {
		if code, _, errOut := kerbline(t, args...); code != 0 {
			t.Fatal(args, errOut)
		}
	}
	a, b, c := verdicts(dir), verdicts(mcap), verdicts(again)
	if len(a) == 0 || !bytes.Equal(a, b) || !bytes.Equal(a, c) {
		t.Errorf("%d, %d, %d bytes of verdicts, want the same", len(a), len(b), len(c))
	}
	table, err := os.ReadFile(filepath.Join(tables, "observations.csv"))
	if err != nil || !bytes.Contains(table, []byte(",rover,")) || !bytes.Contains(table, []byte(",base,")) || !bytes.Contains(table, []byte(",5Q,")) {
		t.Errorf("%v, %d bytes of observations", err, len(table))
	}

	_, out, errOut := kerbline(t, "replay", dir, "--verdicts", os.DevNull)
	if !strings.Contains(out+errOut, "epochs of rover and base") {
		t.Errorf("replay says nothing of observations:\n%s%s", out, errOut)
	}
	_, out, _ = kerbline(t, "calibrate", dir)
	if !strings.Contains(out, "carrier phases: everything needed is sent") {
		t.Errorf("calibrate:\n%s", out)
	}
	_, out, _ = kerbline(t, "dropouts", dir)
	if !strings.Contains(out, "rover: 2 Hz, GPS ") {
		t.Errorf("dropouts:\n%s", out)
	}
	_, out, _ = kerbline(t, "daycheck", dir)
	if !strings.Contains(out, "base against its own observations") || !strings.Contains(out, "lacks for carrier phases") ||
		!strings.Contains(out, "fix confirmed by rover and base") || !strings.Contains(out, "refuted never") {
		t.Errorf("daycheck:\n%s", out)
	}

	bare := observedFolder(t, func(s *fixtures.Scenario) { s.Observe.EphEvery, s.Observe.Second = 0, "" })
	_, out, _ = kerbline(t, "calibrate", bare)
	if !strings.Contains(out, "no ephemerides on either stream: switch on 1019, 1042, 1046") || !strings.Contains(out, "integers of our own need them") {
		t.Errorf("without ephemerides and second carrier:\n%s", out)
	}
}

// Faults put into a recording act on the second port too.
func TestObservations_Inject(t *testing.T) {
	dir := observedFolder(t, nil)
	whole, err := os.ReadFile(filepath.Join(dir, fixtures.ObservationsFile))
	if err != nil {
		t.Fatal(err)
	}
	for kind, check := range map[string]func(n int) bool{
		faults.Jump:     func(n int) bool { return n == len(whole) },
		faults.Receiver: func(n int) bool { return n < len(whole)*95/100 },
		faults.Sky:      func(n int) bool { return n < len(whole)*98/100 },
	} {
		out := filepath.Join(t.TempDir(), "out")
		if code, _, errOut := kerbline(t, "inject", dir, "--fault", kind+":50..60", "-o", out); code != 0 {
			t.Fatal(kind, errOut)
		}
		b, err := os.ReadFile(filepath.Join(out, fixtures.ObservationsFile))
		if err != nil {
			t.Fatal(kind, err)
		}
		// Chunks may be cut elsewhere: count the digits.
		n := len(b)
		if kind == faults.Sky {
			n -= 18 * (bytes.Count(b, []byte("\n")) - bytes.Count(whole, []byte("\n")))
		}
		if !check(n) {
			t.Errorf("%s: %d bytes of %d", kind, n, len(whole))
		}
	}
}

// Interference put into a recording is told from a blocked sky wherever something says
// what broke: as an event, as the cause of the outage, in the day check and the report.
func TestObservations_InterferenceIsNamed(t *testing.T) {
	dir := observedFolder(t, func(s *fixtures.Scenario) { s.Duration = 140 })
	for _, c := range []struct {
		fault      string
		says, none string
	}{
		{"interference:70..100:14", "interference", "sky blocked"},
		{"sky_blocked:70..100", "sky", "interference"},
	} {
		out, page, events := filepath.Join(t.TempDir(), "out"), filepath.Join(t.TempDir(), "page.html"), filepath.Join(t.TempDir(), "events")
		if code, _, errOut := kerbline(t, "inject", dir, "--fault", c.fault, "-o", out); code != 0 {
			t.Fatal(c.fault, errOut)
		}
		lines := filepath.Join(t.TempDir(), "verdicts")
		if code, _, errOut := kerbline(t, "replay", out, "--verdicts", lines, "--events", events); code != 0 {
			t.Fatal(c.fault, errOut)
		}
		v, err := os.ReadFile(lines)
		if err != nil {
			t.Fatal(err)
		}
		if got := bytes.Contains(v, []byte(`"interference"`)); got != (c.says == "interference") {
			t.Errorf("%s: a reason of the verdict: %v", c.fault, got)
		}
		b, err := os.ReadFile(events)
		if err != nil {
			t.Fatal(err)
		}
		if got := bytes.Contains(b, []byte(`"kind":"interference"`)); got != (c.says == "interference") {
			t.Errorf("%s: event of interference %v", c.fault, got)
		}
		_, text, _ := kerbline(t, "dropouts", out)
		if !strings.Contains(text, c.says) || strings.Contains(text, c.none) {
			t.Errorf("%s: dropouts\n%s", c.fault, text)
		}
		_, text, _ = kerbline(t, "daycheck", out)
		if c.says == "interference" && !strings.Contains(text, "all C/N0 fell together") {
			t.Errorf("%s: daycheck\n%s", c.fault, text)
		}
		if code, _, errOut := kerbline(t, "report", out, "-o", page); code != 0 {
			t.Fatal(c.fault, errOut)
		}
		if b, err = os.ReadFile(page); err != nil {
			t.Fatal(err)
		}
		if c.says == "interference" && !bytes.Contains(b, []byte("fell together")) {
			t.Errorf("%s: the report does not say it", c.fault)
		}
	}
}
