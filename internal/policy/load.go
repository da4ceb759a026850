// Package policy reads, checks and prints the site's policy: the numbers of the
// rules that a site may change (clinical.Policy). The embedded default.yaml
// explains every key.
package policy

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"plumbline/internal/clinical"
)

//go:embed default.yaml
var defaultYAML string

// Loaded is a policy that was read and found good.
type Loaded struct {
	Policy clinical.Policy
	// Hash is the sha256, in lower-case hex, of the policy's values: comments,
	// layout, the order of keys and keys left at their default do not change it.
	Hash string
}

// Default is the built-in policy.
func Default() Loaded { return loaded(clinical.DefaultPolicy()) }

// Load reads a policy file (YAML, UTF-8). Keys that it leaves out keep their
// default; an empty file is the default. Anything wrong is an error of type
// *Problems that names all of it, and then no policy is returned.
func Load(data []byte) (Loaded, error) {
	r := read(data)
	if len(r.problems) > 0 {
		return Loaded{}, &Problems{List: r.problems}
	}
	return loaded(r.policy), nil
}

func loaded(p clinical.Policy) Loaded {
	at := fields(&p)
	lines := make([]string, len(keys))
	for i, k := range keys {
		lines[i] = k.path + ": " + k.text(at[k.path]) + "\n"
	}
	slices.Sort(lines)
	sum := sha256.Sum256([]byte(strings.Join(lines, "")))
	return Loaded{Policy: p, Hash: hex.EncodeToString(sum[:])}
}

// Problem is one thing wrong in a policy file.
type Problem struct {
	Line    int    // physical, from 1
	Key     string // path such as recheck.fall_hours; "" for the file as a whole
	Value   string // as written, cut if long; "" where there is none
	Message string // "out of range (allowed: 0.5 to 336 h)"
}

// String is the problem in one line.
func (p Problem) String() string {
	s := fmt.Sprintf("line %d: ", p.Line)
	if p.Key != "" {
		s += p.Key + ": "
	}
	if p.Value != "" {
		s += strconv.Quote(p.Value) + ": "
	}
	return s + p.Message
}

// Problems is the error of a policy file that cannot be used: everything wrong
// with it, by line. Its clinical code is Invalid.
type Problems struct{ List []Problem }

