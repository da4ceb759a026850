package app

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest"
	"plumbline/internal/store"
	"plumbline/internal/text"
)

// careStore is the store as the episodes want it.
type careStore struct{ *store.Store }

func (s careStore) Step(ctx context.Context, scope care.Scope, at time.Time, step func([]episodes.Episode) []episodes.Transition) (bool, error) {
	return s.StepEpisodes(ctx, store.EpisodeScope(scope), at, func(rows []store.Episode) ([]store.EpisodeChange, error) {
		have, err := episodesOf(rows)
		if err != nil {
			return nil, err
		}
		var out []store.EpisodeChange
		for _, t := range step(have) {
			c, err := changeOf(t)
			if err != nil {
				return nil, err
			}
			out = append(out, c)
		}
		return out, nil
	})
}

func (s careStore) Change(ctx context.Context, id string, change func(episodes.Episode) (episodes.Transition, error)) (episodes.Episode, error) {
	after, err := s.ChangeEpisode(ctx, id, func(row store.Episode) (store.EpisodeChange, error) {
		e, err := episodeOf(row)
		if err != nil {
			return store.EpisodeChange{}, err
		}
		t, err := change(e)
		if err != nil {
			return store.EpisodeChange{}, err
		}
		return changeOf(t)
	})
	if err != nil {
		return episodes.Episode{}, err
	}
	return episodeOf(after)
}

func (s careStore) ByID(ctx context.Context, id string) (episodes.Episode, error) {
	row, err := s.EpisodeByID(ctx, id)
	if err != nil {
		return episodes.Episode{}, err
	}
	return episodeOf(row)
}

func (s careStore) Owed(ctx context.Context, unit string) ([]episodes.Episode, error) {
	rows, err := s.EpisodesOwed(ctx, unit)
	if err != nil {
		return nil, err
	}
	return episodesOf(rows)
}

func (s careStore) OfStay(ctx context.Context, stayID string) ([]episodes.Episode, error) {
	rows, err := s.EpisodesOfStay(ctx, stayID)
	if err != nil {
		return nil, err
	}
	return episodesOf(rows)
}

func (s careStore) Events(ctx context.Context, ids []string) (map[string][]episodes.Event, error) {
	rows, err := s.EventsOfEpisodes(ctx, ids)
	if err != nil {
		return nil, err
	}
	return eventsOf(rows)
}

func (s careStore) EventsOfUnit(ctx context.Context, unit string, from, to time.Time) ([][]episodes.Event, error) {
	rows, err := s.Store.EventsOfUnit(ctx, unit, from, to)
	if err != nil {
		return nil, err
	}
	all, err := eventsOf(rows)
	out := make([][]episodes.Event, 0, len(all))
	for _, events := range all {
		out = append(out, events)
	}
	return out, err
}

func (s careStore) UnitsOwing(ctx context.Context) ([]string, error) { return s.EpisodeUnits(ctx) }

func episodeOf(row store.Episode) (e episodes.Episode, err error) {
	if err = json.Unmarshal(row.Body, &e); err != nil {
		err = clinical.Errorf(clinical.Internal, "the episode %s cannot be read; was it written by a newer program? %v", row.ID, err)
	}
	return e, err
}

func episodesOf(rows []store.Episode) ([]episodes.Episode, error) {
	out := make([]episodes.Episode, len(rows))
	for n, row := range rows {
		var err error
		if out[n], err = episodeOf(row); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func eventsOf(rows map[string][]store.EpisodeEvent) (map[string][]episodes.Event, error) {
	out := make(map[string][]episodes.Event, len(rows))
	for id, list := range rows {
		for _, row := range list {
			var v episodes.Event
			if err := json.Unmarshal(row.Body, &v); err != nil {
				return nil, clinical.Errorf(clinical.Internal, "event %d of the episode %s cannot be read; was it written by a newer program? %v", row.N, id, err)
			}
			out[id] = append(out[id], v)
		}
	}
	return out, nil
}

func changeOf(t episodes.Transition) (store.EpisodeChange, error) {
	e, v := t.Episode, t.Event
	body, err := json.Marshal(e)
	if err != nil {
		return store.EpisodeChange{}, err
	}
	said, err := json.Marshal(v)
	return store.EpisodeChange{
		Episode: store.Episode{
			ID: e.ID, Kind: string(e.Kind), StayID: e.StayID, Unit: e.Unit, State: string(e.State),
			OpenedAt: e.OpenedAt, ChangedAt: e.ChangedAt, Events: e.Events, Body: body,
		},
		Event: store.EpisodeEvent{
			EpisodeID: v.EpisodeID, N: v.N, At: v.At, Unit: v.Unit, What: string(v.What), Who: v.Who, Body: said, Tells: v.Tells,
		},
	}, err
}

// care is the service that keeps the site's episodes.
func (s *site) care() *care.Service {
	return &care.Service{Board: s.service, Store: careStore{s.store}, Policy: s.service.Policy}
}

// stepEpisodes brings every episode to what holds now. What fails is logged and
// tried again at the next step.
func (s *site) stepEpisodes(ctx context.Context, w *ingest.Watcher, now time.Time) {
	service := s.care()
	if _, err := service.StepAll(ctx, now); err != nil && ctx.Err() == nil {
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
	owed, err := noticeBoard{s}.Owed(ctx)
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
	reviews, err := reviewStore{s.store}.OfStays(ctx, stays, now.Add(-reviewGrace))
	if err != nil {
		return err
	}
	var errs []error
	for _, e := range owed {
		of := reviews[e.StayID]
		if e.Kind != episodes.DoseReview || len(of) == 0 || of[len(of)-1].At.Before(e.RaisedAt) {
			continue
		}
		last := of[len(of)-1]
		errs = append(errs, service.EndDoseReview(ctx, last, text.ReviewEnds(last.Outcome)))
	}
	return errors.Join(errs...)
}

// feedFolder names the folder of the schedule among the feeds.
const feedFolder = "feed folder"

// silentFeeds are the feeds that are not read as they should be. A silence starts
// at the last load, which outlives a restart. known is false where this program
// cannot tell: it reads no folder, or has not looked yet.
func (s *site) silentFeeds(ctx context.Context, w *ingest.Watcher, now time.Time) (silent []episodes.Silence, known bool, err error) {
	if w == nil || w.Last().At.IsZero() && w.Last().Err == nil {
		return nil, false, nil
	}
	why := s.trouble(w, now)
	if why == "" {
		return nil, true, nil
	}
	state, err := s.store.Feeds(ctx)
	if err != nil {
		return nil, false, err
	}
	silence := episodes.Silence{Feed: feedFolder, Why: why}
	if state.LastLoad != nil {
		silence.Since = state.LastLoad.StartedAt
	}
	return []episodes.Silence{silence}, true, nil
}

// startEpisodes steps the episodes once, then every minute. After each load the
// schedule of the feed folder steps them too.
func startEpisodes(ctx context.Context, s *site, w *ingest.Watcher, clock clinical.Clock) (*schedule, error) {
	return startJob(ctx, s.log, "@every 1m", true, func(ctx context.Context) { s.stepEpisodes(ctx, w, clock()) })
}
