package arch

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

// Hazards, threats and decision records are spoken of by their numbers: each has one of its own.
func TestNumbersServeOnce(t *testing.T) {
	for name, row := range map[string]*regexp.Regexp{
		"docs/safety.md":     regexp.MustCompile(`(?m)^\| (H\d+) \|`),
		"docs/security.md":   regexp.MustCompile(`(?m)^\| (T\d+) \|`),
		"docs/adr/README.md": regexp.MustCompile(`(?m)^(\d+)\. \[`),
	} {
		body, err := os.ReadFile(filepath.Join("..", "..", filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]bool{}
		for _, m := range row.FindAllSubmatch(body, -1) {
			if id := string(m[1]); seen[id] {
				t.Errorf("%s: %s stands there twice; give the later one the next free number", name, id)
			} else {
				seen[id] = true
			}
		}
		if len(seen) < 20 {
			t.Errorf("%s: only %d numbers are found", name, len(seen))
		}
	}
}
