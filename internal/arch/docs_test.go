package arch

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

var (
	testNamed   = regexp.MustCompile("`(Test[A-Za-z0-9]+)`")
	testDefined = regexp.MustCompile(`(?m)^func (Test[A-Za-z0-9]+)\(`)
)

// testsOf names every test function of the repository.
func testsOf(t *testing.T, root string) map[string]bool {
	t.Helper()
	found := map[string]bool{}
	err := filepath.WalkDir(filepath.Join(root, "internal"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		source, err := os.ReadFile(path)
		for _, m := range testDefined.FindAllSubmatch(source, -1) {
			found[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// A page that names a test must not outlive it: the clinical page and the hazard
// log rest on them.
func TestPagesNameOnlyTestsThatExist(t *testing.T) {
	root := filepath.Join("..", "..")
	defined := testsOf(t, root)
	pages, err := filepath.Glob(filepath.Join(root, "docs", "*.md"))
	if err != nil || len(pages) == 0 {
		t.Fatal("no pages", err)
	}
	named := 0
	for _, page := range pages {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range testNamed.FindAllSubmatch(text, -1) {
			named++
			if !defined[string(m[1])] {
				t.Errorf("%s names %s, which does not exist", filepath.Base(page), m[1])
			}
		}
	}
	if named < 50 {
		t.Errorf("only %d tests are named in the pages", named)
	}
}

// Every rule that a page of the program may name stands in the clinical page, on a
// line with a test.
func TestEveryRuleStandsInTheClinicalPageWithATest(t *testing.T) {
	page, err := os.ReadFile(filepath.Join("..", "..", "docs", "clinical.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, group := range text.Explain(clinical.DefaultPolicy()) {
		for _, rule := range group.Rules {
			id := regexp.MustCompile(`(?m)^\|[^|]*\b` + regexp.QuoteMeta(rule.ID) + `\b[^|]*\|[^|]+\|([^|]*)\|`)
			row := id.FindSubmatch(page)
			if row == nil {
				t.Errorf("%s is in no table of docs/clinical.md", rule.ID)
			} else if !bytes.Contains(row[1], []byte("`Test")) {
				t.Errorf("%s stands in docs/clinical.md without a test", rule.ID)
			}
		}
	}
}
