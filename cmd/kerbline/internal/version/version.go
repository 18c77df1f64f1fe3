// Package version says which build of the program this is, from what the Go
// toolchain puts into every binary: for the version command, reports, recordings
// and published lines.
//
// Start at [String].
package version

import (
	"runtime"
	"runtime/debug"
	"sync"
)

// String names the build in one line: the module's version, and the revision
// where the binary was built from a repository.
var String = sync.OnceValue(func() string {
	own := "kerbline (version not recorded)"
	bi, ok := debug.ReadBuildInfo()
	if !ok {
		return own
	}
	own = "kerbline " + bi.Main.Version
	for _, s := range bi.Settings {
		switch {
		case s.Key == "vcs.revision":
			own += ", revision " + s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			own += ", changed since"
		}
	}
	return own
})

// Toolchain names the compiler and what it compiled for.
func Toolchain() string { return runtime.Version() + " " + runtime.GOOS + "/" + runtime.GOARCH }

// Modules lists the modules that the program is built with, each with its
// version.
func Modules() (list []string) {
	if bi, ok := debug.ReadBuildInfo(); ok {
		for _, m := range bi.Deps {
			list = append(list, m.Path+" "+m.Version)
		}
	}
	return list
}
