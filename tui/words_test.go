package tui

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"strings"
	"testing"
)

// Every reason code the monitor can give is said in words here.
func TestReasonWordsAreComplete(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "../fusion/verdict.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	codes := 0
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok || len(spec.Names) != 1 || spec.Names[0].Name != "reasonCodes" && spec.Names[0].Name != "linkCodes" {
			return true
		}
		ast.Inspect(spec, func(n ast.Node) bool {
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
			if w, ok := reasonWords[code]; !ok || strings.TrimSpace(w) == "" {
				t.Errorf("no words for reason %q", code)
			}
			return true
		})
		return false
	})
	if codes < 20 {
		t.Errorf("found %d codes only: where have they gone?", codes)
	}
}
