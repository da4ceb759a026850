// Package caretest keeps episodes in memory, for tests of what is done with them:
// no database stands between a step and the page.
package caretest

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// Memory is a care.Store. Each step and change is done at once, alone.
type Memory struct {
	mu     sync.Mutex
	all    map[string]episodes.Episode
	events map[string][]episodes.Event
}

var _ care.Store = (*Memory)(nil)

func (m *Memory) keep(t episodes.Transition) {
	if m.all == nil {
		m.all, m.events = map[string]episodes.Episode{}, map[string][]episodes.Event{}
	}
	m.all[t.Episode.ID] = t.Episode
	m.events[t.Episode.ID] = append(m.events[t.Episode.ID], t.Event)
}

func (m *Memory) where(holds func(episodes.Episode) bool) []episodes.Episode {
	var out []episodes.Episode
	for _, e := range m.all {
		if holds(e) {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b episodes.Episode) int {
		if c := a.OpenedAt.Compare(b.OpenedAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return out
}

// StepEpisodes implements care.Store.
func (m *Memory) StepEpisodes(
	_ context.Context, s records.EpisodeScope, _ time.Time, step func([]episodes.Episode) []episodes.Transition,
) (bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, t := range step(m.where(func(e episodes.Episode) bool {
		return e.Unit == s.Unit && e.Active() || slices.Contains(s.IDs, e.ID)
	})) {
		m.keep(t)
	}
	return true, nil
}

// ChangeEpisode implements care.Store.
func (m *Memory) ChangeEpisode(
	_ context.Context, id string, change func(episodes.Episode) (episodes.Transition, error),
) (episodes.Episode, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	e, err := m.byID(id)
	if err != nil {
		return e, err
	}
	t, err := change(e)
	if err == nil {
		m.keep(t)
	}
	return t.Episode, err
}

// EpisodeByID implements care.Store.
func (m *Memory) EpisodeByID(_ context.Context, id string) (episodes.Episode, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.byID(id)
}

func (m *Memory) byID(id string) (episodes.Episode, error) {
	e, ok := m.all[id]
	if !ok {
		return e, clinical.Errorf(clinical.NotFound, "there is no such episode; go back to the list")
	}
	return e, nil
}

// EpisodesOwed implements care.Store.
func (m *Memory) EpisodesOwed(_ context.Context, unit string) ([]episodes.Episode, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.where(func(e episodes.Episode) bool { return e.Unit == unit && e.Active() }), nil
}

// EpisodesOfStay implements care.Store.
func (m *Memory) EpisodesOfStay(_ context.Context, stay string) ([]episodes.Episode, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.where(func(e episodes.Episode) bool { return e.StayID == stay }), nil
}

// EventsOfEpisodes implements care.Store.
func (m *Memory) EventsOfEpisodes(_ context.Context, ids []string) (map[string][]episodes.Event, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string][]episodes.Event{}
	for _, id := range ids {
		out[id] = slices.Clone(m.events[id])
	}
	return out, nil
}

// EventsOfUnit implements care.Store.
func (m *Memory) EventsOfUnit(_ context.Context, unit string, from, to time.Time) ([][]episodes.Event, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out [][]episodes.Event
	for _, e := range m.where(func(episodes.Episode) bool { return true }) {
		events := m.events[e.ID]
		happened := slices.ContainsFunc(events, func(v episodes.Event) bool {
			return v.Unit == unit && !v.At.Before(from) && v.At.Before(to)
		})
		owed := e.Unit == unit && e.OpenedAt.Before(to) && (e.Active() || !e.ChangedAt.Before(from))
		if happened || owed {
			out = append(out, slices.Clone(events))
		}
	}
	return out, nil
}

// EpisodeUnits implements care.Store.
func (m *Memory) EpisodeUnits(context.Context) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for _, e := range m.where(episodes.Episode.Active) {
		if !slices.Contains(out, e.Unit) {
			out = append(out, e.Unit)
		}
	}
	return out, nil
}
