// Package arch keeps the layer rules of the design: which package may import
// what, and who may ask for the time. Each rule says what to use in its place.
package arch

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "plumbline"

// The functional core: the same facts and the same moment give the same answer.
var core = []string{
	"internal/clinical", "internal/records", "internal/trends", "internal/alerts", "internal/episodes", "internal/dosereview",
	"internal/rounds", "internal/drawing", "internal/audit",
}

// What the packages of the inner layers may import of others, besides the standard
// library; what of this module, the map of DEVELOPERS.md says.
var outside = map[string][]string{
	"internal/clinical":   {},
	"internal/records":    {},
	"internal/trends":     {"gonum.org/v1/gonum"},
	"internal/alerts":     {"gonum.org/v1/gonum"},
	"internal/auth":       {"golang.org/x/crypto", "golang.org/x/text"},
	"internal/episodes":   {},
	"internal/dosereview": {},
}

// Libraries with one home; that of signatures has two.
var homes = map[string]string{
	"gorm.io":                        "internal/store",
	"github.com/libtnb/sqlite":       "internal/store",
	"github.com/gin-gonic":           "internal/web/frame",
	"github.com/gin-contrib":         "internal/web/frame",
	"github.com/chromedp":            "internal/browsertest",
	"github.com/wneessen/go-mail":    "internal/notify",
	"github.com/coreos/go-oidc":      "internal/idp",
	"golang.org/x/oauth2":            "internal/idp",
	"github.com/go-jose":             "internal/idp/idptest internal/smart", // signs: the tests' provider, sign-in at FHIR servers
	"github.com/xuri/excelize":       "internal/export",
	module + "/internal/testdb":      "internal/testdb",      // these serve tests alone, and
	module + "/internal/browsertest": "internal/browsertest", // tests are not looked at here
	module + "/internal/drill":       "internal/drill",
	module + "/internal/idp/idptest": "internal/idp/idptest",
}

// What the core must not import: its input comes as arguments, its output is its answer.
var impure = []string{
	"crypto/rand", "database", "log", "math/rand", "net", "os", "plugin", "runtime", "syscall",
}

// Who may ask for the time. Everyone else is given the moment, or the clock.
var clocks = []string{"internal/clinical/clock.go", "internal/app", "internal/testdb", "internal/browsertest"}

func TestInnerLayersImportNoOtherLibraries(t *testing.T) {
	for _, f := range program(t) {
		for layer, list := range outside {
			if !within(f.path, layer) {
				continue
			}
			for _, p := range f.imports {
				if !standard(p) && !within(p, module) && !withinAny(p, list) {
					t.Errorf("%s imports %s; %s may import only the standard library %s", f.path, p, layer, strings.Join(list, ", "))
				}
			}
		}
	}
}

// rooms holds the groups of pages. They share what lies beneath them, in frame and
// parts, and know nothing of each other.
const rooms = "internal/web"

// beneath are the packages of rooms that every room may import, each with those of them
// that it may import itself.
var beneath = map[string][]string{"frame": {}, "parts": {"frame"}}

// roomOf is the room of a package of rooms, "" where the path is of none: of the package
// that puts the rooms together, or of the tests'.
func roomOf(p string) string {
	if !within(p, rooms) || strings.HasSuffix(path.Dir(p), "test") || strings.HasSuffix(p, "test") {
		return ""
	}
	room, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(p, rooms), "/"), "/")
	if strings.HasSuffix(room, ".go") {
		return ""
	}
	return room
}

// mayEnter reports whether a file of one room may import another.
func mayEnter(from, to string) bool {
	if from == "" || to == "" || from == to {
		return from == "" || to != "" // the rooms do not know who puts them together
	}
	if list, low := beneath[from]; low {
		return slices.Contains(list, to)
	}
	_, shared := beneath[to]
	return shared
}

