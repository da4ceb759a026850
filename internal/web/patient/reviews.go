package patient

import (
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// takeReviews puts the history of dose reviews on the page of a stay.
func (s *service) takeReviews(c *frame.Request, v *stayView, when frame.Asked) error {
	var reviews map[string][]records.DoseReview
	if s.DoseReviews != nil {
		var err error
		if reviews, err = s.DoseReviews.DoseReviewsOf(c.Request.Context(), []string{v.StayID}, s.RecordedBy(when)); err != nil {
			return err
		}
	}
	v.DoseReviews = parts.ReviewLinesOf(s.Times(when.At, when.Live), reviews[v.StayID])
	if frame.AccountOf(c).May(records.ReviewDoses) {
		v.ReviewURL = frame.ReviewURL(v.StayID)
		if !when.Live {
			v.ReviewURL += frame.AsOfQuery(when.At)
		}
	}
	return nil
}
