package policy

import (
	"bytes"
	"os"
	"regexp"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

func docs(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../docs/policy.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The table of every key has the default, the range and the reach of the table here.
func TestDocsTellEveryKey(t *testing.T) {
	text := docs(t)
	p := clinical.DefaultPolicy()
	at := fields(&p)
	rows := 0
	for _, k := range keys {
		section, name, _ := strings.Cut(k.path, ".")
		_, part, ok := strings.Cut(text, "\n### "+section+"\n")
		part, _, _ = strings.Cut(part, "\n### ")
		row := regexp.MustCompile(`(?m)^\| ` + "`" + name + "`" + ` \| (.*) \| (.*) \| (.*) \| (.*) \|$`).FindStringSubmatch(part)
		if !ok || row == nil {
			t.Errorf("%s has no row", k.path)
			continue
		}
		rows++
		if want := "`" + k.text(at[k.path]) + "`"; row[1] != want {
			t.Errorf("%s: default %s, want %s", k.path, row[1], want)
		}
		if row[2] != k.allowed() && (k.choices == nil || k.kind != list || row[2] != "a list of the precautions below") {
			t.Errorf("%s: range %s, want %s", k.path, row[2], k.allowed())
		}
		want := "nothing said of a stay"
		if len(k.reach) > 0 {
			want = "`" + strings.Join(k.reach, "`, `") + "`"
		}
		if row[4] != want {
			t.Errorf("%s changes %s, want %s", k.path, row[4], want)
		}
	}
	if all := strings.Count(text, "\n| `"); all != rows {
		t.Errorf("%d rows for %d keys", all, rows)
	}
}

// The example is what the program prints.
func TestDocsExampleIsTrue(t *testing.T) {
	text := docs(t)
	_, file, _ := strings.Cut(text, "```yaml\n# policy.yaml\n")
	file, rest, _ := strings.Cut(file, "```")
	_, printed, ok := strings.Cut(rest, "$ dashboard policy check policy.yaml\n")
	printed, _, _ = strings.Cut(printed, "```")
	r := Check([]byte(file))
	var want bytes.Buffer
	for _, line := range r.Changes {
		want.WriteString(line + "\n")
	}
	for _, line := range r.Warnings {
		want.WriteString("Warning: " + line + "\n")
	}
	if !ok || len(r.Problems) > 0 || printed != want.String() {
		t.Errorf("docs print\n%s\nwant\n%s%v", printed, want.String(), r.Problems)
	}
}

func TestKeysTellTheTable(t *testing.T) {
	told := Keys()
	if len(told) != len(keys) {
		t.Fatalf("%d of %d keys", len(told), len(keys))
	}
	for i, k := range keys {
		if told[i].Path != k.path || told[i].Says != k.says || len(told[i].Reach) != len(k.reach) {
			t.Errorf("%s is told as %+v", k.path, told[i])
		}
	}
	told[0].Reach[0] = "changed"
	if Keys()[0].Reach[0] == "changed" {
		t.Error("Keys shares its lists")
	}
}
