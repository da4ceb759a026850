package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
)

// explanation says why mutants of one function are no faults: they cannot be told
// from the program by what it answers.
type explanation struct {
	place   string   // import path, a space, the function
	changes []string // `before` -> `after`, and which of several where there are
	why     string
	at      int // line of the file of explanations
}

// readExplainedFile reads a file of explanations; one that is not there explains
// nothing.
func readExplainedFile(path string) ([]explanation, error) {
	text, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	all, err := readExplained(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return all, nil
}

// readExplained reads blocks parted by empty lines:
//
//	in: plumbline/internal/trends lyingPressure
//	mutant: `AtLeast(*v, mild)` -> `Above(*v, mild)` (1 of 2)
//	why: one sentence
//
// A block may hold several mutants. Lines that begin with # are comments.
func readExplained(r io.Reader) ([]explanation, error) {
	var all []explanation
	var e explanation
	finish := func() error {
		if e.at == 0 {
			return nil
		}
		if e.place == "" || len(e.changes) == 0 || e.why == "" {
			return fmt.Errorf("the block at line %d needs in, mutant and why", e.at)
		}
		all, e = append(all, e), explanation{}
		return nil
	}
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		text := strings.TrimSpace(lines.Text())
		if strings.HasPrefix(text, "#") {
			continue
		}
		if text == "" {
			if err := finish(); err != nil {
				return nil, err
			}
			continue
		}
		if e.at == 0 {
			e.at = n
		}
		word, rest, _ := strings.Cut(text, ": ")
		switch word {
		case "in":
			e.place = rest
		case "mutant":
			e.changes = append(e.changes, rest)
		case "why":
			e.why = rest
		default:
			return nil, fmt.Errorf("line %d begins with neither in, mutant nor why", n)
		}
	}
	if err := lines.Err(); err != nil {
		return nil, err
	}
	return all, finish()
}

// explain marks the survivors that are explained, and lists the explanations
// that match none.
func explain(mutants []*mutant, explanations []explanation) (stale []string) {
	alive := map[string][]*mutant{}
	for _, m := range mutants {
		if m.state == survived {
			alive[m.key()] = append(alive[m.key()], m)
		}
	}
	for _, e := range explanations {
		for _, change := range e.changes {
			found := alive[e.place+"\n"+change]
			if len(found) == 0 {
				stale = append(stale, fmt.Sprintf("line %d: no mutant %s of %s survives; take the entry out", e.at, change, e.place))
			}
			for _, m := range found {
				m.state, m.reason = explained, e.why
			}
		}
	}
	return stale
}
