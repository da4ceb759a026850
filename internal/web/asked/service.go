// Package asked is the page of whoever prescribes: what waits for an answer of theirs, the
// clearances to stand, the suggestions of dose reviews and what a provider is to be told.
package asked

import (
	"context"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/care"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
)

// Patients answers for a stay at a moment.
type Patients interface {
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
}

// Episodes lists what is owed on a unit, and what ended there in [from, to).
type Episodes interface {
	Unit(ctx context.Context, unit string) ([]records.Episode, error)
	Ended(ctx context.Context, unit string, from, to time.Time) ([]care.History, error)
}

// DoseReviews keeps reviews, and what is said of them.
type DoseReviews interface {
	DoseReviewsOf(ctx context.Context, stayIDs []string, by time.Time) (map[string][]records.DoseReview, error)
	AddReviewStep(ctx context.Context, step records.ReviewStep) (records.ReviewStep, error)
	SuggestionsMade(ctx context.Context, units []string, from, to time.Time, most int) ([]records.DoseReview, int, error)
}

// Facts charts what somebody says on a page, as facts of this program's own feed.
type Facts interface {
	Chart(ctx context.Context, unit string, c bedside.Charting) error
}

// Notes keeps notes for the handover.
type Notes interface {
	AddHandoverNote(ctx context.Context, n records.HandoverNote) error
}

// Deps is what the page needs besides the frame. What is nil is not offered.
type Deps struct {
	Patients    Patients
	Episodes    Episodes
	DoseReviews DoseReviews
	Facts       Facts
	Notes       Notes
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to the page and to its answers. To clear to stand and to say that one was
// told are acts on episodes.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	onStay := frame.OnStay(records.AnswerAsked, records.ViewStay)
	return []frame.Route{
		frame.Get(frame.AskedURL, frame.May(records.AnswerAsked, records.ViewNames), s.page),
		frame.Post("/asked/:stay/reviews/:review", onStay, s.answer),
		frame.Post("/asked/:stay/clearance/take-back", onStay, s.takeBack),
	}
}
