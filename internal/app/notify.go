package app

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/notify"
	"plumbline/internal/store"
)

// noticeStore is the store as telling wants it.
type noticeStore struct{ *store.Store }

func (s noticeStore) Configure(ctx context.Context, channels []string, at time.Time) error {
	return s.SetChannels(ctx, channels, at)
}

func (s noticeStore) Untold(ctx context.Context, channel string, at time.Time, limit int) ([]notify.Notice, error) {
	rows, err := s.NoticesUntold(ctx, channel, at, limit)
	out := make([]notify.Notice, len(rows))
	for n, row := range rows {
		if out[n], err = noticeOf(row); err != nil {
			return nil, err
		}
	}
	return out, err
}

func (s noticeStore) Add(ctx context.Context, list []notify.Delivery, seen []string, at time.Time) error {
	rows := make([]store.Delivery, len(list))
	for n, d := range list {
		rows[n] = deliveryRow(d)
	}
	return s.AddDeliveries(ctx, rows, seen, at)
}

func (s noticeStore) MissesDigest(ctx context.Context, id string, by time.Time) ([]string, error) {
	return s.ChannelsWithout(ctx, id, by)
}

func (s noticeStore) Due(ctx context.Context, channel string, at time.Time, limit int) ([]notify.Delivery, error) {
	rows, err := s.DeliveriesDue(ctx, channel, at, limit)
	out := make([]notify.Delivery, len(rows))
	for n, row := range rows {
		out[n] = notify.Delivery{
			ID: row.ID, Channel: row.Channel, State: notify.State(row.State), Attempts: row.Attempts,
			MadeAt: row.MadeAt, NextAt: row.NextAt, Trouble: row.Trouble, Body: row.Body,
		}
		if row.Notice == nil {
			continue
		}
		notice, err := noticeOf(*row.Notice)
		if err != nil {
			return nil, err
		}
		out[n].Notice = &notice
	}
	return out, err
}

func (s noticeStore) Claim(ctx context.Context, d notify.Delivery, until time.Time) (bool, error) {
	return s.ClaimDelivery(ctx, deliveryRow(d), until)
}

func (s noticeStore) Finish(ctx context.Context, d notify.Delivery, at time.Time) error {
	return s.FinishDelivery(ctx, deliveryRow(d), at)
}

func (s noticeStore) Channels(ctx context.Context, failedSince time.Time) ([]notify.Health, error) {
	rows, err := s.ChannelStates(ctx, failedSince)
	out := make([]notify.Health, len(rows))
	for n, row := range rows {
		out[n] = notify.Health(row)
	}
	return out, err
}

func deliveryRow(d notify.Delivery) store.Delivery {
	return store.Delivery{
		ID: d.ID, Channel: d.Channel, State: string(d.State), Attempts: d.Attempts,
		MadeAt: d.MadeAt, NextAt: d.NextAt, Trouble: d.Trouble, Body: d.Body,
	}
}

// noticeOf reads a notice. The words of an event that has none of its own are
// those of its episode: a patient who was moved is owed the same.
func noticeOf(row store.ToldNotice) (notify.Notice, error) {
	n := notify.Notice{ID: row.ID, Owed: row.Owed}
	if err := json.Unmarshal(row.Event, &n.Event); err != nil {
		return n, clinical.Errorf(clinical.Internal, "the event of notice %s cannot be read; was it written by a newer program? %v", row.ID, err)
	}
	n.Rule, n.Figures = n.Event.Rule, n.Event.Figures
	if n.Rule != "" {
		return n, nil
	}
	e, err := episodeOf(store.Episode{ID: row.EpisodeID, Body: row.Episode})
	n.Rule, n.Figures = e.Rule, e.Figures
	return n, err
}

// noticeBoard is the site's data as telling asks for it.
type noticeBoard struct{ *site }

func (b noticeBoard) Owed(ctx context.Context) ([]episodes.Episode, error) {
	units, err := b.store.EpisodeUnits(ctx)
	if err != nil {
		return nil, err
	}
	var all []episodes.Episode
	for _, unit := range units {
		list, err := careStore{b.store}.Owed(ctx, unit)
		if err != nil {
			return nil, err
		}
		all = append(all, list...)
	}
	return all, nil
}

func (b noticeBoard) Place(ctx context.Context, stayID string, at time.Time) (notify.Place, error) {
	chart, err := b.service.Chart(ctx, stayID, at)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound: // taken back since: the notice is told without it
		return notify.Place{}, nil
	case err != nil || chart.Stay == nil:
		return notify.Place{}, err
	}
	return notify.Place{Bed: chart.Stay.Bed, Name: chart.Stay.Name}, nil
}

// telling is the service that tells what is owed, under the policy in force.
func (s *site) telling(clock clinical.Clock) (*notify.Service, error) {
	huddle, err := notify.ParseTimeOfDay(s.service.Policy.Current().Policy.Unit.Huddle)
	if err != nil {
		return nil, fmt.Errorf("unit.huddle: %w", err)
	}
	set := s.settings.notify
	return &notify.Service{
		Store: noticeStore{s.store}, Board: noticeBoard{s}, Channels: set.Channels, Names: set.Names,
		Rules:    notify.Rules{Quiet: set.Quiet, Zone: s.settings.zone},
		Schedule: notify.Schedule{Huddle: huddle, Before: set.DigestBefore, Zone: s.settings.zone},
		Site:     notify.Site{Zone: s.settings.zone, PublicURL: set.PublicURL},
		Clock:    clock, Jitter: rand.Float64, Log: s.log,
	}, nil
}

// startTelling sets up the channels and looks every few seconds for what is to be
// told. The moment of the digest is worked out by the site's calendar at each
// look: a cron expression would miss or repeat it where the clocks change.
func startTelling(ctx context.Context, s *site, clock clinical.Clock) (*schedule, error) {
	service, err := s.telling(clock)
	if err != nil {
		return nil, err
	}
	if err := service.Start(ctx); err != nil || len(service.Channels) == 0 {
		return nil, err
	}
	return startJob(ctx, s.log, "@every 5s", false, func(ctx context.Context) {
		service, err := s.telling(clock)
		if err == nil {
			err = service.Run(ctx)
		}
		if err != nil && ctx.Err() == nil {
			s.log.Error("what is to be told was not read or noted; it is tried again", "error", err)
		}
	})
}
