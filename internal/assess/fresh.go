package assess

import (
	"context"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/trends"
)

// Freshness says how new the readings are of the patients on a unit's list, as the list of
// that moment would (U-FRESH). It reads no more than the stays and their readings. The error
// is clinical.NotFound for a unit that no stay has ever named.
func (s *Service) Freshness(ctx context.Context, unit string, at time.Time) (alerts.Freshness, error) {
	stays, err := s.candidates(ctx, unit, at)
	if err != nil {
		return alerts.Freshness{}, err
	}
	p := policy.For(ctx, s.Policy).Policy
	// Where the list is not old, a reading of these hours says so, and the older ones say nothing more.
	recent := at.Add(-clinical.Hours(p.Unit.StaleAfterHours))
	f, _, err := s.freshnessSince(ctx, recent, stays, unit, p, at)
	if err != nil || !f.Stale {
		return f, err
	}
	f, listed, err := s.freshnessSince(ctx, time.Time{}, stays, unit, p, at)
	if err != nil {
		return f, err
	}
	f.Came, err = s.Store.LastCame(ctx, listed, at)
	return f, err
}

// LastCame tells, by kind of fact, when the feeds last said something of those on a unit's list.
func (s *Service) LastCame(ctx context.Context, unit string, at time.Time) (map[clinical.Kind]time.Time, error) {
	stays, err := s.candidates(ctx, unit, at)
	if err != nil {
		return nil, err
	}
	_, listed, err := s.freshnessSince(ctx, at, stays, unit, policy.For(ctx, s.Policy).Policy, at)
	if err != nil {
		return nil, err
	}
	return s.Store.LastCame(ctx, listed, at)
}

// freshnessSince is Freshness by the readings that were taken at since or later, and the
// stays that were on the unit's list.
func (s *Service) freshnessSince(
	ctx context.Context, since time.Time, stays []string, unit string, p clinical.Policy, at time.Time,
) (f alerts.Freshness, listed []string, err error) {
	versions, err := s.Store.Readings(ctx, stays, since)
	if err != nil {
		return f, nil, err
	}
	var newest []*time.Time
	for _, stay := range stays {
		if c := clinical.ChartAt(stay, versions[stay], at); c.OnUnit(unit) {
			listed = append(listed, stay)
			newest = append(newest, trends.NewestVitals(c, p.Plausible))
		}
	}
	return alerts.FreshnessBy(newest, p.Unit, at), listed, nil
}

// QuietAfter is how old the newest vital sign of a patient of a unit may be before that is
// said, by how often the unit's patients were measured in the last 7 days (U-FRESH).
func (s *Service) QuietAfter(ctx context.Context, unit string, at time.Time) (time.Duration, error) {
	stays, err := s.candidates(ctx, unit, at)
	if err != nil {
		return 0, err
	}
	versions, err := s.Store.Readings(ctx, stays, alerts.QuietSince(at))
	if err != nil {
		return 0, err
	}
	p := policy.For(ctx, s.Policy).Policy
	var times [][]time.Time
	for _, stay := range stays {
		if c := clinical.ChartAt(stay, versions[stay], at); c.OnUnit(unit) {
			times = append(times, trends.VitalsTimes(c, p.Plausible))
		}
	}
	return alerts.QuietAfter(times, p.Unit, at), nil
}
