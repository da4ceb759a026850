package store

import (
	"context"
	"encoding/json"
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
// read. A row that stands again where it stood keeps its number, by which somebody may
// be looking at it, and the moment it was first seen.
func (b *batch) replaceHeld() error {
	if b.result.Quarantined > 0 {
		// Its number is taken until the old row is gone, hence the detour below zero.
		err := b.tx.Exec(`UPDATE quarantined_rows SET id = -o.id, first_seen = o.first_seen FROM (
				SELECT line, record, min(id) AS id, min(first_seen) AS first_seen FROM quarantined_rows WHERE name = ? AND id <= ? GROUP BY line, record
			) AS o WHERE quarantined_rows.name = ? AND quarantined_rows.id > ?
			AND quarantined_rows.line = o.line AND quarantined_rows.record = o.record`,
			b.name, b.lastHeldID, b.name, b.lastHeldID).Error
		if err != nil {
			return err
		}
	}
	if err := b.tx.Where("name = ? AND id > 0 AND id <= ?", b.name, b.lastHeldID).Delete(&heldRow{}).Error; err != nil {
		return err
	}
	if b.result.Quarantined == 0 {
		return nil
	}
	return b.tx.Exec("UPDATE quarantined_rows SET id = -id WHERE name = ? AND id < 0", b.name).Error
}

// HeldQuery asks for rows held back: all of them, or a part.
type HeldQuery struct {
	ID     int64 // one row; 0: any
	Kind   clinical.Kind
	Offset int
	Limit  int // 0: no limit
}

// Quarantine lists the rows held back, by file and line.
func (s *Store) Quarantine(ctx context.Context) ([]Held, error) { return s.HeldRows(ctx, HeldQuery{}) }

// HeldRows lists some of the rows held back, by file and line.
func (s *Store) HeldRows(ctx context.Context, q HeldQuery) ([]Held, error) {
	var rows []struct {
		Row        heldRow `gorm:"embedded"` // gorm passes over an embedded type that is not exported
		Correction bool
	}
	limit := ""
	values := []any{q.ID, q.ID, string(q.Kind), string(q.Kind)}
	if q.Limit > 0 {
		limit = " LIMIT ? OFFSET ?"
		values = append(values, q.Limit, q.Offset)
	}
	err := s.reading(ctx).Raw(`SELECT q.*, EXISTS (SELECT 1 FROM fact_versions v
			WHERE v.kind = q.kind AND v.source_id = q.source_id AND q.source_id <> '') AS correction
		FROM quarantined_rows q WHERE (q.id = ? OR ? = 0) AND (q.kind = ? OR ? = '') ORDER BY q.file, q.line, q.name, q.id`+limit, values...).Scan(&rows).Error
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

// HeldRow is one row held back. The error is clinical.NotFound where it is not, or
// not any more.
func (s *Store) HeldRow(ctx context.Context, id int64) (Held, error) {
	if id <= 0 {
		return Held{}, notHeld(id)
	}
	rows, err := s.HeldRows(ctx, HeldQuery{ID: id})
	if err == nil && len(rows) == 0 {
		err = notHeld(id)
	}
	if err != nil {
		return Held{}, err
	}
	return rows[0], nil
}

func notHeld(id int64) error {
	return clinical.Errorf(clinical.NotFound, "the row %d is not held back any more", id)
}

// RowFix is a row held back as somebody has put it right: Header and Record as it was
// received, NewHeader and NewRecord as it is read instead. The store sets the fields
// from Name to Reason.
type RowFix struct {
	Name, File             string
	Line                   int
	Kind                   clinical.Kind
	SourceID, Feed, Reason string
	Header, Record         []string
	NewHeader, NewRecord   []string
	Who                    string
	At                     time.Time
}

// Release stores a row that was held back and that reads now, as a row of the
// load, and takes it out of the quarantine, in one transaction.
func (s *Store) Release(ctx context.Context, loadID, id int64, v clinical.Version) error {
	err := s.release(ctx, loadID, id, v, func(*gorm.DB, heldRow) error { return nil })
	if err != nil {
		return fmt.Errorf("releasing a row held back: %w", err)
	}
	return nil
}

// FixRow is Release of a row that somebody has put right. What was received is kept
// with what is read instead, who said so and when.
func (s *Store) FixRow(ctx context.Context, loadID, id int64, v clinical.Version, fix RowFix) error {
	err := s.release(ctx, loadID, id, v, func(tx *gorm.DB, was heldRow) error {
		row, err := fixRowOf(was, fix, loadID)
		if err != nil {
			return err
		}
		return tx.Create(&row).Error
	})
	if err != nil {
		return fmt.Errorf("putting a row held back right: %w", err)
	}
	return nil
}

func (s *Store) release(ctx context.Context, loadID, id int64, v clinical.Version, keep func(*gorm.DB, heldRow) error) error {
	return s.writing(ctx, func(tx *gorm.DB, versions versionSink) error {
		load, err := findLoad(tx, loadID)
		if err != nil {
			return err
		}
		var was []heldRow
		if err := tx.Find(&was, "id = ?", id).Error; err != nil {
			return err
		}
		if len(was) == 0 {
			return notHeld(id)
		}
		if err := keep(tx, was[0]); err != nil {
			return err
		}
		if err := tx.Delete(&heldRow{}, id).Error; err != nil {
			return err
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
}

// FixesOf are the rows of a file (its full path) that were put right, oldest first.
func (s *Store) FixesOf(ctx context.Context, name string) ([]RowFix, error) {
	return s.fixes(s.reading(ctx).Order("id").Where("name = ?", plain(name)))
}

// LastFixes are the rows that were put right last, newest first.
func (s *Store) LastFixes(ctx context.Context, limit int) ([]RowFix, error) {
	return s.fixes(s.reading(ctx).Order("id DESC").Limit(limit))
}

func (s *Store) fixes(query *gorm.DB) ([]RowFix, error) {
	var rows []fixRow
	if err := query.Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the rows put right: %w", err)
	}
	out := make([]RowFix, len(rows))
	for n, r := range rows {
		var err error
		if out[n], err = r.fix(); err != nil {
			return nil, fmt.Errorf("reading the row put right of %s:%d: %w", r.File, r.Line, err)
		}
	}
	return out, nil
}

type fixRow struct {
	ID        int64 `gorm:"primaryKey"`
	Name      string
	File      string
	Line      int
	Kind      string
	SourceID  string
	Feed      string
	Reason    string
	Header    string
	Record    string
	NewHeader string
	NewRecord string
	Who       string
	At        int64
	LoadID    int64
}

func (fixRow) TableName() string { return "row_fixes" }

func fixRowOf(was heldRow, fix RowFix, loadID int64) (fixRow, error) {
	header, err := json.Marshal(fix.NewHeader)
	if err != nil {
		return fixRow{}, err
	}
	record, err := json.Marshal(fix.NewRecord)
	return fixRow{
		Name: was.Name, File: was.File, Line: was.Line, Kind: was.Kind, SourceID: was.SourceID, Feed: was.Feed, Reason: was.Reason,
		Header: was.Header, Record: was.Record, NewHeader: string(header), NewRecord: string(record),
		Who: plain(fix.Who), At: micros(fix.At), LoadID: loadID,
	}, err
}

func (r fixRow) fix() (RowFix, error) {
	f := RowFix{
		Name: r.Name, File: r.File, Line: r.Line, Kind: clinical.Kind(r.Kind), SourceID: r.SourceID, Feed: r.Feed, Reason: r.Reason,
		Who: r.Who, At: fromMicros(r.At),
	}
	for _, part := range []struct {
		from string
		into *[]string
	}{{r.Header, &f.Header}, {r.Record, &f.Record}, {r.NewHeader, &f.NewHeader}, {r.NewRecord, &f.NewRecord}} {
		if err := json.Unmarshal([]byte(part.from), part.into); err != nil {
			return f, err
		}
	}
	return f, nil
}
