package main

import (
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
)

const fares = "plumbline/internal/assurance/mutate/testdata/fares"

// fate runs the tests of the fixture against its mutants.
func fate(t *testing.T) []*mutant {
	t.Helper()
	readByOthers(t, filepath.Join("testdata", "fares"))
	packages, err := load([]string{fares})
	if err != nil {
		t.Fatal(err)
	}
	sites := map[*sourceFile][]*site{}
	for _, f := range packages[0].files {
		sites[f] = collect(packages[0], f)
	}
	all := number(sites, packages)
	o := options{tests: []string{fares}, parallel: 2}
	if err := try(all, sites, packages, o, &strings.Builder{}); err != nil {
		t.Fatal(err)
	}
	return all
}

// readByOthers opens the files of a folder that only another process reads, so that go test sees where they have
// changed and does not answer from its cache.
func readByOthers(t *testing.T, folder string) {
	t.Helper()
	files, err := os.ReadDir(folder)
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		if _, err := os.ReadFile(filepath.Join(folder, f.Name())); err != nil {
			t.Fatal(err)
		}
	}
}

// Each mutant of the fixture, by what becomes of it when none is explained.
func TestMutantsAreKilledOrSurviveOrAreReachedByNoTest(t *testing.T) {
	all := fate(t)
	byFate := map[string][]string{}
	for _, m := range all {
		word := "killed"
		if m.state == survived {
			word = m.fate()
		}
		byFate[word] = append(byFate[word], m.function+" "+m.what)
	}
	for word, want := range map[string][]string{
		"it survived": {"Fare `age < 16` -> `age <= 16`", "Fare `16` -> `15`"},
		"no test comes by": {
			"Free `age > 99` -> `age >= 99`", "Free `age > 99` -> `age <= 99`", "Free `99` -> `100`", "Free `99` -> `0`",
		},
		"killed": {
			"Fare `age < 16` -> `true`", "Fare `age < 16` -> `false`", "Fare `age < 16` -> `age >= 16`", "Fare `16` -> `0`",
			"Count `0` -> `1`", "Count `n < len(ages)` -> `false`", "Count `break` -> `continue`",
			"Count `sum += Fare(ages[n])` -> nothing", "Count `sum += Fare(ages[n])` -> `sum -= Fare(ages[n])`",
		},
	} {
		for _, mutant := range want {
			if !slices.Contains(byFate[word], mutant) {
				t.Errorf("%s is not among those of which %s: %q", mutant, word, byFate[word])
			}
		}
		if word != "killed" && len(byFate[word]) != len(want) {
			t.Errorf("%s: %q", word, byFate[word])
		}
	}
	settled(t, all)
}

const explainedFares = `
# What no ticket office sells.
in: plumbline/internal/assurance/mutate/testdata/fares Fare
mutant: ` + "`age < 16` -> `age <= 16`" + `
mutant: ` + "`16` -> `15`" + `
why: nobody is 15 or 16

in: plumbline/internal/assurance/mutate/testdata/fares Fare
mutant: ` + "`age < 16` -> `true`" + `
why: out of date, a test kills it
`

// settled explains two of the survivors, and one that did not survive.
func settled(t *testing.T, all []*mutant) {
	t.Helper()
	explanations, err := readExplained(strings.NewReader(explainedFares))
	if err != nil {
		t.Fatal(err)
	}
	stale := explain(all, explanations)
	if len(stale) != 1 || !strings.Contains(stale[0], "`age < 16` -> `true`") {
		t.Errorf("explanations of no survivor: %q", stale)
	}
	dir := t.TempDir()
	o := options{explained: "explained.txt", survivors: filepath.Join(dir, "left"), markdown: filepath.Join(dir, "table.md")}
	var out strings.Builder
	err = report(all, stale, o, &out)
	if err == nil || !strings.Contains(err.Error(), "4 mutants no test notices, 1 explanations") {
		t.Errorf("error %v", err)
	}
	left, err := keysOf(o.survivors)
	if err != nil || len(left) != 4 {
		t.Errorf("survivors written: %v, %v", left, err)
	}
	table, err := os.ReadFile(o.markdown)
	if err != nil || !strings.HasSuffix(out.String(), string(table)) {
		t.Errorf("table written: %q, %v", table, err)
	}
	sum := tallies(all)[0]
	if sum.all != len(all) || sum.byOwn != len(all)-6 || sum.byOthers != 0 || sum.explained != 2 || sum.bad != 4 {
		t.Errorf("tally of %d: %+v", len(all), sum)
	}

	var rest []*mutant
	for _, m := range all {
		if m.state != survived {
			rest = append(rest, m)
		}
	}
	if err := report(rest, nil, options{}, &strings.Builder{}); err != nil {
		t.Errorf("all killed or explained: %v", err)
	}
}

