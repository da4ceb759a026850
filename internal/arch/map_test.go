package arch

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The map of DEVELOPERS.md is the rule: what the last column names may be imported,
// nothing else, and nothing is named there that is not.

// layer is one row of the map.
type layer struct {
	packages []string // paths from the root, such as internal/store
	may      []string // the same form; "*": everything
	forTests bool
}

// theCore stands for these three in the last column.
var theCore = []string{"internal/clinical", "internal/trends", "internal/alerts"}

var codeSpan = regexp.MustCompile("`([^`]+)`")

// layers reads the table. A cell of the last column is a list of packages below
// internal/, "the core", "nothing", "everything" or "all but" a list; what follows a
// semicolon is for people. "for tests" in the second cell: tests alone may import it.
func layers(t *testing.T) []layer {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, table, found := strings.Cut(string(text), "| package | holds | may import (of this module) |\n| --- | --- | --- |\n")
	if !found {
		t.Fatal("DEVELOPERS.md has no table of packages under that head")
	}
	var all []layer
	for line := range strings.Lines(table) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 3 {
			break
		}
		all = append(all, layerOf(cells))
	}
	return all
}

func layerOf(cells []string) layer {
	l := layer{forTests: strings.Contains(cells[1], "for tests")}
	for _, name := range codeSpan.FindAllStringSubmatch(cells[0], -1) {
		l.packages = append(l.packages, fromRoot(strings.TrimPrefix(name[1], "internal/")))
	}
	may, _, _ := strings.Cut(cells[2], ";")
	switch may = strings.TrimSpace(may); {
	case strings.HasPrefix(may, "everything"), strings.HasPrefix(may, "all but"):
		l.may = append(l.may, "*")
	case strings.HasPrefix(may, "the core") || strings.Contains(may, ", the core"):
		l.may = append(l.may, theCore...)
	}
	for _, name := range codeSpan.FindAllStringSubmatch(may, -1) {
		if p := fromRoot(name[1]); strings.HasPrefix(may, "all but") {
			l.may = append(l.may, "-"+p)
		} else {
			l.may = append(l.may, p)
		}
	}
	return l
}

// fromRoot is the folder of a package as the map names it; a slash before it means the
// root, where a folder of internal/ has the same name.
func fromRoot(name string) string {
	if name, top := strings.CutPrefix(name, "/"); top {
		return name
	}
	switch first, _, _ := strings.Cut(name, "/"); first {
	case "cmd", "web", "seed", "docs":
		if _, err := os.Stat(filepath.Join(root, "internal", filepath.FromSlash(name))); err != nil {
			return name
		}
	}
	return "internal/" + name
}

// rowOf is the row of a package: its own, or that of the nearest folder above.
func rowOf(all []layer, pkg string) (found layer, named string) {
	for _, l := range all {
		for _, p := range l.packages {
			if within(pkg, p) && len(p) > len(named) {
				found, named = l, p
			}
		}
	}
	return found, named
}

// allows tells whether a row lets its packages import another one.
func (l layer) allows(pkg string) bool {
	ok := slices.Contains(l.may, "*")
	for _, m := range l.may {
		ok = ok || within(pkg, m)
	}
	return ok && !slices.ContainsFunc(l.may, func(m string) bool { return m[0] == '-' && within(pkg, m[1:]) })
}

func TestPackagesImportWhatTheMapSays(t *testing.T) {
	all, files := layers(t), program(t)
	used := map[string]bool{} // row and package, where some file imports it
	for _, f := range files {
		pkg := filepath.ToSlash(filepath.Dir(f.path))
		row, named := rowOf(all, pkg)
		if named == "" {
			t.Errorf("%s is in no row of the map of DEVELOPERS.md", pkg)
			continue
		}
		for _, p := range f.imports {
			p, ours := strings.CutPrefix(p, module+"/")
			if !ours || within(p, named) {
				continue
			}
			target, _ := rowOf(all, p)
			if !row.allows(p) && !row.forTests {
				t.Errorf("%s imports %s, which the row of %s in DEVELOPERS.md does not name: "+
					"declare the small interface that it needs, or say in the map why it may", f.path, p, named)
			}
			if target.forTests && !row.forTests {
				t.Errorf("%s imports %s, which serves tests alone", f.path, p)
			}
			for _, m := range row.may {
				if within(p, m) {
					used[named+" "+m] = true
				}
			}
		}
	}
	for _, l := range all {
		l.mustBeTrue(t, used)
	}
}

// mustBeTrue finds what the map names and the program does not have.
func (l layer) mustBeTrue(t *testing.T, used map[string]bool) {
	t.Helper()
	for _, p := range l.packages {
		if _, err := os.Stat(filepath.Join(root, filepath.FromSlash(p))); err != nil {
			t.Errorf("the map of DEVELOPERS.md names %s, which is not there", p)
		}
	}
	for _, m := range l.may {
		if m == "*" || m[0] == '-' || l.forTests {
			continue
		}
		if !slices.ContainsFunc(l.packages, func(p string) bool { return used[p+" "+m] }) && !slices.Contains(theCore, m) {
			t.Errorf("the map of DEVELOPERS.md lets %s import %s; none does", strings.Join(l.packages, ", "), m)
		}
	}
}

func TestTheMapIsReadAsItIsWritten(t *testing.T) {
	read := func(cells ...string) layer { return layerOf(cells) }
	store := read(" `internal/store` ", " versions ", " `clinical`, `records`; nothing of the rules ")
	for pkg, want := range map[string]bool{
		"internal/clinical": true, "internal/records": true, "internal/trends": false, "internal/recordsx": false,
	} {
		if got := store.allows(pkg); got != want {
			t.Errorf("the store may import %s: %v", pkg, got)
		}
	}
	if assess := read("`internal/assess`", "", "the core, `text`"); !assess.allows("internal/alerts") || assess.allows("internal/store") {
		t.Error("the core is not read as its three packages")
	}
	if web := read("`internal/web`", "", "all but `app`"); !web.allows("internal/store") || web.allows("internal/app") {
		t.Error("\"all but\" is not read")
	}
	if l := read("`/web`", "", "nothing"); l.allows("internal/clinical") || l.packages[0] != "web" {
		t.Error("\"nothing\" is not read")
	}
	if l := read("`internal/testdb`", "for tests: a database", ""); !l.forTests {
		t.Error("a package for tests is not known")
	}
}
