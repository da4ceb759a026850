package app

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A setting that the README leaves out is found by nobody who installs the program,
// and neither is a page of docs that it does not link.
func TestTheReadmeNamesEverySettingAndPage(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range options {
		for _, name := range []string{"`" + o.variable() + "`", "`--" + o.name + "`"} {
			if !strings.Contains(string(readme), name) {
				t.Errorf("the table of settings lacks %s", name)
			}
		}
	}
	pages, err := filepath.Glob("../../docs/*.md")
	if err != nil || len(pages) == 0 {
		t.Fatal("no pages", err)
	}
	for _, page := range pages {
		if !strings.Contains(string(readme), "(docs/"+filepath.Base(page)) {
			t.Errorf("docs/%s is not linked", filepath.Base(page))
		}
	}
}
