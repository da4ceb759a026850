package clinical

import (
	"slices"
	"strings"
	"unicode"
)

// drugName is a name by which texts call a drug. The trade name of a combination
// gives several parts; every other name gives one.
type drugName struct {
	words []string // in lower case
	parts []part
	// combined is true for the trade name of a combination: it gives only what the
	// text does not name otherwise.
	combined bool
}

// part is what a name in a text stands for: a substance of the table, or a substance
// that only helps one (sub is nil), which takes a place when strengths are told by rank.
type part struct {
	name string
	sub  *substance
}

// The pair that is one ingredient, and those that only help levodopa.
const (
	sacubitrilValsartan = "C09DX04"
	levodopaCode        = "N04BA02"
)

var decarboxylaseInhibitors = []string{"carbidopa", "benserazide"}

// drugNames are the names that texts are searched for by their first word, those of
// most words first.
var drugNames = map[string][]drugName{}

// readNames makes the names of the table, those that only help, and the trade names.
func readNames() {
	byName := map[string]*substance{}
	add := func(d drugName) {
		first := d.words[0]
		drugNames[first] = append(drugNames[first], d)
		slices.SortStableFunc(drugNames[first], func(a, b drugName) int { return len(b.words) - len(a.words) })
	}
	for n := range substances {
		s := &substances[n]
		byName[s.Name] = s
		for _, name := range append([]string{s.Name}, s.Also...) {
			add(drugName{words: strings.Fields(name), parts: []part{{name, s}}})
		}
	}
	for _, helper := range decarboxylaseInhibitors {
		add(drugName{words: []string{helper}, parts: []part{{name: helper}}})
	}
	for _, t := range tradeNames() {
		for _, name := range t.names(byName) {
			add(name)
		}
	}
}

// textWord is a run of letters of a text.
type textWord struct {
	text       string
	start, end int // bytes
}

func wordsOf(text string) []textWord {
	var out []textWord
	start := -1
	for n, r := range text {
		if unicode.IsLetter(r) {
			if start < 0 {
				start = n
			}
			continue
		}
		if start >= 0 {
			out = append(out, textWord{text[start:n], start, n})
			start = -1
		}
	}
	if start >= 0 {
		out = append(out, textWord{text[start:], start, len(text)})
	}
	return out
}

// HasWord reports whether a text has one of the words, in any case, with no letter
// touching it. words are in lower case.
func HasWord(text string, words ...string) bool {
	return slices.ContainsFunc(wordsOf(strings.ToLower(text)), func(w textWord) bool {
		return slices.Contains(words, w.text)
	})
}

// place is where a text names a part, in bytes of the text in lower case.
type place struct {
	part
	start, end int
	combined   bool // named by the trade name of a combination alone
}

// naming is a text with what it names: each part once, at its first place.
type naming struct {
	text    string // in lower case
	places  []place
	repeats []place // further places of names that have one
}

// namesIn finds what a text names (E-DRUG). A name counts where no letter touches it.
func namesIn(text string) naming {
	text = strings.ToLower(text)
	found := occurrences(text)
	seen := map[string]bool{}
	for _, o := range found {
		if !o.combined {
			seen[o.parts[0].name] = true
		}
	}
	n := naming{text: text}
	for _, o := range found {
		for _, p := range o.parts {
			if !o.combined || !seen[p.name] {
				n.add(place{p, o.start, o.end, o.combined})
			}
		}
	}
	n.joinPair()
	n.leaveOutHelpers()
	return n
}

// add takes a part at its first place.
func (n *naming) add(p place) {
	same := func(q place) bool {
		if p.sub == nil || q.sub == nil || p.sub.ATC == sacubitrilValsartan {
			return p.name == q.name // the two of the pair have a strength each
		}
		return p.sub == q.sub
	}
	if slices.ContainsFunc(n.places, same) {
		n.repeats = append(n.repeats, p)
		return
	}
	n.places = append(n.places, p)
}

// occurrence is a name that stands in a text.
type occurrence struct {
	drugName
	start, end int
}

func occurrences(text string) []occurrence {
	words := wordsOf(text)
	var out []occurrence
	for n := 0; n < len(words); n++ {
		for _, name := range drugNames[words[n].text] {
			if !name.at(text, words[n:]) {
				continue
			}
			last := n + len(name.words) - 1
			out = append(out, occurrence{name, words[n].start, words[last].end})
			n = last
			break
		}
	}
	return out
}

// at reports whether the words begin with the name; between its words stand blanks or
// hyphens alone.
func (d drugName) at(text string, words []textWord) bool {
	if len(d.words) > len(words) {
		return false
	}
	for k, w := range d.words {
		if words[k].text != w {
			return false
		}
		if k > 0 && strings.Trim(text[words[k-1].end:words[k].start], " -\t\u00a0") != "" {
			return false
		}
	}
	return true
}

// joinPair makes valsartan a part of sacubitril/valsartan where the text names
// sacubitril too: they are one ingredient.
func (n *naming) joinPair() {
	pair := byATC[sacubitrilValsartan]
	if !slices.ContainsFunc(n.places, func(p place) bool { return p.sub == pair }) {
		return
	}
	for k := range n.places {
		if n.places[k].name == "valsartan" {
			n.places[k].sub = pair
		}
	}
}

// leaveOutHelpers drops those that only help where the text does not name levodopa.
func (n *naming) leaveOutHelpers() {
	levodopa := byATC[levodopaCode]
	if !slices.ContainsFunc(n.places, func(p place) bool { return p.sub == levodopa }) {
		n.places = slices.DeleteFunc(n.places, func(p place) bool { return p.sub == nil })
	}
}

// substances are the known substances that the text names, in its order, each once.
func (n naming) substances() []*substance {
	var out []*substance
	for _, p := range n.places {
		if p.sub != nil && !slices.Contains(out, p.sub) {
			out = append(out, p.sub)
		}
	}
	return out
}

// ingredients makes ingredients of substances that the text names.
func (n naming) ingredients(found []*substance, combination bool) []Ingredient {
	out := make([]Ingredient, 0, len(found))
	for _, s := range found {
		i := n.only(s)
		i.OfCombination = combination
		out = append(out, i)
	}
	return out
}

// only makes an ingredient of a substance, whether the text names it or not.
func (n naming) only(s *substance) Ingredient {
	return Ingredient{Name: s.Name, ATC: s.ATC, ddd: s.DDD, StrengthMG: n.strengthOf(s)}
}
