package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
)

// figures are the single values of a document under their names. A list of things has
// the name of each in place of its number, so that a new one moves no other.
type figures map[string]any

// unspoken are the fields that are not compared: sentences, which the other
// implementation does not make, the facts they rest on, and the hash of the policy.
var unspoken = map[string]bool{"text": true, "evidence": true, "note": true, "facts": true, "policy": true, "name": true}

// unordered are the lists whose order means nothing.
var unordered = map[string]bool{"symptoms": true, "in_place": true, "drugs": true, "load_left_out": true, "unrecognised_drugs": true}

// figuresOf takes a JSON document apart.
func figuresOf(document any) (figures, error) {
	written, err := json.Marshal(document)
	if err != nil {
		return nil, err
	}
	var read any
	if err := json.Unmarshal(written, &read); err != nil {
		return nil, err
	}
	out := figures{}
	out.add("", read)
	return out, nil
}

func (f figures) add(name string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for key, inner := range v {
			if !unspoken[key] {
				f.add(strings.TrimPrefix(name+"."+key, "."), inner)
			}
		}
	case []any:
		f[name+".length"] = float64(len(v))
		seen := map[string]int{}
		for n, inner := range v {
			id := idOf(inner, n)
			if word, ok := inner.(string); ok && unordered[name[strings.LastIndexByte(name, '.')+1:]] {
				id = word
			}
			if seen[id]++; seen[id] > 1 {
				id = fmt.Sprintf("%s #%d", id, seen[id])
			}
			f.add(fmt.Sprintf("%s[%s]", name, id), inner)
		}
	default:
		f[name] = v
	}
}

// ids are the fields that name a thing in its list, the first that it has.
var ids = [][]string{
	{"stay_id", "rank"}, {"rule"}, {"drug", "change", "at"}, {"drug", "group", "line_only"}, {"drug"},
	{"started_at", "set_id"}, {"kind"},
}

// idOf names an entry of a list: by what it is, else by its place.
func idOf(v any, n int) string {
	m, ok := v.(map[string]any)
	for _, keys := range ids {
		var parts []string
		for _, key := range keys {
			if word, has := m[key]; ok && has && key != "rank" {
				parts = append(parts, fmt.Sprint(word))
			} else if key == "rank" && !has {
				parts = nil // a stay named elsewhere is no entry of the list
				break
			}
		}
		if len(parts) > 0 && (len(parts) == len(keys) || keys[0] == "stay_id") {
			return strings.Join(parts, " ")
		}
	}
	return fmt.Sprint(n)
}

// field is the name of a figure without the names of the things it is in: all figures
// of one field are one line of the command's answer. The rule of a reason, a flag or a
// recheck stays, since a change of a rule is what it is read for.
func field(name string) string {
	var b strings.Builder
	for rest := name; rest != ""; {
		before, after, inside := strings.Cut(rest, "[")
		b.WriteString(before)
		if !inside {
			break
		}
		id, end, _ := strings.Cut(after, "]")
		if strings.HasPrefix(id, "T-") || strings.HasPrefix(id, "D-") {
			b.WriteString("[" + id + "]")
		} else {
			b.WriteString("[]")
		}
		rest = end
	}
	return b.String()
}

// same tells whether two figures agree: numbers to nine digits, "" and null alike.
func same(a, b any) bool {
	x, isNumber := a.(float64)
	y, both := b.(float64)
	if isNumber && both {
		return math.Abs(x-y) <= 1e-9*math.Max(math.Abs(x), math.Abs(y))+1e-12
	}
	return empty(a) && empty(b) || a == b
}

func empty(v any) bool { return v == nil || v == "" }
