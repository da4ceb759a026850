package text

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/episodes"
	"plumbline/internal/feedcheck"
	"plumbline/internal/trends"
)

// forms are those that the words of a family need, all others being "".
var forms = map[string][]string{
	"tiers": {"explains", "says", "brief", "line"}, "rechecks": {"explains", "says", "asks"}, "flags": {"explains", "says"},
	"contradictions": {"explains", "says"}, "precautions": {"explains"}, "answers": {"explains"}, "findings": {"explains"}, "serial": {"explains"}, "surroundings": {"explains"},
	"evidence": {"says"}, "changes": {"says"}, "notes": {"says"},
}

func (w wording) form(name string) string {
	return map[string]string{"explains": w.Explains, "says": w.Says, "brief": w.Brief, "line": w.Line, "asks": w.Asks}[name]
}

// The one test of the table: a rule of the program without entry, an entry without words
// or source, words without entry, a figure that words ask for and their struct has not,
// and one that it has and no words tell.
func TestTheTableOfRulesAndTheCatalogueAgree(t *testing.T) {
	entries := map[string]string{}
	check := checker{told: map[reflect.Type]map[string]bool{}}
	for _, f := range families {
		if w := spoken.families[f.name]; slices.Contains(forms[f.name], "explains") && (w.Name == "" || w.Intro == "") {
			t.Errorf("the family %s has no name or intro in en/rules/%s.json", f.name, f.name)
		}
		for _, r := range f.rules {
			if entries[r.ID] != "" {
				t.Errorf("%s has two entries in the table of rules", r.ID)
			}
			entries[r.ID] = f.name
			if r.Source == "" {
				t.Errorf("%s has no source in the table of rules", r.ID)
			}
			words, ok := spoken.rules[r.ID]
			if !ok {
				t.Errorf("%s has no words: add it to en/rules/%s.json", r.ID, f.name)
				continue
			}
			for _, form := range []string{"explains", "says", "brief", "line", "asks"} {
				if needs := slices.Contains(forms[f.name], form); needs != (words.form(form) != "") {
					t.Errorf("%s: the family %s needs %v, and of %q the catalogue has %q", r.ID, f.name, forms[f.name], form, words.form(form))
				}
			}
			check.template(t, r.ID+".explains", reflect.TypeOf(clinical.Policy{}), nil)
			for _, form := range []string{".says", ".brief", ".line"} {
				if f.name == "flags" {
					check.template(t, r.ID+form, reflect.TypeOf(alerts.Flag{}), reflect.TypeOf(r.Figures))
				} else if r.Figures != nil {
					check.template(t, r.ID+form, reflect.TypeOf(r.Figures), nil)
				}
			}
		}
	}
	for id := range spoken.rules {
		if entries[id] == "" {
			t.Errorf("%s has words in en/rules and no entry in the table of rules", id)
		}
	}
	for id, where := range idsInCode(t) {
		if entries[id] == "" {
			t.Errorf("%s: the rule %s has no entry in the table of rules", where, id)
		}
	}
	for _, f := range families {
		for _, r := range f.rules {
			check.allTold(t, r)
		}
	}
}

// toldByMethod are the figures that words tell through a method of theirs.
var toldByMethod = map[string]string{"SetFigures.Criteria": "StoppedAlone", "SetFigures.StandingSystolic": "LowSystolic"}

// allTold wants every figure of a rule told by some words.
func (c *checker) allTold(t *testing.T, r clinical.Rule) {
	t.Helper()
	if r.Figures == nil {
		return
	}
	of := reflect.TypeOf(r.Figures)
	if slices.ContainsFunc(alerts.FlagRules, func(f clinical.Rule) bool { return f.ID == r.ID }) {
		alone := checker{told: map[reflect.Type]map[string]bool{}} // others may tell the same figures
		alone.template(t, r.ID+".says", reflect.TypeFor[alerts.Flag](), of)
		if len(alone.told[of]) == 0 {
			t.Errorf("%s has figures, and its words tell none of them", r.ID)
		}
	}
	for n := range of.NumField() {
		field := of.Field(n)
		if field.Anonymous {
			continue
		}
		by := toldByMethod[of.Name()+"."+field.Name]
		if !c.told[of][field.Name] && (by == "" || !c.told[of][by]) {
			t.Errorf("%s: no words tell the figure %s of %s: tell it or take it out", r.ID, field.Name, of)
		}
	}
}

