package bedside

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
)

// Messages finds a message that was taken in; *store.Store is one.
type Messages interface {
	Message(ctx context.Context, feed, id string) (records.Message, error)
	MessagesOf(ctx context.Context, feed, stayID string) ([]records.Message, error)
}

// Stepper brings the episodes of a unit to what holds at a moment; *care.Service is one.
type Stepper interface {
	StepUnit(ctx context.Context, unit string, at time.Time) ([]records.EpisodeChange, error)
}

// Keeper stores the sets sent from the bedside, and what is charted on pages, as facts, and has the episodes of the unit
// stepped as after any load.
type Keeper struct {
	Loader   *ingest.Loader
	Messages Messages
	Episodes Stepper
	Log      *slog.Logger
}

// Record implements SetKeeper.
func (b Keeper) Record(ctx context.Context, unit string, k bedside.Kept) (bedside.Kept, error) {
	taken, err := b.Loader.Record(ctx, k.Message(), k.Versions(k.At))
	if err != nil {
		return bedside.Kept{}, fmt.Errorf("storing a set from the bedside: %w", err)
	}
	if !taken.Repeated {
		b.step(ctx, unit, k.At)
	}
	return bedside.KeptOf(taken.Message)
}

// Chart stores what somebody charted on a page as facts of the app's own feed, once: what
// is sent again is not stored again. The error carries clinical.Invalid where a fact
// cannot be used, and clinical.Conflict where other content was sent under its id.
func (b Keeper) Chart(ctx context.Context, unit string, c bedside.Charting) error {
	facts, err := c.Versions(b.Loader.Zone)
	if err != nil {
		return err
	}
	taken, err := b.Loader.Record(ctx, c.Message(), facts)
	if err == nil && !taken.Repeated {
		b.step(ctx, unit, c.At)
	}
	return err
}

// Measured stores a set that a device or another program measured, once: one sent again is answered as
// it was first kept. The error carries clinical.Conflict where other content was sent under its id, of
// another stay too.
func (b Keeper) Measured(ctx context.Context, unit string, m bedside.Measured) (records.Taken, error) {
	taken, err := b.Loader.Record(ctx, m.Message(), m.Versions())
	if err == nil && !taken.Repeated {
		b.step(ctx, unit, m.At)
	}
	return taken, err
}

// MeasuredBefore finds the message of a set that is sent again; the error carries clinical.NotFound where
// it is not, and clinical.Conflict where it was sent with other content.
func (b Keeper) MeasuredBefore(ctx context.Context, m bedside.Measured) (records.Message, error) {
	sent := m.Message()
	kept, err := b.Messages.Message(ctx, sent.Feed, sent.ID)
	if err == nil && (kept.Sum != sent.Sum || kept.StayID != sent.StayID) {
		err = clinical.Errorf(clinical.Conflict, "a set with this id is stored already, with other content")
	}
	return kept, err
}

// step brings the episodes up to date. What was charted is stored, whatever becomes of
// this: the next step makes up for it.
func (b Keeper) step(ctx context.Context, unit string, at time.Time) {
	if _, err := b.Episodes.StepUnit(context.WithoutCancel(ctx), unit, at); err != nil {
		b.Log.Error("episodes were not brought up to date after charting; they are stepped again", "error", err)
	}
}

// Kept implements SetKeeper.
func (b Keeper) Kept(ctx context.Context, stayID, setID string) (bedside.Kept, error) {
	m, err := b.Messages.Message(ctx, bedside.Feed, setID)
	if err == nil && m.StayID != stayID {
		err = clinical.Errorf(clinical.NotFound, "there is no such set")
	}
	if err != nil {
		return bedside.Kept{}, err
	}
	return bedside.KeptOf(m)
}

// toldID names the message that says who was told of a set's emergency.
func toldID(setID, whom string) string { return setID + " told " + whom }

// Tell implements SetKeeper.
func (b Keeper) Tell(ctx context.Context, stayID, setID, who string, told bedside.Told) error {
	m := records.Message{
		Feed: bedside.Feed, ID: toldID(setID, told.Whom), Sum: told.Whom, StayID: stayID, Who: who, ReceivedAt: told.At,
	}
	_, err := b.Loader.Record(ctx, m, nil)
	return err
}

// Told implements SetKeeper.
func (b Keeper) Told(ctx context.Context, stayID, setID, whom string) (bedside.Told, error) {
	m, err := b.Messages.Message(ctx, bedside.Feed, toldID(setID, whom))
	if err == nil && m.StayID != stayID {
		err = clinical.Errorf(clinical.NotFound, "nobody is known to have been told")
	}
	return bedside.Told{Whom: whom, At: m.ReceivedAt}, err
}

// Charted implements SetKeeper.
func (b Keeper) Charted(ctx context.Context, stayID string) ([]records.Message, error) {
	return b.Messages.MessagesOf(ctx, bedside.Feed, stayID)
}
