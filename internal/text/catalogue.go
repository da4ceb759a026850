package text

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"
	"text/template"
	"time"

	"plumbline/internal/clinical"
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
	voices   sync.Pool
}

var spoken = mustReadLanguage(english, "en")

// mustReadLanguage reads the sentences of a language. It panics where a file or a
// template cannot be read: a fault of the program, seen at its start.
func mustReadLanguage(files fs.FS, folder string) *language {
	l := &language{families: map[string]familyWords{}, rules: map[string]wording{}}
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
		}
	})
	eachFile(files, folder+"/sentences", func(name string, body []byte) {
		var sentences map[string]string
		mustRead(name, body, &sentences)
		for key, sentence := range sentences {
			template.Must(all.New(key).Parse(sentence))
		}
	})
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
func (c Catalogue) say(name string, figures any) string {
	v := spoken.voices.Get().(*voice)
	defer spoken.voices.Put(v)
	v.Catalogue = c
	var out strings.Builder
	if err := v.all.ExecuteTemplate(&out, name, figures); err != nil {
		return "[" + name + "]"
	}
	return out.String()
}

// rule is a form of the words of a rule. Without figures it is said with empty ones.
func (c Catalogue) rule(id, form string, figures clinical.Figures) string {
	if figures == nil {
		if r, ok := ruleOf(id); ok {
			figures = r.Figures
		}
	}
	return c.say(id+form, figures)
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
		"time":  func(t time.Time) string { return v.Time(t) },
		"ago":   func(t time.Time) string { return v.Ago(t) },
		"due":   func(t time.Time) string { return v.Due(t) },
		"asks":  func(rule string) string { return v.rules[rule].Asks },
		"hours": hours, "exact": exact, "exactSigned": exactSigned, "unsigned": unsigned,
		"figure": Figure, "measured": measured, "pair": pair, "rose": rose, "less": less,
		"list": List, "commas": commas, "one": one, "unstopped": unstopped,
		"afterDoses": afterDoses,
	}
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

// rose reports whether a drop is a rise.
func rose(drop *float64) bool { return drop != nil && *drop < 0 }

// less is a figure with the other sign.
func less(v *float64) *float64 {
	w := -*v
	return &w
}

func commas(words []string) string { return strings.Join(words, ", ") }

// one reports whether a noun of a count stands in the singular.
func one(n int) bool { return n == 1 }

// unstopped takes the full stop off a sentence that is put within another.
func unstopped(s string) string { return strings.TrimSuffix(s, ".") }
