// Package unit is a unit over time: charts and tables by month or week, and the tally of
// its episodes.
package unit

import (
	"context"
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// Figures tells the figures of a unit in [from, to), by month or week.
type Figures interface {
	Unit(ctx context.Context, unit string, from, to time.Time, by string, now time.Time) (trends.UnitFigures, error)
}

// Episodes counts the episodes of a unit in [from, to).
type Episodes interface {
	Tally(ctx context.Context, unit string, from, to time.Time, patientDays float64) ([]episodes.Count, error)
}

// Changes keeps what was changed on units.
type Changes interface {
	AddUnitChange(ctx context.Context, c records.UnitChange) error
	// EndUnitChange takes a change back, in the name and at the moment of c.
	EndUnitChange(ctx context.Context, c records.UnitChange) error
	// UnitChanges lists what was changed on a unit, as known at a moment, by day and then by number.
	UnitChanges(ctx context.Context, unit string, at time.Time) ([]records.UnitChange, error)
}

// Deps is what these pages need besides the frame.
type Deps struct {
	Figures  Figures
	Changes  Changes
	Episodes Episodes // nil: there are none
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	figures := frame.OnUnit(records.ViewUnitFigures)
	return []frame.Route{
		frame.Get("/units/:unit/over-time", figures, s.overTimePage),
		frame.GetOther("/units/:unit/over-time.csv", figures, s.overTimeCSV),
		frame.GetOther("/units/:unit/over-time.xlsx", figures, s.overTimeXLSX),
		frame.Post("/units/:unit/over-time/change", frame.OnUnit(records.ViewUnitFigures, records.ActOnEpisodes), s.change),
		frame.Get("/units/:unit/episodes/tally", figures, s.tallyPage),
	}
}
