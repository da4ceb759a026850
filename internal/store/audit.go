package store

import (
	"context"
	"fmt"

	"gorm.io/gorm"

	"plumbline/internal/records"
)

type auditRow struct {
	N        int64 `gorm:"primaryKey;autoIncrement:false"`
	At       int64
	Who      string
	CameFrom string
	Did      string
	What     string
	Unit     string
	StayID   string
	AsOf     *int64
	Outcome  string
	Note     string
	Hash     []byte
}

func (auditRow) TableName() string { return "audit_entries" }

type auditHeadRow struct {
	ID   int64 `gorm:"primaryKey;autoIncrement:false"`
	N    int64
	Hash []byte
}

func (auditHeadRow) TableName() string { return "audit_head" }

func auditRowOf(e records.AuditEntry) auditRow {
	return auditRow{
		N: e.N, At: micros(e.At), Who: e.Who, CameFrom: e.From, Did: e.Did, What: e.What, Unit: e.Unit, StayID: e.Stay,
		AsOf: optional(e.AsOf), Outcome: e.Outcome, Note: e.Note, Hash: e.Hash,
	}
}

func (r auditRow) entry() records.AuditEntry {
	return records.AuditEntry{
		N: r.N, At: fromMicros(r.At), Who: r.Who, From: r.CameFrom, Did: r.Did, What: r.What, Unit: r.Unit, Stay: r.StayID,
		AsOf: fromOptional(r.AsOf), Outcome: r.Outcome, Note: r.Note, Hash: r.Hash,
	}
}

// AppendAudit adds entries to the end of the audit in one transaction: each gets
// its number and, from link, its hash. Whoever adds takes turns. Texts are made
// such that both engines can keep them, before they are hashed.
func (s *Store) AppendAudit(ctx context.Context, entries []records.AuditEntry, link func(prev []byte, e records.AuditEntry) []byte) error {
	if len(entries) == 0 {
		return nil
	}
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var head auditHeadRow
		if err := s.locking(tx).Take(&head, "id = 1").Error; err != nil {
			return err
		}
		rows := make([]auditRow, len(entries))
		for n, e := range entries {
			for _, text := range []*string{&e.Who, &e.From, &e.Did, &e.What, &e.Unit, &e.Stay, &e.Outcome, &e.Note} {
				*text = plain(*text)
			}
			cut(&e.At)
			if !e.AsOf.IsZero() {
				cut(&e.AsOf)
			}
			e.N = head.N + 1
			e.Hash = link(head.Hash, e)
			head.N, head.Hash = e.N, e.Hash
			rows[n] = auditRowOf(e)
		}
		if err := tx.CreateInBatches(rows, 100).Error; err != nil {
			return err
		}
		return tx.Model(&auditHeadRow{}).Where("id = 1").Updates(map[string]any{"n": head.N, "hash": head.Hash}).Error
	})
	if err != nil {
		return fmt.Errorf("writing the audit: %w", err)
	}
	return nil
}

// Audit reads entries by number, or the newest first, and the end of the chain as
// it was at the same moment. each may stop the reading with an error.
func (s *Store) Audit(
	ctx context.Context, q records.AuditQuery, each func(records.AuditEntry) error,
) (headN int64, headHash []byte, err error) {
	err = s.snapshot(ctx, func(tx *gorm.DB) error {
		var head auditHeadRow
		if err := tx.Take(&head, "id = 1").Error; err != nil {
			return err
		}
		headN, headHash = head.N, head.Hash
		rows, err := chosenEntries(tx, q).Rows()
		if err != nil {
			return err
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var r auditRow
			if err := tx.ScanRows(rows, &r); err != nil {
				return err
			}
			if err := each(r.entry()); err != nil {
				return err
			}
		}
		return ended(rows)
	})
	return headN, headHash, err
}

func chosenEntries(tx *gorm.DB, q records.AuditQuery) *gorm.DB {
	tx = tx.Model(&auditRow{})
	if q.Who != "" {
		tx = tx.Where("who = ?", q.Who)
	}
	if q.StayID != "" {
		tx = tx.Where("stay_id = ?", q.StayID)
	}
	if q.Unit != "" {
		tx = tx.Where("unit = ?", q.Unit)
	}
	if !q.From.IsZero() {
		tx = tx.Where("at >= ?", micros(q.From))
	}
	if !q.To.IsZero() {
		tx = tx.Where("at < ?", micros(q.To))
	}
	if q.Before != 0 {
		tx = tx.Where("n < ?", q.Before)
	}
	if q.Limit > 0 {
		tx = tx.Limit(q.Limit)
	}
	if q.Newest {
		return tx.Order("n DESC")
	}
	return tx.Order("n")
}
