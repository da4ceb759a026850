package app

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/feedcheck"
	"plumbline/internal/notify"
	"plumbline/internal/records"
)

// noticeSource is the site's data as telling asks for it.
type noticeSource struct{ *site }

func (b noticeSource) Owed(ctx context.Context) ([]records.Episode, error) {
	units, err := b.store.EpisodeUnits(ctx)
	if err != nil {
		return nil, err
	}
	var all []records.Episode
	for _, unit := range units {
		list, err := b.store.EpisodesOwed(ctx, unit)
		if err != nil {
			return nil, err
		}
		all = append(all, list...)
	}
	return all, nil
}

func (b noticeSource) Place(ctx context.Context, stayID string, at time.Time) (notify.Place, error) {
	chart, err := b.service.Chart(ctx, stayID, at)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound: // taken back since: the notice is told without it
		return notify.Place{}, nil
	case err != nil || chart.Stay == nil:
		return notify.Place{}, err
	}
	return notify.Place{Bed: chart.Stay.Bed, Name: chart.Stay.Name}, nil
}

func (b noticeSource) Ages(ctx context.Context, at time.Time) (map[string]alerts.Freshness, error) {
	units, err := b.store.Units(ctx)
	if err != nil {
		return nil, err
	}
	out := make(map[string]alerts.Freshness, len(units))
	for _, unit := range units {
		if out[unit], err = b.service.Freshness(ctx, unit, at); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (b noticeSource) FeedNews(ctx context.Context) (notify.FeedNews, error) {
	units, err := b.checks(nil).Commissioning(ctx)
	return notify.FeedNews{Commissioning: units}, err
}

func (b noticeSource) Gaps(ctx context.Context) ([]feedcheck.Gap, error) { return b.watch.GapsNow(ctx) }

func (b noticeSource) Age(ctx context.Context, unit string, at time.Time) (alerts.Freshness, error) {
	age, err := b.service.Freshness(ctx, unit, at)
	if clinical.CodeOf(err) == clinical.NotFound { // no stay names the unit any more
		return alerts.Freshness{}, nil
	}
	return age, err
}

// telling is the service that tells what is owed, under the policy in force.
func (s *site) telling(clock clinical.Clock) (*notify.Service, error) {
	huddle, err := notify.ParseTimeOfDay(s.service.Policy.Current().Policy.Unit.Huddle)
	if err != nil {
		return nil, fmt.Errorf("unit.huddle: %w", err)
	}
	set := s.settings.notify
	return &notify.Service{
		Store: s.store, Source: noticeSource{s}, Channels: set.Channels, Names: set.Names,
		Rules:    notify.Rules{Quiet: set.Quiet, Zone: s.settings.zone},
		Schedule: notify.Schedule{Huddle: huddle, Before: set.BriefingBefore, Zone: s.settings.zone},
		Site:     notify.Site{Zone: s.settings.zone, PublicURL: set.PublicURL},
		Clock:    clock, Jitter: rand.Float64, Log: s.log,
	}, nil
}

// startTelling sets up the channels and looks every few seconds for what is to be
// told. The moment of the briefing is worked out by the site's calendar at each
// look: a cron expression would miss or repeat it where the clocks change.
func startTelling(ctx context.Context, s *site, clock clinical.Clock) (*schedule, error) {
	service, err := s.telling(clock)
	if err != nil {
		return nil, err
	}
	if err := service.Start(ctx); err != nil || len(service.Channels) == 0 {
		return nil, err
	}
	return s.startLeased(ctx, "@every 5s", false, func(ctx context.Context) {
		service, err := s.telling(clock)
		if err == nil {
			err = service.Run(ctx)
		}
		if err != nil && ctx.Err() == nil {
			s.log.Error("what is to be told was not read or noted; it is tried again", "error", err)
		}
	})
}
