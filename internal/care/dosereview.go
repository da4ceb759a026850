package care

import (
	"context"
	"time"

	"plumbline/internal/episodes"
)

// EndDoseReview ends the dose-review episode of a stay, if one is owed: a review was
// recorded. It is ended by a person with a reason, whoever had taken it. That a stay
// has none is no error: a review may be made before one is asked for.
func (s *Service) EndDoseReview(ctx context.Context, stayID, who, reason string, at time.Time) error {
	list, err := s.Store.OfStay(ctx, stayID)
	if err != nil {
		return err
	}
	for _, e := range list {
		if e.Kind != episodes.DoseReview || !e.Active() {
			continue
		}
		if e.State == episodes.Taken && e.Who != who {
			if _, err := s.Act(ctx, e.ID, episodes.Action{Do: episodes.TakeOver, Who: who}, at); err != nil {
				return err
			}
		}
		if _, err := s.Act(ctx, e.ID, episodes.Action{Do: episodes.Close, Who: who, Reason: reason}, at); err != nil {
			return err
		}
	}
	return nil
}
