package main_test

import (
	"bytes"
	"cmp"
	"go/ast"
	"go/build"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// The rules of the house that no compiler checks: who may import whom, what
// may not happen below cmd, what every package says of itself, what lies at
// the top, and that nothing is exported without a use.

const module = "kerbline"

// source is one Go file of the tree.
type source struct {
	name string // slash path from the root of the module
	dir  string // its package, "" is the root
	test bool
	file *ast.File
}

func (s *source) imports() (paths []string) {
	for _, i := range s.file.Imports {
		p, _ := strconv.Unquote(i.Path.Value)
		paths = append(paths, p)
	}
	return paths
}

// root is the folder of go.mod.
func root(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if dir == filepath.Dir(dir) {
			t.Fatal("no go.mod above")
		}
	}
}

var tree = struct {
	once sync.Once
	fset *token.FileSet
	all  []*source
	err  error
}{fset: token.NewFileSet()}

// sources parses the whole tree once.
func sources(t *testing.T) []*source {
	t.Helper()
	top := root(t)
	tree.once.Do(func() {
		tree.err = filepath.WalkDir(top, func(p string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && (d.Name() == "testdata" || d.Name() != "." && strings.HasPrefix(d.Name(), ".")) && p != top:
				return fs.SkipDir
			case d.IsDir() || !strings.HasSuffix(p, ".go"):
				return nil
			}
			// For this system: a file for another declares the same again.
			if ok, err := build.Default.MatchFile(filepath.Dir(p), d.Name()); err != nil || !ok {
				return err
			}
			f, err := parser.ParseFile(tree.fset, p, nil, parser.ParseComments|parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(top, p)
			rel = filepath.ToSlash(rel)
			tree.all = append(tree.all, &source{name: rel, dir: strings.TrimPrefix(path.Dir(rel), "."), test: strings.HasSuffix(rel, "_test.go"), file: f})
			return err
		})
	})
	if tree.err != nil {
		t.Fatal(tree.err)
	}
	return tree.all
}

