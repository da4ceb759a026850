package text

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"text/template"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// Words about rules and figures are templates of the package text/template, in
// en/rules by rule and in en/sentences by name. A template is one whole sentence with
// the figures of one struct; what varies in it is chosen in it, so that another
// language can choose otherwise. A test holds every template to its struct.

// wording is what the catalogue says of one rule. What a rule does not need is "".
type wording struct {
	Explains string `json:"explains"` // the rule, with the numbers of the policy
	Says     string `json:"says"`     // why it holds, with its figures
	Brief    string `json:"brief"`    // the same in a few words
	Line     string `json:"line"`     // the same for the one line of a patient: at most eight words
	Asks     string `json:"asks"`     // what a recheck is for
}

// familyWords head a family of rules.
type familyWords struct {
	Name  string `json:"name"`
	Intro string `json:"intro"`
}

// language is the catalogue of sentences in one language.
type language struct {
	families map[string]familyWords
	rules    map[string]wording
	words    map[string]map[string]string // of the core, by set and the core's word
	voices   sync.Pool
}

var spoken = mustReadLanguage(english, "en")

// mustReadLanguage reads the sentences of a language. It panics where a file or a
// template cannot be read: a fault of the program, seen at its start.
func mustReadLanguage(files fs.FS, folder string) *language {
	l := &language{families: map[string]familyWords{}, rules: map[string]wording{}, words: map[string]map[string]string{}}
	all := template.New(folder).Funcs((&voice{language: l}).funcs())
	eachFile(files, folder+"/rules", func(name string, body []byte) {
		var file struct {
			Family familyWords        `json:"family"`
			Rules  map[string]wording `json:"rules"`
		}
		mustRead(name, body, &file)
		l.families[name] = file.Family
		for id, w := range file.Rules {
			l.rules[id] = w
			template.Must(all.New(id + ".explains").Parse(w.Explains))
			template.Must(all.New(id + ".says").Parse(w.Says))
			template.Must(all.New(id + ".brief").Parse(w.Brief))
			template.Must(all.New(id + ".line").Parse(w.Line))
		}
	})
	eachFile(files, folder+"/sentences", func(name string, body []byte) {
		var sentences map[string]string
		mustRead(name, body, &sentences)
		for key, sentence := range sentences {
			template.Must(all.New(key).Parse(sentence))
		}
	})
	eachFile(files, folder+"/words", func(name string, body []byte) {
		var words map[string]string
		mustRead(name, body, &words)
		l.words[name] = words
	})
	for _, r := range slices.Concat(trends.ChangeRules, trends.NoteRules) { // said as words too
		l.words["core"][r.ID] = l.rules[r.ID].Says
	}
	l.voices.New = func() any {
		v := &voice{language: l, all: template.Must(all.Clone())}
		v.all.Funcs(v.funcs())
		return v
	}
	return l
}

// eachFile reads the JSON files of a folder; a name is without its ending.
func eachFile(files fs.FS, folder string, read func(name string, body []byte)) {
	names, err := fs.Glob(files, folder+"/*.json")
	if err != nil {
		panic(err)
	}
	for _, name := range names {
		body, err := fs.ReadFile(files, name)
		if err != nil {
			panic(err)
		}
		read(strings.TrimSuffix(path.Base(name), ".json"), body)
	}
}

func mustRead(name string, body []byte, into any) {
	if err := json.Unmarshal(body, into); err != nil {
		panic(fmt.Sprintf("%s.json is not of the form of its folder: %v", name, err))
	}
}

// say is the sentence of a name for figures. A name without a sentence, or figures
// that do not fit it, are said as the name in brackets; the test of the catalogue sees
// to it that there are none.
func (c Catalogue) say(name string, figures any) string { return spoken.say(c, name, figures) }

// rule is a form of the words of a rule. Without figures it is said with empty ones.
func (c Catalogue) rule(id, form string, figures clinical.Figures) string {
	return spoken.rule(c, id, form, figures)
}

