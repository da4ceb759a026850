package app

import (
	"context"
	"fmt"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
)

// bedsideSets takes in the sets sent from the bedside: they are stored as facts, and
// the episodes of the unit are stepped as after any load.
type bedsideSets struct{ site *site }

// Record implements bedside.SetKeeper.
func (b bedsideSets) Record(ctx context.Context, unit string, k bedside.Kept) (bedside.Kept, error) {
	taken, err := b.site.loader.Record(ctx, k.Message(), k.Versions(k.At))
	if err != nil {
		return bedside.Kept{}, fmt.Errorf("storing a set from the bedside: %w", err)
	}
	if !taken.Repeated {
		// The set is stored, whatever becomes of this: the next step makes up for it.
		if _, err := b.site.care().StepUnit(context.WithoutCancel(ctx), unit, k.At); err != nil {
			b.site.log.Error("episodes were not brought up to date after a bedside set; they are stepped again", "error", err)
		}
	}
	return bedside.KeptOf(taken.Message)
}

// Kept implements bedside.SetKeeper.
func (b bedsideSets) Kept(ctx context.Context, stayID, setID string) (bedside.Kept, error) {
	m, err := b.site.store.Message(ctx, bedside.Feed, setID)
	if err == nil && m.StayID != stayID {
		err = clinical.Errorf(clinical.NotFound, "there is no such set")
	}
	if err != nil {
		return bedside.Kept{}, err
	}
	return bedside.KeptOf(m)
}