// Data enters on the left and moves right; nothing on the left imports from
// the right. A name that ends in /... stands for itself and all below it.
var mayImport = map[string]struct{ own, others []string }{
	"gnss/geodesy":     {},
	"gnss/gnsstime":    {},
	"gnss/satellite":   {},
	"gnss/orbit":       {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/satellite"}},
	"gnss/observation": {own: []string{"gnss/gnsstime", "gnss/satellite"}},
	"gnss/atmosphere":  {own: []string{"gnss/geodesy", "gnss/satellite"}},
	"gnss/singlepoint": {own: []string{"gnss/atmosphere", "gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/satellite"}},
	"gnss/reception":   {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/rtcm", "gnss/satellite", "gnss/singlepoint"}},
	"gnss/rinex":       {own: []string{"gnss/atmosphere", "gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/satellite"}},
	"gnss/rtcm":        {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/satellite", "gnss/observation", "gnss/orbit"}},
	"gnss/nmea":        {others: []string{"github.com/adrianmo/go-nmea"}},
	"gnss/ntrip":       {},
	"gnss":             {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/nmea", "gnss/satellite"}},
	"gnss/corrections": {own: []string{"gnss", "gnss/bothends", "gnss/geodesy", "gnss/gnsstime", "gnss/rtcm"}},
	"gnss/bothends":    {own: []string{"gnss/rtcm"}, others: gonum},

	"fusion/eskf":         {others: gonum},
	"fusion/hostclock":    {},
	"fusion/lambda":       {},
	"fusion/internal/sky": {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/satellite"}},
	"fusion/carrier":      {own: []string{"gnss/atmosphere", "gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/satellite"}},
	"fusion/integers":     {own: []string{"fusion/carrier", "fusion/lambda", "gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/satellite"}},
	"fusion/phasecheck":   {own: []string{"fusion/carrier", "fusion/integers", "gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit"}},
	"fusion/navigation":   {own: []string{"gnss", "gnss/geodesy", "fusion/eskf", "fusion/hostclock"}, others: gonum},
	"fusion/civil":        {},
	"fusion/columns":      {},
	"fusion/symptoms":     {},
	"fusion/crosscheck":   {own: []string{"fusion/columns", "fusion/symptoms"}, others: gonum},
	"fusion/integrity":    {others: gonum},
	"fusion/trust":        {own: []string{"fusion/integrity"}},
	"fusion/verdict":      {own: []string{"gnss/corrections", "fusion/integrity"}},
	"fusion/outlook":      {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/observation", "gnss/orbit", "gnss/satellite"}},
	"fusion/parameters":   {own: []string{"fusion/columns", "fusion/crosscheck", "fusion/integrity", "fusion/navigation", "fusion/symptoms"}, others: gonum},
	"fusion/coast":        {own: []string{"fusion/course", "fusion/eskf", "fusion/integrity", "fusion/navigation"}, others: gonum},
	"fusion/course":       {own: []string{"gnss/geodesy"}},
	"fusion":              {own: []string{"gnss/...", "fusion/carrier", "fusion/civil", "fusion/coast", "fusion/columns", "fusion/course", "fusion/crosscheck", "fusion/eskf", "fusion/hostclock", "fusion/integers", "fusion/integrity", "fusion/navigation", "fusion/parameters", "fusion/phasecheck", "fusion/symptoms", "fusion/trust", "fusion/verdict"}, others: gonum},
	"fusion/score/bounds": {others: gonum},
	"fusion/score":        {own: []string{"gnss/...", "fusion", "fusion/course", "fusion/integrity", "fusion/score/bounds"}, others: gonum},
	"fusion/words":        {own: []string{"gnss/corrections", "fusion", "fusion/symptoms"}},
	"fusion/day":          {own: []string{"fusion/integers", "fusion/outlook", "gnss/...", "fusion", "fusion/score/...", "fusion/symptoms", "fusion/words"}, others: gonum},
	"fusion/smooth":       {own: []string{"gnss/geodesy", "fusion/eskf", "fusion/navigation"}, others: gonum},
	"fusion/calibrate":    {own: []string{"fusion/eskf", "fusion/navigation"}, others: gonum},
	"fusion/tune":         {own: []string{"gnss/...", "fusion", "fusion/course", "fusion/score/..."}, others: gonum},

	"tui": {own: []string{"gnss/...", "fusion/..."}, others: screen},

	"fixtures/faults":  {},
	"fixtures/signals": {own: []string{"gnss/..."}},
	"fixtures":         {own: []string{"gnss/geodesy", "gnss/gnsstime", "gnss/nmea", "gnss/rtcm", "fixtures/faults", "fixtures/signals"}},
	"fixtures/gendemo": {own: []string{"fixtures"}},

	"cmd/...": {own: []string{"gnss/...", "fusion/...", "tui", "fixtures/...", "cmd/kerbline/internal/..."}, others: []string{"*"}},
}

var (
	gonum  = []string{"gonum.org/v1/gonum/..."}
	screen = []string{"github.com/rivo/tview", "github.com/gdamore/tcell/...", "github.com/navidys/tvxwidgets", "github.com/mattn/go-runewidth", "github.com/rivo/uniseg"}
)

// covers reports whether one of the patterns stands for p.
func covers(patterns []string, p string) bool {
	return slices.ContainsFunc(patterns, func(pat string) bool {
		below, all := strings.CutSuffix(pat, "/...")
		return pat == "*" || pat == p || all && (p == below || strings.HasPrefix(p, below+"/"))
	})
}

func TestImportDirections(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue // tests may look both ways
		}
		rule, ok := mayImport[s.dir]
		if !ok && covers([]string{"cmd/..."}, s.dir) {
			rule, ok = mayImport["cmd/..."], true
		}
		if !ok {
			t.Errorf("%s: package %s has no row in mayImport: decide what it may import", s.name, s.dir)
			continue
		}
		for _, p := range s.imports() {
			own, mine := strings.CutPrefix(p, module+"/")
			switch {
			case mine && covers(rule.own, own):
			case mine:
				t.Errorf("%s imports %s, which is not to its left", s.name, own)
			case !strings.Contains(strings.Split(p, "/")[0], "."): // standard library
			case !covers(rule.others, p):
				t.Errorf("%s imports %s, want only %v beside the standard library", s.name, p, rule.others)
			case s.dir != "tui" && covers(screen, p):
				t.Errorf("%s imports %s: only tui draws", s.name, p)
			}
		}
	}
}

// Tests look both ways, but no core package may need the outer shell for them:
// it could not be moved elsewhere.
func TestImportDirectionsOfTests(t *testing.T) {
	for _, s := range sources(t) {
		for _, p := range s.imports() {
			own, mine := strings.CutPrefix(p, module+"/")
			if !mine || !s.test {
				continue
			}
			shell := covers([]string{"cmd/...", "tui"}, own)
			if shell && covers([]string{"gnss/...", "fusion/...", "fixtures/..."}, s.dir) {
				t.Errorf("%s imports %s", s.name, own)
			}
		}
	}
}

// Below cmd and tui nothing reads a clock, touches the system, starts a
// goroutine or draws a number without a seed: replay would not be the run.
func TestNothingButTheInput(t *testing.T) {
	clock := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
	system := []string{"os", "os/exec", "os/signal", "net", "net/http", "syscall", "math/rand", "crypto/rand", "runtime", "sync"}
	for _, s := range sources(t) {
		core := covers([]string{"gnss/...", "fusion/..."}, s.dir) && s.dir != "gnss/ntrip" // its protocol is sockets and timeouts
		if s.test || !core && s.dir != "fixtures" {
			continue
		}
		for _, p := range s.imports() {
			if core && slices.Contains(system, p) || strings.HasSuffix(p, "math/rand") {
				t.Errorf("%s imports %s", s.name, p)
			}
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt, *ast.SelectStmt:
				t.Errorf("%s: a goroutine", tree.fset.Position(n.Pos()))
			case *ast.SelectorExpr:
				x, ok := n.X.(*ast.Ident)
				switch {
				case !ok:
				case x.Name == "time" && slices.Contains(clock, n.Sel.Name):
					t.Errorf("%s reads the clock", tree.fset.Position(n.Pos()))
				case x.Name == "rand" && !strings.HasPrefix(n.Sel.Name, "New") && slices.Contains(s.imports(), "math/rand/v2") && n.Sel.Name != "Rand" && n.Sel.Name != "PCG":
					t.Errorf("%s draws a number without a seed", tree.fset.Position(n.Pos()))
				}
			}
			return true
		})
	}
}

// Every package says what it is in more than a sentence.
func TestPackageComments(t *testing.T) {
	said := map[string]int{}
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		n := said[s.dir]
		if doc := s.file.Doc.Text(); doc != "" {
			if n > 0 {
				t.Errorf("%s: a second package comment", s.name)
			}
			begins := "Package " + s.file.Name.Name + " "
			if s.file.Name.Name == "main" {
				begins = "Command " + path.Base(s.dir) + " "
			}
			if !strings.HasPrefix(doc, begins) {
				t.Errorf("%s: the package comment begins %.30q, want %q", s.name, doc, begins)
			}
			n += len(sentenceEnd.FindAllString(doc, -1))
		}
		said[s.dir] = n
	}
	for _, dir := range slices.Sorted(maps.Keys(said)) {
		if n := said[dir]; n < 2 {
			t.Errorf("package %s: its comment has %d sentences, want what it does, units, frames, where to start", dir, n)
		}
	}
}

var sentenceEnd = regexp.MustCompile(`[.:](\s|$)`)

// The top of the house is fixed.
func TestTopLevel(t *testing.T) {
	top := root(t)
	allowed := []string{"cmd", "gnss", "fusion", "tui", "fixtures", "README.md", "DEVELOPERS.md", "go.mod", "go.sum", "LICENSE"}
	ignored := ignorePatterns(t, top)
	entries, err := os.ReadDir(top)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if n := e.Name(); !slices.Contains(allowed, n) && !strings.HasPrefix(n, ".") && !ignored(n) {
			t.Errorf("%s lies at the top, where only %v and dotfiles do", n, allowed)
		}
	}
}

