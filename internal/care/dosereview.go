package care

import (
	"context"

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
