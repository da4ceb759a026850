package frame

import (
	"encoding/json"
	"fmt"
	"html/template"
	"reflect"
	"strings"
	"sync"

	"plumbline/internal/text"
)

// wordFuncs are what templates take the words of the catalogue with.
var wordFuncs = template.FuncMap{
	"phrase": phrase, "code": element("<code>", "</code>"), "strong": element("<strong>", "</strong>"),
	"ids": element(`<span class="ids">`, "</span>"), "link": wordLink, "scriptwords": scriptWords,
	"left": leftOff,
}

// leftOff is how many of a list paper leaves off that shows so many of it at most.
func leftOff(list any, most int) int { return max(0, reflect.ValueOf(list).Len()-most) }

// phrase is text.Say for a sentence with marked-up pieces in it, such as a command
// or a link. The sentence and each argument are escaped here, save for arguments
// that a function of wordFuncs has made, which has escaped them itself; a moment
// becomes a time element.
func phrase(key string, args ...any) template.HTML {
	sentence := template.HTMLEscapeString(text.Say(key))
	if len(args) == 0 {
		return template.HTML(sentence) // escaped above
	}
	safe := make([]any, len(args))
	for n, a := range args {
		safe[n] = string(escaped(a))
	}
	return template.HTML(fmt.Sprintf(sentence, safe...)) // of escaped pieces
}

// escaped is an argument as it may stand in a page.
func escaped(a any) template.HTML {
	switch a := a.(type) {
	case template.HTML:
		return a
	case *Moment:
		return template.HTML(
			`<time datetime="` + template.HTMLEscapeString(a.ISO) + `">` + template.HTMLEscapeString(a.Text) + `</time>`,
		)
	}
	return template.HTML(template.HTMLEscapeString(fmt.Sprint(a)))
}

// element puts what it is given between two tags.
func element(open, end template.HTML) func(any) template.HTML {
	return func(a any) template.HTML { return open + escaped(a) + end }
}

// wordLink is a link within this site.
func wordLink(path, words string) (template.HTML, error) {
	if LocalPath(path) != path {
		return "", fmt.Errorf("a link of a sentence leads to %q: give a path of this site", path)
	}
	return template.HTML(`<a href="`+template.HTMLEscapeString(path)+`">`) + escaped(words) + "</a>", nil
}

// scriptWords are the words that app.js writes into a page, as it reads them. They
// are put together once: every page holds them.
var scriptWords = sync.OnceValues(func() (string, error) {
	words := map[string]string{"old": text.Say("frame.old"), "not-refreshed": text.Say("frame.not-refreshed")}
	for _, key := range text.SayKeys() {
		if name, ok := strings.CutPrefix(key, "time."); ok {
			words[name] = text.Say(key)
		}
	}
	body, err := json.Marshal(words)
	return string(body), err
})
