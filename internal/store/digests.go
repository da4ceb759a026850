package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/records"
)

// Digests returns what is kept of the stays, and the current revision of each
// stay that any version names; both are of one state of the database. A digest
// of another revision is out of date. Who computes a new one gives it the
// revision returned here, and reads the versions afterwards: should the facts
// change in between, the digest is out of date at once and not wrong for good.
func (s *Store) Digests(ctx context.Context, stayIDs []string) (map[string]records.Digest, map[string]int64, error) {
	digests, revisions := map[string]records.Digest{}, map[string]int64{}
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		for part := range parts(distinct(stayIDs), 500) {
			if err := digestsOf(tx, part, digests, revisions); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, nil, fmt.Errorf("reading digests: %w", err)
	}
	return digests, revisions, nil
}

func digestsOf(tx *gorm.DB, stayIDs []string, digests map[string]records.Digest, revisions map[string]int64) error {
	rows, err := tx.Raw(`SELECT h.stay_id, h.revision, d.basis, d.revision, d.valid_from, d.valid_until, d.body
		FROM stay_heads h LEFT JOIN stay_digests d ON d.stay_id = h.stay_id WHERE h.stay_id IN ?`, stayIDs).Rows()
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var d records.Digest
		var current int64
		var basis *string
		var revision, from, until *int64
		if err := rows.Scan(&d.StayID, &current, &basis, &revision, &from, &until, &d.Body); err != nil {
			return err
		}
		revisions[d.StayID] = current
		if basis != nil {
			d.Basis, d.Revision = *basis, *revision
			d.ValidFrom, d.ValidUntil = fromMicros(*from), fromOptional(until)
			if d.Body == nil {
				d.Body = []byte{} // SQLite does not tell an empty one from none
			}
			digests[d.StayID] = d
		}
	}
	return ended(rows)
}

// Revisions returns the current revision of each stay that any version names.
func (s *Store) Revisions(ctx context.Context, stayIDs []string) (map[string]int64, error) {
	out := map[string]int64{}
	for part := range parts(distinct(stayIDs), 500) {
		var rows []struct {
			StayID   string
			Revision int64
		}
		if err := s.reading(ctx).Raw(`SELECT stay_id, revision FROM stay_heads WHERE stay_id IN ?`, part).Scan(&rows).Error; err != nil {
			return nil, fmt.Errorf("reading the revisions of stays: %w", err)
		}
		for _, r := range rows {
			out[r.StayID] = r.Revision
		}
	}
	return out, nil
}

// SaveDigests keeps digests, each in place of the one before it. A digest of an
// older revision never takes the place of one of a newer. On SQLite the call
// waits for a file that is being loaded; pages answer first and save after.
func (s *Store) SaveDigests(ctx context.Context, digests []records.Digest) error {
	latest := map[string]digestRow{}
	for _, d := range digests {
		if held, twice := latest[d.StayID]; twice && held.Revision > d.Revision {
			continue
		}
		body := d.Body
		if body == nil {
			body = []byte{}
		}
		latest[d.StayID] = digestRow{StayID: d.StayID, Basis: d.Basis, Revision: d.Revision,
			ValidFrom: micros(d.ValidFrom), ValidUntil: optional(d.ValidUntil), Body: body}
	}
	rows := make([]digestRow, 0, len(latest))
	for _, row := range latest {
		rows = append(rows, row)
	}
	// In one order, so that two who save at once do not wait for each other.
	slices.SortFunc(rows, func(a, b digestRow) int { return strings.Compare(a.StayID, b.StayID) })
	notOlder := clause.OnConflict{
		Columns:   []clause.Column{{Name: "stay_id"}},
		DoUpdates: clause.AssignmentColumns([]string{"basis", "revision", "valid_from", "valid_until", "body"}),
		Where:     clause.Where{Exprs: []clause.Expression{clause.Expr{SQL: "excluded.revision >= stay_digests.revision"}}},
	}
	if len(rows) == 0 {
		return nil
	}
	if err := s.write.WithContext(ctx).Clauses(notOlder).CreateInBatches(rows, 200).Error; err != nil {
		return fmt.Errorf("saving digests: %w", err)
	}
	return nil
}
