package app

import (
	"context"

	"plumbline/internal/clinical"
	"plumbline/internal/feedcheck"
)

// newWatch tells whether the feeds of the site's units bring what they usually do.
func (s *site) newWatch(clock clinical.Clock) *feedcheck.Watch {
	return &feedcheck.Watch{Kept: s.store, Counter: s.service, Clock: clock, Zone: s.settings.zone}
}

// startCounting counts, every few seconds, the stays that have changed since: where none has, that
// is one question to the database. Of several instances the one that has the lease does.
func startCounting(ctx context.Context, s *site) (*schedule, error) {
	return startJob(ctx, s.log, "@every 10s", false, s.lease.only(func(ctx context.Context) {
		if _, err := s.watch.CatchUp(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("what the feeds have brought by day was not counted; it is tried again", "error", err)
		}
	}))
}
