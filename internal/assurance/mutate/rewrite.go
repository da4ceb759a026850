package main

import (
	"cmp"
	"fmt"
	"go/token"
	"go/types"
	"path"
	"slices"
	"strconv"
	"strings"
)

const (
	switchboardPath = "plumbline/internal/assurance/mutate/switchboard"
	switchboardName = "switchboard__"
)

// site is one place of a file with all its mutants. Sites of one file nest or
// lie apart, as the nodes do that they stand on.
type site struct {
	from, to  int // offsets in the file
	statement bool
	typ       types.Type // of an expression
	mutants   []*mutant
	raw       string // in place of the text, of a site without mutants
}

// mutant is one change of the program.
type mutant struct {
	id       int
	pkg      *code
	file     *sourceFile
	function string
	at       int // offset of the changed text in its file
	lineNo   int
	line     string // the source line on which the changed text begins
	operator string // what kind of change
	what     string // `before` -> `after`
	nth, of  int    // which of the equal changes of its function, in their order there
	with     string // the text that stands in place of the site's

	state    state
	reached  bool   // a test comes by
	killedBy string // the package whose tests saw it
	endless  bool   // it was killed for not ending
	reason   string // why it is equivalent
}

// key names a mutant in explained.txt whatever its file and its line, so that code that
// moves or is set anew keeps its explanations.
func (m *mutant) key() string { return m.pkg.path + " " + m.function + "\n" + m.change() }

// change is what the mutant does; where its function has more than one place for it,
// with its place among them.
func (m *mutant) change() string {
	if m.of < 2 {
		return m.what
	}
	return fmt.Sprintf("%s (%d of %d)", m.what, m.nth, m.of)
}

// number gives every mutant its number, from 1 on, and every site an unbroken run. It
// counts the equal changes of each function.
func number(sites map[*sourceFile][]*site, packages []*code) []*mutant {
	var all []*mutant
	defer func() { countEqual(all) }()
	for _, c := range packages {
		for _, f := range c.files {
			for _, s := range sites[f] {
				for _, m := range s.mutants {
					m.id = len(all) + 1
					all = append(all, m)
				}
			}
		}
	}
	return all
}

// countEqual tells the equal changes of one function apart by their order in it.
func countEqual(all []*mutant) {
	equal := map[string][]*mutant{}
	for _, m := range all {
		key := m.pkg.path + " " + m.function + "\n" + m.what
		equal[key] = append(equal[key], m)
	}
	for _, list := range equal {
		slices.SortStableFunc(list, func(a, b *mutant) int { return cmp.Or(cmp.Compare(a.file.name, b.file.name), cmp.Compare(a.at, b.at)) })
		for n, m := range list {
			m.nth, m.of = n+1, len(list)
		}
	}
}

// instrument writes a file anew with every mutant in it, each asleep until the
// switchboard names it. Inside a mutant stands the text as it was: only one
// mutant is ever on, so none is needed within another.
func instrument(c *code, f *sourceFile, sites []*site) string {
	slices.SortFunc(sites, func(a, b *site) int { // outer ones first
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(b.to, a.to), boolLast(a.statement, b.statement))
	})
	w := writer{c: c, f: f, extra: map[string]bool{}}
	body := w.render(0, len(f.text), sites)
	head := "; import " + switchboardName + " " + strconv.Quote(switchboardPath)
	for _, p := range slices.Sorted(mapKeys(w.extra)) {
		head += "; import " + extraName(p) + " " + strconv.Quote(p)
	}
	at := c.offset(f.syntax.Name.End()) // nothing before the package's name is a site
	if len(sites) == 0 {
		return body
	}
	return body[:at] + head + body[at:]
}

// boolLast puts statements before the expressions that fill them.
func boolLast(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

func mapKeys(m map[string]bool) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

type writer struct {
	c     *code
	f     *sourceFile
	extra map[string]bool // packages that a type name needs and the file does not import
}

// render writes the text from one offset to another, with the sites in it, which
// are sorted, outer ones first.
func (w writer) render(from, to int, sites []*site) string {
	var b strings.Builder
	for n := 0; n < len(sites); {
		s := sites[n]
		inner := n + 1
		for inner < len(sites) && sites[inner].from < s.to {
			inner++
		}
		b.Write(w.f.text[from:s.from])
		b.WriteString(w.wrap(s, w.render(s.from, s.to, sites[n+1:inner])))
		from, n = s.to, inner
	}
	b.Write(w.f.text[from:to])
	return b.String()
}

// wrap puts the mutants of a site beside its own text.
func (w writer) wrap(s *site, own string) string {
	if len(s.mutants) == 0 {
		return s.raw
	}
	var b strings.Builder
	which := fmt.Sprintf("%s.Which(%d, %d)", switchboardName, s.mutants[0].id, len(s.mutants))
	if s.statement {
		fmt.Fprintf(&b, "if w__ := %s; ", which)
		for n, m := range s.mutants {
			fmt.Fprintf(&b, "w__ == %d { %s } else if ", n+1, m.with)
		}
		return strings.TrimSuffix(b.String(), "if ") + "{ " + own + " }"
	}
	fmt.Fprintf(&b, "func() %s { switch %s { ", w.typeName(s.typ), which)
	for n, m := range s.mutants {
		fmt.Fprintf(&b, "case %d: return %s; ", n+1, m.with)
	}
	fmt.Fprintf(&b, "}; return %s }()", own)
	return b.String()
}

func (w writer) typeName(t types.Type) string {
	return types.TypeString(types.Default(t), func(p *types.Package) string {
		if p == w.c.types {
			return ""
		}
		for _, spec := range w.f.syntax.Imports {
			if quoted, _ := strconv.Unquote(spec.Path.Value); quoted == p.Path() && spec.Name == nil {
				return p.Name()
			}
		}
		w.extra[p.Path()] = true
		return extraName(p.Path())
	})
}

func extraName(importPath string) string { return path.Base(importPath) + "__" }

// fits reports whether a text is an expression that could stand at a position as
// a value of the type that is wanted there.
func (c *code) fits(f *sourceFile, pos token.Pos, text string, want types.Type) bool {
	w := writer{c: c, f: f, extra: map[string]bool{}}
	name := w.typeName(want)
	if len(w.extra) > 0 {
		return true // names a package that the file does not import; the compiler will tell
	}
	_, err := types.Eval(c.fset, c.types, pos, "func() "+name+" { return "+text+" }()")
	return err == nil
}
