package fhirfeed

import (
	"encoding/json"
	"net/url"
	"strings"

	"plumbline/internal/records"
)

// A reference is followed by the address of an entry (fullUrl), then by Type/id, then by
// identifier; within its resource by #id. A resource takes part in a topic for each of these
// names, and whoever refers to it looks at the topics of the names that the reference gives.

// pointer is a reference as a part keeps it: what it takes to find what is meant, and what is
// known of it without.
type pointer struct {
	Names   []string `json:",omitempty"` // in the order in which they are tried
	Number  string   `json:",omitempty"` // of the patient or visit, where the reference itself gives it
	ID      string   `json:",omitempty"` // of a reference Type/id
	Display string   `json:",omitempty"`
}

// empty tells a reference that names nothing.
func (p pointer) empty() bool { return len(p.Names) == 0 && p.Number == "" }

// main is the name by which things of one reference are told from others.
func (p pointer) main() string {
	if len(p.Names) == 0 {
		return "number " + p.Number
	}
	if tail := typeAndID(p.Names[0]); tail != "" {
		return tail
	}
	return p.Names[0]
}

// pointer is the reference to a resource of a type, whose number has an identifier type: MR of
// a patient, VN of a visit.
func (r reference) pointer(kind, number string) pointer {
	p := pointer{Names: r.names(kind), ID: r.id(), Display: strings.TrimSpace(r.Display)}
	if r.Identifier != nil && r.Identifier.Type.has(number) {
		p.Number = strings.TrimSpace(r.Identifier.Value)
	}
	return p
}

// names are those under which what a reference names may be known. kind is the type that is
// meant.
func (r reference) names(kind string) (out []string) {
	text := strings.TrimSpace(r.Reference)
	switch {
	case text == "" || strings.HasPrefix(text, "#"):
	case strings.Contains(text, "?"):
		if decoded, err := url.QueryUnescape(text); err == nil {
			text = decoded
		}
		out = addName(out, text)
	default:
		text, _, _ = strings.Cut(text, "/_history/")
		out = addName(out, text)
		if tail := typeAndID(text); tail != "" && tail != text {
			out = addName(out, tail)
		}
	}
	if r.Identifier != nil && r.Identifier.Value != "" {
		out = addName(out, byIdentifier(kind, *r.Identifier))
	}
	return out
}

// addName adds a name in the form in which the store keeps it; one that is too long to be
// looked for is left out.
func addName(list []string, name string) []string {
	name = strings.ReplaceAll(strings.ToValidUTF8(name, "\uFFFD"), "\x00", "\uFFFD")
	if name == "" || len(name) > longestName {
		return list
	}
	return append(list, name)
}

// typeAndID is the end of an address, "" where it does not end in a type and an id.
func typeAndID(address string) string {
	before, id := cutLast(address)
	_, kind := cutLast(before)
	if id == "" || kind == "" || kind[0] < 'A' || kind[0] > 'Z' || len(before) == len(address) {
		return ""
	}
	return kind + "/" + id
}

func cutLast(s string) (before, after string) {
	n := strings.LastIndexByte(s, '/')
	if n < 0 {
		return s, s
	}
	return s[:n], s[n+1:]
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

func byIdentifier(kind string, i identifier) string {
	return kind + "?identifier=" + i.System + "|" + i.Value
}

// mostIdentifiers is by how many of its identifiers a resource can be found.
const mostIdentifiers = 8

// names are those of a resource; the first is its own.
func names(h head, fullURL string) (out []string) {
	if key := h.key(); key != "" {
		out = addName(out, key)
	}
	if fullURL != "" && (len(out) == 0 || fullURL != out[0]) {
		out = addName(out, fullURL)
	}
	for n, i := range h.Identifier {
		if n < mostIdentifiers && i.Value != "" {
			out = addName(out, byIdentifier(h.ResourceType, i))
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

// The topics. What a resource is called; who is said to take the place of a patient; that
// readings name their patient so; and what is composed: a visit, a reading of one patient and
// moment, any other fact. What was standing is looked for by quarters of an hour.
func isTopic(name string) string       { return "is " + name }
func replacesTopic(name string) string { return "replaces " + name }
func aliasTopic(name string) string    { return "alias " + name }
func visitTopic(key string) string     { return "visit " + key }
func factTopic(key string) string      { return "fact " + key }

// isTopics are the topics of all names of a resource, and what they say.
func isTopics(list []string, says string) (out []records.Topic) {
	for _, name := range list {
		out = append(out, records.Topic{Name: isTopic(name), Says: says})
	}
	return out
}
