package ingest

import (
	"errors"
	"iter"
)

// problemList is a list of problems in order, of which one is at hand.
type problemList struct {
	from problemsFrom
	at   Problem
	more bool
	next func() (Problem, bool)
	stop func()
	err  error // of walking through it
}

var errStopped = errors.New("nobody asks for more")

// newProblems has the problems that walk walks through. Whoever has them stops them.
func newProblems(from problemsFrom, walk func(yield func(Problem) error) error) *problemList {
	l := &problemList{from: from}
	l.next, l.stop = iter.Pull(func(yield func(Problem) bool) {
		err := walk(func(p Problem) error {
			if !yield(p) {
				return errStopped
			}
			return nil
		})
		if !errors.Is(err, errStopped) {
			l.err = err
		}
	})
	return l
}

func (l *problemList) step() error {
	l.at, l.more = l.next()
	return l.err
}

// merge hands on the problems of all lists, by file and line.
func merge(lists []*problemList, each func(Problem, problemsFrom) error) error {
	for _, l := range lists {
		defer l.stop()
	}
	for _, l := range lists {
		if err := l.step(); err != nil {
			return err
		}
	}
	for {
		var first *problemList
		for _, l := range lists {
			if l.more && (first == nil || byPlace(l.at, first.at) < 0) {
				first = l
			}
		}
		if first == nil {
			return nil
		}
		if err := each(first.at, first.from); err != nil {
			return err
		}
		if err := first.step(); err != nil {
			return err
		}
	}
}
