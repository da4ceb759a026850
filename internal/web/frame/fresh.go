package frame

import (
	"context"
	"sync"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// Lists ranks a unit, Live at the current moment and List at any moment.
type Lists interface {
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
}

// freshBook keeps how old each unit's list is, for a minute and a state of the data:
// every page of a unit says so (U-FRESH).
type freshBook struct {
	mu    sync.Mutex
	units map[string]keptFresh
}

type keptFresh struct {
	at    time.Time
	state string
	fresh alerts.Freshness
}

func (b *freshBook) get(unit string, at time.Time, state string) (alerts.Freshness, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	k, ok := b.units[unit]
	return k.fresh, ok && k.at.Equal(at) && k.state == state
}

func (b *freshBook) keep(unit string, k keptFresh) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.units == nil {
		b.units = map[string]keptFresh{}
	}
	b.units[unit] = k
}

// FreshOf is how old a list is that was made for a moment.
func (s *Frame) FreshOf(ctx context.Context, list []alerts.Assessment, at time.Time) alerts.Freshness {
	return alerts.FreshnessOf(list, s.PolicyFor(ctx).Policy.Unit, at)
}

// oldList says that the list of a unit is old; "" where it is not. Where that cannot be
// told it says so: silence would pass for fresh.
func (s *Frame) oldList(ctx context.Context, unit string, when Asked) string {
	if unit == "" || s.Lists == nil {
		return ""
	}
	fresh, err := s.freshness(ctx, unit, when)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound:
		return "" // the page itself says that there is no such unit
	case err != nil:
		s.Log.Error("how old a list is could not be told", "error", err)
		return text.Say("frame.age-unknown")
	}
	return s.Times(when.At, when.Live).Stale(fresh)
}

func (s *Frame) freshness(ctx context.Context, unit string, when Asked) (alerts.Freshness, error) {
	if !when.Live {
		list, err := s.Lists.List(ctx, unit, when.At)
		return s.FreshOf(ctx, list, when.At), err
	}
	state := s.PolicyFor(ctx).Hash
	if s.DataState != nil {
		data, err := s.DataState(ctx)
		if err != nil {
			return alerts.Freshness{}, err
		}
		state += " " + data
	}
	if kept, ok := s.fresh.get(unit, when.At, state); ok {
		return kept, nil
	}
	list, err := s.Lists.Live(ctx, unit, when.At)
	if err != nil {
		return alerts.Freshness{}, err
	}
	k := keptFresh{when.At, state, s.FreshOf(ctx, list, when.At)}
	s.fresh.keep(unit, k)
	return k.fresh, nil
}
