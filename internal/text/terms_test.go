package text

import (
	"strings"
	"testing"
)

func TestEveryTermHasItsDefinitionAndSource(t *testing.T) {
	terms := Terms()
	if len(terms) < 20 || 3*len(terms) != len(keysOf("terms.")) {
		t.Fatalf("%d terms for %d entries, want three entries for each term", len(terms), len(keysOf("terms.")))
	}
	for n, one := range terms {
		for _, part := range []string{one.Name, one.Says, one.Source} {
			if part == "" || strings.HasPrefix(part, "[") {
				t.Errorf("%s: %+v lacks a part", one.Key, one)
			}
		}
		if !strings.HasSuffix(one.Says, ".") || len(one.Says) > 200 {
			t.Errorf("%s: a definition is a sentence or two of at most 200 letters, not %q", one.Key, one.Says)
		}
		if n > 0 && strings.ToLower(terms[n-1].Name) >= strings.ToLower(one.Name) {
			t.Errorf("%s stands after %s", one.Name, terms[n-1].Name)
		}
	}
}

func keysOf(start string) []string {
	var out []string
	for _, k := range SayKeys() {
		if strings.HasPrefix(k, start) {
			out = append(out, k)
		}
	}
	return out
}
