package frame

import (
	"encoding/json"
	"html/template"
	"regexp"
	"strings"
	"testing"

	"plumbline/web"
)

var filling = regexp.MustCompile(`\bfill\("([a-z-]+)"`)

// The words that the script writes are handed to it, and it has no others.
func TestTheScriptGetsItsWords(t *testing.T) {
	said, err := scriptWords()
	if err != nil {
		t.Fatal(err)
	}
	given := map[string]string{}
	if err := json.Unmarshal([]byte(said), &given); err != nil {
		t.Fatal(err)
	}
	script, err := web.Static.ReadFile("static/app.js")
	if err != nil {
		t.Fatal(err)
	}
	asked := map[string]bool{}
	for _, m := range filling.FindAllStringSubmatch(string(script), -1) {
		asked[m[1]] = true
		if given[m[1]] == "" {
			t.Errorf("app.js asks for %s, which is not handed to it", m[1])
		}
	}
	for name := range given {
		if !asked[name] {
			t.Errorf("%s is handed to app.js, which does not ask for it", name)
		}
	}
}

// A sentence with pieces of markup escapes all that is not made by its own functions.
func TestASentenceOfWordsAndMarkupIsEscaped(t *testing.T) {
	hostile := `<script>alert("1")</script>`
	code, strong, ids := wordFuncs["code"].(func(any) template.HTML), wordFuncs["strong"].(func(any) template.HTML), wordFuncs["ids"].(func(any) template.HTML)
	for _, got := range []template.HTML{
		phrase("rules.says", hostile), phrase("rules.says", ids(hostile)), phrase("audit.says", code(hostile)), phrase("accounts.made", strong(hostile)),
		phrase("parts.as-of", strong(phrase("parts.as-of-known", &Moment{ISO: hostile, Text: hostile}))),
	} {
		if s := string(got); strings.Contains(s, "<script") || !strings.Contains(s, "&lt;script&gt;") {
			t.Errorf("%s", s)
		}
	}
	if got, want := phrase("audit.says", code("dashboard audit verify")), "<code>dashboard audit verify</code> checks the whole chain."; !strings.Contains(string(got), want) {
		t.Errorf("%s", got)
	}
	if got, want := phrase("parts.as-of-known", &Moment{ISO: "2026-11-20T08:05:00Z", Text: "20 Nov 08:05"}), `As known at <time datetime="2026-11-20T08:05:00Z">20 Nov 08:05</time>`; string(got) != want {
		t.Errorf("%s", got)
	}
	if got, err := wordLink("/feeds", hostile); err != nil || strings.Contains(string(got), "<script") || !strings.HasPrefix(string(got), `<a href="/feeds">`) {
		t.Errorf("%s, %v", got, err)
	}
	for _, away := range []string{"javascript:alert(1)", "//elsewhere.example/", "https://elsewhere.example/", `/\elsewhere.example`, "/\x00"} {
		if got, err := wordLink(away, "x"); err == nil {
			t.Errorf("%q became %s", away, got)
		}
	}
}

func TestWhatPaperLeavesOffIsCounted(t *testing.T) {
	for most, want := range map[int]int{0: 3, 2: 1, 3: 0, 8: 0} {
		if got := leftOff([]string{"a", "b", "c"}, most); got != want {
			t.Errorf("of three, with room for %d, %d are left off, want %d", most, got, want)
		}
	}
}
