package app

import (
	"context"
	"errors"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/text"
)

// care is the service that keeps the site's episodes.
func (s *site) care() *care.Service {
	return &care.Service{Answers: s.service, Store: s.store, Policy: s.service.Policy, Zone: s.service.Zone}
}

// stepEpisodes brings every episode to what holds now. What fails is logged and
// tried again at the next step.
func (s *site) stepEpisodes(ctx context.Context, w *ingest.Watcher, now time.Time) {
	service := s.care()
	landed, err := s.store.LastLanded(ctx)
	if err == nil {
		_, err = service.StepAll(ctx, assess.LiveMoment(now, landed)) // as the pages have it
	}
	if err != nil && ctx.Err() == nil {
		s.log.Error("episodes were not brought up to date; they are stepped again", "error", err)
	}
	if err := s.endReviewed(ctx, service, now); err != nil && ctx.Err() == nil {
		s.log.Error("episodes whose dose review was recorded were not ended; it is tried again", "error", err)
	}
	silent, known, err := s.silentFeeds(ctx, w, now)
	if err == nil && known {
		_, err = service.StepFeeds(ctx, silent, now)
	}
	if err != nil && ctx.Err() == nil {
		s.log.Error("the feeds' episodes were not brought up to date; they are stepped again", "error", err)
	}
}

// reviewGrace is for how long the episode of a dose review is left to the request that
// recorded the review.
const reviewGrace = time.Minute

// endReviewed ends the episodes that asked for a dose review which was recorded since:
// a program that is killed between the two leaves the episode owed.
func (s *site) endReviewed(ctx context.Context, service *care.Service, now time.Time) error {
	owed, err := noticeSource{s}.Owed(ctx)
	if err != nil {
		return err
	}
	var stays []string
	for _, e := range owed {
		if e.Kind == episodes.DoseReview {
			stays = append(stays, e.StayID)
		}
	}
	if len(stays) == 0 {
		return nil
	}
	reviews, err := s.store.DoseReviewsOf(ctx, stays, now.Add(-reviewGrace))
	if err != nil {
		return err
	}
	var errs []error
	for _, e := range owed {
		last := records.LastStanding(reviews[e.StayID])
		if e.Kind != episodes.DoseReview || last == nil || last.At.Before(e.RaisedAt) {
			continue
		}
		errs = append(errs, service.EndDoseReview(ctx, *last, text.ReviewEnds(last.Outcome)))
	}
	return errors.Join(errs...)
}

// The names among the feeds of the folder of the schedule, and of the server that is polled.
const (
	feedFolder = "feed folder"
	feedServer = "FHIR server"
)

// silentFeeds are the feeds that are not read as they should be. A silence starts when the feed last
// brought something, which outlives a restart and does not move on while others bring more. known is
// false where this program cannot tell: it reads none, or has not looked at one yet.
func (s *site) silentFeeds(ctx context.Context, w *ingest.Watcher, now time.Time) (silent []episodes.Silence, known bool, err error) {
	looked, polls := s.polled.state()
	if w == nil && !polls || w != nil && w.Last().At.IsZero() && w.Last().Err == nil || polls && !looked {
		return nil, false, nil
	}
	if why := s.folderTrouble(w, now); why != "" {
		silent = append(silent, episodes.Silence{Feed: feedFolder, Why: why})
	}
	if why := s.polled.trouble(s.settings.fhirEvery, now); why != "" {
		silent = append(silent, episodes.Silence{Feed: feedServer, Why: why})
	}
	for n, f := range silent {
		by, others := []string{fhirfeed.Feed}, false
		if f.Feed == feedFolder { // every load that is of no message
			by, others = []string{store.LoadRetry, store.LoadFix, store.LoadBedside, hl7feed.Feed, fhirfeed.Feed}, true
		}
		if silent[n].Since, err = s.store.LastLoadBy(ctx, by, others); err != nil {
			return nil, false, err
		}
	}
	return silent, true, nil
}

// startEpisodes steps the episodes once, then every minute. After each load the
// schedule of the feed folder steps them too.
func startEpisodes(ctx context.Context, s *site, w *ingest.Watcher, clock clinical.Clock) (*schedule, error) {
	step := s.lease.only(func(ctx context.Context) { s.stepEpisodes(ctx, w, clock()) })
	steps, err := startJob(ctx, s.log, "@every 1m", true, func(ctx context.Context) {
		s.clocks.look(clock()) // of each machine
		step(ctx)
	})
	if err == nil {
		s.lease.whenGained(steps.begin)
	}
	return steps, err
}
