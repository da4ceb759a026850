// Package feeds is how the feeds stand, and the rows held back with the form to put one
// right.
package feeds

import (
	"context"
	"time"

	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// Episodes tells what is owed of a unit, or of the feeds for the unit "".
type Episodes interface {
	Unit(ctx context.Context, unit string) ([]records.Episode, error)
}

// Checks keeps what was said of the feeds of units.
type Checks interface {
	States(ctx context.Context) ([]feedcheck.UnitState, error)
	Say(ctx context.Context, unit string, checked bool, who string) error
}

// Watch tells what feeds bring by day.
type Watch interface {
	Today() time.Time
	Day(written string) (time.Time, bool)
	Report(ctx context.Context, day time.Time) ([]feedcheck.UnitReport, error)
	Behind(ctx context.Context) (bool, error)
}

// Deps is what these pages need besides the frame.
type Deps struct {
	Feeds parts.Feeds
	Desk  *Desk // nil: rows held back are not shown
	// Checks keeps what was said of the feeds of units. Nil: nothing can be said.
	Checks Checks
	// Watch tells what feeds bring by day. Nil: nothing is told of it.
	Watch Watch
	// Episodes keeps what is owed. Nil: nothing is.
	Episodes Episodes
	// Outbox is what goes to the record. Nil: nothing does.
	Outbox parts.Outbox
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	rows := frame.May(records.ViewHeldRows)
	return []frame.Route{
		frame.Get("/feeds", frame.May(records.ViewFeeds), s.feedPage),
		frame.Get("/feeds/all-there", frame.May(records.ViewFeeds), s.allTherePage),
		frame.Post("/feeds/units", frame.May(records.CheckUnits), s.sayChecked),
		frame.Post("/feeds/search", rows, s.searchRows),
		frame.Post("/feeds/retry", rows, s.retryRows),
		frame.Post("/feeds/to-record/retry", rows, s.retryOutgoing),
		frame.Get("/feeds/held/:row", rows, s.heldPage),
		frame.Post("/feeds/held/:row", rows, s.fixRow),
		frame.Post("/feeds/held/:row/retry", rows, s.retryRow),
	}
}
