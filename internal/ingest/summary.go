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
	// Problems are by file and line; of rows held back they name the first thousand. EachProblem
	// names all.
	Problems []Problem `json:"problems"`

	Notices []Problem `json:"-"` // what stops nothing, such as unknown columns

	others []Problem // but the rows held back
	held   records.HeldQuery
}

// finds are what people must be told of the rows that were read.
type finds struct {
	doubted []string // source_ids of readings with a value that is not believed
	notices []Problem
	read    int64 // bytes
}

// unread names a file that could not be read.
func (s *Summary) unread(src source, why error) {
	s.Unreadable++
	s.others = append(s.others, Problem{File: src.name, Reason: why.Error()})
}

// finish counts what became of the rows and names what people must know of, the rows of held
// among it.
func (l *Loader) finish(ctx context.Context, load int64, s *Summary, found finds, held records.HeldQuery) error {
	c, err := l.Store.FinishLoad(ctx, load, l.Clock())
	if err != nil {
		return err
	}
	s.Counts, s.held = c, held
	for _, w := range c.WaitingRows {
		reason := fmt.Sprintf("waiting: stay %s has not been seen yet", w.StayID)
		if w.StayID == "" {
			reason = "waiting: no stay of its patient covers its time yet"
		}
		s.others = append(s.others, Problem{w.File, w.Line, w.SourceID, reason})
	}
	s.WaitingRows = nil // they are named
	err = l.Store.AcceptedAmong(ctx, load, clinical.KindVitals, found.doubted, func(v clinical.Version) error {
		if doubts := l.doubts(v); len(doubts) > 0 {
			s.others = append(s.others, Problem{v.File, v.Line, v.SourceID, "implausible: " + strings.Join(doubts, "; ")})
		}
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(s.others, byPlace)
	return l.nameFirst(ctx, s)
}

// mostNamed is how many rows held back a summary names in memory.
const mostNamed = 1000

// nameFirst names the first rows held back, and all else.
func (l *Loader) nameFirst(ctx context.Context, s *Summary) error {
	enough, named := errors.New("enough"), 0
	err := l.EachProblem(ctx, *s, func(p Problem, held bool) error {
		if held {
			if named++; named > mostNamed {
				return enough
			}
		}
		s.Problems = append(s.Problems, p)
		return nil
	})
	if errors.Is(err, enough) {
		if over := len(s.Problems) - mostNamed; over < len(s.others) {
			s.Problems = append(s.Problems, s.others[over:]...)
		}
		return nil
	}
	return err
}

// EachProblem names every problem of a load by file and line, the rows held back as they are in the
// store now; held tells which those are. Memory does not grow with them.
func (l *Loader) EachProblem(ctx context.Context, s Summary, each func(p Problem, held bool) error) error {
	rest := s.others
	before := func(p Problem) error {
		for ; len(rest) > 0 && byPlace(rest[0], p) < 0; rest = rest[1:] {
			if err := each(rest[0], false); err != nil {
				return err
			}
		}
		return nil
	}
	q := s.held
	q.Bare = true
	err := l.Store.EachHeld(ctx, q, func(h records.Held) error {
		p := Problem{h.File, h.Line, h.SourceID, ReasonOf(h)}
		if err := before(p); err != nil {
			return err
		}
		return each(p, true)
	})
	for ; err == nil && len(rest) > 0; rest = rest[1:] {
		err = each(rest[0], false)
	}
	return err
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
