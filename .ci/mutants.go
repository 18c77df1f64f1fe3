//go:build ignore

// Command mutants measures how much the tests notice: it draws random small
// mistakes in the packages named, runs the tests against each, and lists those
// that no test notices.
//
//	.ci/mutants [-v] N SEED PACKAGES...
//
// A mistake is a condition turned round, an operator exchanged, a constant
// changed, or a statement left out, drawn with equal chance from all places in
// the packages. It is put over its file by the -overlay of the go command, so
// nothing in the tree changes. The tests of its own package run; with -wide, or
// where it has none, also those of the packages named that depend on it. A mistake that does not compile is
// drawn again, one that makes the tests hang counts as noticed.
//
// The last line says how many of N were noticed. Exit code 1 means less than 90 %.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// limit is how long the tests of one package may take. Slower ones hang.
const limit = 5 * time.Minute

// pkg is a package as go list prints it.
type pkg struct {
	ImportPath, Dir           string
	GoFiles                   []string
	TestGoFiles, XTestGoFiles []string
	Deps, TestImports         []string
	dependents                []*pkg // of the packages named
	hasTests                  bool
}

// mistake replaces bytes from to to of a file.
type mistake struct {
	pkg      *pkg
	file     string
	line     int
	from, to int
	text     string
	what     string
}

func main() {
	wide := flag.Bool("wide", false, "let the tests of dependent packages notice too")
	verbose := flag.Bool("v", false, "print every mistake, not only those that pass")
	flag.Parse()
	args := flag.Args()
	if len(args) < 3 {
		fail("want N SEED PACKAGES, such as: .ci/mutants 60 1 ./fusion/... ./gnss/corrections")
	}
	n, err := strconv.Atoi(args[0])
	seed, err2 := strconv.ParseUint(args[1], 10, 64)
	if err != nil || err2 != nil || n < 1 {
		fail("want N and SEED as numbers, got %q and %q", args[0], args[1])
	}
	pkgs := list(args[2:])
	var all []mistake
	for _, p := range pkgs {
		for _, f := range p.GoFiles {
			all = append(all, mistakes(p, filepath.Join(p.Dir, f))...)
		}
	}
	for _, p := range pkgs {
		if out, err := exec.Command("go", "test", "-vet=off", p.ImportPath).CombinedOutput(); err != nil {
			fail("the tests of %s fail as they are:\n%s", p.ImportPath, out)
		}
	}
	rng := rand.New(rand.NewPCG(seed, 0))
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	fmt.Printf("%d places in %d packages\n", len(all), len(pkgs))
	tried, noticed := 0, 0
	for i := 0; i < len(all) && tried < n; i++ {
		by, ok := try(&all[i], *wide)
		if !ok {
			continue // does not compile
		}
		tried++
		if by != "" {
			noticed++
		}
		if by == "" || *verbose {
			m := &all[i]
			rel, _ := filepath.Rel(mustGetwd(), m.file)
			if by == "" {
				by = "NOT NOTICED"
			}
			fmt.Printf("%s:%d: %s: %s\n", rel, m.line, m.what, by)
		}
	}
	fmt.Printf("%d of %d noticed\n", noticed, tried)
	if 10*noticed < 9*tried {
		os.Exit(1)
	}
}

func fail(format string, a ...any) {
	fmt.Fprintf(os.Stderr, "mutants: "+format+"\n", a...)
	os.Exit(2)
}

func mustGetwd() string {
	d, err := os.Getwd()
	if err != nil {
		fail("%v", err)
	}
	return d
}

// list returns the packages that patterns name.
func list(patterns []string) (pkgs []*pkg) {
	out, err := exec.Command("go", append([]string{"list", "-json"}, patterns...)...).Output()
	if err != nil {
		fail("go list %v: %v", patterns, err)
	}
	for d := json.NewDecoder(bytes.NewReader(out)); d.More(); {
		p := new(pkg)
		if err := d.Decode(p); err != nil {
			fail("go list: %v", err)
		}
		p.hasTests = len(p.TestGoFiles)+len(p.XTestGoFiles) > 0
		pkgs = append(pkgs, p)
	}
	for _, p := range pkgs {
		for _, q := range pkgs {
			if q != p && q.hasTests && slices.Contains(q.Deps, p.ImportPath) {
				p.dependents = append(p.dependents, q)
			}
		}
		// Those that need it most directly first.
		slices.SortStableFunc(p.dependents, func(a, b *pkg) int { return len(a.Deps) - len(b.Deps) })
	}
	return pkgs
}

