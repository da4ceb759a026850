package policy

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

func docs(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../docs/policy.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The table of every key is what make docs writes, and it has a row for each with its
// default, range and words.
func TestDocsTellEveryKey(t *testing.T) {
	_, table, marked := strings.Cut(docs(t), ReferenceMark)
	if want := Reference(); !marked || table != want {
		t.Error("the table of keys in docs/policy.md is out of date: run make docs")
	}
	rows := regexp.MustCompile("(?m)^\\| `[a-z_0-9]+` \\| `.*` \\| .+ \\| .+ \\| .+ \\|$").FindAllString(table, -1)
	if len(rows) != len(keys) {
		t.Errorf("%d whole rows for %d keys", len(rows), len(keys))
	}
	for _, left := range []string{"Range: ", "Source: site policy.", "#"} {
		for _, row := range rows {
			if strings.Contains(row, left) {
				t.Errorf("%q is left in %s", left, row)
			}
		}
	}
}

func TestKeysTellTheTable(t *testing.T) {
	told := Keys()
	if len(told) != len(keys) {
		t.Fatalf("%d of %d keys", len(told), len(keys))
	}
	for i, k := range keys {
		if told[i].Path != k.path || len(told[i].Reach) != len(k.reach) {
			t.Errorf("%s is told as %+v", k.path, told[i])
		}
	}
	told[0].Reach[0] = "changed"
	if Keys()[0].Reach[0] == "changed" {
		t.Error("Keys shares its lists")
	}
}
