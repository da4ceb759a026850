package policy

import (
	"fmt"
	"regexp"
	"strings"

	"plumbline/internal/clinical"
)

// ReferenceMark begins the part of docs/policy.md that Reference writes.
const ReferenceMark = "<!-- from here on written by make docs -->\n"

var (
	rangeTold  = regexp.MustCompile(` ?Range: [^.]*(\.\d[^.]*)*\.$`)
	sitePolicy = regexp.MustCompile(` ?Source: site policy\.`)
)

// Reference is the table of every key for docs/policy.md, section by section: default,
// range, the words of default.yaml and the parts of the answers that the key changes.
func Reference() string {
	p := clinical.DefaultPolicy()
	at, said := fields(&p), explained()
	var b strings.Builder
	last := ""
	for _, k := range keys {
		section, name, _ := strings.Cut(k.path, ".")
		if section != last {
			fmt.Fprintf(&b, "\n### %s\n\n%s\n\n", section, said[section])
			b.WriteString("| key | default | range | what it sets | what it changes |\n| --- | --- | --- | --- | --- |\n")
			last = section
		}
		told := sitePolicy.ReplaceAllString(rangeTold.ReplaceAllString(said[k.path], ""), "")
		if rest, continued := strings.CutPrefix(told, "... "); continued {
			told = "Continues the key above: " + rest
		}
		fmt.Fprintf(&b, "| `%s` | `%s` | %s | %s | %s |\n", name, k.text(at[k.path]), k.allowed(), cell(told), cell(k.changes()))
	}
	return b.String()
}

// changes names the parts of the answers that a key can change.
func (k key) changes() string {
	if len(k.reach) == 0 {
		return "nothing said of a stay"
	}
	return "`" + strings.Join(k.reach, "`, `") + "`"
}

// cell keeps a text within its cell of a Markdown table.
func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
