package store

import (
	"context"
	"fmt"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// StayItself returns every version of a stay itself, and of none of its facts: where the
// patient was. It runs the same statements whether there is such a stay or not.
func (s *Store) StayItself(ctx context.Context, stayID string) ([]clinical.Version, error) {
	var list []clinical.Version
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		histories, err := stayHistories(tx, []string{plain(stayID)})
		list = histories[plain(stayID)]
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading a stay: %w", err)
	}
	return list, nil
}

// FallItself returns every version of a fall, and of the stays to which any of them may
// give it, and of no other fact. It runs the same statements whether there is such a fall
// or not.
func (s *Store) FallItself(ctx context.Context, sourceID string) ([]clinical.Version, error) {
	var list []clinical.Version
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		rows, err := tx.Raw("SELECT "+versionColumns("v")+" FROM fact_versions v WHERE v.kind = ? AND v.source_id = ?",
			string(clinical.KindFall), plain(sourceID)).Rows()
		if err != nil {
			return err
		}
		add := func(v storedVersion) error {
			list = append(list, v.Version)
			return nil
		}
		if err := eachVersion(rows, add); err != nil {
			return err
		}
		of, values := staysOfFall(sourceID)
		rows, err = tx.Raw("SELECT "+versionColumns("v")+" FROM fact_versions v WHERE v.kind = ? AND v.source_id IN ("+of+")",
			append([]any{string(clinical.KindStay)}, values...)...).Rows()
		if err != nil {
			return err
		}
		return eachVersion(rows, add)
	})
	if err != nil {
		return nil, fmt.Errorf("reading a fall: %w", err)
	}
	return list, nil
}

// Watch has told called with each statement that the store runs from now on, without its
// values: for tests that count them.
func (s *Store) Watch(told func(statement string)) error {
	for n, db := range []*gorm.DB{s.read, s.write} {
		if n == 1 && s.write == s.read {
			break
		}
		tell := func(tx *gorm.DB) { told(tx.Statement.SQL.String()) }
		on := db.Callback()
		for _, register := range []func(string, func(*gorm.DB)) error{
			on.Row().After("gorm:row").Register, on.Query().After("gorm:query").Register, on.Raw().After("gorm:raw").Register,
			on.Create().After("gorm:create").Register, on.Update().After("gorm:update").Register,
			on.Delete().After("gorm:delete").Register,
		} {
			if err := register("watch", tell); err != nil {
				return err
			}
		}
	}
	return nil
}
