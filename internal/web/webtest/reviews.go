package webtest

import (
	"context"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
)

// Reviews keeps dose reviews in memory.
type Reviews struct {
	mu  sync.Mutex
	all []dosereview.Review
}

// Add implements doses.DoseReviews.
func (m *Reviews) Add(_ context.Context, r dosereview.Review, after int64) (dosereview.Review, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	last := int64(0)
	for _, old := range m.all {
		if old.StayID == r.StayID {
			last = old.Number
		}
	}
	if last != after {
		return dosereview.Review{}, clinical.Errorf(
			clinical.Conflict, "review %d is not the last one of this stay any more", after,
		)
	}
	r.Number = last + 1
	m.all = append(m.all, r)
	return r, nil
}

// OfStays implements doses.DoseReviews.
func (m *Reviews) OfStays(_ context.Context, stayIDs []string, by time.Time) (map[string][]dosereview.Review, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string][]dosereview.Review{}
	for _, r := range m.all {
		if slices.Contains(stayIDs, r.StayID) && !r.At.After(by) {
			out[r.StayID] = append(out[r.StayID], r)
		}
	}
	return out, nil
}
