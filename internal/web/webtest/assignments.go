package webtest

import (
	"context"
	"sync"
	"time"

	"plumbline/internal/episodes"
)

// Assignments keeps in memory who was given what is owed.
type Assignments struct {
	mu  sync.Mutex
	All []episodes.Assignment
}

// Assign implements huddle.Assignments.
func (m *Assignments) Assign(_ context.Context, a episodes.Assignment) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.All = append(m.All, a)
	return nil
}

// Assigned implements huddle.Assignments.
func (m *Assignments) Assigned(_ context.Context, unit string, from, to time.Time) ([]episodes.Assignment, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []episodes.Assignment
	for _, a := range m.All {
		if a.Unit == unit && a.At.After(from) && !a.At.After(to) {
			out = append(out, a)
		}
	}
	return out, nil
}
