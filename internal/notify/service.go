package notify

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"sync"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
)

// Channel is a way of telling. Send tries once.
type Channel interface {
	Name() string
	// TellsAtOnce says whether notices of a tier are told by themselves.
	TellsAtOnce(tier string) bool
	Send(ctx context.Context, m Message, at time.Time) *Failure
}

// Store is what the service needs of a store. Each call is one transaction.
type Store interface {
	// SetChannels names the channels that there are: a new one is told what comes
	// from the moment on, one that is gone is told nothing more.
	SetChannels(ctx context.Context, channels []string, at time.Time) error
	// NoticesUntold are notices without a delivery by a channel, the oldest first.
	NoticesUntold(ctx context.Context, channel string, at time.Time, limit int) ([]records.Notice, error)
	// AddDeliveries writes deliveries; one that is there already stays as it is. seen are
	// the channels of which at the moment nothing else was untold.
	AddDeliveries(ctx context.Context, list []records.NoticeDelivery, seen []string, at time.Time) error
	// ChannelsWithout are the channels, set up by a moment, without a briefing.
	ChannelsWithout(ctx context.Context, id string, by time.Time) ([]string, error)
	// DeliveriesDue are deliveries of a channel that are to be tried by now.
	DeliveriesDue(ctx context.Context, channel string, at time.Time, limit int) ([]records.NoticeDelivery, error)
	// ClaimDelivery counts an attempt and keeps others from making it until a moment;
	// false where somebody else was quicker.
	ClaimDelivery(ctx context.Context, d records.NoticeDelivery, until time.Time) (bool, error)
	// FinishDelivery writes what has become of a delivery since it was read or claimed.
	FinishDelivery(ctx context.Context, d records.NoticeDelivery, at time.Time) error
	ChannelStates(ctx context.Context, failedSince time.Time) ([]records.ChannelHealth, error)
}

// Source is what the service asks of the site's data.
type Source interface {
	// Owed is every episode that is not done.
	Owed(ctx context.Context) ([]records.Episode, error)
	// Place is where a patient was at a moment, and the name: both as known then.
	Place(ctx context.Context, stayID string, at time.Time) (Place, error)
	// Ages are, by unit, how old the lists are on which somebody stands; Age is that of one
	// unit. Both as known at a moment (U-FRESH).
	Ages(ctx context.Context, at time.Time) (map[string]alerts.Freshness, error)
	Age(ctx context.Context, unit string, at time.Time) (alerts.Freshness, error)
	// FeedNews is what an administrator has to know of the feeds.
	FeedNews(ctx context.Context) (FeedNews, error)
	// Gaps are what feeds of units do not bring as they should.
	Gaps(ctx context.Context) ([]feedcheck.Gap, error)
}

// FeedNews is what an administrator has to know of the feeds.
type FeedNews struct {
	// Commissioning are the units that are in commissioning: of their patients nobody is told.
	Commissioning []string
	// Gaps are what feeds of units do not bring as they should.
	Gaps []feedcheck.Gap // asked for where a briefing is made
}

// Service tells what is to be told. Several may run on one store.
type Service struct {
	Store    Store
	Source   Source
	Channels []Channel
	Rules    Rules
	Schedule Schedule
	Site     Site
	Names    bool // whether names of patients may leave the program
	Clock    clinical.Clock
	Jitter   func() float64 // from 0 to 1
	Log      *slog.Logger
}

const (
	// batch is how many notices one step looks at.
	batch = 200
	// lease is for how long an attempt is somebody's own: longer than any takes.
	lease = 2 * time.Minute
	// maxErrors is after how many errors of the store a run leaves a channel.
	maxErrors = 5
)

// Start names the channels to the store. It comes before the first step of the
// episodes, so that what that opens is told.
func (s *Service) Start(ctx context.Context) error {
	names := make([]string, len(s.Channels))
	for n, c := range s.Channels {
		names[n] = c.Name()
	}
	return s.Store.SetChannels(ctx, names, s.Clock())
}

// Run plans what is new, makes the briefing when it is time, and tries what is due.
// It may be stopped at any moment, and repeats nothing that is done.
func (s *Service) Run(ctx context.Context) error {
	if len(s.Channels) == 0 {
		return nil
	}
	news, err := s.Source.FeedNews(ctx)
	if err != nil {
		return err // nobody is told where it is not known of whom nobody may be
	}
	rules := s.Rules
	rules.Commissioning = news.Commissioning
	err = errors.Join(s.plan(ctx, rules), s.briefing(ctx, news))
	errs := make([]error, len(s.Channels))
	var all sync.WaitGroup
	for n, c := range s.Channels {
		all.Go(func() { errs[n] = s.tell(ctx, c, rules) })
	}
	all.Wait()
	return errors.Join(err, errors.Join(errs...))
}

