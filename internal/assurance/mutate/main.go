// Command mutate measures how strong the tests of the rules are. It writes every
// small change (mutant) of the packages it is given into one instrumented copy,
// switches them on one at a time, and asks whether a test fails. A mutant that no
// test notices must be explained in explained.txt, or mutate fails.
//
//	go run ./internal/assurance/mutate            all of internal/trends and internal/alerts
//	go run ./internal/assurance/mutate --only serial.go
//	go run ./internal/assurance/mutate --list
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
)

// options are what the command line says.
type options struct {
	packages  []string // whose code is mutated
	tests     []string // packages with the tests that may kill, asked in this order
	only      string   // part of a mutant's key
	again     string   // file of survivors of an earlier run; those alone are tried
	explained string   // file of explanations
	survivors string   // file to write unexplained survivors to
	markdown  string   // file to write the table to
	parallel  int      // test processes at a time
	list      bool     // print the mutants, run nothing
}

var (
	rules     = []string{"plumbline/internal/trends", "plumbline/internal/alerts"}
	rulesSeen = []string{
		"plumbline/internal/trends", "plumbline/internal/alerts",
		"plumbline/internal/assurance/reference", "plumbline/internal/assess",
	}
)

func main() {
	o, err := parseOptions(os.Args[1:])
	if errors.Is(err, flag.ErrHelp) {
		return
	}
	if err == nil {
		err = run(o, os.Stdout)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutate:", err)
		os.Exit(1)
	}
}

func parseOptions(args []string) (options, error) {
	var o options
	var tests string
	f := flag.NewFlagSet("mutate", flag.ContinueOnError)
	f.StringVar(&tests, "tests", strings.Join(rulesSeen, ","), "packages whose tests may kill a mutant, asked in this order")
	f.StringVar(&o.only, "only", "", "try only mutants whose package, file, function, line or change holds this text")
	f.StringVar(&o.again, "again", "", "try only the mutants that this file names, as --survivors wrote it")
	f.StringVar(&o.explained, "explained", "internal/assurance/mutate/explained.txt", "file of explained survivors")
	f.StringVar(&o.survivors, "survivors", "", "write unexplained survivors to this file")
	f.StringVar(&o.markdown, "markdown", "", "write the table to this file")
	f.IntVar(&o.parallel, "parallel", min(2, runtime.NumCPU()), "test processes at a time")
	f.BoolVar(&o.list, "list", false, "list the mutants and run nothing")
	if err := f.Parse(args); err != nil {
		return o, err
	}
	if o.parallel < 1 {
		return o, fmt.Errorf("--parallel is %d; give 1 or more", o.parallel)
	}
	if o.packages = f.Args(); len(o.packages) == 0 {
		o.packages = rules
	}
	o.tests = strings.Split(tests, ",")
	return o, nil
}

// run tries the mutants and reports; it fails where a survivor is unexplained or
// an explanation is of no survivor.
func run(o options, out io.Writer) error {
	explanations, err := readExplainedFile(o.explained)
	if err != nil {
		return err
	}
	packages, err := load(o.packages)
	if err != nil {
		return err
	}
	sites := map[*sourceFile][]*site{}
	for _, c := range packages {
		for _, f := range c.files {
			sites[f] = collect(c, f)
		}
	}
	all := number(sites, packages)
	chosen, err := choose(all, o)
	if err != nil {
		return err
	}
	if o.list {
		for _, m := range chosen {
			if _, err := fmt.Fprint(out, m.block("")); err != nil {
				return err
			}
		}
		return nil
	}
	if err := try(chosen, sites, packages, o, out); err != nil {
		return err
	}
	stale := explain(chosen, explanations)
	if len(chosen) < len(all) {
		stale = nil // most explanations are of mutants that were not tried
	}
	return report(chosen, stale, o, out)
}

// choose picks the mutants that --only and --again leave.
func choose(all []*mutant, o options) ([]*mutant, error) {
	again, err := keysOf(o.again)
	if err != nil {
		return nil, err
	}
	var chosen []*mutant
	for _, m := range all {
		if strings.Contains(m.file.name+" "+m.line+" "+m.key(), o.only) && (o.again == "" || again[m.key()]) {
			chosen = append(chosen, m)
		}
	}
	if len(chosen) == 0 {
		return nil, errors.New("no mutant is chosen; --list without --only shows all")
	}
	return chosen, nil
}

// keysOf is the set of mutants that a file of survivors names.
func keysOf(path string) (map[string]bool, error) {
	keys := map[string]bool{}
	if path == "" {
		return keys, nil
	}
	entries, err := readExplainedFile(path)
	for _, e := range entries {
		for _, change := range e.changes {
			keys[e.place+"\n"+change] = true
		}
	}
	return keys, err
}
