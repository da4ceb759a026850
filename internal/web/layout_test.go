package web_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"reflect"
	"testing"

	"plumbline/internal/web/frame"
)

// A page that names a field as the frame does hides the frame's from the template
// around it: its footer or its way to sign out would then show the page's value.
func TestNoPageHidesAFieldOfItsFrame(t *testing.T) {
	of := reflect.TypeFor[frame.Layout]()
	taken := map[string]bool{}
	for n := range of.NumField() {
		taken[of.Field(n).Name] = true
	}
	views := 0
	for _, name := range sources(t) {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			view, ok := n.(*ast.StructType)
			if !ok || !embedsFrame(view) {
				return true
			}
			views++
			for _, field := range view.Fields.List {
				for _, named := range field.Names {
					if taken[named.Name] {
						t.Errorf("%s: the field %s hides the frame's: give it another name", set.Position(named.Pos()), named.Name)
					}
				}
			}
			return true
		})
	}
	if views < 10 {
		t.Errorf("only %d views of pages were found", views)
	}
}

func embedsFrame(view *ast.StructType) bool {
	for _, field := range view.Fields.List {
		if of, ok := field.Type.(*ast.SelectorExpr); ok && len(field.Names) == 0 && of.Sel.Name == "Layout" {
			return true
		}
	}
	return false
}
