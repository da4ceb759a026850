package care

import (
	"context"
	"time"

	"plumbline/internal/dosereview"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// reviewClosings are the reasons with which a recorded review closes its episode.
var reviewClosings = map[records.DoseOutcome]string{
	dosereview.NoChange:  episodes.Reviewed,
	dosereview.Suggested: episodes.ProviderTold,
	dosereview.Held:      episodes.ProviderTold,
	dosereview.Other:     episodes.OtherReason,
}

// EndDoseReview ends the dose-review episode of the stay of a review, if one is owed:
// by the person who recorded it, whoever had taken it. The note says what else there
// is to say; it is not the review's. That a stay has none is no error: a review may be
// made before one is asked for.
func (s *Service) EndDoseReview(ctx context.Context, r records.DoseReview, note string) error {
	list, err := s.Store.EpisodesOfStay(ctx, r.StayID)
	if err != nil {
		return err
	}
	for _, e := range list {
		if e.Kind != episodes.DoseReview || !e.Active() {
			continue
		}
		if e.State == episodes.Taken && e.Who != r.Who {
			if _, err := s.Act(ctx, e.ID, episodes.Action{Do: episodes.TakeOver, Who: r.Who}, r.At); err != nil {
				return err
			}
		}
		closing := episodes.Action{Do: episodes.Close, Who: r.Who, Reason: reviewClosings[r.Outcome], Note: note}
		if _, err := s.Act(ctx, e.ID, closing, r.At); err != nil {
			return err
		}
	}
	return nil
}

// TakeReviewBack makes the dose review of a stay owed again where the review that closed its
// episode was taken back. reviews are all of the stay, with their steps: one that stands and is
// no older than the closing answers it still.
func (s *Service) TakeReviewBack(ctx context.Context, stayID string, reviews []records.DoseReview, at time.Time) error {
	return s.Store.ChangeEpisodes(ctx, stayID, "", func(all []records.Episode) ([]records.EpisodeChange, error) {
		var out []records.EpisodeChange
		for _, e := range all {
			if back := undone(e, reviews); back != nil {
				out = append(out, episodes.TakeReviewBack(e, back.Who, back.Note, at))
			}
		}
		return out, nil
	})
}

// undone is the taking back of the review that closed an episode; nil where no review did, where it
// stands, or where a later one does.
func undone(e records.Episode, reviews []records.DoseReview) *records.ReviewStep {
	if e.Kind != episodes.DoseReview || e.Active() || e.Ending != episodes.ByPerson {
		return nil
	}
	closed := e.ChangedAt.Truncate(time.Microsecond) // as the store keeps the time of a review
	var back *records.ReviewStep
	for _, r := range reviews {
		at, step := r.At.Truncate(time.Microsecond), r.Last(records.TakenBack)
		if step == nil && !at.Before(closed) {
			return nil
		}
		if at.Equal(closed) && r.Who == e.Who {
			back = step
		}
	}
	return back
}