func TestTheScoreLeavesOutTheExplainedAndIsNotRoundedUp(t *testing.T) {
	for want, of := range map[string]tally{
		"100.0 %": {all: 12, byOwn: 9, byOthers: 1, explained: 2},
		"99.9 %":  {all: 3000, byOwn: 2999, bad: 1},
		"0.0 %":   {all: 1, bad: 1},
		"":        {all: 1, explained: 1},
	} {
		if got := of.score(); got != want {
			t.Errorf("%+v: %q, want %q", of, got, want)
		}
	}
}

func TestExplanationsMustBeWhole(t *testing.T) {
	for text, want := range map[string]string{
		"in: a/b F\nmutant: `x` -> `y`": "line 1 needs in, mutant and why",
		"in: a/b F\nbecause: x":         "line 2 begins with neither",
	} {
		path := filepath.Join(t.TempDir(), "explained.txt")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readExplainedFile(path); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// A line that moves, or is written otherwise, keeps its explanations; equal changes of
// one function are told apart by their order, whatever stands between them.
func TestEqualChangesAreToldApartByTheirOrder(t *testing.T) {
	c := &code{path: "p"}
	f := &sourceFile{name: "a.go"}
	at := func(function string, at int) *mutant {
		return &mutant{pkg: c, file: f, function: function, at: at, what: "`1` -> `0`"}
	}
	late, early, alone := at("F", 90), at("F", 10), at("G", 50)
	countEqual([]*mutant{late, early, alone})
	for _, want := range []struct {
		m   *mutant
		key string
	}{{early, "p F\n`1` -> `0` (1 of 2)"}, {late, "p F\n`1` -> `0` (2 of 2)"}, {alone, "p G\n`1` -> `0`"}} {
		if got := want.m.key(); got != want.key {
			t.Errorf("key %q, want %q", got, want.key)
		}
	}
}

func TestOptions(t *testing.T) {
	o, err := parseOptions([]string{"--only", "serial.go", "--parallel", "3"})
	if err != nil || o.only != "serial.go" || o.parallel != 3 || len(o.packages) != 2 || len(o.tests) != 4 {
		t.Errorf("%+v, %v", o, err)
	}
	if _, err := parseOptions([]string{"--parallel", "0"}); err == nil {
		t.Error("no process at all is taken")
	}
	all := []*mutant{{pkg: &code{path: "p"}, file: &sourceFile{name: "a.go"}, what: "`x` -> `y`"}}
	if chosen, err := choose(all, options{only: "a.go"}); err != nil || len(chosen) != 1 {
		t.Errorf("%v, %v", chosen, err)
	}
	if _, err := choose(all, options{only: "b.go"}); err == nil {
		t.Error("a run of no mutant passes")
	}
}

func TestWorkInParallelDoesAllOrTellsTheError(t *testing.T) {
	var sum atomic.Int64
	add := func(n int64) error { sum.Add(n); return nil }
	if err := inParallel(3, []int64{1, 2, 3, 4, 5, 6, 7, 8, 9}, add); err != nil || sum.Load() != 45 {
		t.Errorf("%d, %v", sum.Load(), err)
	}
	for _, failing := range [][]int64{{1}, {1, 1, 1, 1, 1}, {0, 0, 0, 1}} {
		err := inParallel(2, failing, func(n int64) error {
			if n == 1 {
				return io.EOF
			}
			return nil
		})
		if err != io.EOF {
			t.Errorf("%v: %v", failing, err)
		}
	}
}
