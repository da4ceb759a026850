package app

import (
	"context"
	"encoding/json"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/store"
)

// bedsideSets takes in the sets sent from the bedside: they are stored as facts, and
// the episodes of the unit are stepped as after any load.
type bedsideSets struct{ site *site }

// Record implements server.SetKeeper.
func (b bedsideSets) Record(ctx context.Context, unit string, k bedside.Kept) (bedside.Kept, error) {
	body, err := json.Marshal(k.Set)
	if err != nil {
		return bedside.Kept{}, err
	}
	row, fresh, err := b.site.store.RecordSet(ctx, store.BedsideSet{
		ID: k.ID, StayID: k.StayID, Who: k.Who, ReceivedAt: k.At, Sum: k.Sum(), Body: body,
	}, k.Versions(k.At))
	if err != nil {
		return bedside.Kept{}, err
	}
	if fresh {
		// The set is stored, whatever becomes of this: the next step makes up for it.
		if _, err := b.site.care().StepUnit(context.WithoutCancel(ctx), unit, k.At); err != nil {
			b.site.log.Error("episodes were not brought up to date after a bedside set; they are stepped again", "error", err)
		}
	}
	return keptOf(row)
}

// Kept implements server.SetKeeper.
func (b bedsideSets) Kept(ctx context.Context, stayID, setID string) (bedside.Kept, error) {
	row, err := b.site.store.BedsideSetOf(ctx, stayID, setID)
	if err != nil {
		return bedside.Kept{}, err
	}
	return keptOf(row)
}

func keptOf(row store.BedsideSet) (bedside.Kept, error) {
	k := bedside.Kept{Who: row.Who, At: row.ReceivedAt}
	if err := json.Unmarshal(row.Body, &k.Set); err != nil {
		return k, clinical.Errorf(clinical.Internal, "the bedside set %s cannot be read; was it written by a newer program? %v", row.ID, err)
	}
	return k, nil
}