func ignorePatterns(t *testing.T, top string) func(name string) bool {
	b, err := os.ReadFile(filepath.Join(top, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	patterns := strings.Fields(string(b))
	return func(name string) bool {
		return slices.ContainsFunc(patterns, func(p string) bool {
			ok, err := path.Match(strings.TrimPrefix(p, "/"), name)
			if err != nil {
				t.Errorf(".gitignore: %s: %v", p, err)
			}
			return ok
		})
	}
}

// What a finished, public tree does not hold. In two parts each, so that this
// file does not hold it either.
var unwanted = regexp.MustCompile(`(?i)` + strings.Join([]string{
	`/wo` + `rk/`, `/ro` + `ot/`, `/ho` + `me/[a-z]`, `bash_` + `jobs`, // paths of a machine
	`trans` + `cript`, `assis` + `tant`, `language ` + `model`, `chat` + `bot`, // talk about who wrote it
	`proxy\.` + `golang`, `sum\.` + `golang`, `go` + `proxy`, `registry\.` + `npm`, `py` + `pi\.org`, `crates\.` + `io`, // where packages came from
	`(?-i:\bTO` + `DO\b)`, `(?-i:\bFIX` + `ME\b)`, `not ` + `implemented`, // what is not done
}, "|"))

func TestUnwantedWords(t *testing.T) {
	top := root(t)
	ignored := ignorePatterns(t, top)
	err := filepath.WalkDir(top, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.Name() == ".git" { // a file in a linked work tree
			if err == nil && d.IsDir() {
				err = fs.SkipDir
			}
			return err
		}
		rel, _ := filepath.Rel(top, p)
		if m := unwanted.FindString(filepath.ToSlash(rel)); m != "" {
			t.Errorf("%s: a file of that name (%q)", rel, m)
		}
		if d.IsDir() || d.Name() == ".git" || ignored(rel) || !d.Type().IsRegular() {
			return nil
		}
		b, err := os.ReadFile(p)
		if err != nil || bytes.IndexByte(b, 0) >= 0 {
			return err
		}
		for i, line := range bytes.Split(b, []byte("\n")) {
			if m := unwanted.Find(line); m != nil {
				t.Errorf("%s:%d: %q", rel, i+1, m)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// exportedFor lists what is exported though no other package names it, by the
// reason. Methods are written Type.Method, a set of values by its first.
var exportedFor = map[string][]string{
	"a list that only tests read": {"fixtures.Kinds"},
	"a limit or default that documentation outside the package names": {
		"gnss/corrections.MaxTypes", "gnss/nmea.MaxLine", "gnss/gnsstime.RolloverWeeks",
		"tui.MinWidth", "tui.StaleAfter",
	},
	"an error to be told apart by errors.Is or errors.As": {
		"cmd/kerbline/internal/settings.Problems", "tui.ErrStuck", "tui.Failure",
	},
	"the other half of a pair": {
		"gnss/gnsstime.UTCToMJD", "fusion/eskf.Log",
		"gnss/rtcm.AppendFrame", "gnss/rtcm.Reseal",
		"tui.State.Clamp", "tui.PlainScreen",
	},
	"a figure of a result that is printed whole": {
		"fusion/score.AxisResult.ErrorQuantile", "fusion/score.AxisResult.MedianRatio",
		"fusion/score.FaultScore.Exposed", "fusion/score.Result.UsableRMS",
		"fusion/score/bounds.PoissonInterval", "fusion/score/bounds.TrialsForZero",
		"fusion/tune.FiguresOf", "fusion/tune.Near.BeyondChance",
		"cmd/kerbline/internal/inject.Result.HostTime",
	},
	"the words or keys of something that is used": {"cmd/kerbline/internal/inject.Kinds", "cmd/kerbline/internal/settings.Key", "cmd/kerbline/internal/settings.Keys"},
	"read by what is being built on the observations": {
		"gnss/reception.Side.Carriers", "gnss/reception.Side.Constellations",
		"gnss/reception.State.Lacks", "gnss/rtcm.LockIndicator", "gnss/rtcm.Observables.AppendTo",
	},
	"shows others how its package decides or is checked": {
		"fixtures.DemoScenario", "fusion/eskf.Filter.PositiveDefinite",
		"gnss/corrections.Decide", "gnss/corrections.Missing", "gnss/corrections.DefaultConfig",
	},
}

// Nothing is exported without a use: every exported name is used by another
// package (its tests count, the package's own do not) or by a template, belongs
// to the shape of something that is, or has a reason in exportedFor. Types are
// not resolved: a method counts as used wherever its name is selected. Fields
// are left alone, they are the shape of data.
func TestExportedIsUsed(t *testing.T) {
	idle := exportedIdle(sources(t), templateNames(t))
	reason := map[string]string{}
	for why, names := range exportedFor {
		for _, n := range names {
			reason[n] = why
		}
	}
	for _, n := range idle {
		if reason[n] == "" {
			t.Errorf("%s is exported, but no other package uses it: unexport it, or give the reason in exportedFor", n)
		}
	}
	for n := range reason {
		if !slices.Contains(idle, n) {
			t.Errorf("exportedFor holds %s, which is used or gone", n)
		}
	}
}

// templateNames returns what the templates of the tree select.
func templateNames(t *testing.T) map[string]bool {
	names := map[string]bool{}
	err := filepath.WalkDir(root(t), func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !slices.Contains([]string{".html", ".svg", ".tmpl"}, filepath.Ext(p)) {
			return err
		}
		b, err := os.ReadFile(p)
		for _, m := range selects.FindAllSubmatch(b, -1) {
			names[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

var selects = regexp.MustCompile(`\.([A-Z]\w*)`)

// byInterface are methods that are called without being named.
var byInterface = []string{"String", "Error", "Unwrap", "Is", "As", "Read", "Write", "Close", "Len", "Less", "Swap", "Format", "Set", "Type",
	"MarshalText", "UnmarshalText", "MarshalJSON", "UnmarshalJSON", "MarshalBinary", "UnmarshalBinary", "Draw", "InputHandler", "MouseHandler", "Focus"}

// exportedIdle returns the exported names nobody needs, "package.Name" or
// "package.Type.Name", sorted.
func exportedIdle(all []*source, inTemplates map[string]bool) (idle []string) {
	// Uses from outside: package-level names by import, selected names by
	// name alone, with the packages that select them.
	used := map[string]bool{}
	selected := map[string]map[string]bool{}
	for _, s := range all {
		local := map[string]string{} // name in this file -> package
		for _, i := range s.file.Imports {
			p, _ := strconv.Unquote(i.Path.Value)
			own, mine := strings.CutPrefix(p, module+"/")
			if !mine || own == s.dir {
				continue
			}
			name := path.Base(own)
			if i.Name != nil {
				name = i.Name.Name
			}
			local[name] = own
		}
		note := func(name string) {
			if selected[name] == nil {
				selected[name] = map[string]bool{}
			}
			selected[name][s.dir] = true
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && local[x.Name] != "" {
					used[local[x.Name]+"."+n.Sel.Name] = true
				}
				note(n.Sel.Name)
			case *ast.BasicLit: // a template in the code
				if n.Kind == token.STRING && strings.Contains(n.Value, "{{") {
					for _, m := range selects.FindAllStringSubmatch(n.Value, -1) {
						inTemplates[m[1]] = true
					}
				}
			case *ast.KeyValueExpr:
				if k, ok := n.Key.(*ast.Ident); ok {
					note(k.Name)
				}
			}
			return true
		})
	}
	elsewhere := func(name, dir string) bool {
		if inTemplates[name] {
			return true
		}
		for d := range selected[name] {
			if d != dir {
				return true
			}
		}
		return false
	}
	needed := func(dir, typ string) bool { return used[dir+"."+typ] || inShape(all, dir, typ) }
	for _, s := range all {
		if s.test || s.file.Name.Name == "main" {
			continue
		}
		report := func(name string) { idle = append(idle, s.dir+"."+name) }
		for _, d := range s.file.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				name := d.Name.Name
				switch {
				case !d.Name.IsExported():
				case d.Recv == nil:
					if !used[s.dir+"."+name] {
						report(name)
					}
				default:
					on := receiver(d.Recv.List[0].Type)
					if ast.IsExported(on) && !elsewhere(name, s.dir) && !slices.Contains(byInterface, name) {
						report(on + "." + name)
					}
				}
			case *ast.GenDecl:
				// A set of values is exported whole, under the name of its
				// first; the values of a type that is used are its words.
				first, kind, inUse := "", "", false
				for _, spec := range d.Specs {
					switch spec := spec.(type) {
					case *ast.ValueSpec:
						if id, ok := spec.Type.(*ast.Ident); ok && kind == "" {
							kind = id.Name
						}
						for _, n := range spec.Names {
							if n.IsExported() {
								first = cmp.Or(first, n.Name)
								inUse = inUse || used[s.dir+"."+n.Name]
							}
						}
					case *ast.TypeSpec:
						if n := spec.Name.Name; spec.Name.IsExported() && !needed(s.dir, n) {
							report(n)
						}
					}
				}
				if first != "" && !inUse && !(ast.IsExported(kind) && needed(s.dir, kind)) {
					report(first)
				}
			}
		}
	}
	slices.Sort(idle)
	return idle
}

func receiver(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.StarExpr:
		return receiver(e.X)
	case *ast.IndexExpr:
		return receiver(e.X)
	case *ast.Ident:
		return e.Name
	}
	return ""
}

// inShape reports whether a type is part of the signature or the fields of
// something else that its package exports.
func inShape(all []*source, dir, name string) (found bool) {
	look := func(n ast.Node) {
		if n == nil {
			return
		}
		ast.Inspect(n, func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok && id.Name == name {
				found = true
			}
			return true
		})
	}
	for _, s := range all {
		if s.dir != dir || s.test {
			continue
		}
		for _, d := range s.file.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if d.Name.IsExported() {
					look(d.Type)
				}
			case *ast.GenDecl:
				for _, spec := range d.Specs {
					switch spec := spec.(type) {
					case *ast.TypeSpec:
						if spec.Name.IsExported() && spec.Name.Name != name {
							look(spec.Type)
						}
					case *ast.ValueSpec:
						if spec.Type != nil && spec.Names[0].IsExported() {
							look(spec.Type)
						}
					}
				}
			}
		}
	}
	return found
}
