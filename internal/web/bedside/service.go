// Package bedside is the form with which a set is taken, what became of it, and the
// choice of a patient for one.
package bedside

import (
	"context"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/care"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// Patients ranks a unit now, and answers for a stay.
type Patients interface {
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
}

// Episodes tells the episodes of a stay, and takes what a person does about one.
type Episodes interface {
	Stay(ctx context.Context, stayID string) ([]care.History, error)
	Act(ctx context.Context, id string, a episodes.Action, at time.Time) (records.Episode, error)
}

// Deps is what these pages need besides the frame.
type Deps struct {
	Patients Patients
	// Sets takes in the sets. Nil: none can be sent.
	Sets SetKeeper
	// Episodes tells what is owed. Nil: nothing is.
	Episodes Episodes
	// Outbox tells what became of a set on its way to the record. Nil: it is kept here only.
	Outbox parts.Outbox
}

type service struct {
	*frame.Frame
	Deps
	begun begun
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{Frame: f, Deps: d}
	return []frame.Route{
		frame.Get("/units/:unit/new-set", frame.OnUnit(records.RecordSet), s.chooseSet),
		frame.Get("/stays/:stay/new-set", frame.OnStay(records.RecordSet), s.setPage),
		frame.Post("/stays/:stay/new-set", frame.OnStay(records.RecordSet), s.sendSet),
		frame.Post("/stays/:stay/new-set/begun", frame.OnStay(records.RecordSet), s.beginSet),
		frame.Post("/stays/:stay/new-set/told", frame.OnStay(records.RecordSet), s.tell),
		frame.Post("/stays/:stay/restrictions", frame.OnStay(records.RecordSet), s.liftRestriction),
		frame.Get("/new-set-shell", frame.Public, s.setShell),       // holds nobody's data
		frame.Get("/new-set-beds-shell", frame.Public, s.bedsShell), // likewise
		frame.GetOther("/new-set-worker.js", frame.Public, s.setWorker),
	}
}
