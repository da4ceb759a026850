package webtest

import (
	"context"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
)

// Sets keeps bedside sets in the memory from which the board answers.
type Sets struct {
	board  *Board
	memory *assesstest.Memory
	sets   map[string]bedside.Kept
}

// Record implements bedside.SetKeeper.
func (s *Sets) Record(_ context.Context, _ string, k bedside.Kept) (bedside.Kept, error) {
	s.board.mu.Lock()
	defer s.board.mu.Unlock()
	if have, ok := s.sets[k.ID]; ok {
		if have.Sum() != k.Sum() {
			return bedside.Kept{}, clinical.Errorf(clinical.Conflict, "a set with this number is stored already")
		}
		return have, nil
	}
	s.sets[k.ID] = k
	s.memory.All = append(s.memory.All, k.Versions(k.At)...)
	return k, nil
}

// Kept implements bedside.SetKeeper.
func (s *Sets) Kept(_ context.Context, stayID, setID string) (bedside.Kept, error) {
	s.board.mu.Lock()
	defer s.board.mu.Unlock()
	k, ok := s.sets[setID]
	if !ok || k.StayID != stayID {
		return k, clinical.Errorf(clinical.NotFound, "there is no such set")
	}
	return k, nil
}

// All lists the facts that sets have become.
func (s *Sets) All() []clinical.Version {
	s.board.mu.Lock()
	defer s.board.mu.Unlock()
	var out []clinical.Version
	for _, v := range s.memory.All {
		if v.Feed == bedside.Feed {
			out = append(out, v)
		}
	}
	return out
}

// Stay implements web.Answers; see Live.
func (b *Board) Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Service.Stay(ctx, stayID, at)
}
