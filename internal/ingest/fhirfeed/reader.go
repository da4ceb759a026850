// Package fhirfeed reads FHIR R4 JSON: Bundles of any type, NDJSON and single resources. What
// is read of it, and what is not, stands in docs/feeds.md.
//
// Resources refer to each other in any order and over files. Gather keeps a card of each that
// others may need: patients, visits, places, drugs, the measurements that make a reading.
// Then Read goes through a file once more, some hundred resources at a time, looks up the
// cards that they need and makes facts of them.
package fhirfeed

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"regexp"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Feed is the name under which versions of this feed are kept.
const Feed = "fhir"

// Settings are what the site decides.
type Settings struct {
	StayClasses []string     // classes of encounters (v3-ActCode) that make a stay
	Codes       *codes.Table // the site's own codes; nil: none
	MaxResource int          // bytes of the largest resource that is read
	MaxDepth    int          // how deep values may nest
}

// Defaults are the settings of a site that has decided nothing.
func Defaults() Settings {
	return Settings{
		StayClasses: []string{"IMP", "ACUTE", "NONAC", "OBSENC", "EMER", "SS"},
		MaxResource: 16 << 20, MaxDepth: 100,
	}
}

// Reader is the feed.Reader of FHIR R4. Settings are asked for at each file, so that they
// may change while the program runs.
type Reader struct{ Settings func() Settings }

// New is a reader with fixed settings.
func New(s Settings) Reader { return Reader{func() Settings { return s }} }

// Feed implements feed.Reader.
func (Reader) Feed() string { return Feed }

// Sniff implements feed.Reader: JSON by its content; what says JSON or XML by its name is
// taken, too, so that it is named for what it is.
func (Reader) Sniff(name string, head []byte) bool {
	head = bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf")), " \t\r\n")
	if len(head) > 0 && (head[0] == '{' || bytes.HasPrefix(head, []byte("<?xml"))) {
		return true
	}
	plain := strings.TrimSuffix(strings.ToLower(name), ".gz")
	for _, ending := range []string{".json", ".ndjson", ".xml"} {
		if strings.HasSuffix(plain, ending) {
			return true
		}
	}
	return false
}

// Key implements feed.Reader.
func (Reader) Key(h records.Held) string { return string(h.Context) + " " + string(h.Original) }

func (r Reader) work(name string, o feed.Options, sink feed.Sink) *work {
	return &work{
		Settings: r.Settings(), o: o, sink: sink, name: name,
		finder: finder{find: o.Cards, cards: map[string][]records.Card{}}, crowded: map[string]bool{},
	}
}

// How many resources are read together.
const (
	atOnce      = 300
	bytesAtOnce = 4 << 20
)

// Read implements feed.Reader.
func (r Reader) Read(src io.Reader, name string, o feed.Options, sink feed.Sink) error {
	w := r.work(name, o, sink)
	var items []item
	size, seen := 0, 0
	err := split(src, w.Settings, func(it item) error {
		if seen++; seen == 1 {
			if err := isResource(it.raw); err != nil {
				return err
			}
		}
		items, size = append(items, it), size+len(it.raw)
		if len(items) < atOnce && size < bytesAtOnce {
			return nil
		}
		err := w.read(items)
		items, size = items[:0], 0
		return err
	})
	if err != nil {
		return err
	}
	return w.read(items)
}

// isResource refuses a file of JSON that is no FHIR at all, by the first thing in it.
func isResource(raw []byte) error {
	var h struct{ ResourceType *string }
	if err := decode(raw, &h); err == nil && (h.ResourceType == nil || *h.ResourceType == "") {
		return errors.New("is JSON, but no FHIR: what stands first has no resourceType")
	}
	return nil
}