var idOfARule = regexp.MustCompile(`^[TRDFVSECU]-[A-Z0-9]+(-[A-Z0-9]+)*$`)

// idsInCode are the ids that the code of the rules gives, with their places.
func idsInCode(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	for _, pattern := range []string{"../*/*.go", "../web/*/*.go"} {
		names, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			body, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, name, body, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(file, func(n ast.Node) bool {
				if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
					if s, err := strconv.Unquote(lit.Value); err == nil && idOfARule.MatchString(s) {
						found[s] = set.Position(lit.Pos()).String()
					}
				}
				return true
			})
		}
	}
	if len(found) < 50 {
		t.Fatalf("only %d ids of rules were found in the code: the test does not see them", len(found))
	}
	return found
}

// checker holds templates to the types of their figures.
type checker struct {
	told    map[reflect.Type]map[string]bool // fields and methods that a template names
	seen    map[string]bool                  // template and type, checked already
	reached map[string]bool                  // templates
}

// template checks one template for a type. figures is the type behind the field Figures
// of a flag.
func (c *checker) template(t *testing.T, name string, dot, figures reflect.Type) {
	t.Helper()
	key := fmt.Sprint(name, dot, figures)
	if c.seen == nil {
		c.seen, c.reached = map[string]bool{}, map[string]bool{}
	}
	if c.seen[key] {
		return
	}
	c.seen[key], c.reached[name] = true, true
	v := spoken.voices.Get().(*voice)
	defer spoken.voices.Put(v)
	one := v.all.Lookup(name)
	if one == nil {
		t.Errorf("there is no sentence %s in the catalogue", name)
		return
	}
	if one.Tree == nil || one.Root == nil { // an empty one
		return
	}
	walk := walker{checker: c, t: t, name: name, dot: dot, figures: figures, funcs: v.funcs()}
	walk.list(one.Root)
}

type walker struct {
	*checker
	t            *testing.T
	name         string
	dot, figures reflect.Type
	funcs        map[string]any
}

func (w walker) errorf(form string, args ...any) {
	w.t.Helper()
	w.t.Errorf("the sentence %s: %s", w.name, fmt.Sprintf(form, args...))
}

func (w walker) list(list *parse.ListNode) {
	for _, n := range list.Nodes {
		switch n := n.(type) {
		case *parse.TextNode:
		case *parse.ActionNode:
			w.pipe(n.Pipe)
		case *parse.IfNode:
			w.pipe(n.Pipe)
			w.list(n.List)
			if n.ElseList == nil {
				w.errorf("{{if %s}} does not say what else: add {{else}}", n.Pipe)
				continue
			}
			w.list(n.ElseList)
		case *parse.TemplateNode:
			w.template(w.t, n.Name, w.pipe(n.Pipe), nil)
		default:
			w.errorf("%s has no place in a sentence: figures, {{if}} and {{template}} alone", n)
		}
	}
}

// pipe is the type of a pipeline, nil where it is not known.
func (w walker) pipe(p *parse.PipeNode) reflect.Type {
	if p == nil || len(p.Cmds) != 1 || len(p.Decl) > 0 {
		w.errorf("%s is more than one command", p)
		return nil
	}
	return w.command(p.Cmds[0])
}

func (w walker) command(c *parse.CommandNode) reflect.Type {
	name, called := c.Args[0].(*parse.IdentifierNode)
	if !called {
		if len(c.Args) > 1 {
			w.errorf("%s gives arguments to a figure", c)
		}
		return w.value(c.Args[0])
	}
	args := make([]reflect.Type, 0, len(c.Args))
	for _, a := range c.Args[1:] {
		args = append(args, w.value(a))
	}
	f, own := w.funcs[name.Ident]
	if !own {
		return w.builtin(c, name.Ident, args)
	}
	of := reflect.TypeOf(f)
	if of.NumIn() != len(args) {
		w.errorf("%s gives %d arguments, %s takes %d", c, len(args), name.Ident, of.NumIn())
		return of.Out(0)
	}
	for n, a := range args {
		if a != nil && !a.AssignableTo(of.In(n)) && (a.Kind() != reflect.Pointer || !a.Elem().AssignableTo(of.In(n))) {
			w.errorf("%s gives %s to %s, which takes %s", c, a, name.Ident, of.In(n))
		}
	}
	return of.Out(0)
}

