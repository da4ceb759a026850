package hl7feed_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/internal/testdb/teststore"
)

// Public messages of other projects (microsoft/FHIR-Converter and LinuxForHealth), as far as
// ../shared/data is there. What is expected was counted by eye and with grep: the messages
// are not of one story, and nearly all are of kinds that are of no use here.
func TestPublicMessagesAreReadOrNamed(t *testing.T) {
	root := "../../../../shared/data/hl7v2"
	if _, err := os.Stat(root); err != nil {
		t.Skip("no ../shared/data beside the project")
	}
	var files []string
	for _, pattern := range []string{"*/*.hl7"} {
		found, err := filepath.Glob(filepath.Join(root, pattern))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, found...)
	}
	if len(files) < 50 {
		t.Fatalf("only %d files", len(files))
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			d := newDesk(t, teststore.Empty(t))
			first := d.load(string(text))
			again := d.load(string(text))
			t.Log(first)
			if strings.HasPrefix(first, "0 rows") {
				t.Errorf("nothing was read and nothing named: %s", first)
			}
			if !strings.HasPrefix(again, first[:strings.Index(first, " rows")]) || strings.Contains(again, ": 1 accepted") {
				t.Errorf("loaded again: %s", again)
			}
		})
	}
}