// read makes facts of resources.
func (w *work) read(items []item) error {
	w.joined = map[string]*emissions{}
	if err := w.lookUp(items); err != nil {
		return err
	}
	for _, it := range items {
		f := w.fact(it)
		var err error
		switch {
		case f.part != nil && f.reason == "" && f.err == nil:
			err = w.emitPart(it, f)
		case f.head.ResourceType == "Patient" && f.skipped:
			err = errors.Join(w.emit(it, f), w.renewStays(it, f.head))
		default:
			err = w.emit(it, f)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// lookUp finds at once the cards that resources will need.
func (w *work) lookUp(items []item) error {
	var keys []string
	for _, it := range items {
		if kind, err := typeOf(it.raw); err != nil || kind != "AdverseEvent" && !isRead[kind] {
			continue
		}
		var refs struct {
			head
			Subject             reference
			Encounter           reference
			Context             reference
			MedicationReference reference
			Request             any
		}
		_ = json.Unmarshal(it.raw, &refs) // what cannot be read is told later
		keys = append(keys, refs.Subject.keys("Patient")...)
		keys = append(keys, refs.Encounter.keys("Encounter")...)
		keys = append(keys, refs.Context.keys("Encounter")...)
		keys = append(keys, refs.MedicationReference.keys("Medication")...)
		if key := refs.key(); key != "" && kindsOf[refs.ResourceType] != nil {
			keys = append(keys, madeKey(key))
			if refs.ResourceType == "Observation" {
				keys = append(keys, partKey(key))
			}
		}
	}
	return w.need(keys...)
}

// fact is what a resource says. Of a type that is not read nothing is looked at.
func (w *work) fact(it item) fact {
	kind, err := typeOf(it.raw)
	switch {
	case err != nil:
		return fact{}.wrong("%v", err)
	case kind == "AdverseEvent":
		var a adverseEvent
		if err := decode(it.raw, &a); err != nil {
			return fact{head: head{ResourceType: kind}, kind: clinical.KindFall}.wrong("%v", err)
		}
		return w.adverseEvent(a)
	case !isRead[kind]:
		return fact{head: head{ResourceType: kind}}.skip()
	}
	var h head
	if err := decode(it.raw, &h); err != nil {
		return fact{head: head{ResourceType: kind}}.wrong("%v", err)
	}
	switch kind {
	case "Patient":
		return check(h, it, &patient{}, func(patient) fact { return fact{head: h}.skip() })
	case "Location":
		return check(h, it, &location{}, func(location) fact { return fact{head: h}.skip() })
	case "Medication":
		return check(h, it, &medication{}, func(medication) fact { return fact{head: h}.skip() })
	case "Encounter":
		return check(h, it, &encounter{}, w.stay)
	case "Observation":
		return check(h, it, &observation{}, w.observe)
	case "MedicationRequest":
		return check(h, it, &medicationRequest{}, w.order)
	case "MedicationAdministration":
		return check(h, it, &medicationAdministration{}, w.dose)
	case "Condition":
		return check(h, it, &condition{}, w.condition)
	case "Flag":
		return check(h, it, &flag{}, w.flag)
	}
	return check(h, it, &procedure{}, w.procedure)
}

// isRead are the types of resources of which something is read, but AdverseEvent.
var isRead = map[string]bool{
	"Patient": true, "Location": true, "Medication": true, "Encounter": true, "Observation": true,
	"MedicationRequest": true, "MedicationAdministration": true, "Condition": true, "Flag": true, "Procedure": true,
}

// typeFirst is the type where it stands first, as it nearly always does.
var typeFirst = regexp.MustCompile(`^\{\s*"resourceType"\s*:\s*"([A-Za-z]{1,64})"`)

func typeOf(raw []byte) (string, error) {
	if m := typeFirst.FindSubmatch(raw); m != nil {
		return string(m[1]), nil
	}
	var t struct {
		ResourceType string `json:"resourceType"`
	}
	if err := decode(raw, &t); err != nil {
		return "", err
	}
	if t.ResourceType == "" {
		return "", errors.New("it has no resourceType")
	}
	return t.ResourceType, nil
}

// check reads a resource into its form and makes a fact of it.
func check[R any](h head, it item, r *R, of func(R) fact) fact {
	if err := decode(it.raw, r); err != nil {
		f := fact{head: h, source: h.key()}
		if kinds := kindsOf[h.ResourceType]; len(kinds) == 1 {
			f.kind = kinds[0]
		}
		return f.wrong("%v", err)
	}
	return of(*r)
}

// Again implements feed.Reader.
func (r Reader) Again(h records.Held, o feed.Options, sink feed.Sink) error {
	return r.work(h.File, o, sink).read([]item{{raw: h.Original, fullURL: string(h.Context), line: h.Line}})
}

// GatherAgain implements feed.Gatherer.
func (r Reader) GatherAgain(h records.Held, o feed.Options, keep func(records.Card) error) error {
	o.Cards, o.Known = nil, nil
	return r.work(h.File, o, nil).gather(item{raw: h.Original, fullURL: string(h.Context), line: h.Line}, keep)
}

// Gather implements feed.Gatherer.
func (r Reader) Gather(src io.Reader, name string, o feed.Options, keep func(records.Card) error) error {
	o.Cards, o.Known = nil, nil
	w := r.work(name, o, nil)
	return split(src, w.Settings, func(it item) error { return w.gather(it, keep) })
}

// gather keeps the cards of a resource.
func (w *work) gather(it item, keep func(records.Card) error) error {
	card := func(key, group string, at time.Time, body any) error {
		text, err := json.Marshal(body)
		if err != nil {
			return nil // nothing that was read from JSON cannot be written
		}
		return keep(records.Card{Feed: Feed, Key: key, Group: group, At: at, File: w.name, Line: it.line, Body: text})
	}
	kind, err := typeOf(it.raw)
	var h head
	if err != nil || kind != "AdverseEvent" && (!isRead[kind] || decode(it.raw, &h) != nil) {
		return nil
	}
	switch kind {
	case "Patient":
		return gatherAs(w, it, h, &patient{}, card, func(patient) string { return "" })
	case "Location":
		return gatherAs(w, it, h, &location{}, card, func(location) string { return "" })
	case "Medication":
		return gatherAs(w, it, h, &medication{}, card, func(medication) string { return "" })
	case "Encounter":
		return gatherAs(w, it, h, &encounter{}, card, func(e encounter) string {
			return staysOf(e.Subject.main("Patient"))
		})
	case "MedicationRequest":
		if it.fullURL == "" || h.key() == "" || typeAndID(it.fullURL) == h.key() {
			return nil // found by its id
		}
		return card(it.fullURL, "", time.Time{}, head{ResourceType: h.ResourceType, ID: h.ID, Identifier: h.Identifier})
	}
	f := w.fact(it)
	key := f.head.key()
	switch {
	case key == "":
	case f.part != nil && f.reason == "":
		for _, c := range f.part.cards() {
			if err := card(c.Key, c.Group, f.recorded, f.part); err != nil {
				return err
			}
		}
	case f.nothing && kindsOf[kind] != nil:
		return keep(records.Card{Feed: Feed, Key: madeKey(key), At: f.recorded, File: w.name, Line: it.line})
	case len(f.versions) > 0 && mayChange[f.kind]:
		return keep(records.Card{
			Feed: Feed, Key: madeKey(key), At: f.recorded, File: w.name, Line: it.line, Body: []byte(f.kind),
		})
	}
	return nil
}

// mayChange are the kinds of which a later version of a resource may be another kind.
var mayChange = map[clinical.Kind]bool{
	clinical.KindClearance: true, clinical.KindAnswer: true, clinical.KindRestriction: true,
	clinical.KindPrecaution: true, clinical.KindFall: true,
}

// gatherAs keeps a resource under all its names.
func gatherAs[R any](
	w *work, it item, h head, r *R, card func(string, string, time.Time, any) error, group func(R) string,
) error {
	if decode(it.raw, r) != nil {
		return nil // it is held
	}
	m, err := readMoment(h.lastUpdated(), w.o.Zone)
	if err != nil {
		return nil
	}
	for n, name := range names(h, it.fullURL) {
		together := ""
		if n == 0 {
			together = group(*r)
		}
		if err := card(name, together, m.at, r); err != nil {
			return err
		}
	}
	return nil
}
