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
	"unicode"
	"unicode/utf8"

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

// Problem is one thing wrong in a policy file. The catalogue of words says it (text.PolicyProblem).
type Problem struct {
	Line  int    // physical, from 1; 0 in a form
	Key   string // path such as recheck.fall_hours; "" for the file as a whole
	Value string // as written, cut if long; "" where there is none
	Fault
}

// Fault is what is the matter, with the figures that its words need.
type Fault struct {
	ID string // names the words, one of Faults
	// Range is what the key may be, of no kind where the value is not what is wrong.
	Range Range
	// Meant are the words or keys that were probably meant, Known the keys of the section.
	Meant, Known []string
	// Count is a number that the words tell: of bytes, names, characters or a line; Most the greatest there may be.
	Count, Most int
	// First must fit Second, of two settings that do not go together.
	First, Second Setting
	Parser        string // what the YAML parser says, in its own words
	Repair        string // what to do about a line that is no YAML, one of Repairs
}

// Range is what a key may be.
type Range struct {
	Kind     RangeKind
	Min, Max string // of a number
	Unit     string // of a number; "" for none
	Choices  []string
	Most     int // names in a list
}

// RangeKind tells how a range is said.
type RangeKind string

// The kinds of ranges.
const (
	RangeNumber  RangeKind = "number"
	RangeWhole   RangeKind = "whole"
	RangeChoice  RangeKind = "choice"
	RangeYesNo   RangeKind = "yes-no"
	RangeClock   RangeKind = "clock"
	RangeNames   RangeKind = "names"
	RangeMembers RangeKind = "members" // a list of Choices
)

// Setting is a key with its value, as people read it.
type Setting struct {
	Path, Is string
	Default  bool // the file does not set it
}

// The faults of a policy, by the name of their words.
var (
	faults names

	faultTooLong   = faults.add("too-long")
	faultEncoding  = faults.add("encoding")
	faultSecond    = faults.add("second-document")
	faultManyLines = faults.add("many-lines")
	faultYAML      = faults.add("yaml")
	faultKeysHere  = faults.add("keys-here")
	faultNoKey     = faults.add("no-key")
	faultTwice     = faults.add("twice")
	faultDotted    = faults.add("dotted")
	faultUnknown   = faults.add("unknown-key")
	faultEmpty     = faults.add("empty")
	faultMissing   = faults.add("missing")
	faultNoList    = faults.add("no-list")
	faultNoValue   = faults.add("no-single-value")
	faultWord      = faults.add("unknown-word")
	faultYesNo     = faults.add("no-yes-no")
	faultClock     = faults.add("no-time")
	faultComma     = faults.add("comma")
	faultUnit      = faults.add("number-with-words")
	faultNumber    = faults.add("no-number")
	faultQuoted    = faults.add("quoted-number")
	faultRange     = faults.add("out-of-range")
	faultWhole     = faults.add("no-whole-number")
	faultNames     = faults.add("many-names")
	faultText      = faults.add("no-text")
	faultItem      = faults.add("item-twice")
	faultMember    = faults.add("unknown-member")
	faultName      = faults.add("no-name")
	faultBelow     = faults.add("must-be-below")
	faultShorter   = faults.add("must-be-shorter")
	faultAtLeast   = faults.add("must-be-at-least")
	faultDiffer    = faults.add("must-differ")
)

// Faults name everything that can be wrong with a policy, once.
func Faults() []string { return slices.Clone(faults) }

// The repairs of a line that is no YAML, by the name of their words.
var (
	repairs names

	repairTab     = repairs.add("tab")
	repairQuotes  = repairs.add("quotes")
	repairBracket = repairs.add("bracket")
	repairControl = repairs.add("control")
	repairForm    = repairs.add("form")
)

// Repairs name everything that can be done about a line that is no YAML, once.
func Repairs() []string { return slices.Clone(repairs) }

// names are those of words of the catalogue; what the program uses is added here, so that none is without words.
type names []string

func (n *names) add(name string) string {
	*n = append(*n, name)
	return name
}

// Problems is the error of a policy file that cannot be used: everything wrong
// with it, by line. Its clinical code is Invalid.
type Problems struct{ List []Problem }