func (l *language) say(c Catalogue, name string, figures any) string {
	v := l.voices.Get().(*voice)
	defer l.voices.Put(v)
	v.Catalogue = c
	var out strings.Builder
	if err := v.all.ExecuteTemplate(&out, name, figures); err != nil {
		return "[" + name + "]"
	}
	return out.String()
}

func (l *language) rule(c Catalogue, id, form string, figures clinical.Figures) string {
	if id == "" {
		return ""
	}
	if figures == nil {
		if r, ok := ruleOf(id); ok {
			figures = r.Figures
		}
	}
	return l.say(c, id+form, figures)
}

// word is a word of the core in a language, as it came where the set has no such word:
// free text of a feed is said as it stands.
func (l *language) word(set, word string) string {
	if said, ok := l.words[set][word]; ok {
		return said
	}
	return word
}

func (l *language) wordsOf(words []string) []string {
	out := make([]string, len(words))
	for n, w := range words {
		out[n] = l.word("core", w)
	}
	return out
}

// flagsOf are the flags of a dose review in a few words each.
func (l *language) flagsOf(rules []string) []string {
	out := make([]string, len(rules))
	for n, r := range rules {
		out[n] = l.word("flags", r)
	}
	return out
}

// named is a set of words by the core's type of them.
func named[K ~string](set string) map[K]string {
	out := make(map[K]string, len(spoken.words[set]))
	for k, said := range spoken.words[set] {
		out[K(k)] = said
	}
	return out
}

// voice is a copy of the templates that speaks of the moment and zone of a catalogue,
// for one sentence at a time.
type voice struct {
	Catalogue
	*language
	all *template.Template
}

// funcs are the functions of the templates: how a language writes figures.
func (v *voice) funcs() template.FuncMap {
	return template.FuncMap{
		"time":     func(t time.Time) string { return v.Time(t) },
		"ago":      func(t time.Time) string { return v.Ago(t) },
		"due":      func(t time.Time) string { return v.Due(t) },
		"short":    func(t time.Time) string { return v.Short(t) },
		"few":      func(words []string) string { return v.few(words) },
		"asks":     func(rule string) string { return v.rules[rule].Asks },
		"agoBrief": func(t time.Time) string { return v.agoBrief(t) },
		"day":      func(t time.Time) string { return v.Day(t) },
		"brief":    func(rule string, f clinical.Figures) string { return v.language.rule(v.Catalogue, rule, ".brief", f) },
		"why":      func(rule string, f clinical.Figures) string { return v.language.rule(v.Catalogue, rule, ".says", f) },
		"word":     func(w any) string { return v.word("core", fmt.Sprint(w)) },
		"words":    v.wordsOf,
		"flags":    v.flagsOf,
		"finding":  func(w string) string { return v.word("findings", w) },
		"grade":    func(w string) string { return v.word("grades", w) },
		"hours":    hours, "exact": exact, "exactSigned": exactSigned, "unsigned": unsigned,
		"figure": Figure, "figure2": Figure2, "digits": digits, "digits2": digits2, "signed": signed,
		"p":        func(p float64) string { return v.language.say(v.Catalogue, "p", p) },
		"smallest": func(p float64) string { return v.language.say(v.Catalogue, "smallest", p) },
		"measured": measured, "magnitude": magnitude, "positive": positive, "negative": negative,
		"pair": pair, "pressure": Pressure, "span": Span, "other": other,
		"daily": func(dose *float64, unit string) string {
			return v.language.say(v.Catalogue, "daily", dailyFigures{dose, unit})
		},
		"bleeds": func(list []trends.Bleed, fell time.Time) string {
			var out []string
			for _, b := range together(list) {
				out = append(out, v.language.say(v.Catalogue, "bleed", bleedFigures{b, fell}))
			}
			return strings.Join(out, "; ")
		},
		// Those that ran at the fall; those that were over before it; those begun after it.
		"ran": func(list []trends.Bleed) []string {
			return bleeders(list, func(b trends.Bleed) bool { return b.Stopped == nil && b.Since == nil })
		},
		"over": func(list []trends.Bleed) []string {
			return bleeders(list, func(b trends.Bleed) bool { return b.Stopped != nil })
		},
		"begun": func(list []trends.Bleed) []string {
			return bleeders(list, func(b trends.Bleed) bool { return b.Since != nil })
		},
		"came":      func(last map[clinical.Kind]time.Time) string { return v.came(last) },
		"spanAfter": spanAfter, "millilitres": Millilitres, "volume": volume,
		"list": List, "commas": commas, "either": Or, "quoted": strconv.Quote, "one": one, "unstopped": unstopped, "yes": yes,
		"policyKey":     func(path string) string { return v.word("policy-keys", path) },
		"policyOdd":     func(name string) string { return v.word("policy-odd", name) },
		"policyFault":   func(f policy.Fault) string { return v.language.say(v.Catalogue, "policy-fault-"+f.ID, f) },
		"policyRepair":  func(name string) string { return v.word("policy-repairs", name) },
		"outcome":       func(o records.DoseOutcome) string { return v.word("review-outcomes", string(o)) },
		"ending":        func(reason string) string { return v.word("endings", reason) },
		"closingReason": v.closingReason,
		"afterDoses": func(doses []trends.AroundDose, within float64) string {
			var out strings.Builder
			for _, d := range doses {
				if d.SetsAfter+d.SetsOtherwise == 0 {
					continue // nothing to compare
				}
				out.WriteString(" " + v.language.say(v.Catalogue, "around-dose", aroundDoseFigures{d, within}))
			}
			return out.String()
		},
	}
}