func TestRoomsDoNotKnowEachOther(t *testing.T) {
	found := map[string]bool{}
	for _, f := range program(t) {
		from := roomOf(f.path)
		found[from] = true
		for _, p := range f.imports {
			if p = strings.TrimPrefix(p, module+"/"); within(p, rooms) && !mayEnter(from, roomOf(p)) {
				t.Errorf("%s imports %s: what two rooms need goes into %s/parts or %s/frame, or is passed in", f.path, p, rooms, rooms)
			}
		}
	}
	if len(found) < 10 {
		t.Errorf("only %d rooms were found: the test does not see them", len(found))
	}
	for _, c := range []struct {
		from, to string
		want     bool
	}{
		{"internal/web/huddle/list.go", "internal/web/patient", false},
		{"internal/web/huddle/list.go", "internal/web/frame", true},
		{"internal/web/huddle/list.go", "internal/web/parts", true},
		{"internal/web/huddle/list.go", "internal/web", false},
		{"internal/web/frame/pages.go", "internal/web/parts", false},
		{"internal/web/parts/sets.go", "internal/web/frame", true},
		{"internal/web/parts/sets.go", "internal/web/huddle", false},
		{"internal/web/web.go", "internal/web/huddle", true},
	} {
		if got := mayEnter(roomOf(c.from), roomOf(c.to)); got != c.want {
			t.Errorf("%s may import %s: %v, want %v", c.from, c.to, got, c.want)
		}
	}
}

func TestLibrariesStayInTheirHome(t *testing.T) {
	for _, f := range program(t) {
		for library, home := range homes {
			at := func(home string) bool { return within(f.path, home) }
			for _, p := range f.imports {
				serves := within(home, "internal/testdb") && strings.HasSuffix(path.Dir(f.path), "test") // a helper of other tests
				if within(p, library) && !slices.ContainsFunc(strings.Fields(home), at) && !serves {
					t.Errorf("%s imports %s, which belongs in %s alone", f.path, p, home)
				}
			}
		}
	}
}

func TestTheCoreIsPure(t *testing.T) {
	for _, f := range program(t) {
		if !withinAny(f.path, core) {
			continue
		}
		for _, p := range f.imports {
			if withinAny(p, impure) {
				t.Errorf("%s imports %s; the core computes from its arguments and returns its answer", f.path, p)
			}
		}
	}
}

func TestOnlyTheClockAsksForTheTime(t *testing.T) {
	for _, f := range program(t) {
		banned := []string{"Now", "Since", "Until"} // the last two ask for it too
		if withinAny(f.path, core) {
			banned = append(banned, "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer")
		}
		if withinAny(f.path, clocks) {
			continue
		}
		for _, use := range f.uses("time", banned) {
			t.Errorf("%s: take the moment as an argument, or clinical's clock, in place of time.%s", use.at, use.name)
		}
	}
}

// gorm writes a column's default where Go says the zero value: false becomes true.
func TestNoGormDefaults(t *testing.T) {
	for _, f := range program(t) {
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			field, ok := n.(*ast.Field)
			if !ok || field.Tag == nil {
				return true
			}
			tag, _ := strconv.Unquote(field.Tag.Value)
			for _, setting := range strings.Split(reflect.StructTag(tag).Get("gorm"), ";") {
				key, _, _ := strings.Cut(strings.TrimSpace(setting), ":")
				if strings.EqualFold(key, "default") {
					t.Errorf("%s: no gorm default: set the value in Go, and the column's default in the migration", f.files.Position(field.Pos()))
				}
			}
			return true
		})
	}
}

// What is committed installs at any site: addresses of registries belong in the
// settings of the package clients, and no path belongs to one machine.
func TestNothingNamesARegistryOrAMachine(t *testing.T) {
	var words [][]byte
	for _, parts := range [][]string{ // in parts, so that this file passes
		{"npmjs", ".org"}, {"npmjs", ".com"}, {"yarnpkg", ".com"},
		{"proxy", ".golang"}, {"sum", ".golang"}, {"goproxy", ".io"},
		{"deb", ".debian"}, {"security", ".debian"}, {"archive", ".ubuntu"},
		{"pypi", ".org"}, {"jsdelivr", ".net"}, {"unpkg", ".com"}, {"cdnjs", ".cloudflare"},
		{"/work", "/main"}, {"/work", "/shared"}, {"/work", "/.library"}, {"/root", "/"}, {"/home", "/"},
	} {
		words = append(words, []byte(strings.Join(parts, "")))
	}
	for _, name := range tree(t) {
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range words {
			if at := bytes.Index(text, word); at >= 0 && starts(text, at) {
				t.Errorf("%s:%d names %s", name, 1+bytes.Count(text[:at], []byte("\n")), word)
			}
		}
	}
}

// starts reports whether a path begins here: "web/home/" is no home folder.
func starts(text []byte, at int) bool {
	if text[at] != '/' || at == 0 {
		return true
	}
	before := text[at-1]
	return !(before >= 'a' && before <= 'z' || before >= 'A' && before <= 'Z' || before >= '0' && before <= '9' ||
		strings.IndexByte("_-.}>*/", before) >= 0)
}

