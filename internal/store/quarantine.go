package store

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// Held is a row that cannot be used. FirstSeen and LastSeen are the moments of
// the first and the last load that held back this row of this file, and are set
// by the store, as are ID and Correction.
type Held struct {
	File                           string
	Line                           int
	Kind                           clinical.Kind
	SourceID, Status, Reason, Feed string
	Header, Record                 []string
	FirstSeen, LastSeen            time.Time
	ID                             int64
	Correction                     bool // a version of the same fact is held
}

// replaceHeld drops the rows of the file that were held back when it was last
// read. A row that stands again where it stood keeps the moment it was first seen.
func (b *batch) replaceHeld() error {
	if b.result.Quarantined > 0 {
		err := b.tx.Exec(`UPDATE quarantined_rows SET first_seen = o.first_seen FROM (
				SELECT line, record, min(first_seen) AS first_seen FROM quarantined_rows WHERE name = ? AND id <= ? GROUP BY line, record
			) AS o WHERE quarantined_rows.name = ? AND quarantined_rows.id > ?
			AND quarantined_rows.line = o.line AND quarantined_rows.record = o.record`,
			b.name, b.lastHeldID, b.name, b.lastHeldID).Error
		if err != nil {
			return err
		}
	}
	return b.tx.Where("name = ? AND id <= ?", b.name, b.lastHeldID).Delete(&heldRow{}).Error
}

// Quarantine lists the rows held back, by file and line.
func (s *Store) Quarantine(ctx context.Context) ([]Held, error) {
	var rows []struct {
		Row        heldRow `gorm:"embedded"` // gorm passes over an embedded type that is not exported
		Correction bool
	}
	err := s.reading(ctx).Raw(`SELECT q.*, EXISTS (SELECT 1 FROM fact_versions v
			WHERE v.kind = q.kind AND v.source_id = q.source_id AND q.source_id <> '') AS correction
		FROM quarantined_rows q ORDER BY q.file, q.line, q.id`).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading the rows held back: %w", err)
	}
	list := make([]Held, len(rows))
	for n, r := range rows {
		if list[n], err = r.Row.held(); err != nil {
			return nil, fmt.Errorf("reading the row held back of %s:%d: %w", r.Row.File, r.Row.Line, err)
		}
		list[n].Correction = r.Correction
	}
	return list, nil
}

// Release stores a row that was held back and that reads now, as a row of the
// load, and takes it out of the quarantine, in one transaction.
func (s *Store) Release(ctx context.Context, loadID, id int64, v clinical.Version) error {
	err := s.writing(ctx, func(tx *gorm.DB, versions versionSink) error {
		load, err := findLoad(tx, loadID)
		if err != nil {
			return err
		}
		gone := tx.Delete(&heldRow{}, id)
		if gone.Error != nil {
			return gone.Error
		}
		if gone.RowsAffected == 0 {
			return clinical.Errorf(clinical.NotFound, "the row %d is not held back any more", id)
		}
		b, err := newBatch(ctx, tx, versions, load, "")
		if err != nil {
			return err
		}
		if err := b.Put(v); err != nil {
			return err
		}
		if err := b.close(); err != nil {
			return err
		}
		return countRows(tx, loadID, b.result)
	})
	if err != nil {
		return fmt.Errorf("releasing a row held back: %w", err)
	}
	return nil
}
