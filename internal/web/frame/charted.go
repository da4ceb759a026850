package frame

import (
	"bytes"
	"regexp"
	"strings"
	"unicode"

	"plumbline/internal/text"
)

// Text of feeds may be written from right to left, hold characters that turn what follows
// around, or be one word of thousands of characters. One rule serves every page: all text of
// a page goes through settle when the page is rendered, sentences too. What is written from
// right to left is isolated (<bdi>), so that it cannot take figures beside it along; a long
// word or text may break anywhere, whatever the style of its place (the class "charted"). A
// word that no name or drug can be takes a few lines until it is pointed at ("endless").

const (
	longWord = 40  // characters of a word that may break anywhere
	longText = 600 // characters of a text that may wrap where others do not
)

// endless is a word of more than 300 characters, or the part of it between two tags.
var endless = regexp.MustCompile(`[^\s<>]{301,}`)

// untouched are elements whose text is no markup, or in which these elements may not stand.
var untouched = map[string]bool{
	"script": true, "style": true, "title": true, "textarea": true, "option": true, "svg": true,
}

// settle is a rendered page, or part of one, with its texts isolated and breakable. A page
// that needs nothing is returned as it is. The markup is that of templates: well formed,
// and text in it is escaped.
func settle(page []byte) []byte {
	var out bytes.Buffer
	done, inside, depth := 0, "", 0 // inside which untouched element; depth of bdi
	for at := 0; at < len(page); {
		if page[at] == '<' {
			end := tagEnd(page, at)
			name, closing := tagName(page[at:end])
			switch {
			case inside == "" && !closing && untouched[name]:
				inside = name
			case closing && name == inside:
				inside = ""
			case name == "bdi" && closing:
				depth--
			case name == "bdi":
				depth++
			}
			at = end
			continue
		}
		end := at + bytes.IndexByte(page[at:], '<')
		if end < at {
			end = len(page)
		}
		if inside == "" && depth == 0 {
			if settled := settleText(string(page[at:end])); len(settled) != end-at {
				out.Write(page[done:at])
				out.WriteString(settled)
				done = end
			}
		}
		at = end
	}
	if done == 0 {
		return page
	}
	out.Write(page[done:])
	return out.Bytes()
}

// tagEnd is the place behind the tag that begins at a place.
func tagEnd(page []byte, at int) int {
	var quote byte
	for n := at + 1; n < len(page); n++ {
		switch c := page[n]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '>':
			return n + 1
		}
	}
	return len(page)
}

func tagName(tag []byte) (name string, closing bool) {
	s := strings.TrimPrefix(string(tag), "<")
	s, closing = strings.CutPrefix(s, "/")
	n := strings.IndexFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	if n < 0 {
		n = len(s)
	}
	return strings.ToLower(s[:n]), closing
}

// settleText is an escaped text with what turns it isolated and what is long breakable.
func settleText(escaped string) string {
	plain := true
	word, all, longest := 0, 0, 0
	for _, r := range escaped {
		plain = plain && (r < 0x590 || !text.Turns(r))
		all++
		if word++; r == ' ' || r == '\n' || r == '\t' {
			word = 0
		}
		longest = max(longest, word)
	}
	isLong := longest > longWord || len(strings.TrimSpace(escaped)) > longText && all > longText
	if plain && !isLong {
		return escaped
	}
	if !plain {
		escaped = isolate(escaped)
	}
	if isLong {
		escaped = `<span class="charted">` + endless.ReplaceAllString(escaped, `<span class="endless">$0</span>`) + `</span>`
	}
	return escaped
}

// isolate puts each run that turns into an element of its own. An escaped character is no
// part of one.
func isolate(s string) string {
	return text.Isolate(s, "<bdi>", "</bdi>", func(r rune) bool { return r == '&' })
}
