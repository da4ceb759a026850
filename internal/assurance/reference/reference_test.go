// Package reference holds the statistics of internal/trends against scipy and R on
// random series with ties. scripts/verify.sh asks the two for fresh series and puts
// their answers in a file; a frozen file of that kind is compared with in every run.
package reference

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const (
	frozen = "testdata/frozen.tsv.gz"
	fresh  = "PLUMBLINE_REFERENCES" // names the file that scripts/verify.sh has made
)

func TestFrozenAnswersOfScipyAndR(t *testing.T) {
	file, err := os.Open(frozen)
	if err != nil {
		t.Fatalf("%v; make verify FREEZE=1 writes it", err)
	}
	defer func() { _ = file.Close() }()
	text, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	compare(t, text, 1000)
}

func TestFreshAnswersOfScipyAndR(t *testing.T) {
	name := os.Getenv(fresh)
	if name == "" {
		t.Skip("make verify asks scipy and R for fresh series")
	}
	file, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	compare(t, file, 1000)
}

// compare holds the program to the answers in text, of which at least this many must
// be serial, and says what was compared and how far apart the two were.
func compare(t *testing.T, text io.Reader, atLeast int) {
	t.Helper()
	s, err := read(text)
	if err != nil {
		t.Fatal(err)
	}
	r := s.check()
	t.Logf("%s; %d cases", strings.Join(s.versions, ", "), len(s.cases))
	for _, what := range slices.Sorted(maps.Keys(r.compared)) {
		c := r.compared[what]
		t.Logf("%-40s %6d compared, largest deviation %.1e", what, c.count, c.largest)
	}
	const shown = 20
	for n, fault := range r.faults {
		if n == shown {
			t.Errorf("and %d more", len(r.faults)-shown)
			break
		}
		t.Error(fault)
	}
	r.holdToVariety(t, s, atLeast)
}

// suite is one file of cases and answers.
type suite struct {
	versions []string
	cases    map[int]problem
	answers  []answer
}

// problem is a case as series.py writes it.
type problem struct {
	kind   string
	fields []string
}

func (p problem) String() string { return p.kind + " " + strings.Join(p.fields, " | ") }

// answer is what one reference says of a case: figure by name, nil where none must be.
type answer struct {
	reference string
	number    int
	figures   figures
}

type figures map[string]*float64

// read takes lines of three kinds: a version of a library, a case, an answer.
func read(text io.Reader) (suite, error) {
	s := suite{cases: map[int]problem{}}
	lines := bufio.NewScanner(text)
	for lines.Scan() {
		words := strings.Split(lines.Text(), "\t")
		if len(words) < 3 {
			return s, fmt.Errorf("a line of fewer than three fields: %q", lines.Text())
		}
		if words[0] == "version" {
			s.versions = append(s.versions, words[1]+" "+words[2])
			continue
		}
		number, err := strconv.Atoi(words[1])
		if err != nil {
			return s, fmt.Errorf("a line without the number of its case: %q", lines.Text())
		}
		if _, ok := kinds[words[0]]; ok {
			s.cases[number] = problem{words[0], words[2:]}
			continue
		}
		said, err := readFigures(words[2:])
		if err != nil {
			return s, fmt.Errorf("%w: %q", err, lines.Text())
		}
		s.answers = append(s.answers, answer{words[0], number, said})
	}
	return s, lines.Err()
}

// readFigures takes names and values in turn.
func readFigures(words []string) (figures, error) {
	said := figures{}
	if len(words)%2 != 0 {
		return nil, fmt.Errorf("a figure without a value")
	}
	for pair := range slices.Chunk(words, 2) {
		if pair[1] == "none" {
			said[pair[0]] = nil
			continue
		}
		v, err := strconv.ParseFloat(pair[1], 64)
		if err != nil || math.IsNaN(v) {
			return nil, fmt.Errorf("%s is no number", pair[0])
		}
		said[pair[0]] = &v
	}
	return said, nil
}