// Error tells for a log how many problems there are, and what the first is; people are told all of them by the
// catalogue of words.
func (p *Problems) Error() string {
	first := p.List[0]
	return fmt.Sprintf("the policy cannot be used: %d problems, the first on line %d: %s %s", len(p.List), first.Line, first.Key, first.ID)
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
	switch {
	case len(data) > longestFile:
		r.problem(1, "", "", Fault{ID: faultTooLong, Count: len(data), Most: longestFile})
	case !utf8.Valid(data):
		r.problem(firstInvalid(data), "", "", Fault{ID: faultEncoding})
	default:
		r.file(data)
		r.together()
	}
	slices.SortStableFunc(r.problems, func(a, b Problem) int { return a.Line - b.Line })
	return r
}

// longestFile is the size in bytes over which a file is not read: all keys with
// the longest lists take less than a third of it.
const longestFile = 256 << 10

// firstInvalid is the line of the first byte that is not UTF-8.
func firstInvalid(data []byte) int {
	line := 1
	for len(data) > 0 {
		c, size := utf8.DecodeRune(data)
		if c == utf8.RuneError && size == 1 {
			break
		}
		if c == '\n' {
			line++
		}
		data = data[size:]
	}
	return line
}

func (r *reader) problem(line int, path, value string, f Fault) {
	r.failed[path] = true
	r.problems = append(r.problems, Problem{Line: line, Key: path, Value: cut(value), Fault: f})
}

// file reads the whole file, which must be one YAML document.
func (r *reader) file(data []byte) {
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var document, more yaml.Node
	switch err := decoder.Decode(&document); {
	case errors.Is(err, io.EOF): // nothing but comments
		return
	case err != nil:
		r.syntax(data, err)
		return
	}
	r.section(document.Content[0], "")
	switch err := decoder.Decode(&more); {
	case errors.Is(err, io.EOF):
	case err != nil:
		r.syntax(data, err)
	default:
		r.problem(more.Content[0].Line, "", "", Fault{ID: faultSecond})
	}
}

var yamlError = regexp.MustCompile(`^yaml: (?:line (\d+): )?`)

// syntax notes that the file is no YAML, on the line on which the part begins
// that cannot be read.
func (r *reader) syntax(data []byte, err error) {
	why := yamlError.ReplaceAllString(err.Error(), "")
	lines := strings.SplitAfter(string(data), "\n")
	if len(lines) > mostLines {
		r.problem(parserLine(err), "", "", Fault{ID: faultManyLines, Parser: why})
		return
	}
	line := brokenLine(lines)
	text := strings.TrimRight(lines[line-1], "\r\n")
	r.problem(line, "", printable(text), Fault{ID: faultYAML, Parser: why, Repair: repair(text)})
}

// repair names what to do about a line that is no YAML.
func repair(text string) string {
	uneven := func(open, shut string) bool { return strings.Count(text, open) != strings.Count(text, shut) }
	switch indent := text[:len(text)-len(strings.TrimLeft(text, " \t"))]; {
	case strings.Contains(indent, "\t"):
		return repairTab
	case strings.Count(text, `"`)%2 == 1 || strings.Count(text, "'")%2 == 1:
		return repairQuotes
	case uneven("[", "]") || uneven("{", "}"):
		return repairBracket
	case printable(text) != strings.TrimSpace(text):
		return repairControl
	}
	return repairForm
}

// mostLines is how many lines a file may have for its broken line to be looked
// for; a policy with every key and comment has about 300.
const mostLines = 2000

// mostRead is how many bytes the search for a broken line may read in all. Each
// beginning that is tried is read whole, so looking at every one of a long file
// would take seconds; a policy with every key and comment stays far below.
const mostRead = 4 << 20

// brokenLine is the line after the longest beginning of the file that can be
// read: there begins what cannot. In a file too long to try every beginning it is
// the line after one that can be read, with the line itself one that cannot.
func brokenLine(lines []string) int {
	text := strings.Join(lines, "")
	ends := make([]int, len(lines)+1) // ends[n]: where the first n lines end
	for n, line := range lines {
		ends[n+1] = ends[n] + len(line)
	}
	read := 0
	for n := len(lines) - 1; n > 0; n-- {
		if read += ends[n]; read > mostRead {
			return brokenBelow(n+1, func(n int) bool { return readable(text[:ends[n]]) })
		}
		if readable(text[:ends[n]]) {
			return n + 1
		}
	}
	return 1
}

