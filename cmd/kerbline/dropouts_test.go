package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The command over a folder, its files by flags and as JSON: the same outages,
// and not a word on the error output in a pipe.
func TestDropouts(t *testing.T) {
	dir := loop(t, "link_silent", 200)
	code, out, errOut := kerbline(t, "dropouts", dir)
	if code != exitDone || errOut != "" {
		t.Fatalf("exit %d, messages %q", code, errOut)
	}
	for _, want := range []string{"timeline, one mark is 1 s", "outages", "link_silent", "Try: ", "type  count", "base coordinates"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing from\n%s", want, out)
		}
	}

	outages := func(args ...string) (causes []string, whole map[string]any) {
		code, out, errOut := kerbline(t, append([]string{"dropouts", "--json"}, args...)...)
		if code != exitDone || errOut != "" {
			t.Fatalf("%v: exit %d, messages %q", args, code, errOut)
		}
		if err := json.Unmarshal([]byte(out), &whole); err != nil {
			t.Fatal(err)
		}
		for _, o := range whole["outages"].([]any) {
			causes = append(causes, o.(map[string]any)["cause"].(string))
		}
		return causes, whole
	}
	file := func(name string) string { return filepath.Join(dir, name) }
	if got, _ := outages(dir); len(got) != 1 || got[0] != "link_silent" {
		t.Errorf("outages %v, want link_silent", got)
	}
	// Not tapped: the cause is open. The link alone: no receiver is needed.
	if got, _ := outages("--gnss", file("nmea.log")); len(got) != 1 || got[0] != "unknown" {
		t.Errorf("not tapped: outages %v, want unknown", got)
	}
	got, whole := outages("--corrections", file("corrections.csv"))
	if len(got) != 1 || got[0] != "link_silent" || whole["receiver"].(map[string]any)["epochs"] != 0.0 {
		t.Errorf("the link alone: outages %v, receiver %v; want link_silent and no epoch", got, whole["receiver"])
	}
}

func TestDropouts_Usage(t *testing.T) {
	for _, tt := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"dropouts"}, exitUsage, "nothing to read"},
		{[]string{"dropouts", "a", "b"}, exitUsage, "one too many"},
		{[]string{"dropouts", filepath.Join(t.TempDir(), "none")}, exitFailed, "none"},
		{[]string{"dropouts", "--json-fields"}, exitDone, ""},
	} {
		code, out, errOut := kerbline(t, tt.args...)
		if code != tt.code || !strings.Contains(errOut, tt.want) {
			t.Errorf("%v: exit %d, messages %q; want %d, %q", tt.args, code, errOut, tt.code, tt.want)
		}
		if tt.code == exitDone && !strings.Contains(out, "outages[].cause") {
			t.Errorf("%v: %q", tt.args, out)
		}
	}
	// Bytes that are no corrections are counted, not believed, and no report is made of
	// them.
	junk := filepath.Join(t.TempDir(), "junk.rtcm3")
	if err := os.WriteFile(junk, []byte(strings.Repeat("\xd3\x00\x13\xff nothing here ", 500)), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errOut := kerbline(t, "dropouts", "--corrections", junk)
	if code != exitFailed || !strings.Contains(errOut, "no RTCM 3 frame: 9000 bytes") || out != "" {
		t.Errorf("junk: exit %d, messages %q\n%s", code, errOut, out)
	}
}
