package text

import (
	"slices"
	"strings"
)

// Term is a word of the trade with its definition and where that is from.
type Term struct {
	Key    string // its name in en/terms.json
	Name   string
	Says   string
	Source string
}

const termStart = "terms."

// Help is a term by its key, such as "ddd".
func Help(key string) Term {
	return Term{key, Say(termStart + key), Say(termStart + key + ".says"), Say(termStart + key + ".source")}
}

// Terms are all terms by their names, as a glossary lists them.
func Terms() []Term {
	var out []Term
	for _, key := range SayKeys() {
		if name, ok := strings.CutPrefix(key, termStart); ok && !strings.Contains(name, ".") {
			out = append(out, Help(name))
		}
	}
	slices.SortFunc(out, func(a, b Term) int {
		return strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name))
	})
	return out
}
