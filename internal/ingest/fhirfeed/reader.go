// Package fhirfeed reads FHIR R4 JSON: Bundles of any type, NDJSON and single resources. What
// is read of it, and what is not, stands in docs/feeds.md.
//
// Resources refer to each other in any order and over files, and three of them may be one
// reading. So each that is of use is handed on as a part, with what it says and the names by
// which it refers to others, and facts are composed of parts.
package fhirfeed

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"strings"

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
	// Installation is the UUID of this installation: what bears it has come back from the record. "": none.
	Installation string
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
	return &work{Settings: r.Settings(), o: o, sink: sink, name: name, aliases: map[string]bool{}}
}

// notDeleted: an entry that deletes a resource says neither of what kind it was nor when that was known.
const notDeleted = "deletions (request.method DELETE) are not read: send the resource again with the status entered-in-error"

// Read implements feed.Reader.
func (r Reader) Read(src io.Reader, name string, o feed.Options, sink feed.Sink) error {
	w := r.work(name, o, sink)
	said := false
	return split(src, w.Settings, func(it item) error {
		if it.deletes {
			if !said {
				sink.Notice(notDeleted)
			}
			said = true
			return nil
		}
		return w.hand(it, w.fact(it))
	})
}

// Again implements feed.Reader.
func (r Reader) Again(h records.Held, o feed.Options, sink feed.Sink) error {
	w := r.work(h.File, o, sink)
	it := item{raw: h.Original, fullURL: string(h.Context), line: h.Line}
	return w.hand(it, w.fact(it))
}

// isResource refuses a file of JSON that is no FHIR at all, by the first thing in it that stands
// alone. What stands in a Bundle is judged entry by entry.
func isResource(raw []byte) error {
	var h struct{ ResourceType *string }
	if err := decode(raw, &h); err == nil && (h.ResourceType == nil || *h.ResourceType == "") {
		return errors.New("is JSON, but no FHIR: what stands first has no resourceType")
	}
	return nil
}

// fact is what a resource says. Of a type that is not read nothing is looked at.
func (w *work) fact(it item) fact {
	kind, err := typeOf(it.raw)
	switch {
	case err != nil:
		return fact{}.wrong("%v", cmp.Or(entryFault(it.raw), err))
	case kind == bundle:
		return fact{head: head{ResourceType: kind}}.wrong("%v", bundleFault(it.raw))
	case kind == "AdverseEvent":
		var a adverseEvent
		if err := decode(it.raw, &a); err != nil {
			return fact{head: head{ResourceType: kind}, kind: clinical.KindFall}.wrong("%v", err)
		}
		return w.adverseEvent(a)
	case !isRead[kind]:
		return fact{head: head{ResourceType: kind}}.skip()
	}
	switch kind {
	case "Patient":
		return check(kind, it, &patient{}, func(p patient) fact { return w.person(p, it) })
	case "Practitioner":
		return check(kind, it, &patient{}, func(p patient) fact { return w.lookedAt(p.head, it, personSaid{Name: p.name()}) })
	case "Location":
		return check(kind, it, &location{}, func(l location) fact { return w.location(l, it) })
	case "Medication":
		return check(kind, it, &medication{}, func(m medication) fact { return w.lookedAt(m.head, it, w.drugSaid(m.Code)) })
	case "Encounter":
		return check(kind, it, &encounter{}, func(e encounter) fact { return w.visit(e, it) })
	case "Observation":
		return check(kind, it, &observation{}, w.observe)
	case "MedicationRequest":
		return check(kind, it, &medicationRequest{}, w.order)
	case "MedicationAdministration":
		return check(kind, it, &medicationAdministration{}, w.dose)
	case "Condition":
		return check(kind, it, &condition{}, w.condition)
	case "Flag":
		return check(kind, it, &flag{}, w.flag)
	}
	return check(kind, it, &procedure{}, w.procedure)
}

// entryFault says why an entry of a Bundle is handed on instead of its resource; nil for what is
// no such entry.
func entryFault(raw []byte) error {
	var e struct {
		FullURL string `json:"fullUrl"`
	}
	return decode(raw, &e)
}

// bundleFault says why a Bundle is handed on instead of its entries.
func bundleFault(raw []byte) error {
	var b struct {
		Entry []json.RawMessage `json:"entry"`
	}
	if err := decode(raw, &b); err != nil {
		return err
	}
	return errors.New("it is a Bundle: put it right in its file, and send that again")
}

// isRead are the types of resources of which something is read, but AdverseEvent.
var isRead = map[string]bool{
	"Patient": true, "Location": true, "Medication": true, "Encounter": true, "Observation": true,
	"MedicationRequest": true, "MedicationAdministration": true, "Condition": true, "Flag": true, "Procedure": true,
	"Practitioner": true,
}

// typeFirst is the type where it stands first, as it nearly always does.
func typeFirst(raw []byte) (string, bool) {
	rest := raw
	for _, token := range []string{"{", `"resourceType"`, ":", `"`} {
		after, found := bytes.CutPrefix(bytes.TrimLeft(rest, space), []byte(token))
		if !found {
			return "", false
		}
		rest = after
	}
	kind, _, closed := bytes.Cut(rest[:min(len(rest), 64)], []byte(`"`))
	return string(kind), closed && !bytes.ContainsAny(kind, `\`) && len(kind) > 0
}

// typeAmong is the type where it is written plainly.
func typeAmong(raw []byte) (kind string, ok bool) {
	if len(raw) == 0 || raw[0] != '{' {
		return "", false
	}
	for name, value := range members(raw) {
		if name == "resourceType" && len(value) > 2 && value[0] == '"' && !bytes.ContainsAny(value, `\\`) {
			kind, ok = string(value[1:len(value)-1]), true // of several the last one counts
		}
	}
	return kind, ok
}

func typeOf(raw []byte) (string, error) {
	if kind, ok := typeFirst(raw); ok {
		return kind, nil
	}
	if kind, ok := typeAmong(raw); ok {
		return kind, nil
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
func check[R any](kind string, it item, r *R, of func(R) fact) fact {
	if err := decode(it.raw, r); err != nil {
		h := head{ResourceType: kind}
		if decode(it.raw, &h) != nil {
			h = head{ResourceType: kind}
		}
		f := fact{head: h, source: h.key(), kind: kindOfType[kind]}
		return f.wrong("%v", err)
	}
	return of(*r)
}
