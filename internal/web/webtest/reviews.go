package webtest

import (
	"context"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Reviews keeps dose reviews in memory.
type Reviews struct {
	mu  sync.Mutex
	all []records.DoseReview
}

// AddDoseReview implements doses.DoseReviews.
func (m *Reviews) AddDoseReview(_ context.Context, r records.DoseReview, after int64) (records.DoseReview, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	last := int64(0)
	for _, old := range m.all {
		if old.StayID == r.StayID {
			last = old.Number
		}
	}
	if last != after {
		return records.DoseReview{}, clinical.Errorf(
			clinical.Conflict, "review %d is not the last one of this stay any more", after,
		)
	}
	r.Number = last + 1
	m.all = append(m.all, r)
	return r, nil
}

// DoseReviewsOf implements doses.DoseReviews.
func (m *Reviews) DoseReviewsOf(_ context.Context, stayIDs []string, by time.Time) (map[string][]records.DoseReview, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string][]records.DoseReview{}
	for _, r := range m.all {
		if slices.Contains(stayIDs, r.StayID) && !r.At.After(by) {
			out[r.StayID] = append(out[r.StayID], r)
		}
	}
	return out, nil
}
