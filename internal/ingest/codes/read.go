package codes

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"plumbline/internal/clinical"
)

// Read reads a table from YAML: a list `codes` of entries with the keys system, code, kind,
// value, reason and words. The error names every key or word that is not known, with its line.
func Read(data []byte) ([]Entry, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("is no YAML: %w", err)
	}
	if len(doc.Content) == 0 {
		return nil, nil // an empty file
	}
	r := &reader{}
	for key, value := range r.pairs(doc.Content[0], "the table") {
		if key.Value != "codes" {
			r.wrong(key, "the key %q is not known; the table has one key, codes", key.Value)
			continue
		}
		if value.Kind != yaml.SequenceNode {
			r.wrong(value, "codes is a list of entries")
			continue
		}
		for _, item := range value.Content {
			r.entry(item)
		}
	}
	return r.entries, errors.Join(r.problems...)
}

// reader reads entries and gathers what is wrong with them.
type reader struct {
	entries  []Entry
	lines    []int
	problems []error
}

func (r *reader) wrong(at *yaml.Node, format string, args ...any) {
	r.problems = append(r.problems, fmt.Errorf("line %d: "+format, append([]any{at.Line}, args...)...))
}

// pairs are the keys and values of a mapping; a key that stands twice is named.
func (r *reader) pairs(n *yaml.Node, what string) func(yield func(key, value *yaml.Node) bool) {
	return func(yield func(key, value *yaml.Node) bool) {
		if n.Kind != yaml.MappingNode {
			r.wrong(n, "%s is a list of keys with values", what)
			return
		}
		seen := map[string]bool{}
		for k := 0; k+1 < len(n.Content); k += 2 {
			if seen[n.Content[k].Value] {
				r.wrong(n.Content[k], "the key %q stands twice", n.Content[k].Value)
			}
			seen[n.Content[k].Value] = true
			if !yield(n.Content[k], n.Content[k+1]) {
				return
			}
		}
	}
}

func (r *reader) text(n *yaml.Node, key string) string {
	if n.Kind != yaml.ScalarNode {
		r.wrong(n, "%s is one word or code", key)
		return ""
	}
	return strings.TrimSpace(n.Value)
}

func (r *reader) entry(n *yaml.Node) {
	var e Entry
	nodes := map[string]*yaml.Node{}
	for key, value := range r.pairs(n, "an entry of codes") {
		nodes[key.Value] = value
		switch key.Value {
		case "system":
			e.System = r.text(value, "system")
		case "code":
			e.Code = r.text(value, "code")
		case "kind":
			e.Kind = Kind(strings.ToLower(r.text(value, "kind")))
		case "value":
			e.Value = r.text(value, "value")
		case "reason":
			e.Reason = strings.ToLower(r.text(value, "reason"))
		case "words":
			e.Words = r.words(value)
		default:
			r.wrong(key, "the key %q is not known; an entry has system, code, kind, value, reason and words", key.Value)
		}
	}
	if n.Kind != yaml.MappingNode {
		return
	}
	at := func(key string) *yaml.Node {
		if nodes[key] != nil {
			return nodes[key]
		}
		return n
	}
	before := len(r.problems)
	r.check(&e, at)
	for k, o := range r.entries {
		if o.Code == e.Code && strings.EqualFold(o.System, e.System) {
			r.wrong(n, "the code %q of this system stands in line %d already", e.Code, r.lines[k])
		}
	}
	if len(r.problems) == before {
		r.entries, r.lines = append(r.entries, e), append(r.lines, n.Line)
	}
}

func (r *reader) words(n *yaml.Node) map[string]string {
	out := map[string]string{}
	for key, value := range r.pairs(n, "words") {
		out[strings.TrimSpace(key.Value)] = r.text(value, "a word")
	}
	return out
}

// Check puts an entry that was typed into the form of a table. The error names what is wrong
// with it.
func Check(e Entry) (Entry, error) {
	r := &reader{}
	r.check(&e, func(string) *yaml.Node { return &yaml.Node{} })
	for n, err := range r.problems {
		_, text, _ := strings.Cut(err.Error(), ": ")
		r.problems[n] = errors.New(text)
	}
	return e, errors.Join(r.problems...)
}

var (
	loincShape = regexp.MustCompile(`^\d{1,7}-\d$`)
	atcShape   = regexp.MustCompile(`^[A-Z](\d\d([A-Z]([A-Z](\d\d)?)?)?)?$`)
)

// check puts the words of an entry into the form of their lists, and names those that are
// in none.
func (r *reader) check(e *Entry, at func(key string) *yaml.Node) {
	if e.Code == "" {
		r.wrong(at("code"), "an entry needs a code")
	}
	if !slices.Contains(Kinds, e.Kind) {
		r.wrong(at("kind"), "kind is none of %s: %q", join(Kinds), e.Kind)
		return
	}
	r.checkValue(e, at)
	if e.Kind != Restriction {
		if e.Reason != "" {
			r.wrong(at("reason"), "only a restriction has a reason")
		}
	} else if e.Reason != "" && !slices.Contains(clinical.RestrictionReasons, e.Reason) {
		r.wrong(at("reason"), "reason is none of %s: %q", join(clinical.RestrictionReasons), e.Reason)
	}
	for from, to := range e.Words {
		if e.IsPosition() {
			if e.Words[from], _ = inList(positions, to); !slices.Contains(positions, e.Words[from]) {
				r.wrong(at("words"), "the word %q for %q is none of %s", to, from, join(positions))
			}
			continue
		}
		word, ok := inList(append([]string{Yes, No, Begins, Ends}, words[e.Kind]...), to)
		if !ok {
			r.wrong(at("words"), "the word %q for %q is none of yes, no, begins, ends or the list of %s", to, from, e.Kind)
		}
		e.Words[from] = word
	}
}

func (r *reader) checkValue(e *Entry, at func(key string) *yaml.Node) {
	list, listed := words[e.Kind]
	switch {
	case listed && e.Value != "":
		word, ok := inList(list, e.Value)
		if !ok {
			r.wrong(at("value"), "value is none of %s: %q", join(list), e.Value)
		}
		e.Value = word
	case e.Kind == Precaution:
		r.wrong(at("value"), "a precaution needs a value, one of %s", join(list))
	case e.Kind == Vital:
		if o, ok := clinical.LOINC(e.Value); !ok || o.Measure == clinical.MeasureHaemoglobin {
			r.wrong(at("value"), "value of a vital is no LOINC code of a reading, a weight or a fluid: %q", e.Value)
		}
	case e.Kind == Lab && !loincShape.MatchString(e.Value):
		r.wrong(at("value"), "value of a lab is no LOINC code: %q", e.Value)
	case e.Kind == Drug:
		if e.Value = strings.ToUpper(e.Value); !atcShape.MatchString(e.Value) {
			r.wrong(at("value"), "value of a drug is no ATC code: %q", e.Value)
		}
	case !listed && e.Kind != Lab && e.Value != "":
		r.wrong(at("value"), "the kind %s has no value", e.Kind)
	}
}

func inList(list []string, word string) (string, bool) {
	n := slices.IndexFunc(list, func(w string) bool { return strings.EqualFold(w, word) })
	if n < 0 {
		return word, false
	}
	return list[n], true
}

func join[S ~string](list []S) string {
	texts := make([]string, len(list))
	for n, s := range list {
		texts[n] = string(s)
	}
	return strings.Join(texts, ", ")
}
