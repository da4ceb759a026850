package policy

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"plumbline/internal/clinical"
)

// Section is a section of the policy for a form.
type Section struct {
	Name   string // recheck
	Says   string // what default.yaml says of it
	Fields []Field
}

// Field is a key of the policy for a form, with the values of one policy.
type Field struct {
	Path    string // recheck.fall_hours
	Unit    string // of a number; "" for none
	Comment string // what default.yaml says of it, with source and range
	Default string // for people, with its unit
	Shown   string // the present value for people, with its unit
	Changed bool   // the present value is not the default

	Kind    FieldKind
	Value   string   // of a single value, as it is typed
	Values  []string // of a list
	Choices []string // of a choice, a yes or no, or a list of known words
}

// FieldKind is how a field is filled in.
type FieldKind string

// The kinds of fields.
const (
	OneValue FieldKind = "value"  // a number or a time of day
	OneOf    FieldKind = "choice" // one of Choices
	SomeOf   FieldKind = "some"   // any of Choices
	Names    FieldKind = "names"  // any names
)

// Form lists every key with the values of p, in the order of default.yaml.
func Form(p clinical.Policy) []Section {
	standard := clinical.DefaultPolicy()
	now, before, said := fields(&p), fields(&standard), explained()
	var sections []Section
	for _, k := range keys {
		name, _, _ := strings.Cut(k.path, ".")
		if n := len(sections); n == 0 || sections[n-1].Name != name {
			sections = append(sections, Section{Name: name, Says: said[name]})
		}
		last := &sections[len(sections)-1]
		f := k.field(now[k.path])
		f.Comment, f.Default = said[k.path], k.show(before[k.path])
		f.Changed = k.text(now[k.path]) != k.text(before[k.path])
		last.Fields = append(last.Fields, f)
	}
	return sections
}

func (k key) field(v reflect.Value) Field {
	f := Field{Path: k.path, Unit: k.unit, Shown: k.show(v), Kind: OneValue, Choices: k.choices}
	switch v := v.Interface().(type) {
	case float64:
		f.Value = plain(v)
	case bool:
		f.Kind, f.Value, f.Choices = OneOf, yesOrNo(v), []string{"yes", "no"}
	case []string:
		f.Kind, f.Values = Names, v
		if k.choices != nil {
			f.Kind = SomeOf
		}
	default:
		f.Value = fmt.Sprint(v)
		if k.kind == choice {
			f.Kind = OneOf
		}
	}
	return f
}

// explained is what default.yaml says above each key and each section, on one line.
func explained() map[string]string {
	said := map[string]string{}
	var above []string
	section := ""
	for line := range strings.Lines(defaultYAML) {
		text := strings.TrimSpace(line)
		name, _, isKey := strings.Cut(text, ":")
		switch {
		case strings.HasPrefix(text, "#"):
			above = append(above, strings.TrimSpace(strings.TrimPrefix(text, "#")))
			continue
		case text == "":
		case isKey && !strings.HasPrefix(line, " "):
			section = name
			said[section] = strings.Join(above, " ")
		case isKey:
			said[section+"."+name] = strings.Join(above, " ")
		}
		above = nil
	}
	return said
}

// ReadForm reads a form that was filled in: the values by the keys' paths, as
// typed; those of a list one each, without those that are blank. The values are
// held to the same rules as those of a file. With problems no policy is returned;
// their lines are 0.
func ReadForm(values map[string][]string) (Loaded, []Problem) {
	r := &reader{policy: clinical.DefaultPolicy(), lines: map[string]int{}, failed: map[string]bool{}}
	r.fields = fields(&r.policy)
	for n, k := range keys {
		r.lines[k.path] = n + 1 // every key is set here, none left at its default
		if k.kind == list {
			r.leaf(k, listNode(values[k.path]))
			continue
		}
		typed := strings.TrimSpace(strings.Join(values[k.path], " "))
		if typed == "" {
			r.problem(0, k.path, "", Fault{ID: faultMissing, Range: k.allowedRange()})
			continue
		}
		r.leaf(k, &yaml.Node{Kind: yaml.ScalarNode, Value: typed})
	}
	r.together()
	for n := range r.problems {
		r.problems[n].Line = 0
	}
	if len(r.problems) > 0 {
		return Loaded{}, r.problems
	}
	return loaded(r.policy), nil
}

func listNode(values []string) *yaml.Node {
	n := &yaml.Node{Kind: yaml.SequenceNode, Tag: "!!seq"}
	for _, v := range values {
		if v = strings.TrimSpace(v); v != "" {
			n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: v})
		}
	}
	return n
}

// Values are the values of a policy as a form sends them: ReadForm reads the same
// policy back.
func Values(p clinical.Policy) map[string][]string {
	at, values := fields(&p), map[string][]string{}
	for _, k := range keys {
		if f := k.field(at[k.path]); f.Values != nil {
			values[k.path] = slices.Clone(f.Values)
		} else if f.Kind == OneValue || f.Kind == OneOf {
			values[k.path] = []string{f.Value}
		}
	}
	return values
}

// Differences are what p changes from before, in the order of the keys.
func Differences(before, p clinical.Policy) []Change {
	was, now := fields(&before), fields(&p)
	var found []Change
	for _, k := range keys {
		if k.text(now[k.path]) != k.text(was[k.path]) {
			found = append(found, k.change(now[k.path], was[k.path]))
		}
	}
	return found
}

// Short writes p as a policy file without comments: every key with its value. Load
// reads the same policy back.
func Short(p clinical.Policy) string {
	at := fields(&p)
	var b strings.Builder
	section := ""
	for _, k := range keys {
		in, name, _ := strings.Cut(k.path, ".")
		if in != section {
			section = in
			b.WriteString(section + ":\n")
		}
		b.WriteString("  " + name + ": " + k.text(at[k.path]) + "\n")
	}
	return b.String()
}
