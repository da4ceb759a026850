package notify

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
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
	// Configure names the channels that there are: a new one is told what comes
	// from the moment on, one that is gone is told nothing more.
	Configure(ctx context.Context, channels []string, at time.Time) error
	// Untold are notices without a delivery by a channel, the oldest first.
	Untold(ctx context.Context, channel string, at time.Time, limit int) ([]Notice, error)
	// Add writes deliveries; one that is there already stays as it is. seen are
	// the channels of which at the moment nothing else was untold.
	Add(ctx context.Context, list []Delivery, seen []string, at time.Time) error
	// MissesDigest are the channels, set up by a moment, without the digest.
	MissesDigest(ctx context.Context, id string, by time.Time) ([]string, error)
	// Due are deliveries of a channel that are to be tried by now.
	Due(ctx context.Context, channel string, at time.Time, limit int) ([]Delivery, error)
	// Claim counts an attempt and keeps others from making it until a moment;
	// false where somebody else was quicker.
	Claim(ctx context.Context, d Delivery, until time.Time) (bool, error)
	// Finish writes what has become of a delivery since it was read or claimed.
	Finish(ctx context.Context, d Delivery, at time.Time) error
	Channels(ctx context.Context, failedSince time.Time) ([]Health, error)
}

// Board is what the service asks of the site's data.
type Board interface {
	// Owed is every episode that is not done.
	Owed(ctx context.Context) ([]episodes.Episode, error)
	// Place is where a patient was at a moment, and the name: both as known then.
	Place(ctx context.Context, stayID string, at time.Time) (Place, error)
}

// Service tells what is to be told. Several may run on one store.
type Service struct {
	Store    Store
	Board    Board
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
	return s.Store.Configure(ctx, names, s.Clock())
}

// Run plans what is new, makes the digest when it is time, and tries what is due.
// It may be stopped at any moment, and repeats nothing that is done.
func (s *Service) Run(ctx context.Context) error {
	if len(s.Channels) == 0 {
		return nil
	}
	err := errors.Join(s.plan(ctx), s.digest(ctx))
	errs := make([]error, len(s.Channels))
	var all sync.WaitGroup
	for n, c := range s.Channels {
		all.Go(func() { errs[n] = s.tell(ctx, c) })
	}
	all.Wait()
	return errors.Join(err, errors.Join(errs...))
}

// plan makes the deliveries of notices that have none yet.
func (s *Service) plan(ctx context.Context) error {
	for {
		now := s.Clock()
		var list []Delivery
		var seen []string
		for _, c := range s.Channels {
			notices, err := s.Store.Untold(ctx, c.Name(), now, batch)
			if err != nil {
				return err
			}
			for _, n := range notices {
				list = append(list, s.Rules.Plan(n, c.Name(), c.TellsAtOnce(n.Tier()), now))
			}
			if len(notices) < batch {
				seen = append(seen, c.Name())
			}
		}
		if err := s.Store.Add(ctx, list, seen, now); err != nil || len(seen) == len(s.Channels) {
			return err
		}
	}
}

// digest makes the digest that is due, for every channel that lacks it.
func (s *Service) digest(ctx context.Context) error {
	now := s.Clock()
	date, at, due := s.Schedule.Due(now)
	if !due {
		return nil
	}
	channels, err := s.Store.MissesDigest(ctx, DigestID(date), at)
	if err != nil || len(channels) == 0 {
		return err
	}
	owed, err := s.Board.Owed(ctx)
	if err != nil {
		return err
	}
	body, err := json.Marshal(s.Site.DigestOf(date, now, owed))
	if err != nil {
		return err
	}
	var list []Delivery
	for _, c := range channels {
		list = append(list, Delivery{ID: DigestID(date), Channel: c, State: Waiting, MadeAt: now, NextAt: now, Body: body})
	}
	return s.Store.Add(ctx, list, nil, now)
}

// tell tries what is due on a channel, until there is no more or an attempt fails
// in a way that the next would too.
func (s *Service) tell(ctx context.Context, c Channel) error {
	due, err := s.Store.Due(ctx, c.Name(), s.Clock(), batch)
	if err != nil {
		return err
	}
	var errs []error
	for _, d := range due {
		if ctx.Err() != nil {
			break
		}
		further, err := s.try(ctx, c, d)
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
func (s *Service) try(ctx context.Context, c Channel, d Delivery) (further bool, err error) {
	now := s.Clock()
	d = s.Rules.Decide(d, now)
	if d.State != Waiting {
		return true, s.Store.Finish(ctx, d, now)
	}
	m, err := s.message(ctx, d)
	if err != nil {
		return true, err
	}
	mine, err := s.Store.Claim(ctx, d, now.Add(lease))
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
	return failure == nil || failure.Final, s.Store.Finish(context.WithoutCancel(ctx), d, s.Clock())
}

func (s *Service) log(d Delivery, f *Failure) {
	switch {
	case f == nil && d.Attempts > 1:
		s.Log.Info("told after more than one attempt", "channel", d.Channel, "id", MessageID(d.ID), "attempts", d.Attempts)
	case d.State == Failed:
		s.Log.Error("not told: the receiver refuses it; check the settings of the channel", "channel", d.Channel, "id", MessageID(d.ID), "error", f.Why)
	case f != nil:
		s.Log.Warn("not told yet; it is tried again", "channel", d.Channel, "id", MessageID(d.ID), "attempts", d.Attempts, "next", d.NextAt, "error", f.Why)
	}
}

func (s *Service) message(ctx context.Context, d Delivery) (Message, error) {
	if d.Notice == nil {
		return s.Site.DigestMessage(d.Body)
	}
	var p Place
	if v := d.Notice.Event; v.StayID != "" {
		var err error
		if p, err = s.Board.Place(ctx, v.StayID, v.At); err != nil {
			return Message{}, err
		}
	}
	if !s.Names {
		p.Name = ""
	}
	return s.Site.NoticeMessage(*d.Notice, p)
}

// Health is how a channel stands.
type Health struct {
	Channel      string
	LastSent     time.Time // zero: nothing yet
	FailingSince time.Time // the first failure since something was last sent; zero: works
	Trouble      string    // of the last attempt that failed, while it is failing
	Waiting      int       // to be told still, quiet hours included
	Oldest       time.Time // when the oldest that waits, and not for quiet hours, was made; zero: none does
	Failed       int       // given up in the last seven days
}

// failedFor is for how long what was given up is counted.
const failedFor = 7 * 24 * time.Hour

// Health is how each channel stands, for the feed page and the metrics.
func (s *Service) Health(ctx context.Context) ([]Health, error) {
	return s.Store.Channels(ctx, s.Clock().Add(-failedFor))
}
