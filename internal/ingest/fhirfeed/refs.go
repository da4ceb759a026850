package fhirfeed

import (
	"encoding/json"
	"net/url"
	"strings"

	"plumbline/internal/records"
)

// A reference is followed by the address of an entry (fullUrl), then by Type/id, then by
// identifier; within its resource by #id. Cards stand under all of these.

// keys are the keys under which what a reference names may be found, in the order in which
// they are tried. kind is the type that is meant.
func (r reference) keys(kind string) (out []string) {
	text := strings.TrimSpace(r.Reference)
	switch {
	case text == "" || strings.HasPrefix(text, "#"):
	case strings.Contains(text, "?"):
		if decoded, err := url.QueryUnescape(text); err == nil {
			text = decoded
		}
		out = append(out, text)
	default:
		text, _, _ = strings.Cut(text, "/_history/")
		out = append(out, text)
		if tail := typeAndID(text); tail != "" && tail != text {
			out = append(out, tail)
		}
	}
	if r.Identifier != nil && r.Identifier.Value != "" {
		out = append(out, byIdentifier(kind, *r.Identifier))
	}
	return out
}

// main is the key by which things of one reference are told from others.
func (r reference) main(kind string) string {
	keys := r.keys(kind)
	switch {
	case len(keys) == 0:
		return ""
	case len(keys) > 1 && r.Reference != "" && typeAndID(keys[0]) != "":
		return typeAndID(keys[0])
	}
	return keys[0]
}

// typeAndID is the end of an address, "" where it does not end in a type and an id.
func typeAndID(address string) string {
	parts := strings.Split(address, "/")
	if len(parts) < 2 {
		return ""
	}
	kind, id := parts[len(parts)-2], parts[len(parts)-1]
	if id == "" || kind == "" || kind[0] < 'A' || kind[0] > 'Z' {
		return ""
	}
	return kind + "/" + id
}

// id is the id that a reference names, where it is of the form Type/id.
func (r reference) id() string {
	text, _, _ := strings.Cut(strings.TrimSpace(r.Reference), "/_history/")
	_, id, _ := strings.Cut(typeAndID(text), "/")
	if strings.Contains(text, "?") {
		return ""
	}
	return id
}

func (r reference) empty() bool { return r.Reference == "" && r.Identifier == nil }

func byIdentifier(kind string, i identifier) string {
	return kind + "?identifier=" + i.System + "|" + i.Value
}

// mostIdentifiers is by how many of its identifiers a resource can be found.
const mostIdentifiers = 8

// names are the keys under which a resource is found; the first is its own.
func names(h head, fullURL string) (out []string) {
	if key := h.key(); key != "" {
		out = append(out, key)
	}
	if fullURL != "" && (len(out) == 0 || fullURL != out[0]) {
		out = append(out, fullURL)
	}
	for n, i := range h.Identifier {
		if n < mostIdentifiers && i.Value != "" {
			out = append(out, byIdentifier(h.ResourceType, i))
		}
	}
	return out
}

// contained finds a resource within another by #id.
func contained(list []json.RawMessage, ref string) json.RawMessage {
	id, inside := strings.CutPrefix(strings.TrimSpace(ref), "#")
	if !inside || id == "" {
		return nil
	}
	for _, raw := range list {
		var h head
		if json.Unmarshal(raw, &h) == nil && strings.TrimPrefix(h.ID, "#") == id {
			return raw
		}
	}
	return nil
}

// Other keys of cards. A part of a reading is found by its own key and by its moment; what
// was standing, by its quarter of an hour; a resource that may make another kind of fact or
// none, by what it made; the stays of a patient, by the patient.
func partKey(source string) string  { return "part " + source }
func madeKey(source string) string  { return "made " + source }
func staysOf(patient string) string { return "of " + patient }

// cardsOf finds cards of the keys and groups, through what was found before.
type finder struct {
	find  func(keys, groups []string) ([]records.Card, error)
	cards map[string][]records.Card // by key, by moment; a key without cards is there too
}

// remembered is how many keys are kept in memory.
const remembered = 20000

// need makes keys known, in one look.
func (f *finder) need(keys ...string) error {
	var missing []string
	for _, k := range keys {
		if _, known := f.cards[k]; !known && k != "" {
			missing = append(missing, k)
		}
	}
	if len(missing) == 0 || f.find == nil {
		return nil
	}
	if len(f.cards) > remembered {
		clear(f.cards)
		missing = keys
	}
	found, err := f.find(missing, nil)
	if err != nil {
		return err
	}
	for _, k := range missing {
		f.cards[k] = nil
	}
	for _, c := range found {
		f.cards[c.Key] = append(f.cards[c.Key], c)
	}
	return nil
}

// last is the latest card of the first key that has one.
func (f *finder) last(keys []string) (c records.Card, ok bool, err error) {
	if err := f.need(keys...); err != nil {
		return c, false, err
	}
	for _, k := range keys {
		if list := f.cards[k]; len(list) > 0 {
			return list[len(list)-1], true, nil
		}
	}
	return c, false, nil
}

// all are the cards of a key, by moment.
func (f *finder) all(key string) ([]records.Card, error) {
	err := f.need(key)
	return f.cards[key], err
}

// together are the cards of groups; they are not remembered.
func (f *finder) together(groups ...string) ([]records.Card, error) {
	if f.find == nil || len(groups) == 0 {
		return nil, nil
	}
	return f.find(nil, groups)
}
