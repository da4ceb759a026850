package ingest

import (
	"context"
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
	Problems []Problem `json:"problems"`

	Notices []Problem `json:"-"` // what stops nothing, such as unknown columns
}

// finds are what people must be told of the rows that were read.
type finds struct {
	held    []records.Held
	doubted []string // source_ids of readings with a value that is not believed
	notices []Problem
	read    int64 // bytes
}

// unread names a file that could not be read.
func (s *Summary) unread(src source, why error) {
	s.Unreadable++
	s.Problems = append(s.Problems, Problem{File: src.name, Reason: why.Error()})
}

// finish counts what became of the rows and names what people must know of.
func (l *Loader) finish(ctx context.Context, load int64, s *Summary, found finds) error {
	c, err := l.Store.FinishLoad(ctx, load, l.Clock())
	if err != nil {
		return err
	}
	s.Counts = c
	if err := l.nameHeld(ctx, s, found.held); err != nil {
		return err
	}
	for _, w := range c.WaitingRows {
		reason := fmt.Sprintf("waiting: stay %s has not been seen yet", w.StayID)
		if w.StayID == "" {
			reason = "waiting: no stay of its patient covers its time yet"
		}
		s.Problems = append(s.Problems, Problem{w.File, w.Line, w.SourceID, reason})
	}
	err = l.Store.AcceptedAmong(ctx, load, clinical.KindVitals, found.doubted, func(v clinical.Version) error {
		if doubts := l.doubts(v); len(doubts) > 0 {
			s.Problems = append(s.Problems, Problem{v.File, v.Line, v.SourceID, "implausible: " + strings.Join(doubts, "; ")})
		}
		return nil
	})
	slices.SortStableFunc(s.Problems, func(a, b Problem) int {
		if c := strings.Compare(a.File, b.File); c != 0 {
			return c
		}
		return a.Line - b.Line
	})
	return err
}

// doubts names the values of a reading that are not believed.
func (l *Loader) doubts(v clinical.Version) []string {
	if b, ok := v.Body.(clinical.Vitals); ok {
		return l.Plausible(b)
	}
	return nil
}

// nameHeld names the held rows; one whose fact is held in a usable version
// is named as a correction that was not applied, whatever the order of rows.
func (l *Loader) nameHeld(ctx context.Context, s *Summary, held []records.Held) error {
	ids := map[clinical.Kind][]string{}
	for _, h := range held {
		if h.SourceID != "" {
			ids[h.Kind] = append(ids[h.Kind], h.SourceID)
		}
	}
	known := map[clinical.Kind]map[string]bool{}
	for kind, list := range ids {
		found, err := l.Store.HasFacts(ctx, kind, list)
		if err != nil {
			return err
		}
		known[kind] = found
	}
	for _, h := range held {
		h.Correction = known[h.Kind][h.SourceID]
		s.Problems = append(s.Problems, Problem{h.File, h.Line, h.SourceID, ReasonOf(h)})
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
