// Package falls is the sheet of a fall, with what was known before it, and the falls of
// a unit.
package falls

import (
	"context"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
)

// Falls tells the falls of a unit, and of one what was known at a moment before it.
type Falls interface {
	ReviewFall(ctx context.Context, f assess.Fall, at, now time.Time) (assess.FallReview, error)
	Falls(ctx context.Context, unit string, from, to, now time.Time) ([]assess.FallOnUnit, error)
}

// Deps is what these pages need besides the frame.
type Deps struct{ Falls Falls }

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	return []frame.Route{
		frame.Get("/units/:unit/falls", frame.OnUnit(records.ViewStay, records.ViewNames), s.fallsPage),
		frame.Get("/falls/:fall", frame.OnFall(records.ViewStay, records.ViewNames), s.fallPage),
	}
}