// brokenBelow halves the lines in question until one is left: the first n-1 can be
// read, the first n cannot. The first broken lines cannot be read, none can.
func brokenBelow(broken int, readable func(int) bool) int {
	for good := 0; broken-good > 1; {
		if middle := good + (broken-good)/2; readable(middle) {
			good = middle
		} else {
			broken = middle
		}
	}
	return broken
}

// parserLine is the parser's own line, 1 where it names none. It may be one
// before what is wrong, or the end of what it swallowed.
func parserLine(err error) int {
	found := yamlError.FindStringSubmatch(err.Error())
	if found == nil || found[1] == "" {
		return 1
	}
	line, _ := strconv.Atoi(found[1])
	return max(line, 1)
}

// readable reports whether text is YAML, of any number of documents.
func readable(text string) bool {
	decoder := yaml.NewDecoder(strings.NewReader(text))
	for {
		var n yaml.Node
		switch err := decoder.Decode(&n); {
		case errors.Is(err, io.EOF):
			return true
		case err != nil:
			return false
		}
	}
}

// printable takes control characters out of what is quoted.
func printable(s string) string {
	return strings.TrimSpace(strings.Map(func(c rune) rune {
		if unicode.IsPrint(c) {
			return c
		}
		return ' '
	}, s))
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
		r.problem(n.Line, path, describe(n), known(Fault{ID: faultKeysHere}, path))
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
			r.problem(name.Line, path, describe(name), Fault{ID: faultNoKey})
		case twice:
			r.problem(name.Line, full, describe(value), Fault{ID: faultTwice, Count: first})
		case isKey && !dotted:
			r.lines[full] = name.Line
			r.leaf(k, value)
		case len(inSection(full)) > 0 && !dotted:
			r.lines[full] = name.Line
			r.section(value, full)
		default:
			r.problem(name.Line, full, describe(value), unknownKey(full, path))
		}
	}
}

// leaf reads the value of one key.
func (r *reader) leaf(k key, n *yaml.Node) {
	value, faults := k.read(n)
	for _, f := range faults {
		f.Range = k.allowedRange()
		r.problem(f.at.Line, k.path, describe(f.at), f.Fault)
	}
	if len(faults) > 0 {
		return
	}
	r.fields[k.path].Set(reflect.ValueOf(value))
}

// unknownKey names the key that was probably meant, or else those of the section.
func unknownKey(full, section string) Fault {
	if _, ok := byPath(full); ok {
		return Fault{ID: faultDotted}
	}
	for _, search := range []func(full, section string) []string{sameName, nearInSection, nearName} {
		if meant := search(full, section); len(meant) > 0 {
			return Fault{ID: faultUnknown, Meant: meant}
		}
	}
	return known(Fault{ID: faultUnknown}, section)
}

func lastName(path string) string { return path[strings.LastIndex(path, ".")+1:] }

// sameName finds keys of that name in any section, or written in one word.
func sameName(full, _ string) (meant []string) {
	for _, k := range keys {
		if strings.ReplaceAll(k.path, ".", "_") == full || lastName(k.path) == lastName(full) {
			meant = append(meant, k.path)
		}
	}
	return meant
}

// nearInSection finds the keys of a section, or at the top the sections, that
// are written almost so.
func nearInSection(full, section string) (meant []string) {
	var names []string
	for _, path := range inSection(section) {
		name := lastName(path)
		if section == "" {
			name, _, _ = strings.Cut(path, ".")
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	for _, name := range nearest(lastName(full), names) {
		if section != "" {
			name = section + "." + name
		}
		meant = append(meant, name)
	}
	return meant
}

// nearName finds the keys of any section that are written almost so.
func nearName(full, _ string) (meant []string) {
	var names []string
	for _, k := range keys {
		names = append(names, lastName(k.path))
	}
	for _, name := range nearest(lastName(full), names) {
		for _, k := range keys {
			if lastName(k.path) == name && !slices.Contains(meant, k.path) {
				meant = append(meant, k.path)
			}
		}
	}
	return meant
}

// known adds to a fault the keys of the section; those of the whole file are too many to tell.
func known(f Fault, section string) Fault {
	if section != "" {
		f.Known = inSection(section)
	}
	return f
}

// Numbers are plain decimals: YAML's octal, hexadecimal and grouped forms are
// too easily misread in a file of hours.
var decimal = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

// withWords is a number with a unit after it.
var withWords = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)? *[\p{L}%/]*[\p{L}%]$`)

var timeOfDay = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`)

