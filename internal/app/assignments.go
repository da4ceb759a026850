package app

import (
	"context"
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/store"
)

// assignments are the store's as the huddle's page wants them.
type assignments struct{ *store.Store }

func (s assignments) Assign(ctx context.Context, a episodes.Assignment) error {
	return s.AddAssignment(ctx, store.Assignment(a))
}

func (s assignments) Assigned(ctx context.Context, unit string, from, to time.Time) ([]episodes.Assignment, error) {
	rows, err := s.Assignments(ctx, unit, from, to)
	out := make([]episodes.Assignment, len(rows))
	for n, r := range rows {
		out[n] = episodes.Assignment(r)
	}
	return out, err
}