// plan makes the deliveries of notices that have none yet.
func (s *Service) plan(ctx context.Context, rules Rules) error {
	for {
		now := s.Clock()
		var list []records.NoticeDelivery
		var seen []string
		for _, c := range s.Channels {
			notices, err := s.Store.NoticesUntold(ctx, c.Name(), now, batch)
			if err != nil {
				return err
			}
			for _, n := range notices {
				list = append(list, rules.Plan(n, c.Name(), c.TellsAtOnce(tierOf(n)), now))
			}
			if len(notices) < batch {
				seen = append(seen, c.Name())
			}
		}
		if err := s.Store.AddDeliveries(ctx, list, seen, now); err != nil || len(seen) == len(s.Channels) {
			return err
		}
	}
}

// briefing makes the briefing that is due, for every channel that lacks it.
func (s *Service) briefing(ctx context.Context, news FeedNews) error {
	now := s.Clock()
	date, at, due := s.Schedule.Due(now)
	if !due {
		return nil
	}
	channels, err := s.Store.ChannelsWithout(ctx, BriefingID(date), at)
	if err != nil || len(channels) == 0 {
		return err
	}
	owed, err := s.Source.Owed(ctx)
	if err != nil {
		return err
	}
	ages, err := s.Source.Ages(ctx, now)
	if err != nil {
		return err
	}
	if news.Gaps, err = s.Source.Gaps(ctx); err != nil {
		return err
	}
	body, err := json.Marshal(s.Site.BriefingOf(date, now, owed, ages, news))
	if err != nil {
		return err
	}
	var list []records.NoticeDelivery
	for _, c := range channels {
		list = append(list, records.NoticeDelivery{
			ID: BriefingID(date), Channel: c, Body: body,
			State: records.DeliveryWaiting, MadeAt: now, NextAt: now,
		})
	}
	return s.Store.AddDeliveries(ctx, list, nil, now)
}

// tell tries what is due on a channel, until there is no more or an attempt fails
// in a way that the next would too.
func (s *Service) tell(ctx context.Context, c Channel, rules Rules) error {
	due, err := s.Store.DeliveriesDue(ctx, c.Name(), s.Clock(), batch)
	if err != nil {
		return err
	}
	var errs []error
	for _, d := range due {
		if ctx.Err() != nil {
			break
		}
		further, err := s.try(ctx, c, d, rules)
		if err != nil { // one that cannot be read must not keep the others from being told
			errs = append(errs, err)
		}
		if !further || len(errs) == maxErrors {
			break
		}
	}
	return errors.Join(errs...)
}

// try does what is to be done with one delivery; further is false where the
// channel does not work now.
func (s *Service) try(
	ctx context.Context, c Channel, d records.NoticeDelivery, rules Rules,
) (further bool, err error) {
	now := s.Clock()
	if d.MadeAt.After(now) { // by a clock that ran ahead: it waits from now on
		d.MadeAt = now
	}
	d = rules.Decide(d, now)
	if d.State != records.DeliveryWaiting {
		return true, s.Store.FinishDelivery(ctx, d, now)
	}
	m, err := s.message(ctx, d)
	if err != nil {
		return true, err
	}
	mine, err := s.Store.ClaimDelivery(ctx, d, now.Add(lease))
	if err != nil || !mine {
		return true, err
	}
	d.Attempts++
	failure := c.Send(ctx, m, now)
	if failure != nil && ctx.Err() != nil {
		return false, nil // stopped amid the attempt; it is made again when the lease is over
	}
	d = After(d, failure, s.Clock(), s.Jitter())
	s.log(d, failure)
	// What was sent must be written even if the program is being stopped.
	return failure == nil || failure.Final, s.Store.FinishDelivery(context.WithoutCancel(ctx), d, s.Clock())
}

func (s *Service) log(d records.NoticeDelivery, f *Failure) {
	switch {
	case f == nil && d.Attempts > 1:
		s.Log.Info("told after more than one attempt", "channel", d.Channel, "id", MessageID(d.ID), "attempts", d.Attempts)
	case d.State == records.DeliveryFailed:
		s.Log.Error("not told: the receiver refuses it; check the settings of the channel", "channel", d.Channel,
			"id", MessageID(d.ID), "error", f.Why)
	case f != nil:
		s.Log.Warn("not told yet; it is tried again", "channel", d.Channel, "id", MessageID(d.ID),
			"attempts", d.Attempts, "next", d.NextAt, "error", f.Why)
	}
}

func (s *Service) message(ctx context.Context, d records.NoticeDelivery) (Message, error) {
	if d.Notice == nil {
		return s.Site.BriefingMessage(d.Body)
	}
	var p Place
	if v := d.Notice.Event; v.StayID != "" {
		var err error
		if p, err = s.Source.Place(ctx, v.StayID, v.At); err != nil {
			return Message{}, err
		}
		if p.List, err = s.Source.Age(ctx, v.Unit, v.At); err != nil {
			return Message{}, err
		}
	}
	if !s.Names {
		p.Name = ""
	}
	return s.Site.NoticeMessage(*d.Notice, p)
}

// failedFor is for how long what was given up is counted.
const failedFor = 7 * 24 * time.Hour

// Health is how each channel stands, for the feed page and the metrics.
func (s *Service) Health(ctx context.Context) ([]records.ChannelHealth, error) {
	return s.Store.ChannelStates(ctx, s.Clock().Add(-failedFor))
}