// closingReason is why a person, or the evidence, closed an episode.
func (v *voice) closingReason(reason string) string {
	if said := v.word("endings", reason); said != reason {
		return said
	}
	return v.word("closings", reason)
}

// came says of each kind of fact when it last came.
func (v *voice) came(last map[clinical.Kind]time.Time) string {
	out := make([]string, len(alerts.CameKinds))
	for n, kind := range alerts.CameKinds {
		when := Say("parts.never-came")
		if at, ok := last[kind]; ok {
			when = v.Time(at)
		}
		out[n] = v.word("came", string(kind)) + " " + when
	}
	return strings.Join(out, ", ")
}

// few lists words where there is little room: two, or one and how many more.
func (v *voice) few(words []string) string {
	if len(words) <= 2 {
		return List(words)
	}
	return v.language.say(v.Catalogue, "few", fewFigures{words[0], len(words) - 1})
}

// fewFigures are the first of several words and how many more there are.
type fewFigures struct {
	First string
	More  int
}

// measured writes a figure that may be missing.
func measured(v *float64) string {
	if v == nil {
		return Say("parts.not-measured")
	}
	return Figure(*v)
}

// pair writes a pressure; a missing diastolic shows as such.
func pair(systolic, diastolic *float64) string {
	if diastolic == nil {
		return measured(systolic) + "/?"
	}
	return measured(systolic) + "/" + Figure(*diastolic)
}

// positive and negative tell the sign of a figure; one that is missing has none.
func positive(v *float64) bool { return v != nil && *v > 0 }
func negative(v *float64) bool { return v != nil && *v < 0 }

// magnitude writes a figure without its sign.
func magnitude(v float64) string { return Figure(math.Abs(v)) }

// yes reports whether something charted holds.
func yes(v bool) bool { return v }

func commas(words []string) string { return strings.Join(words, ", ") }

// one reports whether a noun of a count stands in the singular.
func one(n int) bool { return n == 1 }

// unstopped takes the full stop off a sentence that is put within another.
func unstopped(s string) string { return strings.TrimSuffix(s, ".") }

// bleeders are the names of those drugs of a fall that a look lets through.
func bleeders(list []trends.Bleed, let func(trends.Bleed) bool) []string {
	var out []string
	for _, b := range list {
		if let(b) {
			out = append(out, b.Drug)
		}
	}
	return out
}
