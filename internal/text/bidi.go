package text

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/bidi"
)

// Text of feeds may be written from right to left, or hold characters that turn what
// follows around. On a page an element holds it (frame/charted.go); in plain text and in
// drawings the two characters of UAX 9 do that say where such a text begins and ends.
const (
	firstStrongIsolate = "\u2068"
	popIsolate         = "\u2069"

	Isolates = firstStrongIsolate + popIsolate // both
)

// Turns reports whether a character is written from right to left, or changes the
// direction of what follows.
func Turns(r rune) bool {
	return fromRight(r) || directs(r)
}

// fromRight reports whether a character is written from right to left.
func fromRight(r rune) bool {
	switch classOf(r) {
	case bidi.R, bidi.AL, bidi.AN:
		return true
	}
	return false
}

// directs reports whether a character says only how others are ordered.
func directs(r rune) bool {
	if r == '\u200e' || r == '\u200f' || r == '\u061c' {
		return true
	}
	switch classOf(r) {
	case bidi.RLO, bidi.LRO, bidi.RLE, bidi.LRE, bidi.PDF, bidi.RLI, bidi.LRI, bidi.FSI, bidi.PDI:
		return true
	}
	return false
}

func classOf(r rune) bidi.Class {
	p, _ := bidi.LookupRune(r)
	return p.Class()
}

// Isolate puts each run of a text that turns between two marks: from the first character
// that does to the last one before a letter that is written from left to right, or before
// one at which stop says so.
func Isolate(s, begin, end string, stop func(rune) bool) string {
	var b strings.Builder
	for len(s) > 0 {
		from := strings.IndexFunc(s, Turns)
		if from < 0 {
			break
		}
		to := from // behind the last character of the run that turns
		for n, r := range s[from:] {
			if Turns(r) {
				to = from + n + utf8.RuneLen(r)
			} else if classOf(r) == bidi.L || stop(r) {
				break
			}
		}
		b.WriteString(s[:from] + begin + s[from:to] + end)
		s = s[to:]
	}
	return b.String() + s
}

// Plain is a sentence for plain text and drawings: what is written from right to left in it
// is isolated, so that figures beside it stay where they are, and what would only turn
// others is left out.
func Plain(sentence string) string {
	return Isolate(undirected(sentence), firstStrongIsolate, popIsolate, unicode.IsControl)
}

// Apart is Plain for one text of a feed, which is isolated as a whole.
func Apart(charted string) string {
	if charted = undirected(charted); strings.IndexFunc(charted, fromRight) < 0 {
		return charted
	}
	return firstStrongIsolate + charted + popIsolate
}

func undirected(s string) string {
	return strings.Map(func(r rune) rune {
		if directs(r) {
			return -1
		}
		return r
	}, s)
}

// Clip is a text of at most so many characters, the last of them "…" where it was longer.
func Clip(s string, most int) string {
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return strings.TrimRight(string([]rune(s)[:most-1]), " ") + "…"
}