func TestTheRulesFindWhatTheyForbid(t *testing.T) {
	f := parse(t, token.NewFileSet(), "internal/trends/x.go", `package trends
		import (clock "time"; "math/rand/v2"; "gorm.io/gorm")
		var _ = clock.Since(clock.Now())`)
	if got, want := fmt.Sprint(f.imports), "[time math/rand/v2 gorm.io/gorm]"; got != want {
		t.Errorf("imports = %s, want %s", got, want)
	}
	if got := len(f.uses("time", []string{"Now", "Since"})); got != 2 {
		t.Errorf("uses of a renamed time = %d, want 2", got)
	}
	for _, c := range []struct {
		path, folder string
		want         bool
	}{
		{"math/rand/v2", "math/rand", true},
		{"net", "net", true},
		{"network/x", "net", false},
		{"internal/storex/a.go", "internal/store", false},
	} {
		if got := within(c.path, c.folder); got != c.want {
			t.Errorf("within(%q, %q) = %v", c.path, c.folder, got)
		}
	}
	for p, want := range map[string]bool{"net/http": true, "gorm.io/gorm": false, module + "/internal/store": false} {
		if got := standard(p); got != want {
			t.Errorf("standard(%q) = %v", p, got)
		}
	}
	for text, want := range map[string]bool{" /home/": true, `"/home/`: true, "web/home/": false, "../home/": false} {
		if got := starts([]byte(text), strings.Index(text, "/home/")); got != want {
			t.Errorf("a path starts in %q: %v, want %v", text, got, want)
		}
	}
}

const root = "../.." // of the module, from this package

// file is one Go file of the program; its tests are free to use what they like.
type file struct {
	path    string // from the root, with slashes
	syntax  *ast.File
	files   *token.FileSet
	imports []string
}

func program(t *testing.T) []file {
	t.Helper()
	var all []file
	files := token.NewFileSet()
	for _, name := range tree(t) {
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, parse(t, files, name, string(text)))
	}
	if len(all) == 0 {
		t.Fatal("found no Go files")
	}
	return all
}

func parse(t *testing.T, files *token.FileSet, name, text string) file {
	t.Helper()
	syntax, err := parser.ParseFile(files, name, text, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	f := file{path: name, syntax: syntax, files: files}
	for _, spec := range syntax.Imports {
		p, _ := strconv.Unquote(spec.Path.Value)
		f.imports = append(f.imports, p)
	}
	return f
}

type use struct {
	name string
	at   token.Position
}

// uses finds the named members of an imported package, under whatever name the file gives it.
func (f file) uses(pkg string, names []string) []use {
	local := ""
	for i, p := range f.imports {
		if p == pkg {
			local = path.Base(pkg)
			if name := f.syntax.Imports[i].Name; name != nil {
				local = name.Name
			}
		}
	}
	var found []use
	ast.Inspect(f.syntax, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok && slices.Contains(names, s.Sel.Name) {
			if x, ok := s.X.(*ast.Ident); ok && x.Name == local {
				found = append(found, use{s.Sel.Name, f.files.Position(s.Pos())})
			}
		}
		return true
	})
	return found
}

// tree lists the files that are committed or could be.
func tree(t *testing.T) []string {
	t.Helper()
	skip := []string{".git", "node_modules", "bin", "data", "web/static/vendor"} // as .gitignore has them
	written := []string{".db", ".db-journal", ".db-shm", ".db-wal", ".test", ".out", ".prof"}
	var names []string
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, p)
		name = filepath.ToSlash(name)
		if err == nil && d.IsDir() && slices.Contains(skip, name) {
			return fs.SkipDir
		}
		if d.Type().IsRegular() && name != ".git" && !slices.Contains(written, filepath.Ext(name)) {
			names = append(names, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// standard: only import paths of the standard library have no dot in their first part.
func standard(p string) bool {
	first, _, _ := strings.Cut(p, "/")
	return first != module && !strings.Contains(first, ".")
}

// within reports whether a path is a folder, or lies in it.
func within(p, folder string) bool { return p == folder || strings.HasPrefix(p, folder+"/") }

func withinAny(p string, folders []string) bool {
	return slices.ContainsFunc(folders, func(folder string) bool { return within(p, folder) })
}