// Error lists the problems, one a line.
func (p *Problems) Error() string {
	lines := []string{"the policy cannot be used; correct the file and try again"}
	for _, problem := range p.List {
		lines = append(lines, problem.String())
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the domain error, for clinical.CodeOf.
func (p *Problems) Unwrap() error {
	return clinical.Errorf(clinical.Invalid, "the policy cannot be used")
}

// reader gathers the values and problems of one file.
type reader struct {
	policy   clinical.Policy
	fields   map[string]reflect.Value // of policy
	lines    map[string]int           // where each key and section stands
	failed   map[string]bool          // keys with a problem of their own
	problems []Problem
}

func read(data []byte) *reader {
	r := &reader{policy: clinical.DefaultPolicy(), lines: map[string]int{}, failed: map[string]bool{}}
	r.fields = fields(&r.policy)
	r.file(data)
	r.together()
	slices.SortStableFunc(r.problems, func(a, b Problem) int { return a.Line - b.Line })
	return r
}

func (r *reader) problem(line int, path, value, message string) {
	r.failed[path] = true
	r.problems = append(r.problems, Problem{Line: line, Key: path, Value: cut(value), Message: message})
}

// file reads the whole file, which must be one YAML document.
func (r *reader) file(data []byte) {
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var document, more yaml.Node
	switch err := decoder.Decode(&document); {
	case errors.Is(err, io.EOF): // nothing but comments
		return
	case err != nil:
		r.syntax(err)
		return
	}
	r.section(document.Content[0], "")
	switch err := decoder.Decode(&more); {
	case errors.Is(err, io.EOF):
	case err != nil:
		r.syntax(err)
	default:
		r.problem(more.Content[0].Line, "", "", "a second document begins here: a policy file holds one")
	}
}

var yamlError = regexp.MustCompile(`^yaml: (?:line (\d+): )?`)

// syntax notes that the file is no YAML. The parser's line is where the part
// that it could not finish begins, or one before.
func (r *reader) syntax(err error) {
	line := 1
	if found := yamlError.FindStringSubmatch(err.Error()); found != nil && found[1] != "" {
		line, _ = strconv.Atoi(found[1])
	}
	r.problem(line, "", "", "not readable as YAML, here or further down: "+yamlError.ReplaceAllString(err.Error(), ""))
}

// shortNames are keys that the rules call by a name of their own; they may stand
// at the top of a file under it.
var shortNames = map[string]string{
	"comparison":          "sets.comparison",
	"precautions_in_feed": "precautions.in_feed",
}

// section reads the keys of a mapping; path is "" at the top.
func (r *reader) section(n *yaml.Node, path string) {
	if isNull(n) { // every key in it is commented out
		return
	}
	if n.Kind != yaml.MappingNode {
		r.problem(n.Line, path, describe(n), "keys are expected here; "+known(path))
		return
	}
	for i := 0; i < len(n.Content); i += 2 {
		name, value := n.Content[i], n.Content[i+1]
		full := name.Value
		if path != "" {
			full = path + "." + full
		}
		if long, ok := shortNames[full]; ok {
			full = long
		}
		k, isKey := byPath(full)
		dotted := strings.Contains(name.Value, ".")
		switch first, twice := r.lines[full]; {
		case name.Kind != yaml.ScalarNode:
			r.problem(name.Line, path, describe(name), "not a key")
		case twice:
			r.problem(name.Line, full, describe(value), fmt.Sprintf("stands twice, first on line %d: take one out", first))
		case isKey && !dotted:
			r.lines[full] = name.Line
			r.leaf(k, value)
		case len(inSection(full)) > 0 && !dotted:
			r.lines[full] = name.Line
			r.section(value, full)
		default:
			r.problem(name.Line, full, describe(value), "unknown key; "+hint(full, path))
		}
	}
}

// leaf reads the value of one key.
func (r *reader) leaf(k key, n *yaml.Node) {
	value, wrong := k.read(n)
	if wrong != "" {
		r.problem(n.Line, k.path, describe(n), wrong+" (allowed: "+k.allowed()+")")
		return
	}
	r.fields[k.path].Set(reflect.ValueOf(value))
}

// hint names the key that was probably meant, or else those of the section.
func hint(full, section string) string {
	if _, ok := byPath(full); ok {
		return "write it as a key inside its section, not with a dot"
	}
	last := func(path string) string { return path[strings.LastIndex(path, ".")+1:] }
	var meant []string
	for _, k := range keys {
		if strings.ReplaceAll(k.path, ".", "_") == full || last(k.path) == last(full) {
			meant = append(meant, k.path)
		}
	}
	if len(meant) > 0 {
		return "did you mean " + strings.Join(meant, " or ") + "?"
	}
	return known(section)
}

func known(section string) string {
	if section == "" {
		return "`dashboard policy print` shows every key"
	}
	return "known here: " + strings.Join(inSection(section), ", ")
}

// Numbers are plain decimals: YAML's octal, hexadecimal and grouped forms are
// too easily misread in a file of hours.
var decimal = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

var timeOfDay = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`)

var booleans = map[string]bool{"yes": true, "true": true, "on": true, "no": false, "false": false, "off": false}

// read takes the value of k from a node: a float64, int, string, bool or
// []string by its kind. wrong says what is the matter, "" if nothing is.
func (k key) read(n *yaml.Node) (value any, wrong string) {
	if isNull(n) {
		return nil, "no value: take the line out to keep the default"
	}
	if k.kind == list {
		return k.readList(n)
	}
	if n.Kind != yaml.ScalarNode {
		return nil, "not a single value"
	}
	switch k.kind {
	case number, whole:
		return k.readNumber(n)
	case choice:
		if !slices.Contains(k.choices, n.Value) {
			return nil, "not a known word"
		}
		return n.Value, ""
	case yesNo:
		b, known := booleans[strings.ToLower(n.Value)]
		if !known {
			return nil, "not yes or no"
		}
		return b, ""
	default:
		if !timeOfDay.MatchString(n.Value) {
			return nil, "not a time of day"
		}
		return n.Value, ""
	}
}

func (k key) readNumber(n *yaml.Node) (value any, wrong string) {
	f, err := strconv.ParseFloat(n.Value, 64)
	switch {
	case !decimal.MatchString(n.Value):
		return nil, "not a plain number such as 12 or 0.5"
	case n.Style != 0: // quoted or tagged
		return nil, "text, not a number: take the quotes off"
	case err != nil || f < k.min || f > k.max:
		return nil, "out of range"
	case k.kind == number:
		return f + 0, "" // -0 becomes 0
	case f != float64(int(f)):
		return nil, "not a whole number"
	}
	return int(f), ""
}

func (k key) readList(n *yaml.Node) (value any, wrong string) {
	if n.Kind != yaml.SequenceNode {
		return nil, "not a list: write [a, b] or one `- a` a line"
	}
	if k.choices == nil && len(n.Content) > maxNames {
		return nil, fmt.Sprintf("has %d names", len(n.Content))
	}
	items := []string{}
	for _, item := range n.Content {
		s := item.Value
		quoted := strconv.Quote(cut(s))
		switch {
		case item.Kind != yaml.ScalarNode || item.ShortTag() != "!!str":
			return nil, "holds " + strconv.Quote(cut(describe(item))) + ", which is not text"
		case slices.Contains(items, s):
			return nil, "holds " + quoted + " twice"
		case k.choices != nil && !slices.Contains(k.choices, s):
			return nil, "holds " + quoted + ", which is no known precaution"
		case k.choices == nil && !isName(s):
			return nil, fmt.Sprintf("holds %s, which is no name: 1 to %d characters on one line", quoted, maxNameLength)
		}
		items = append(items, s)
	}
	return items, ""
}

func isName(s string) bool {
	unprintable := func(r rune) bool { return !strconv.IsPrint(r) }
	return strings.TrimSpace(s) == s && s != "" && len([]rune(s)) <= maxNameLength && !strings.ContainsFunc(s, unprintable)
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }

// describe is a node's value for a problem, "" for null.
func describe(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.AliasNode:
		return "*" + n.Value
	case n.Kind == yaml.MappingNode:
		return "{...}"
	case n.Kind == yaml.SequenceNode:
		items := make([]string, len(n.Content))
		for i, item := range n.Content {
			items[i] = describe(item)
		}
		return "[" + strings.Join(items, ", ") + "]"
	case isNull(n):
		return ""
	}
	return n.Value
}

// cut shortens what is quoted in a message to 80 characters.
func cut(s string) string {
	const longest = 80
	if runes := []rune(s); len(runes) > longest {
		return string(runes[:longest-3]) + "..."
	}
	return s
}
