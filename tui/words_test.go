package tui

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"strings"
	"testing"

	"kerbline/fusion/words"
)

// Every reason code the monitor can give is said in words.
func TestReasonWordsAreComplete(t *testing.T) {
	codes := 0
	check := func(n ast.Node) bool {
		lit, ok := n.(*ast.BasicLit)
		if !ok || lit.Kind != token.STRING {
			return true
		}
		code, _ := strconv.Unquote(lit.Value)
		codes++
		switch code {
		case "link", "link-untapped", "link-flowing": // replaced by the link's condition, or no reason
			return true
		}
		if w, plain := words.OfReason(code), strings.ReplaceAll(code, "-", " "); w.Now == plain && w.Was == plain {
			t.Errorf("no words for reason %q", code)
		}
		return true
	}
	for _, path := range []string{"../fusion/verdict/reason.go", "../fusion/describe.go"} {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if ok && len(spec.Names) == 1 && (spec.Names[0].Name == "reasonCodes" || spec.Names[0].Name == "linkCodes") {
				ast.Inspect(spec, check)
			}
			return true
		})
	}
	if codes < 30 {
		t.Errorf("found %d codes only: where have they gone?", codes)
	}
}
