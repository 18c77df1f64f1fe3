package main

import (
	"runtime"
	"slices"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/version"
)

func TestVersion(t *testing.T) {
	code, out, _ := kerbline(t, "version")
	if list := strings.Split(out, "\n"); code != exitDone || len(list) != 3 || !strings.HasPrefix(list[0], "kerbline ") || !strings.HasPrefix(list[1], runtime.Version()) {
		t.Errorf("exit %d, %q", code, out)
	}
	if out != version.String()+"\n"+version.Toolchain()+"\n" {
		t.Errorf("%q is not what reports and recordings hold, %q", out, version.String())
	}
	_, out, _ = kerbline(t, "version", "--modules")
	if !slices.ContainsFunc(strings.Split(out, "\n"), func(l string) bool { return strings.HasPrefix(l, "github.com/spf13/cobra v") }) {
		t.Errorf("no module it is built with in %q", out)
	}
	if code, _, _ := kerbline(t, "version", "please"); code != exitUsage {
		t.Errorf("an argument too many: exit %d, want %d", code, exitUsage)
	}
}
