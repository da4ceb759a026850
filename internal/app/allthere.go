package app

import (
	"context"

	"plumbline/internal/clinical"
	"plumbline/internal/feedcheck"
)

// watch tells whether the feeds of the site's units bring what they usually do.
func (s *site) watch(clock clinical.Clock) *feedcheck.Watch {
	return &feedcheck.Watch{Kept: s.store, Counter: s.service, Clock: clock, Zone: s.settings.zone}
}

// startCounting counts, every minute, the stays that have changed since.
func startCounting(ctx context.Context, s *site, w *feedcheck.Watch) (*schedule, error) {
	return startJob(ctx, s.log, "@every 1m", false, func(ctx context.Context) {
		if _, err := w.CatchUp(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("what the feeds have brought by day was not counted; it is tried again", "error", err)
		}
	})
}
