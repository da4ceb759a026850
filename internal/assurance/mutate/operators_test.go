package main

import (
	"fmt"
	"go/ast"
	"go/build"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"slices"
	"strings"
	"testing"
)

// sample reads a package of one file, which imports only what the compiler's own
// source gives.
func sample(t *testing.T, text string) (*code, *sourceFile) {
	t.Helper()
	c := &code{path: "sample", fset: token.NewFileSet()}
	if err := c.parse("sample.go", "sample.go", []byte(text)); err != nil {
		t.Fatal(err)
	}
	if err := c.check(fromSource(t, c.fset)); err != nil {
		t.Fatal(err)
	}
	return c, c.files[0]
}

// changes lists the mutants of a file as "operator before -> after".
func changes(sites []*site) []string {
	var out []string
	for _, s := range sites {
		for _, m := range s.mutants {
			out = append(out, m.operator+" "+m.what)
		}
	}
	slices.Sort(out)
	return out
}

// Each operator on a line that has nothing else to change.
func TestWhatEachOperatorChanges(t *testing.T) {
	for _, c := range []struct{ name, source, want string }{
		{"a relation", "func f(a, b int) bool { return a < b }", "relation `a < b` -> `a <= b`; relation `a < b` -> `a >= b`"},
		{"equality", "func f(a, b string) bool { return a == b }", "relation `a == b` -> `a != b`"},
		{"arithmetic", "func f(a, b float64) float64 { return a * b }", "arithmetic `a * b` -> `(a) / (b)`"},
		{"strings do not subtract", "func f(a, b string) string { return a + b }", ""},
		{"a number", "func f(a int) int { return f(7) }", "number `7` -> `0`; number `7` -> `6`; number `7` -> `8`"},
		{"a number with a fraction", "func f(a float64) float64 { return f(2.5) }", "number `2.5` -> `0`; number `2.5` -> `1.5`; number `2.5` -> `3.5`"},
		{"none, and what stands for it", "func f(a int) int { return f(-1) }", "number `-1` -> `0`; number `-1` -> `1`"},
		{"a number beside a relation of whole numbers: its neighbour is there already", "func f(a int) bool { return a > 5 }",
			"number `5` -> `0`; number `5` -> `6`; relation `a > 5` -> `a <= 5`; relation `a > 5` -> `a >= 5`"},
		{"logic", "func f(a, b bool) bool { x := a && b; return f(x, x) }",
			"dropped operand `a && b` -> `a`; dropped operand `a && b` -> `b`; logical `a && b` -> `(a) || (b)`; returned truth `f(x, x)` -> `!(f(x, x))`"},
		{"a condition", "func f(a bool) { if a { f(!a) } }",
			"condition `a` -> `!(a)`; condition `a` -> `false`; condition `a` -> `true`; logical `!a` -> `(a)`; statement `f(!a)` -> nothing"},
		{"truth", "func f(a bool) bool { return true }", "truth `true` -> `false`"},
		{"statements", "func f(a int) { a = f2(); a++ }; func f2() int { panic(f2) }",
			"arithmetic `a++` -> `a--`; statement `a = f2()` -> nothing; statement `a++` -> nothing; statement `panic(f2)` -> nothing"},
		{"jumps", "func f(a []bool) { for range a { continue } }", "jump `continue` -> `break`"},
		{"no break out of a loop that returns", "func f(a bool) bool { for { continue } }", ""},
		{"a break of a switch is none of the loop", "func f(a []int) { for range a { switch { default: break } } }", ""},
		{"least and greatest", "func f(a, b int) int { return min(a, b) }", "comparison `min(a, b)` -> `max(a, b)`"},
		{"named numbers", "const c = 20.0; func f(a float64) float64 { return f(c) }", "number `20.0` -> `0`; number `20.0` -> `19`; number `20.0` -> `21`"},
		{"a capacity is no behaviour", "func f(a []int) []int { return make([]int, len(a), len(a)+1) }", ""},
	} {
		code, f := sample(t, "package sample\n"+c.source+"\n")
		if got := strings.Join(changes(collect(code, f)), "; "); got != c.want {
			t.Errorf("%s: %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestComparisonsOfTimes(t *testing.T) {
	code, f := sample(t, `package sample
import "time"
func f(a, b time.Time) bool { return !a.After(b) }
func g(a, b time.Time) int { return a.Compare(b) }
`)
	want := "comparison `a.After(b)` -> `!a.After(b)`; comparison `a.After(b)` -> `!a.Before(b)`; order `a.Compare(b)` -> `-a.Compare(b)`"
	if got := strings.Join(changes(collect(code, f)), "; "); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

const everything = `package sample

import "time"

const (
	limit = 20.0 // used as a float64
	wait  = 2 * time.Hour
)

var names = []string{"a"}[0:1]

type reading struct{ value *float64 }

func (r *reading) over(t time.Time, since time.Time) (found bool, n int) {
	if r == nil || // a comment that ends its line
		r.value == nil && !found {
		return false, -1
	}
	for i, name := range names {
		switch {
		case len(name) > 2 && i%2 == 0:
			n += i*3 - 1
			continue
		case t.Sub(since) >= wait:
			found = true
		}
		if n++; n > 10 {
			break
		}
	}
	index := map[string]int{"x": 1}
	index["x"] = n / 2
	return *r.value >= limit && found, int(-1 / limit * float64(index["x"]))
}

func first[T any](list []T, holds func(T) bool) (out T) {
	for _, v := range list {
		if holds(v) {
			return v
		}
	}
	return out
}
`

// The instrumented text compiles as it stands, keeps every line on its number and
// names each mutant once.
func TestTheInstrumentedTextCompiles(t *testing.T) {
	c, f := sample(t, everything)
	sites := map[*sourceFile][]*site{f: collect(c, f)}
	mutants := number(sites, []*code{c})
	if len(mutants) < 40 {
		t.Fatalf("only %d mutants", len(mutants))
	}
	text := instrument(c, f, sites[f])
	fset := token.NewFileSet()
	syntax, err := parser.ParseFile(fset, "sample.go", text, 0)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	switches, err := parser.ParseFile(fset, "switchboard.go", "package switchboard; func Which(first, n int) int { return 0 }", 0)
	if err != nil {
		t.Fatal(err)
	}
	board, err := (&types.Config{}).Check(switchboardPath, fset, []*ast.File{switches}, nil)
	if err != nil {
		t.Fatal(err)
	}
	imports := withBoard{fromSource(t, fset), board}
	if _, err := (&types.Config{Importer: imports}).Check("sample", fset, []*ast.File{syntax}, nil); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	for _, s := range sites[f] {
		if len(s.mutants) == 0 {
			continue
		}
		if call := fmt.Sprintf("Which(%d, %d)", s.mutants[0].id, len(s.mutants)); strings.Count(text, call) != 1 {
			t.Errorf("%s stands %d times", call, strings.Count(text, call))
		}
	}
}

type withBoard struct {
	types.Importer
	board *types.Package
}

func (w withBoard) Import(path string) (*types.Package, error) {
	if path == switchboardPath {
		return w.board, nil
	}
	return w.Importer.Import(path)
}

// fromSource imports packages from their source. A binary built with -trimpath does not know where the standard
// library is.
func fromSource(t *testing.T, fset *token.FileSet) types.Importer {
	t.Helper()
	if build.Default.GOROOT == "" {
		root, err := output(".", "go", "env", "GOROOT")
		if err != nil {
			t.Fatal(err)
		}
		build.Default.GOROOT = strings.TrimSpace(root)
	}
	return importer.ForCompiler(fset, "source", nil)
}
