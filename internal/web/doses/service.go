// Package doses is the dose review: the queue of stays with a flag, the page of one for
// the pharmacist, and both as tables.
package doses

import (
	"context"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
)

// Lists ranks a unit: Live at the current moment, List at any moment.
type Lists interface {
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
}

// Episodes ends what is owed of a review that was recorded, and makes it owed again where the
// review is taken back.
type Episodes interface {
	EndDoseReview(ctx context.Context, r records.DoseReview, note string) error
	TakeReviewBack(ctx context.Context, stayID string, reviews []records.DoseReview, at time.Time) error
}

// Deps is what these pages need besides the frame.
type Deps struct {
	Lists Lists
	// DoseReviews keeps what pharmacists record. Nil: nothing can be recorded.
	DoseReviews DoseReviews
	// Episodes keeps what is owed. Nil: nothing is.
	Episodes Episodes
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	queue, stay := frame.May(records.ReviewDoses, records.ViewNames), frame.OnStay(records.ReviewDoses, records.ViewStay)
	return []frame.Route{
		frame.Get("/dose-review", queue, s.queuePage),
		frame.GetOther("/dose-review.xlsx", queue, s.exportXLSX),
		frame.GetOther("/dose-review.csv", queue, s.exportCSV),
		frame.Get(frame.LedgerURL, queue, s.ledgerPage),
		frame.GetOther(frame.LedgerURL+".xlsx", queue, s.ledgerXLSX),
		frame.GetOther(frame.LedgerURL+".csv", queue, s.ledgerCSV),
		frame.Get("/dose-review/:stay", stay, s.reviewPage),
		frame.Post("/dose-review/:stay", stay, s.recordReview),
		frame.Post("/dose-review/:stay/:review/take-back", stay, s.takeBack),
	}
}