// builtin checks a function of text/template.
func (w walker) builtin(c *parse.CommandNode, name string, args []reflect.Type) reflect.Type {
	switch name {
	case "len":
		if k := args[0].Kind(); k != reflect.Slice && k != reflect.String {
			w.errorf("%s counts a %s", c, args[0])
		}
		return reflect.TypeFor[int]()
	case "eq", "ne", "lt":
		for _, a := range args {
			if a != nil && a.Kind() == reflect.Pointer {
				w.errorf("%s compares a figure that may be missing", c)
			}
		}
	case "and", "or", "not":
	default:
		w.errorf("%s is not known", name)
	}
	return reflect.TypeFor[bool]()
}

func (w walker) value(n parse.Node) reflect.Type {
	switch n := n.(type) {
	case *parse.DotNode:
		return w.dot
	case *parse.FieldNode:
		of := w.dot
		for _, name := range n.Ident {
			if of = w.field(of, name); of == nil {
				return nil
			}
		}
		return of
	case *parse.StringNode:
		return reflect.TypeFor[string]()
	case *parse.NumberNode:
		return nil
	case *parse.PipeNode:
		return w.pipe(n)
	}
	w.errorf("%s has no place in a sentence", n)
	return nil
}

// field is the type of a field or method, which is told herewith.
func (w walker) field(of reflect.Type, name string) reflect.Type {
	if of == reflect.TypeFor[clinical.Figures]() {
		of = w.figures
	}
	if of == nil {
		w.errorf("there are no figures, and %s is asked for", name)
		return nil
	}
	if m, ok := of.MethodByName(name); ok {
		w.tell(of, name)
		return m.Type.Out(0)
	}
	if of.Kind() == reflect.Pointer {
		of = of.Elem()
	}
	if of.Kind() != reflect.Struct {
		w.errorf("%s has no figure %s", of, name)
		return nil
	}
	f, ok := of.FieldByName(name)
	if !ok {
		w.errorf("%s has no figure %s", of, name)
		return nil
	}
	w.tell(of, name)
	return f.Type
}

// tell marks a figure as told, also in the struct that is embedded.
func (c *checker) tell(of reflect.Type, name string) {
	if c.told[of] == nil {
		c.told[of] = map[string]bool{}
	}
	c.told[of][name] = true
	if of == reflect.TypeFor[alerts.GapFigures]() || of == reflect.TypeFor[alerts.SymptomFigures]() {
		c.tell(reflect.TypeFor[alerts.SetFigures](), name)
	}
}

// Every sentence outside the table of rules fits its figures, and none stands in the
// catalogue that nothing says.
func TestSentencesFitTheirFigures(t *testing.T) {
	check := checker{told: map[reflect.Type]map[string]bool{}}
	for name, figures := range sentences {
		check.template(t, name, figures, nil)
	}
	for _, f := range families {
		for _, r := range f.rules {
			check.template(t, r.ID+".explains", reflect.TypeFor[clinical.Policy](), nil)
			for _, form := range []string{".says", ".brief", ".line"} {
				if f.name == "flags" {
					check.template(t, r.ID+form, reflect.TypeFor[alerts.Flag](), reflect.TypeOf(r.Figures))
				} else if r.Figures != nil {
					check.template(t, r.ID+form, reflect.TypeOf(r.Figures), nil)
				}
			}
		}
	}
	v := spoken.voices.Get().(*voice)
	defer spoken.voices.Put(v)
	for _, one := range v.all.Templates() {
		if id, _, of := strings.Cut(one.Name(), "."); of && (spoken.rules[id] != wording{}) {
			continue
		}
		if !check.reached[one.Name()] {
			t.Errorf("nothing says the sentence %s of en/sentences", one.Name())
		}
	}
}

