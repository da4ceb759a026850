package web_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"html"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"text/template/parse"

	"plumbline/internal/text"
	"plumbline/web"
)

var saying = regexp.MustCompile(`\b(?:say|warn|phrase|text\.Say|Say)[ (]\s*"([a-z0-9.-]+)"`)

// helping finds the terms that templates explain; each stands on the page of rules.
var helping = regexp.MustCompile(`\bterm "([a-z0-9-]+)"`)

// rooms are the folders of the pages' packages.
func rooms(t *testing.T) []string {
	t.Helper()
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		if e.IsDir() && !strings.HasSuffix(e.Name(), "test") {
			out = append(out, e.Name())
		}
	}
	if len(out) < 10 {
		t.Fatalf("only %d rooms were found", len(out))
	}
	return out
}

// sources are the Go files of all rooms, tests apart.
func sources(t *testing.T) []string {
	t.Helper()
	var out []string
	for _, folder := range append(rooms(t), ".") {
		files, _ := filepath.Glob(filepath.Join(folder, "*.go"))
		for _, name := range files {
			if !strings.HasSuffix(name, "_test.go") {
				out = append(out, name)
			}
		}
	}
	return out
}

// Every key that a template or a page asks for stands in the catalogue, and nothing
// stands there that no one asks for.
func TestEveryWordOfThePagesIsInTheCatalogue(t *testing.T) {
	asked := map[string]bool{}
	collect := func(body []byte) {
		for _, m := range saying.FindAllStringSubmatch(string(body), -1) {
			asked[m[1]] = true
		}
		for _, m := range helping.FindAllStringSubmatch(string(body), -1) {
			asked["terms."+m[1]] = true
		}
	}
	for _, one := range text.Terms() { // the page of rules lists them all
		asked["terms."+one.Key], asked["terms."+one.Key+".says"], asked["terms."+one.Key+".source"] = true, true, true
	}
	templates, _ := fs.Glob(web.Templates, "templates/*.html")
	for _, name := range templates {
		body, err := web.Templates.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		collect(body)
	}
	for _, folder := range append(rooms(t), ".", "../text", "../charts", "../app", "../outbox", "../report") {
		files, _ := filepath.Glob(filepath.Join(folder, "*.go"))
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			body, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			collect(body)
		}
	}
	for key := range asked {
		if got := text.Say(key); strings.HasPrefix(got, "[") {
			t.Errorf("%s is asked for and not in the catalogue: add it to internal/text/en", key)
		}
	}
	for _, key := range text.SayKeys() {
		if !asked[key] {
			t.Errorf("%s stands in the catalogue and nothing asks for it", key)
		}
	}
}

var (
	actionsOf   = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	commandsOf  = regexp.MustCompile(`(?s)<code>.*?</code>`) // typed as they stand in every language
	tagOf       = regexp.MustCompile(`(?s)<[^>]*>`)
	saidBy      = regexp.MustCompile(`(?s) (?:title|aria-label|placeholder|alt)="([^"]*)"`)
	buttonOf    = regexp.MustCompile(`(?s)<input[^>]* type="(?:submit|button|reset)"[^>]*>`)
	valueOf     = regexp.MustCompile(`(?s) value="([^"]*)"`)
	attributeOf = regexp.MustCompile(` [a-z-]+="[^"]*"`)
	ruleOf      = regexp.MustCompile(`\b[A-Z]-[A-Z]+\b`) // the names of rules are no words
	letterOf    = regexp.MustCompile(`\p{L}`)
)

// wordsIn finds what a template says outside of its actions: between tags, and in the
// attributes that people read or hear.
func wordsIn(body string) (found []string) {
	body = commandsOf.ReplaceAllString(actionsOf.ReplaceAllString(body, ""), "")
	said := tagOf.Split(body, -1)
	for _, m := range saidBy.FindAllStringSubmatch(body, -1) {
		said = append(said, m[1])
	}
	for _, button := range buttonOf.FindAllString(body, -1) {
		for _, m := range valueOf.FindAllStringSubmatch(button, -1) {
			said = append(said, m[1])
		}
	}
	for _, s := range said {
		// A template that is defined for use within a tag starts with attributes.
		s = ruleOf.ReplaceAllString(attributeOf.ReplaceAllString(s, ""), "")
		if s = strings.TrimSpace(html.UnescapeString(s)); letterOf.MatchString(s) {
			found = append(found, s)
		}
	}
	return found
}

func TestNoTemplateHoldsAWord(t *testing.T) {
	for body, want := range map[string]string{
		`<p class="lead" title="{{say "a.b"}}">{{if .X}}{{say "a.c"}}{{end}} · <code>dashboard demo</code></p>`: "[]",
		`<p>Some {{.N}} &amp; more</p>`: "[Some  & more]", `<a aria-label="Next">→</a>`: "[Next]", `<input placeholder="Bed {{.N}}">`: "[Bed]",
		`<input name="x" type="submit" value="Save">`: "[Save]", `<input name="x" type="hidden" value="yes">`: "[]", `<p>&nbsp;</p>`: "[]", `<p>T-CLEAR</p>`: "[]", `<p>Rule T-CLEAR</p>`: "[Rule]",
		`{{define "x"}} aria-invalid="true"{{end}}`: "[]", `{{define "x"}} title="Bed"{{end}}`: "[Bed]",
	} {
		if got := fmt.Sprint(wordsIn(body)); got != want {
			t.Errorf("%s holds %s, found %s", body, want, got)
		}
	}
	names, _ := fs.Glob(web.Templates, "templates/*.html")
	for _, name := range names {
		body, err := web.Templates.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range wordsIn(string(body)) {
			t.Errorf("%s says %q itself: put it into internal/text/en and ask for it with say", name, s)
		}
	}
}

