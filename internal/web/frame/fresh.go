package frame

import (
	"context"
	"slices"
	"sync"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// Ages says how new the readings of those on a unit's list are, at any moment.
type Ages interface {
	Freshness(ctx context.Context, unit string, at time.Time) (alerts.Freshness, error)
	// LastCame tells, by kind of fact, when the feeds last said something of them.
	LastCame(ctx context.Context, unit string, at time.Time) (map[clinical.Kind]time.Time, error)
	// QuietAfter is how old a patient's newest vital sign may be before that is said.
	QuietAfter(ctx context.Context, unit string, at time.Time) (time.Duration, error)
}

// Quiet tells of the patients of a unit whether the feeds have brought no vital sign for too
// long. How often the unit is measured is read only where somebody's newest is older than the
// least that may be.
func (s *Frame) Quiet(
	ctx context.Context, unit string, at time.Time, list ...alerts.Assessment,
) func(alerts.Assessment) bool {
	after := clinical.Hours(s.PolicyFor(ctx).Policy.Unit.StaleAfterHours)
	if s.Ages != nil && slices.ContainsFunc(list, func(a alerts.Assessment) bool { return a.Quiet(after) }) {
		usual, err := s.Ages.QuietAfter(ctx, unit, at)
		if err != nil {
			s.Log.Error("how often the unit is measured could not be told", "error", err)
		}
		after = max(after, usual)
	}
	return func(a alerts.Assessment) bool { return a.Quiet(after) }
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

// FreshOf is how old a unit's list is that was made for a moment; of an old one also when
// each kind of fact last came.
func (s *Frame) FreshOf(
	ctx context.Context, unit string, list []alerts.Assessment, at time.Time,
) alerts.Freshness {
	f := alerts.FreshnessOf(list, s.PolicyFor(ctx).Policy.Unit, at)
	if f.Stale {
		f.Came = s.LastCame(ctx, unit, at)
	}
	return f
}

// LastCame tells, by kind of fact, when the feeds last said something of those on a unit's
// list; nil where that cannot be told.
func (s *Frame) LastCame(ctx context.Context, unit string, at time.Time) map[clinical.Kind]time.Time {
	if s.Ages == nil {
		return nil
	}
	came, err := s.Ages.LastCame(ctx, unit, at)
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		s.Log.Error("when facts last came could not be told", "error", err)
	}
	return came
}

// oldList says that the list of a unit is old; "" where it is not. Where that cannot be
// told it says so: silence would pass for fresh.
func (s *Frame) oldList(ctx context.Context, unit string, when Asked) string {
	if unit == "" || s.Ages == nil {
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

// OldLists says which lists of several units are old.
func (s *Frame) OldLists(ctx context.Context, units []string, when Asked) (old []OldList) {
	for _, unit := range units {
		if says := s.oldList(ctx, unit, when); says != "" {
			old = append(old, OldList{unit, says})
		}
	}
	return old
}

func (s *Frame) freshness(ctx context.Context, unit string, when Asked) (alerts.Freshness, error) {
	if !when.Live {
		return s.Ages.Freshness(ctx, unit, when.At)
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
	fresh, err := s.Ages.Freshness(ctx, unit, when.At)
	if err == nil {
		s.fresh.keep(unit, keptFresh{when.At, state, fresh})
	}
	return fresh, err
}
