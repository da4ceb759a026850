// Package huddle is the page of a unit for its huddle: who fell, what changed, what is
// owed and by whom, the ranked list and its printed sheet; the unit's round; and its
// episodes, with what people do about them.
package huddle

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

// Patients ranks a unit, Live at the current moment and List at any moment, and answers
// for a stay.
type Patients interface {
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
}

// Episodes keeps what is owed.
type Episodes interface {
	// Unit lists what is owed on a unit, Ended what ended there in [from, to).
	Unit(ctx context.Context, unit string) ([]records.Episode, error)
	Ended(ctx context.Context, unit string, from, to time.Time) ([]care.History, error)
	Episode(ctx context.Context, id string) (care.History, error)
	// Among are those of the episodes named that there are, UnitAt what a unit's were at a
	// moment that has passed, Stay those of a stay.
	Among(ctx context.Context, ids []string) ([]records.Episode, error)
	UnitAt(ctx context.Context, unit string, at time.Time) ([]records.Episode, error)
	Stay(ctx context.Context, stayID string) ([]care.History, error)
	// NamedApart is until when names that were given do not show at a past moment; zero for all do.
	NamedApart(ctx context.Context, at time.Time) (time.Time, error)
	// Act does to an episode what somebody asks. The error carries clinical.Conflict
	// where it has moved on, and clinical.Invalid where the action is not complete.
	Act(ctx context.Context, id string, a episodes.Action, now time.Time) (records.Episode, error)
}

// Shift keeps what holds for a shift of a unit.
type Shift interface {
	GiveBeds(ctx context.Context, given ...records.GivenBeds) error
	// BedsGiven lists what holds at a moment of whose beds of a unit are, the first given first.
	BedsGiven(ctx context.Context, unit string, at time.Time) ([]records.GivenBeds, error)
	AddHandoverNote(ctx context.Context, n records.HandoverNote) error
	// EndHandoverNote takes a note back, in the name and at the moment of n.
	EndHandoverNote(ctx context.Context, n records.HandoverNote) error
	// HandoverNotes lists the notes of stays, and of a unit ("" for none), that are shown at a moment.
	HandoverNotes(ctx context.Context, unit string, stayIDs []string, at time.Time) ([]records.HandoverNote, error)
}

// Deps is what these pages need besides the frame.
type Deps struct {
	Patients Patients
	Feeds    parts.Feeds
	// DataState names the state of the data: a kept page holds while it stays the
	// same. Nil: a page holds for its minute.
	DataState func(context.Context) (string, error)
	// Episodes keeps what is owed. Nil: nothing is.
	Episodes Episodes
	// Facts charts what somebody says on a page. Nil: nothing can be charted.
	Facts Facts
	// Shift keeps whose beds are, and notes for the handover. Nil: none are.
	Shift Shift
}

type service struct {
	*frame.Frame
	Deps
	lists listCache
	opens listCache // answers without what has changed: see openAbout
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{Frame: f, Deps: d}
	acts := frame.OnEpisode(records.ActOnEpisodes)
	actsOnUnit := frame.OnUnit(records.ViewList, records.ViewNames, records.ActOnEpisodes)
	return []frame.Route{
		frame.Get(frame.HospitalURL, frame.May(records.ViewList), s.hospitalPage),
		frame.Get("/units/:unit", frame.OnUnit(records.ViewList), s.unitPage),
		frame.Get("/units/:unit/wall", frame.OnUnit(records.ViewList), s.wallPage),
		frame.Get(frame.WallURL, frame.OnScreen, s.screenWall),
		frame.Get("/units/:unit/round", frame.OnUnit(records.ViewList, records.ViewNames, records.ViewStay), s.roundPage),
		frame.Post("/units/:unit/round", actsOnUnit, s.giveBeds),
		frame.Post("/units/:unit/note", actsOnUnit, s.noteOfUnit),
		frame.Post("/stays/:stay/note", frame.OnStay(records.ViewStay, records.ActOnEpisodes), s.noteOfStay),
		frame.Post("/stays/:stay/precautions", frame.OnStay(records.ViewStay, records.ActOnEpisodes), s.precautions),
		frame.Get("/units/:unit/episodes", frame.OnUnit(records.ViewList, records.ViewNames), s.episodesPage),
		frame.Post("/episodes/:episode/take", acts, s.takeEpisode),
		frame.Post("/episodes/:episode/release", acts, s.releaseEpisode),
		frame.Post("/episodes/:episode/defer", acts, s.deferEpisode),
		frame.Post("/episodes/:episode/give", acts, s.giveEpisode),
		frame.Post("/episodes/:episode/tell", acts, s.tellOfEpisode),
		frame.Post("/episodes/:episode/clear", frame.OnEpisode(records.ActOnEpisodes, records.CloseEpisodes), s.clearEpisode),
		frame.Post("/episodes/:episode/close", frame.OnEpisode(records.ActOnEpisodes, records.CloseEpisodes), s.closeEpisode),
	}
}
