package app

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestNoCommandSaysWordsOfItsOwn looks at what commands write, and the heads of their tables:
// two words in a row stand in the catalogue. (One word before a value, such as the address
// after "open", is for programs that read it.)
func TestNoCommandSaysWordsOfItsOwn(t *testing.T) {
	words := regexp.MustCompile(`\p{L}{2,}(?:,? | \| |\\t)\p{L}{2,}`)
	writes := map[string]bool{
		"Fprint": true, "Fprintf": true, "Fprintln": true, "WriteString": true, "table": true, "tableOr": true,
	}
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	looked := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || !writes[calledOf(call)] {
				return true
			}
			looked++
			ast.Inspect(call, func(n ast.Node) bool {
				if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING && words.MatchString(lit.Value) {
					t.Errorf("%s writes %s: put it into internal/text/en/commands.json and ask for it with text.Say",
						set.Position(lit.Pos()), lit.Value)
				}
				return true
			})
			return true
		})
	}
	if looked < 20 {
		t.Errorf("only %d calls were looked at", looked)
	}
}

func calledOf(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}