// The words of the core are said in every language: each of its lists has its words.
func TestEveryWordOfTheCoreHasItsWord(t *testing.T) {
	for set, words := range map[string][]string{
		"core": slices.Concat(clinical.Symptoms, clinical.Limbs, clinical.FluidKinds, clinical.Precautions, clinical.RestrictionReasons,
			clinical.Answers, clinical.TreatmentKinds, idsOf(trends.ChangeRules), idsOf(trends.NoteRules),
			[]string{trends.MildSupine, trends.ModerateSupine, trends.SevereSupine, trends.LowLying, trends.UsualLying},
			[]string{trends.Falling, trends.Blunted, trends.Brisk, string(clinical.Lying), string(clinical.Sitting), string(clinical.Standing)},
			[]string{trends.ByVolume, trends.ByDrugs, trends.ByHeart, trends.ByEndocrine, trends.ByNeurologic},
			[]string{clinical.Anticoagulant, clinical.Antiplatelet, clinical.Thrombolytic}),
		"tiers": alerts.Tiers, "tier-intros": alerts.Tiers,
		"recheck-states": {alerts.Overdue, alerts.Due, alerts.Scheduled, alerts.NotNeeded, alerts.Blocked},
		"findings":       {trends.Positive, trends.Inconclusive, trends.SymptomsOnly, trends.Negative},
		"kinds":          {trends.LyingToStanding, trends.LyingToSitting, trends.SittingToStanding},
		"timings":        {trends.PossibleInitial, trends.Classic, trends.Delayed},
		"grades":         {trends.Complete, trends.Usable, trends.Unusable},
		"criteria":       {trends.CritSystolic, trends.CritDiastolic, trends.CritLow, trends.CritStopped, trends.CritPulse, trends.CritNotable, trends.CritSupine},
		"flags":          idsOf(alerts.FlagRules),
		"contributors":   {trends.ByVolume, trends.ByDrugs, trends.ByHeart, trends.ByEndocrine, trends.ByNeurologic},
		"missing":        {alerts.InjuryUncleared, alerts.InjuryNoClearance, alerts.InjuryUnknown, alerts.CannotWalk},
		"labs":           clinical.ShownLabs, "suggestion-answers": dosereview.Answers, "suggestions": suggestionClasses(),
		"later":    {alerts.LaterNew, alerts.LaterChanged, alerts.LaterTakenBack, alerts.LaterMoved},
		"measures": wordsOfMeasures(), "measure-lost": wordsOfMeasures(),
		"habit-states": {string(feedcheck.Usual), string(feedcheck.Lower), string(feedcheck.None), string(feedcheck.Never), string(feedcheck.Unknown)},
		"run-rules":    {string(trends.RunBeyond), string(trends.RunEight), string(trends.RunTwoOfThree), string(trends.RunSix)},
	} {
		for _, w := range words {
			if spoken.words[set][w] == "" {
				t.Errorf("%q has no word in en/words/%s.json", w, set)
			}
		}
		if n := len(spoken.words[set]); set != "core" && n != len(words) {
			t.Errorf("en/words/%s.json has %d words, the core %d", set, n, len(words))
		}
	}
}

func suggestionClasses() (out []string) {
	for _, c := range dosereview.Classes {
		out = append(out, string(c))
	}
	return out
}

func wordsOfMeasures() (out []string) {
	for _, m := range feedcheck.Measures {
		out = append(out, string(m))
	}
	return out
}

func idsOf(rules []clinical.Rule) []string {
	out := make([]string, len(rules))
	for n, r := range rules {
		out[n] = r.ID
	}
	return out
}

// Every rule by which an episode may be opened is read back with the figures of its entry.
func TestTheTableOfEpisodesIsPartOfTheTable(t *testing.T) {
	for _, r := range episodes.Rules {
		if entry, ok := ruleOf(r.ID); !ok || reflect.TypeOf(entry.Figures) != reflect.TypeOf(r.Figures) {
			t.Errorf("%s: %T in the table, %T of episodes", r.ID, entry.Figures, r.Figures)
		}
	}
}
