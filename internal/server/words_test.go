package server

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"plumbline/internal/text"
	"plumbline/web"
)

var saying = regexp.MustCompile(`\b(?:say|text\.Say|Say)[ (]"([a-z0-9.-]+)"`)

// Every key that a template or a page asks for stands in the catalogue, and nothing
// stands there that no one asks for.
func TestEveryWordOfThePagesIsInTheCatalogue(t *testing.T) {
	asked := map[string]bool{}
	collect := func(body []byte) {
		for _, m := range saying.FindAllStringSubmatch(string(body), -1) {
			asked[m[1]] = true
		}
	}
	templates, _ := fs.Glob(web.Templates, "templates/*.html")
	for _, name := range templates {
		body, err := web.Templates.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		collect(body)
	}
	for _, folder := range []string{".", "../text", "../charts"} {
		files, _ := filepath.Glob(filepath.Join(folder, "*.go"))
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			body, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			collect(body)
		}
	}
	for key := range asked {
		if got := text.Say(key); strings.HasPrefix(got, "[") {
			t.Errorf("%s is asked for and not in the catalogue: add it to internal/text/en", key)
		}
	}
	for _, key := range text.SayKeys() {
		if !asked[key] {
			t.Errorf("%s stands in the catalogue and nothing asks for it", key)
		}
	}
}