var booleans = map[string]bool{"yes": true, "true": true, "on": true, "no": false, "false": false, "off": false}

// A faultAt is what is the matter with a value, at its node or that of one item.
type faultAt struct {
	at *yaml.Node
	Fault
}

// read takes the value of k from a node: a float64, int, string, bool or
// []string by its kind, of use where there is no fault.
func (k key) read(n *yaml.Node) (value any, faults []faultAt) {
	if k.kind == list && n.Kind == yaml.SequenceNode {
		return k.readList(n)
	}
	value, wrong := k.readOne(n)
	if wrong.ID != "" {
		return nil, []faultAt{{n, wrong}}
	}
	return value, nil
}

func (k key) readOne(n *yaml.Node) (value any, wrong Fault) {
	switch {
	case isNull(n):
		return nil, Fault{ID: faultEmpty}
	case k.kind == list:
		return nil, Fault{ID: faultNoList}
	case n.Kind != yaml.ScalarNode:
		return nil, Fault{ID: faultNoValue}
	}
	switch k.kind {
	case number, whole:
		return k.readNumber(n)
	case choice:
		if !slices.Contains(k.choices, n.Value) {
			return nil, Fault{ID: faultWord, Meant: nearest(n.Value, k.choices)}
		}
		return n.Value, Fault{}
	case yesNo:
		b, known := booleans[strings.ToLower(n.Value)]
		if !known {
			return nil, Fault{ID: faultYesNo}
		}
		return b, Fault{}
	default:
		if !timeOfDay.MatchString(n.Value) {
			return nil, Fault{ID: faultClock}
		}
		return n.Value, Fault{}
	}
}

func (k key) readNumber(n *yaml.Node) (value any, wrong Fault) {
	f, err := strconv.ParseFloat(n.Value, 64)
	switch {
	case decimal.MatchString(strings.Replace(n.Value, ",", ".", 1)) && strings.Contains(n.Value, ","):
		return nil, Fault{ID: faultComma}
	case withWords.MatchString(n.Value):
		return nil, Fault{ID: faultUnit}
	case !decimal.MatchString(n.Value):
		return nil, Fault{ID: faultNumber}
	case n.Style != 0: // quoted or tagged
		return nil, Fault{ID: faultQuoted}
	case err != nil || f < k.min || f > k.max:
		return nil, Fault{ID: faultRange}
	case k.kind == number:
		return f + 0, Fault{} // -0 becomes 0
	case f != float64(int(f)):
		return nil, Fault{ID: faultWhole}
	}
	return int(f), Fault{}
}

func (k key) readList(n *yaml.Node) (value any, faults []faultAt) {
	if k.choices == nil && len(n.Content) > maxNames {
		return nil, []faultAt{{n, Fault{ID: faultNames, Count: len(n.Content)}}}
	}
	items := []string{}
	for _, item := range n.Content {
		if wrong := k.wrongItem(item, items); wrong.ID != "" {
			faults = append(faults, faultAt{item, wrong})
			continue
		}
		items = append(items, item.Value)
	}
	return items, faults
}

// wrongItem is what is the matter with an item of a list, given those before it.
func (k key) wrongItem(item *yaml.Node, before []string) Fault {
	s := item.Value
	switch {
	case item.Kind != yaml.ScalarNode || item.ShortTag() != "!!str":
		return Fault{ID: faultText}
	case slices.Contains(before, s):
		return Fault{ID: faultItem}
	case k.choices != nil && !slices.Contains(k.choices, s):
		return Fault{ID: faultMember, Meant: nearest(s, k.choices)}
	case k.choices == nil && !isName(s):
		return Fault{ID: faultName, Most: maxNameLength}
	}
	return Fault{}
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
