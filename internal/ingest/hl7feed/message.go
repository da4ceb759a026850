package hl7feed

import (
	"encoding/hex"
	"slices"
	"strings"
	"unicode/utf8"
)

// separators are those that a message names in MSH-1 and MSH-2.
type separators struct{ field, component, repetition, escape, sub byte }

// message is one HL7 v2 message: its segments, each cut into fields.
type message struct {
	segments []segment
	separators
}

// segment is a segment: its name, and its fields as they were sent, by their numbers.
type segment struct {
	name   string
	fields []string // fields[0] is the name; of MSH, fields[1] is the separator itself
	sep    separators
}

// field is the n-th field as it was sent; "" where there is none.
func (s segment) field(n int) string {
	if n < len(s.fields) {
		return s.fields[n]
	}
	return ""
}

// repetitions are those of a field; one that is empty has none.
func (s segment) repetitions(n int) []element {
	f := s.field(n)
	if f == "" {
		return nil
	}
	var out []element
	for _, r := range cut(f, s.sep.repetition) {
		out = append(out, element{r, s.sep})
	}
	return out
}

// first is the first repetition of a field.
func (s segment) first(n int) element {
	text := s.field(n)
	if s.sep.repetition != 0 {
		if i := strings.IndexByte(text, s.sep.repetition); i >= 0 {
			text = text[:i]
		}
	}
	return element{text, s.sep}
}

// text is the first component of a field, without escapes.
func (s segment) text(n int) string { return s.first(n).component(1) }

// deletes reports whether a field says that its value is to be deleted.
func (s segment) deletes(n int) bool { return s.field(n) == `""` }

// element is one repetition of a field.
type element struct {
	text string
	sep  separators
}

// component is the n-th component, from 1, its first subcomponent, without escapes and
// without spaces around it. `""`, which deletes a value, reads as empty.
func (e element) component(n int) string {
	list := cut(e.text, e.sep.component)
	if n > len(list) {
		return ""
	}
	text := list[n-1]
	if e.sep.sub != 0 {
		text = cut(text, e.sep.sub)[0]
	}
	if text == `""` {
		return ""
	}
	return strings.TrimSpace(e.sep.unescape(text))
}

func cut(text string, by byte) []string {
	if by == 0 {
		return []string{text}
	}
	return strings.Split(text, string(rune(by)))
}

// unescape reads the escapes of the separators, of line breaks and of bytes in hexadecimal;
// highlighting and what is not known is dropped.
func (s separators) unescape(text string) string {
	if s.escape == 0 || strings.IndexByte(text, s.escape) < 0 {
		return text
	}
	var out strings.Builder
	for {
		before, rest, found := strings.Cut(text, string(rune(s.escape)))
		out.WriteString(before)
		if !found {
			return out.String()
		}
		code, after, closed := strings.Cut(rest, string(rune(s.escape)))
		if !closed { // no escape, a lone character
			out.WriteByte(s.escape)
			out.WriteString(rest)
			return out.String()
		}
		out.WriteString(s.escaped(code))
		text = after
	}
}

func (s separators) escaped(code string) string {
	switch code {
	case "F":
		return string(rune(s.field))
	case "S":
		return string(rune(s.component))
	case "R":
		return string(rune(s.repetition))
	case "E":
		return string(rune(s.escape))
	case "T":
		return string(rune(s.sub))
	case ".br", ".sp":
		return " "
	}
	if digits, is := strings.CutPrefix(code, "X"); is {
		return ofHex(digits)
	}
	return ""
}

// ofHex are the bytes written in hexadecimal, as far as they are text.
func ofHex(digits string) string {
	out, err := hex.DecodeString(digits)
	if err != nil {
		return ""
	}
	text := strings.ToValidUTF8(string(out), "\uFFFD")
	return strings.Map(func(r rune) rune {
		if r < ' ' {
			return ' '
		}
		return r
	}, text)
}

// parse cuts the lines of a message. A line with no field separator continues the field
// before it. The reason says why it is no message.
func parse(lines []string) (m message, reason string) {
	if len(lines) == 0 || len(lines[0]) < 8 || !strings.HasPrefix(lines[0], "MSH") {
		return m, "the message does not begin with MSH and its separators"
	}
	m.field = lines[0][3]
	if isWord(m.field) || m.field >= utf8.RuneSelf {
		return m, "the field separator after MSH is no sign of ASCII, or a letter or a digit"
	}
	head := strings.Split(lines[0], string(rune(m.field)))
	if reason := m.setSeparators(head[1]); reason != "" {
		return m, reason
	}
	msh := segment{name: "MSH", fields: append([]string{"MSH", string(rune(m.field))}, head[1:]...), sep: m.separators}
	m.segments = append(m.segments, msh)
	for rest := lines[1:]; len(rest) > 0; {
		goes := slices.IndexFunc(rest, func(line string) bool { return strings.IndexByte(line, m.field) >= 0 })
		if goes < 0 {
			goes = len(rest)
		}
		if goes > 0 { // joined at once: a message may be one field of a million lines
			fields := m.segments[len(m.segments)-1].fields
			last := &fields[len(fields)-1]
			*last = strings.Join(append([]string{*last}, rest[:goes]...), " ")
			rest = rest[goes:]
			continue
		}
		fields := strings.Split(rest[0], string(rune(m.field)))
		m.segments = append(m.segments, segment{name: strings.TrimSpace(fields[0]), fields: fields, sep: m.separators})
		rest = rest[1:]
	}
	return m, ""
}

func (s *separators) setSeparators(encoding string) string {
	seen := map[byte]bool{s.field: true}
	given := slices.Compact([]byte(encoding)) // some double the escape character, as program text does
	for n, to := range []*byte{&s.component, &s.repetition, &s.escape, &s.sub} {
		if n >= len(given) {
			break
		}
		c := given[n]
		if isWord(c) || seen[c] || c >= utf8.RuneSelf {
			return "the separators in MSH-2 cannot be told apart"
		}
		seen[c] = true
		*to = c
	}
	if s.component == 0 {
		return "MSH-2 names no component separator"
	}
	return ""
}

func isWord(c byte) bool {
	return c == ' ' || c == '"' || '0' <= c && c <= '9' || 'A' <= c && c <= 'Z' || 'a' <= c && c <= 'z'
}

// find is the first segment of a name; an empty one where there is none.
func (m message) find(name string) segment {
	for _, s := range m.segments {
		if s.name == name {
			return s
		}
	}
	return segment{sep: m.separators}
}

// event is the message type and the trigger event of MSH-9.
func (m message) event() (kind, trigger string) {
	e := m.segments[0].first(9)
	kind, trigger = e.component(1), e.component(2)
	if trigger == "" && kind == "ADT" {
		trigger = m.find("EVN").text(1)
	}
	return kind, trigger
}
