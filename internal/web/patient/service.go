// Package patient is the page of one stay, and everything that was charted of it.
package patient

import (
	"context"
	"time"

	"plumbline/internal/care"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// Episodes tells the episodes of a stay.
type Episodes interface {
	Stay(ctx context.Context, stayID string) ([]care.History, error)
	// NamedApart is until when names that were given do not show at a past moment; zero for all do.
	NamedApart(ctx context.Context, at time.Time) (time.Time, error)
}

// DoseReviews tells the reviews of stays that were recorded by a moment, each stay's
// first one first.
type DoseReviews interface {
	DoseReviewsOf(ctx context.Context, stayIDs []string, by time.Time) (map[string][]records.DoseReview, error)
}

// Charted lists who charted what of a stay on pages, and when: a set's id is its message's.
type Charted interface {
	Charted(ctx context.Context, stayID string) ([]records.Message, error)
	// Kept is a set of a stay; its error carries clinical.NotFound where there is none.
	Kept(ctx context.Context, stayID, setID string) (bedside.Kept, error)
	bedside.Teller
}

// Shift tells the notes for the handover of stays that are shown at a moment.
type Shift interface {
	HandoverNotes(ctx context.Context, unit string, stayIDs []string, at time.Time) ([]records.HandoverNote, error)
}

// Deps is what these pages need besides the frame.
type Deps struct {
	Episodes    Episodes    // nil: nothing is owed
	DoseReviews DoseReviews // nil: none are kept
	Charted     Charted     // nil: nothing is charted on pages
	Shift       Shift       // nil: no notes are kept
	// Outbox tells what of a stay goes to the record. Nil: nothing does.
	Outbox parts.Outbox
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	return []frame.Route{
		frame.Get("/stays/:stay", frame.OnStay(records.ViewStay), s.stayPage),
		frame.Get("/stays/:stay/history", frame.OnStay(records.ViewStay), s.history),
	}
}
