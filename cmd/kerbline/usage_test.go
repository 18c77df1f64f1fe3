package main

import (
	"reflect"
	"strings"
	"testing"
)

func TestArgumentsOf(t *testing.T) {
	for use, want := range map[string][]string{
		"demo":                                  nil,
		"convert [RECORDING] OUT":               {"[RECORDING]", "OUT"},
		"listen [HOST:PORT | nats://HOST/CAR]":  {"[HOST:PORT | nats://HOST/CAR]"},
		"tune RECORDING... --vary KEY=FROM ...": {"RECORDING..."},
		"inject [RECORDING] -o OUT --fault X":   {"[RECORDING]"},
	} {
		if got := argumentsOf(use); !reflect.DeepEqual(got, want) {
			t.Errorf("%q: %q, want %q", use, got, want)
		}
	}
}

// Wrong usage names what is missing or too many, and the nearest flag as the nearest
// command.
func TestUsageNames(t *testing.T) {
	for _, tt := range []struct{ args, want string }{
		{"convert", "OUT is missing, want kerbline convert [RECORDING] OUT"},
		{"season", "DIR is missing"},
		{"mounts", "URL is missing"},
		{"work --bus nats://127.0.0.1:1", "RECORDING is missing"},
		{"replay a b", `"b" is one too many, want kerbline replay [RECORDING]`},
		{"demo now", `"now" is one too many`},
		{"replay", "RECORDING is missing"},
		{"setup", "RECORDING is missing"},
		{"replay x --verdict y", "unknown flag --verdict, did you mean --verdicts?"},
		{"live --gns x", "did you mean --gnss?"},
		{"replay x --scren", "did you mean --screen?"},
		{"daycheck x --quixotic", "kerbline help daycheck lists them"},
	} {
		code, _, errOut := kerbline(t, strings.Fields(tt.args)...)
		if code != exitUsage || !strings.Contains(errOut, tt.want) {
			t.Errorf("%s: exit %d, %q, want %q", tt.args, code, errOut, tt.want)
		}
	}
}

// What writes files says where and how much.
func TestSaysWhatItWrote(t *testing.T) {
	dir := loop(t, "nominal", 90)
	to := t.TempDir()
	for _, tt := range []struct{ args, want string }{
		{"convert " + dir + " " + to + "/a.mcap", "wrote          " + to + "/a.mcap, "},
		{"convert " + to + "/a.mcap " + to + "/b", "wrote          " + to + "/b/, "},
		{"convert --tables " + dir + " " + to + "/c", "wrote          " + to + "/c/, "},
		{"inject " + dir + " -o " + to + "/d.mcap --fault jump:20..25:0.8", "wrote          " + to + "/d.mcap, "},
		{"report " + dir + " -o " + to + "/e.html --csv " + to + "/f", "wrote          " + to + "/f/, "},
	} {
		code, out, errOut := kerbline(t, strings.Fields(tt.args)...)
		if code != exitDone || !strings.Contains(errOut, tt.want) || strings.Contains(out, "wrote") {
			t.Errorf("%s: exit %d, %q, want %q", strings.ReplaceAll(tt.args, to, "."), code, errOut, tt.want)
		}
	}
	if _, _, errOut := kerbline(t, "report", dir, "-o", "-"); strings.Contains(errOut, "wrote") {
		t.Errorf("standard output is no file: %q", errOut)
	}
}

// onlyWritten reports whether nothing is said but where n files or folders went.
func onlyWritten(errOut string, n int) bool {
	lines := strings.Split(strings.TrimSpace(errOut), "\n")
	for _, l := range lines {
		if !strings.HasPrefix(l, "wrote  ") {
			return false
		}
	}
	return len(lines) == n
}
