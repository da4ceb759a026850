package ingest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Problem names a row or a file with one reason.
type Problem struct {
	File     string `json:"file"`
	Line     int    `json:"line"`
	SourceID string `json:"source_id"`
	Reason   string `json:"reason"`
}

// String is the problem in a line: where, which row and why.
func (p Problem) String() string {
	out := p.File
	if p.Line > 0 {
		out += ":" + strconv.Itoa(p.Line)
	}
	if p.SourceID != "" {
		out += " " + p.SourceID
	}
	return out + ": " + p.Reason
}

// Summary says what became of a load.
type Summary struct {
	Files      int `json:"files"`
	Unreadable int `json:"unreadable"`
	records.Counts
	// Problems are by file and line; of rows they name the first thousand. EachProblem names all.
	Problems []Problem `json:"problems"`

	Notices []Problem `json:"-"` // what stops nothing, such as unknown columns

	unreads []Problem // files that could not be read
	load    int64
	held    records.HeldQuery
	waits   bool // rows wait
	doubts  bool // readings have values that are not believed
}

// finds are what people must be told of the rows that were read.
type finds struct {
	doubted []string // source_ids of readings with a value that is not believed, mostNamed and one at most
	notices []Problem
	read    int64 // bytes
}

// doubt adds the readings with a value that is not believed. Of more than are named it matters only that
// there are.
func (f *finds) doubt(more finds) {
	room := mostNamed + 1 - len(f.doubted)
	f.doubted = append(f.doubted, more.doubted[:min(len(more.doubted), room)]...)
}

// unread names a file that could not be read.
func (s *Summary) unread(src source, why error) {
	s.Unreadable++
	s.unreads = append(s.unreads, Problem{File: src.name, Reason: why.Error()})
}

// finish counts what became of the rows and names what people must know of, the rows of held
// among it.
func (l *Loader) finish(ctx context.Context, load int64, s *Summary, found finds, held records.HeldQuery) error {
	c, err := l.Store.FinishLoad(ctx, load, l.Clock())
	if err != nil {
		return err
	}
	s.Counts, s.held, s.load, s.waits = c, held, load, c.Waiting > 0
	if s.doubts, err = l.anyDoubted(ctx, load, found.doubted); err != nil {
		return err
	}
	slices.SortStableFunc(s.unreads, byPlace)
	return l.nameFirst(ctx, s)
}

// anyDoubted reports whether a version that the load brought, and that counts, has a value that is not
// believed.
func (l *Loader) anyDoubted(ctx context.Context, load int64, sourceIDs []string) (any bool, err error) {
	if len(sourceIDs) > mostNamed {
		return true, nil
	}
	err = l.Store.AcceptedAmong(ctx, load, clinical.KindVitals, sourceIDs, func(v clinical.Version) error {
		any = any || len(l.doubts(v)) > 0
		return nil
	})
	return any, err
}

// mostNamed is how many rows a summary names in memory.
const mostNamed = 1000

// nameFirst names the first rows, and every file that could not be read.
func (l *Loader) nameFirst(ctx context.Context, s *Summary) error {
	enough, named, unreads := errors.New("enough"), 0, 0
	err := l.eachProblem(ctx, *s, func(p Problem, from problemsFrom) error {
		if from == fromFiles {
			unreads++
		} else if named++; named > mostNamed {
			return enough
		}
		s.Problems = append(s.Problems, p)
		return nil
	})
	if errors.Is(err, enough) {
		s.Problems = append(s.Problems, s.unreads[unreads:]...)
		return nil
	}
	return err
}

// EachProblem names every problem of a load by file and line, the rows held back and waiting as they are
// in the store now; held tells which are held back. Memory does not grow with them.
func (l *Loader) EachProblem(ctx context.Context, s Summary, each func(p Problem, held bool) error) error {
	return l.eachProblem(ctx, s, func(p Problem, from problemsFrom) error { return each(p, from == fromHeld) })
}

// problemsFrom is where problems come from, each in the order of file and line.
type problemsFrom int

const (
	fromFiles problemsFrom = iota
	fromHeld
	fromWaiting
	fromDoubted
)

func (l *Loader) eachProblem(ctx context.Context, s Summary, each func(Problem, problemsFrom) error) error {
	var lists []*problemList
	add := func(from problemsFrom, walk func(yield func(Problem) error) error) {
		lists = append(lists, newProblems(from, walk))
	}
	add(fromFiles, func(yield func(Problem) error) error {
		for _, p := range s.unreads {
			if err := yield(p); err != nil {
				return err
			}
		}
		return nil
	})
	q := s.held
	q.Bare = true
	add(fromHeld, func(yield func(Problem) error) error {
		return l.Store.EachHeld(ctx, q, func(h records.Held) error {
			return yield(Problem{h.File, h.Line, h.SourceID, ReasonOf(h)})
		})
	})
	if s.waits {
		add(fromWaiting, func(yield func(Problem) error) error {
			return l.Store.EachWaiting(ctx, s.load, func(w records.RowRef) error {
				return yield(Problem{w.File, w.Line, w.SourceID, waitsFor(w)})
			})
		})
	}
	if s.doubts {
		add(fromDoubted, func(yield func(Problem) error) error {
			return l.Store.EachAccepted(ctx, s.load, clinical.KindVitals, func(v clinical.Version) error {
				if doubts := l.doubts(v); len(doubts) > 0 {
					return yield(Problem{v.File, v.Line, v.SourceID, "implausible: " + strings.Join(doubts, "; ")})
				}
				return nil
			})
		})
	}
	return merge(lists, each)
}

// waitsFor says what has not come yet of that for which a row waits.
func waitsFor(w records.RowRef) string {
	switch {
	case w.StayID != "":
		return fmt.Sprintf("waiting: stay %s has not been seen yet", w.StayID)
	case w.Kind == clinical.KindOrder:
		return "waiting: the order that it changes, its drug or a stay of its patient that covers its time " +
			"has not been seen yet"
	case w.Kind == clinical.KindDose:
		return "waiting: its drug or a stay of its patient that covers its time has not been seen yet"
	}
	return "waiting: no stay of its patient covers its time yet"
}

func byPlace(a, b Problem) int {
	return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
}

// doubts names the values of a reading that are not believed.
func (l *Loader) doubts(v clinical.Version) []string {
	if b, ok := v.Body.(clinical.Vitals); ok {
		return l.Plausible(b)
	}
	return nil
}

// ReasonOf is the reason of a held row as people should read it: it says of a correction
// that it was not applied.
func ReasonOf(h records.Held) string {
	switch h.Status {
	case clinical.Amended, clinical.Corrected, clinical.EnteredInError:
		h.Correction = true
	}
	if h.Correction {
		return "correction not applied: " + h.Reason
	}
	return h.Reason
}
