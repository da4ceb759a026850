// Package switchboard tells an instrumented copy of the program which mutant is
// switched on. Only the copies that internal/assurance/mutate writes import it.
package switchboard

import (
	"fmt"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
)

// The variables through which a test binary is told what to do.
const (
	MutantVariable  = "PLUMBLINE_MUTANT"         // the number of the mutant that is on; unset or 0: none
	ReachedVariable = "PLUMBLINE_MUTANT_REACHED" // a file to which the first mutant of each place reached is added
)

var (
	active = number(os.Getenv(MutantVariable))
	record = newRecorder(os.Getenv(ReachedVariable))
)

// Which tells which of the n mutants that begin at first is on, counted from 1;
// 0 is none of them.
func Which(first, n int) int {
	if record != nil {
		record.add(first)
	}
	if active >= first && active < first+n {
		return active - first + 1
	}
	return 0
}

func number(s string) int {
	if s == "" {
		return 0
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		panic(fmt.Sprintf("%s is %q; give the number of a mutant", MutantVariable, s))
	}
	return n
}

// most is more mutants than the harness ever makes of two packages.
const most = 1 << 16

type recorder struct {
	seen [most]atomic.Bool // asked at every step of the program: no lock
	mu   sync.Mutex
	file *os.File
}

func newRecorder(path string) *recorder {
	if path == "" {
		return nil
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		panic(err)
	}
	return &recorder{file: f}
}

func (r *recorder) add(first int) {
	if r.seen[first].Load() || !r.seen[first].CompareAndSwap(false, true) {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, err := fmt.Fprintln(r.file, first); err != nil {
		panic(err)
	}
}