// takesKeys are the functions whose string arguments are no words for people.
var takesKeys = []string{"say", "phrase", "term", "code", "link", "asset", "eq", "ne", "index"}

// wordingOf tells words for people from names of fields and values: they start large
// or are several.
var wordingOf = regexp.MustCompile(`^\p{Lu}|\p{L} `)

var verbOf = regexp.MustCompile(`%(?:\[(\d+)\])?[a-z]`)

// verbsOf counts the arguments that a value of the catalogue asks for.
func verbsOf(value string) int {
	most, next := 0, 0
	for _, m := range verbOf.FindAllStringSubmatch(strings.ReplaceAll(value, "%%", ""), -1) {
		if next++; m[1] != "" {
			_, _ = fmt.Sscan(m[1], &next)
		}
		most = max(most, next)
	}
	return most
}

// Each action of a template hands over as many arguments as its sentence asks for,
// and no words of its own.
func TestActionsHandTheWordsTheirArguments(t *testing.T) {
	names, _ := fs.Glob(web.Templates, "templates/*.html")
	asked := 0
	for _, name := range names {
		body, err := web.Templates.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		trees := map[string]*parse.Tree{}
		tree := parse.New(name)
		tree.Mode = parse.SkipFuncCheck
		if _, err := tree.Parse(string(body), "", "", trees); err != nil {
			t.Fatal(err)
		}
		for _, one := range trees {
			commands(one.Root, func(c *parse.CommandNode) {
				by, named := c.Args[0].(*parse.IdentifierNode)
				for _, a := range c.Args {
					if s, ok := a.(*parse.StringNode); ok && wordingOf.MatchString(s.Text) && !(named && slices.Contains(takesKeys, by.Ident)) {
						t.Errorf("%s: the action %s holds words", name, c)
					}
				}
				if !named || by.Ident != "say" && by.Ident != "phrase" {
					return
				}
				key := c.Args[1].(*parse.StringNode).Text
				asked++
				if want, got := verbsOf(text.Say(key)), len(c.Args)-2; got != want {
					t.Errorf("%s hands %d arguments to %s, which has places for %d: %s", name, got, key, want, text.Say(key))
				}
			})
		}
	}
	if asked < 100 {
		t.Errorf("only %d sentences are asked for: the test does not see them", asked)
	}
}

// commands calls do for each command of a template, also those in parentheses.
func commands(n parse.Node, do func(*parse.CommandNode)) {
	pipe := func(p *parse.PipeNode) {
		if p != nil {
			for _, c := range p.Cmds {
				commands(c, do)
			}
		}
	}
	branch := func(b *parse.BranchNode) {
		pipe(b.Pipe)
		commands(b.List, do)
		if b.ElseList != nil {
			commands(b.ElseList, do)
		}
	}
	switch n := n.(type) {
	case *parse.ListNode:
		for _, one := range n.Nodes {
			commands(one, do)
		}
	case *parse.ActionNode:
		pipe(n.Pipe)
	case *parse.TemplateNode:
		pipe(n.Pipe)
	case *parse.PipeNode:
		pipe(n)
	case *parse.IfNode:
		branch(&n.BranchNode)
	case *parse.RangeNode:
		branch(&n.BranchNode)
	case *parse.WithNode:
		branch(&n.BranchNode)
	case *parse.CommandNode:
		do(n)
		for _, a := range n.Args {
			commands(a, do)
		}
	}
}

// sentenceOf is how a sentence for people starts; errors and notes of the audit, which
// are kept as they were said, start small.
var sentenceOf = regexp.MustCompile("^[A-Z][a-z]*,? [a-z]+[ .,:;!?\"`]")

// A count takes its noun from the catalogue too, in rooms and charts.
func TestNoCountHasANounOfItsOwn(t *testing.T) {
	charts, _ := filepath.Glob("../charts/*.go")
	own := regexp.MustCompile(`text\.Plural\([^\n]*,\s*"`)
	for _, name := range append(sources(t), charts...) {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range own.FindAllString(string(body), -1) {
			t.Errorf("%s: %s holds words: ask for them with text.Say", name, found)
		}
	}
}

// TestNoHandlerSaysWordsOfItsOwn looks at what is given to the functions that make
// messages and titles, and for sentences anywhere else.
func TestNoHandlerSaysWordsOfItsOwn(t *testing.T) {
	told := 0
	for _, name := range sources(t) {
		// The texts of the metrics are for machines.
		if strings.HasSuffix(name, "metrics.go") {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		var look func(inMessage bool) func(ast.Node) bool
		look = func(inMessage bool) func(ast.Node) bool {
			return func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.ImportSpec:
					return false
				case *ast.BasicLit:
					if n.Kind == token.STRING && (inMessage && letterOf.MatchString(n.Value) || sentenceOf.MatchString(n.Value[1:])) {
						t.Errorf("%s says %s itself: put it into internal/text/en and ask for it with text.Say", set.Position(n.Pos()), n.Value)
					}
				case *ast.CallExpr:
					called, ok := n.Fun.(*ast.SelectorExpr)
					if !ok {
						return true
					}
					if on, ok := called.X.(*ast.SelectorExpr); ok && on.Sel.Name == "Log" {
						return false
					}
					switch called.Sel.Name {
					case "Say", "Get":
						return false
					case "Tell", "Told", "Layout", "Bare":
						told++
						for _, a := range n.Args {
							ast.Inspect(a, look(true))
						}
						return false
					}
				}
				return true
			}
		}
		ast.Inspect(file, look(false))
	}
	if told < 30 {
		t.Errorf("only %d messages and titles were looked at", told)
	}
}