// exchanged are operators and what they are mistaken for.
var exchanged = map[token.Token]token.Token{
	token.ADD: token.SUB, token.SUB: token.ADD, token.MUL: token.QUO, token.QUO: token.MUL, token.REM: token.MUL,
	token.LAND: token.LOR, token.LOR: token.LAND,
	token.LSS: token.GEQ, token.GEQ: token.LSS, token.GTR: token.LEQ, token.LEQ: token.GTR, token.EQL: token.NEQ, token.NEQ: token.EQL,
	token.ADD_ASSIGN: token.SUB_ASSIGN, token.SUB_ASSIGN: token.ADD_ASSIGN, token.MUL_ASSIGN: token.QUO_ASSIGN, token.QUO_ASSIGN: token.MUL_ASSIGN,
	token.INC: token.DEC, token.DEC: token.INC,
}

// mistakes returns what can be got wrong in a file.
func mistakes(p *pkg, name string) (out []mistake) {
	src, err := os.ReadFile(name)
	if err != nil {
		fail("%v", err)
	}
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, name, src, 0)
	if err != nil {
		fail("%v", err)
	}
	at := func(pos token.Pos) int { return fset.Position(pos).Offset }
	add := func(from, to token.Pos, text, what string) {
		out = append(out, mistake{p, name, fset.Position(from).Line, at(from), at(to), text, what})
	}
	text := func(from, to token.Pos) string { return string(src[at(from):at(to)]) }
	turn := func(cond ast.Expr) {
		if cond != nil {
			c := text(cond.Pos(), cond.End())
			add(cond.Pos(), cond.End(), "!("+c+")", "condition turned: "+short(c))
		}
	}
	leave := func(s ast.Stmt) {
		add(s.Pos(), s.End(), "", "left out: "+short(text(s.Pos(), s.End())))
	}
	operator := func(pos token.Pos, op token.Token) {
		if to, ok := exchanged[op]; ok {
			add(pos, pos+token.Pos(len(op.String())), to.String(), fmt.Sprintf("%s for %s", to, op))
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec, *ast.Field:
			return false
		case *ast.IfStmt:
			turn(n.Cond)
			if n.Else == nil {
				leave(n)
			}
		case *ast.ForStmt:
			turn(n.Cond)
		case *ast.BinaryExpr:
			operator(n.OpPos, n.Op)
		case *ast.AssignStmt:
			operator(n.TokPos, n.Tok)
			if n.Tok != token.DEFINE {
				leave(n)
			}
		case *ast.IncDecStmt:
			operator(n.TokPos, n.Tok)
		case *ast.ExprStmt:
			leave(n)
		case *ast.BranchStmt:
			leave(n)
		case *ast.BasicLit:
			if text, ok := other(n); ok {
				add(n.Pos(), n.End(), text, fmt.Sprintf("%s for %s", text, n.Value))
			}
		}
		return true
	})
	return out
}

// other is another value for a number.
func other(l *ast.BasicLit) (string, bool) {
	switch l.Kind {
	case token.INT:
		n, err := strconv.ParseInt(l.Value, 0, 64)
		return strconv.FormatInt(n+1, 10), err == nil
	case token.FLOAT:
		x, err := strconv.ParseFloat(l.Value, 64)
		if x == 0 {
			return "1.0", err == nil
		}
		return "(2 * " + l.Value + ")", err == nil
	}
	return "", false
}

func short(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > 70 {
		s = s[:70] + "..."
	}
	return s
}

// try runs the tests against a mistake. by is the package whose tests notice it,
// "" when none does; ok is false when it does not compile.
func try(m *mistake, wide bool) (by string, ok bool) {
	src, err := os.ReadFile(m.file)
	if err != nil {
		fail("%v", err)
	}
	dir, err := os.MkdirTemp("", "mutant")
	if err != nil {
		fail("%v", err)
	}
	defer os.RemoveAll(dir)
	wrong := slices.Concat(src[:m.from], []byte(m.text), src[m.to:])
	put, over := filepath.Join(dir, "wrong.go"), filepath.Join(dir, "overlay.json")
	o, _ := json.Marshal(map[string]map[string]string{"Replace": {m.file: put}})
	if err := os.WriteFile(put, wrong, 0o600); err != nil {
		fail("%v", err)
	}
	if err := os.WriteFile(over, o, 0o600); err != nil {
		fail("%v", err)
	}
	if exec.Command("go", "build", "-overlay", over, m.pkg.ImportPath).Run() != nil {
		return "", false
	}
	run := []*pkg{m.pkg}
	if !m.pkg.hasTests {
		run = nil
	}
	if wide || !m.pkg.hasTests {
		run = append(run, m.pkg.dependents...)
	}
	for _, p := range run {
		ctx, cancel := context.WithTimeout(context.Background(), limit)
		cmd := exec.CommandContext(ctx, "go", "test", "-overlay", over, "-vet=off", "-failfast", "-timeout", limit.String(), p.ImportPath)
		cmd.WaitDelay = time.Second
		out, err := cmd.CombinedOutput()
		cancel()
		if err != nil {
			if bytes.Contains(out, []byte("[build failed]")) {
				return "", false
			}
			return p.ImportPath, true
		}
	}
	return "", true
}
