package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/records"
)

// Rows with a code that nothing tells are kept beside what became of them, and read again when the site's
// table changes. They are many: a delivery keeps no more of them than KeepUnmapped, nor does the table
// once it was trimmed.

type unmappedRow struct {
	ID       int64 `gorm:"primaryKey"`
	Name     string
	Feed     string
	File     string
	Line     int
	Context  []byte
	Original []byte
	Hash     []byte
	Codes    string
	SeenAt   int64
}

func (unmappedRow) TableName() string { return "unmapped_rows" }

// Unmapped implements records.Batch.
func (b *batch) Unmapped(h records.Held) error {
	size := int64(len(h.Context) + len(h.Original))
	if b.err != nil || b.unmappedBytes+size > b.keepUnmapped {
		return b.err
	}
	b.unmappedBytes += size
	hash := sha256.Sum256(append(append(someBytes(h.Context), 0), h.Original...))
	b.unmapped = append(b.unmapped, unmappedRow{
		Name: b.name, Feed: plain(h.Feed), File: plain(h.File), Line: h.Line, Context: someBytes(h.Context), Original: someBytes(h.Original),
		Hash: hash[:16], Codes: plain(h.Reason), SeenAt: b.load.StartedAt,
	})
	if b.unmappedGathered += size; len(b.unmapped) >= chunkParts || b.unmappedGathered >= chunkBytes {
		b.err = b.flushUnmapped()
	}
	return b.err
}

func (b *batch) flushUnmapped() error {
	if b.wait(); b.err != nil || len(b.unmapped) == 0 {
		return b.err
	}
	last := map[string]int{} // a statement must not write one row twice
	for n, r := range b.unmapped {
		last[string(r.Hash)] = n
	}
	rows := make([]unmappedRow, 0, len(last))
	for n, r := range b.unmapped {
		if last[string(r.Hash)] == n {
			rows = append(rows, r)
		}
	}
	clear(b.unmapped)
	b.unmapped, b.unmappedGathered = b.unmapped[:0], 0
	again := clause.OnConflict{
		Columns:   []clause.Column{{Name: "name"}, {Name: "hash"}},
		DoUpdates: clause.AssignmentColumns([]string{"line", "codes", "seen_at"}),
	}
	if err := b.tx.Clauses(again).CreateInBatches(rows, 50).Error; err != nil {
		return fmt.Errorf("keeping rows with codes that nothing tells: %w", err)
	}
	return nil
}

// EachUnmapped hands on the rows with codes that nothing told, by what brought them; Reason is those codes.
// each may write.
func (s *Store) EachUnmapped(ctx context.Context, each func(name string, h records.Held) error) error {
	for after := int64(0); ; {
		var page []unmappedRow
		err := s.reading(ctx).Where("id > ?", after).Order("id").Limit(50).Find(&page).Error
		if err != nil {
			return fmt.Errorf("reading the rows with codes that nothing tells: %w", err)
		}
		if len(page) == 0 {
			return nil
		}
		for _, r := range page {
			after = r.ID
			h := records.Held{ID: r.ID, Feed: r.Feed, File: r.File, Line: r.Line, Context: r.Context, Original: r.Original, Reason: r.Codes}
			if err := each(r.Name, h); err != nil {
				return err
			}
		}
	}
}

// DoneUnmapped notes that a row was read again: codes are those that nothing tells still; with none it is
// kept no longer.
func (s *Store) DoneUnmapped(ctx context.Context, id int64, codes string) error {
	row := s.write.WithContext(ctx).Model(&unmappedRow{}).Where("id = ?", id)
	if codes == "" {
		return row.Delete(&unmappedRow{}).Error
	}
	return row.Update("codes", plain(codes)).Error
}

// IsHeld reports whether the row is held back already, as it stands.
func (s *Store) IsHeld(ctx context.Context, h records.Held) (bool, error) {
	var n int64
	err := s.reading(ctx).Model(&heldRow{}).Where("feed = ? AND file = ? AND line = ? AND context = ? AND original = ?",
		plain(h.Feed), plain(h.File), h.Line, someBytes(h.Context), someBytes(h.Original)).Limit(1).Count(&n).Error
	return n > 0, err
}

// TrimUnmapped drops the rows with codes that nothing tells that were seen last before a moment, and the
// oldest of more than KeepUnmapped bytes.
func (s *Store) TrimUnmapped(ctx context.Context, before time.Time) (dropped int64, err error) {
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		gone := tx.Exec(`DELETE FROM unmapped_rows WHERE seen_at < ? OR id IN (SELECT id FROM (
			SELECT id, sum(length(original) + length(context)) OVER (ORDER BY seen_at DESC, id DESC) AS filled
			FROM unmapped_rows) AS r WHERE filled > ?)`, micros(before), s.KeepUnmapped)
		dropped = gone.RowsAffected
		return gone.Error
	})
	if err != nil {
		return 0, fmt.Errorf("dropping rows with codes that nothing tells: %w", err)
	}
	return dropped, nil
}