// report is what a comparison has found.
type report struct {
	faults   []string
	compared map[string]comparison // by kind, figure and reference
}

type comparison struct {
	count   int
	largest float64 // deviation, in the measure of the figure's tolerance
}

// check computes every case and compares each figure that a reference gives.
func (s suite) check() report {
	r := report{compared: map[string]comparison{}}
	computed := map[int]figures{}
	for _, number := range slices.Sorted(maps.Keys(s.cases)) {
		p := s.cases[number]
		got, err := kinds[p.kind].compute(p.fields)
		if err != nil {
			r.faults = append(r.faults, fmt.Sprintf("%d: %v: %v", number, p, err))
			continue
		}
		computed[number] = got
	}
	for _, a := range s.answers {
		p, ok := s.cases[a.number]
		if !ok {
			r.faults = append(r.faults, fmt.Sprintf("%s answers case %d, which is not there", a.reference, a.number))
			continue
		}
		got, ok := computed[a.number]
		if !ok {
			continue // reported above
		}
		for _, name := range slices.Sorted(maps.Keys(a.figures)) {
			off, ok := kinds[p.kind].deviation(name, got[name], a.figures[name])
			what := fmt.Sprintf("%s %s, %s", p.kind, name, a.reference)
			c := r.compared[what]
			r.compared[what] = comparison{c.count + 1, max(c.largest, off)}
			if !ok {
				r.faults = append(r.faults, fmt.Sprintf("%d: %v: %s is %s, by %s %s (off by %.1e)",
					a.number, p, name, show(got[name]), a.reference, show(a.figures[name]), off))
			}
		}
	}
	return r
}

func show(v *float64) string {
	if v == nil {
		return "none"
	}
	return strconv.FormatFloat(*v, 'g', -1, 64)
}

// deviation of a computed figure from the wanted one, and whether it is tolerated: for
// a tolerance of 0 the plain difference, for a relative one by the size of the wanted.
func (k kind) deviation(name string, got, want *float64) (off float64, ok bool) {
	if got == nil || want == nil {
		if got == want {
			return 0, true
		}
		return math.Inf(1), false
	}
	tolerance, known := k.tolerances[name]
	if !known {
		return math.Inf(1), false
	}
	off = math.Abs(*got - *want)
	if size := math.Abs(*want); tolerance.relative && size > 0 {
		off /= size
	} else if size > 1 {
		off /= size
	}
	return off, off <= tolerance.limit // not a number is over any limit
}

// A comparison that finds nothing wrong is worth what it would find.
func TestAWrongAnswerIsFound(t *testing.T) {
	const head = "serial\t1\t1\t0 1 2 3 4\t128 124 121 117 110\nscipy\t1\t"
	for said, fault := range map[string]bool{
		"s\t-10\tp\t0.016666666666666666\tslope\t-4\tlow\t-7\thigh\t-3": false,
		"s\t-9":                 true,
		"p\t0.0166666667":       true, // off by 2e-9 of it
		"p\t0.01666666666667":   false,
		"slope\t-4.00000000001": true,
		"low\tnone":             true,
		"high\t-3.5":            true,
		"an unknown figure\t1":  true,
	} {
		s, err := read(strings.NewReader(head + said + "\n"))
		if err != nil {
			t.Fatal(err)
		}
		if faults := s.check().faults; (len(faults) > 0) != fault {
			t.Errorf("%q: faults %q", said, faults)
		}
	}
	for _, text := range []string{"serial\t1", "scipy\tx\tp\t1", "scipy\t1\tp", "scipy\t1\tp\tNaN", "scipy\t1\tp\tmuch"} {
		if _, err := read(strings.NewReader(text + "\n")); err == nil {
			t.Errorf("%q was read", text)
		}
	}
	s, err := read(strings.NewReader("scipy\t7\tp\t1\n"))
	if err != nil || len(s.check().faults) != 1 {
		t.Errorf("an answer without its case: %v, %q", err, s.check().faults)
	}
}
