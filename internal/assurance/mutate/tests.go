package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"plumbline/internal/assurance/mutate/switchboard"
)

const (
	// A mutant may keep a test busy for ever. It is given this long, and slower times
	// the processor time of the tests without it: the machine may have other work.
	grace  = 10 * time.Second
	slower = 20
	// Some mutants add to a list for ever.
	memoryKB = 3_000_000
	// Properties draw this many cases, with a fixed seed: the same mutant must meet
	// the same cases in every run.
	draws, seed = "20", "1"
	// Tests that need less processor time than this run in one process, first.
	quick = 150 * time.Millisecond
)

// binary is the compiled tests of one package, with all mutants in them.
type binary struct {
	pkg, dir, file string
	rapid          bool // knows the flags of the property tests
	tests          []*test
}

// test is one top-level test.
type test struct {
	name    string
	cost    time.Duration // of the processor
	reaches map[int]bool  // by the first mutant of each site
}

// try compiles the instrumented copies and runs the tests against each mutant.
func try(chosen []*mutant, sites map[*sourceFile][]*site, packages []*code, o options, out io.Writer) error {
	dir, err := os.MkdirTemp("", "mutate-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	overlay, err := writeCopies(dir, sites, packages)
	if err != nil {
		return err
	}
	var binaries []*binary
	for n, pkg := range o.tests {
		b, err := compile(pkg, overlay, filepath.Join(dir, fmt.Sprintf("%d.test", n)))
		if err != nil {
			return err
		}
		if b != nil {
			binaries = append(binaries, b)
		}
	}
	if err := baseline(binaries, dir, o.parallel); err != nil {
		return err
	}
	firsts := firstOfSite(sites)
	known, err := keysOf(o.explained)
	if err != nil {
		return err
	}
	return inParallel(o.parallel, chosen, func(m *mutant) error {
		if err := m.meet(binaries, firsts[m]); err != nil {
			return err
		}
		if m.state == killed || known[m.key()] {
			return nil
		}
		_, err := io.WriteString(out, m.block(m.fate()))
		return err
	})
}

// writeCopies writes the instrumented files and the overlay that puts them in the
// place of the program's own.
func writeCopies(dir string, sites map[*sourceFile][]*site, packages []*code) (overlay string, err error) {
	replace := map[string]string{}
	for _, c := range packages {
		for _, f := range c.files {
			path := filepath.Join(dir, fmt.Sprintf("%d-%s", len(replace), f.name))
			if err := os.WriteFile(path, []byte(instrument(c, f, sites[f])), 0o600); err != nil {
				return "", err
			}
			replace[f.path] = path
		}
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	overlay = filepath.Join(dir, "overlay.json")
	return overlay, os.WriteFile(overlay, text, 0o600)
}

// compile builds the tests of a package; nil where it has none.
func compile(pkg, overlay, file string) (*binary, error) {
	if _, err := output("", "go", "test", "-c", "-vet=off", "-overlay", overlay, "-o", file, pkg); err != nil {
		return nil, fmt.Errorf("compile the tests of %s with all mutants: %w", pkg, err)
	}
	if _, err := os.Stat(file); err != nil {
		return nil, nil
	}
	dir, err := output("", "go", "list", "-f", "{{.Dir}}", pkg)
	if err != nil {
		return nil, err
	}
	deps, err := output("", "go", "list", "-test", "-deps", pkg)
	if err != nil {
		return nil, err
	}
	b := &binary{pkg: pkg, dir: strings.TrimSpace(dir), file: file, rapid: strings.Contains(deps, "pgregory.net/rapid\n")}
	names, err := output(b.dir, file, "-test.list", "^Test")
	for _, name := range strings.Fields(names) {
		b.tests = append(b.tests, &test{name: name})
	}
	return b, err
}

// baseline runs every test by itself with no mutant on: it must pass, and tells
// what it reaches and what it costs.
func baseline(binaries []*binary, dir string, parallel int) error {
	type pair struct {
		b *binary
		t *test
	}
	var all []pair
	for _, b := range binaries {
		for _, t := range b.tests {
			all = append(all, pair{b, t})
		}
	}
	return inParallel(parallel, all, func(p pair) error {
		reached := filepath.Join(dir, "reached-"+filepath.Base(p.b.file)+"-"+p.t.name)
		cmd := p.b.command([]*test{p.t}, switchboard.ReachedVariable+"="+reached)
		if text, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("%s of %s fails with no mutant on; mend it first: %w\n%s", p.t.name, p.b.pkg, err, text)
		}
		p.t.cost = cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
		p.t.reaches = map[int]bool{}
		text, err := os.ReadFile(reached)
		if errors.Is(err, fs.ErrNotExist) {
			return nil // it comes by no site
		}
		for _, first := range strings.Fields(string(text)) {
			n, err := strconv.Atoi(first)
			if err != nil {
				return err
			}
			p.t.reaches[n] = true
		}
		return err
	})
}

// command is a run of some tests of a binary that stops at the first failure.
func (b *binary) command(tests []*test, environment ...string) *exec.Cmd {
	var names []string
	limit := grace
	for _, t := range tests {
		names = append(names, regexp.QuoteMeta(t.name))
		limit += slower * t.cost
	}
	if tests[0].cost == 0 {
		limit = 5 * time.Minute // the first run, which tells the cost
	}
	args := []string{"-test.failfast", "-test.timeout", limit.String(), "-test.run", "^(" + strings.Join(names, "|") + ")$"}
	if b.rapid {
		args = append(args, "-rapid.checks", draws, "-rapid.seed", seed, "-rapid.nofailfile", "-rapid.shrinktime", "1ms")
	}
	limited := fmt.Sprintf(`ulimit -v %d && exec "$0" "$@"`, memoryKB)
	cmd := exec.Command("sh", append([]string{"-c", limited, b.file}, args...)...)
	cmd.Dir = b.dir
	cmd.Env = append(os.Environ(), append(environment, "GOMAXPROCS=1")...)
	return cmd
}

// meet runs the tests that reach a mutant, until one fails.
func (m *mutant) meet(binaries []*binary, first int) error {
	for _, r := range runsFor(binaries, first) {
		m.reached = true
		text, err := r.b.command(r.tests, fmt.Sprintf("%s=%d", switchboard.MutantVariable, m.id)).CombinedOutput()
		if err == nil {
			continue
		}
		if _, ended := err.(*exec.ExitError); !ended {
			return err
		}
		m.state, m.killedBy = killed, r.b.pkg
		m.endless = bytes.Contains(text, []byte("panic: test timed out"))
		return nil
	}
	return nil
}

// testRun is one process.
type testRun struct {
	b     *binary
	tests []*test
}

// runsFor orders the tests that reach a site: first the quick ones, a process for
// each package, then the slow ones, a process each, cheapest first.
func runsFor(binaries []*binary, first int) []testRun {
	var quickOnes, slow []testRun
	for _, b := range binaries {
		var together []*test
		for _, t := range b.tests {
			switch {
			case !t.reaches[first]:
			case t.cost < quick:
				together = append(together, t)
			default:
				slow = append(slow, testRun{b, []*test{t}})
			}
		}
		if len(together) > 0 {
			quickOnes = append(quickOnes, testRun{b, together})
		}
	}
	slices.SortStableFunc(slow, func(a, b testRun) int { return cmp.Compare(a.tests[0].cost, b.tests[0].cost) })
	return append(quickOnes, slow...)
}

// firstOfSite names for each mutant the first of its site, under which the
// switchboard records that it was reached.
func firstOfSite(sites map[*sourceFile][]*site) map[*mutant]int {
	firsts := map[*mutant]int{}
	for _, list := range sites {
		for _, s := range list {
			for _, m := range s.mutants {
				firsts[m] = s.mutants[0].id
			}
		}
	}
	return firsts
}

// inParallel does something to each, n at a time, and returns the first error.
func inParallel[T any](n int, all []T, do func(T) error) error {
	work := make(chan T)
	failed := make(chan error, n)
	var wait sync.WaitGroup
	for range n {
		wait.Go(func() {
			for one := range work {
				if err := do(one); err != nil {
					failed <- err
					return
				}
			}
		})
	}
	var err error
	for _, one := range all {
		select {
		case work <- one:
			continue
		case err = <-failed:
		}
		break
	}
	close(work)
	wait.Wait()
	select {
	case late := <-failed:
		if err == nil {
			err = late
		}
	default:
	}
	return err
}

func output(dir, name string, args ...string) (string, error) {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%w\n%s", err, complaints.String())
	}
	return string(out), nil
}
