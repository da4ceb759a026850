package text

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// A figure beside a text from right to left stays where it was written. The order
// of UAX 9 (from memory) would show "P7 86 " before it, and a text that closes an isolate or
// turns others cannot.
func TestPlainTextKeepsFiguresInTheirPlace(t *testing.T) {
	for sentence, want := range map[string]string{
		"P7 Ann, 86":                      "P7 Ann, 86",
		"P7 אבג 86":                       "P7 \u2068אבג\u2069 86",
		"on אבג דה 5 mg, אבג at 3":        "on \u2068אבג דה\u2069 5 mg, \u2068אבג\u2069 at 3",
		"P\u202e789 later":                "P789 later",
		"one אבג\ntwo אבג":                "one \u2068אבג\u2069\ntwo \u2068אבג\u2069",
		"\u2068אבג\u2069 held already 86": "\u2068אבג\u2069 held already 86",
		"closed \u2069 early א":           "closed  early \u2068א\u2069",
	} {
		if got := Plain(sentence); got != want {
			t.Errorf("%q becomes %q, want %q", sentence, got, want)
		}
	}
	if got, want := Apart("א 7 b"), "\u2068א 7 b\u2069"; got != want {
		t.Errorf("a text of a feed becomes %q, want %q", got, want)
	}
	if got := Apart("12A\u202e"); got != "12A" {
		t.Errorf("a bed becomes %q", got)
	}
}

func TestClip(t *testing.T) {
	long := Clip(strings.Repeat("א", 3000), 120)
	if utf8.RuneCountInString(long) != 120 || !strings.HasSuffix(long, "…") {
		t.Errorf("3,000 characters become %d", utf8.RuneCountInString(long))
	}
	if got := Clip("short", 120); got != "short" {
		t.Errorf("a short text becomes %q", got)
	}
}
