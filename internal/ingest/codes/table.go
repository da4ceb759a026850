// Package codes is the site's table of codes: what the codes mean that one site alone uses,
// in FHIR or in HL7 v2. It is read from YAML; what is mapped in the program goes before
// what stands in a file. Codes of open standards are in package clinical. A code that
// neither knows says nothing: it is never guessed from its text.
package codes

import (
	"cmp"
	"slices"
	"strings"
	"sync/atomic"

	"plumbline/internal/clinical"
)

// Kind is what a code of the table gives.
type Kind string

// The kinds. Symptom, Minutes and Stopped say something of the reading beside which they
// stand; Vital and Lab stand for the LOINC code that is their value, Drug for an ATC code.
const (
	Ignore      Kind = "ignore"
	Drug        Kind = "drug"
	Vital       Kind = "vital"
	Lab         Kind = "lab"
	Fall        Kind = "fall"
	Precaution  Kind = "precaution"
	Restriction Kind = "restriction"
	Clearance   Kind = "clearance"
	Answer      Kind = "answer"
	Symptom     Kind = "symptom"
	Minutes     Kind = "minutes_in_position"
	Stopped     Kind = "stopped_early"
)

// Kinds lists every kind.
var Kinds = []Kind{
	Ignore, Drug, Vital, Lab, Fall, Precaution, Restriction, Clearance, Answer, Symptom, Minutes, Stopped,
}

// What a value in the feed may mean beside the words of the kind's list.
const (
	Yes    = "yes"
	No     = "no"
	Begins = "begins"
	Ends   = "ends"
)

// positions are the words for values of a body position.
var positions = []string{string(clinical.Lying), string(clinical.Sitting), string(clinical.Standing)}

// words are the lists of the kinds that have one.
var words = map[Kind][]string{
	Fall: clinical.Injuries, Precaution: clinical.Precautions, Restriction: clinical.Limbs,
	Answer: clinical.Answers, Symptom: clinical.Symptoms,
}

// Words are the words that a value of a kind may be; nil where the kind has no list.
func Words(k Kind) []string { return slices.Clone(words[k]) }

// Entry says what one code means.
type Entry struct {
	System string // FHIR system URI, or component 3 of an HL7 coded element; empty: any
	Code   string
	Kind   Kind
	Value  string            // a word of the kind's list; a LOINC or ATC code; may be empty
	Reason string            // of a restriction
	Words  map[string]string // what a value in the feed means, by its code or text
}

// Meaning is what the first of the texts means that the entry knows: Yes, No, Begins, Ends
// or a word of the kind's list. ok is false where it knows none of them: what they say
// must not be guessed then.
func (e Entry) Meaning(texts ...string) (word string, ok bool) {
	for _, t := range texts {
		t = strings.TrimSpace(t)
		if t == "" {
			continue
		}
		if word, ok := e.Words[t]; ok {
			return word, true
		}
		for known, word := range e.Words {
			if strings.EqualFold(known, t) {
				return word, true
			}
		}
	}
	return "", false
}

// IsPosition reports whether the entry is of the body position: its code is charted beside a reading,
// or is a value of such a code.
func (e Entry) IsPosition() bool {
	o, _ := clinical.LOINC(e.Value)
	return e.Kind == Vital && o.Measure == clinical.MeasurePosition
}

// Position is the body position that the first of the texts means that the entry knows.
func (e Entry) Position(texts ...string) (p clinical.Position, ok bool) {
	if !e.IsPosition() {
		return "", false
	}
	word, ok := e.Meaning(texts...)
	return clinical.Position(word), ok
}

// TellsPosition reports whether the table tells what a code means that came as a body position.
func (t *Table) TellsPosition(system, code, text string) bool {
	if e, ok := t.Find(system, code); ok && e.Kind == Ignore {
		return true
	}
	for _, list := range t.all() {
		for _, e := range list {
			if _, ok := e.Position(code, text); ok {
				return true
			}
		}
	}
	return false
}

// Table is a site's table. The zero Table, and a nil one, knows no code. It may be used from
// any goroutine, also while it is changed.
type Table struct {
	entries atomic.Pointer[map[string][]Entry] // by code; at most one a system
}

// New makes a table. Of two entries of one system and code the earlier one counts: what is
// mapped in the program is given before what stands in the file.
func New(lists ...[]Entry) *Table {
	t := &Table{}
	t.Set(lists...)
	return t
}

// Set makes the table anew, as New does.
func (t *Table) Set(lists ...[]Entry) {
	entries := map[string][]Entry{}
	for _, list := range lists {
		for _, e := range list {
			same := func(o Entry) bool { return strings.EqualFold(o.System, e.System) }
			if !slices.ContainsFunc(entries[e.Code], same) {
				entries[e.Code] = append(entries[e.Code], e)
			}
		}
	}
	t.entries.Store(&entries)
}

// all are the entries by code.
func (t *Table) all() map[string][]Entry {
	if t == nil {
		return nil
	}
	if entries := t.entries.Load(); entries != nil {
		return *entries
	}
	return nil
}

// Find is what a code means: by an entry of its system, else by one for any system.
func (t *Table) Find(system, code string) (e Entry, ok bool) {
	if code == "" {
		return e, false
	}
	for _, o := range t.all()[strings.TrimSpace(code)] {
		switch {
		case o.System != "" && strings.EqualFold(o.System, strings.TrimSpace(system)):
			return o, true
		case o.System == "":
			e, ok = o, true
		}
	}
	return e, ok
}

// Len is how many codes the table knows.
func (t *Table) Len() (n int) {
	for _, list := range t.all() {
		n += len(list)
	}
	return n
}

// OfKind are the entries of a kind, by code and system.
func (t *Table) OfKind(k Kind) (out []Entry) {
	for _, list := range t.all() {
		for _, e := range list {
			if e.Kind == k {
				out = append(out, e)
			}
		}
	}
	slices.SortFunc(out, func(a, b Entry) int {
		return cmp.Or(strings.Compare(a.Code, b.Code), strings.Compare(a.System, b.System))
	})
	return out
}

// Says is the value by which the entry's own words say a meaning: the first of them in byte order.
func (e Entry) Says(meaning string) (text string, ok bool) {
	for said, word := range e.Words {
		if word == meaning && (!ok || said < text) {
			text, ok = said, true
		}
	}
	return text, ok
}
