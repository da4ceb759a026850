package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// SavePolicy keeps the text of a policy under its hash, once, with the moment it
// was first in force, so that an answer of the past can be traced to its rules.
func (s *Store) SavePolicy(ctx context.Context, hash, yaml string, at time.Time) error {
	if err := savePolicy(s.write.WithContext(ctx), hash, yaml, at); err != nil {
		return fmt.Errorf("saving the policy in force: %w", err)
	}
	return nil
}

func savePolicy(tx *gorm.DB, hash, yaml string, at time.Time) error {
	row := policyRow{Hash: hash, YAML: yaml, FirstUsedAt: micros(at)}
	return tx.Clauses(clause.OnConflict{DoNothing: true}).Create(&row).Error
}

type policyVersionRow struct {
	Number    int64 `gorm:"primaryKey;autoIncrement:false"`
	SavedAt   int64
	Who       string
	Note      string
	YAML      string `gorm:"column:yaml"`
	Hash      string
	ReturnsTo *int64
}

func (policyVersionRow) TableName() string { return "policy_versions" }

func (r policyVersionRow) version() records.PolicyVersion {
	return records.PolicyVersion{
		Number: r.Number, SavedAt: fromMicros(r.SavedAt), Who: r.Who, Note: r.Note, YAML: r.YAML, Hash: r.Hash, ReturnsTo: r.ReturnsTo,
	}
}

// AddPolicyVersion adds a version after the one with number after (0: the first
// one), and keeps its text under its hash, in one transaction. The error carries
// clinical.Conflict where after is not the latest one any more: somebody else has
// saved in between.
func (s *Store) AddPolicyVersion(ctx context.Context, v records.PolicyVersion, after int64) (records.PolicyVersion, error) {
	row := policyVersionRow{
		Number: after + 1, SavedAt: micros(v.SavedAt), Who: plain(v.Who), Note: plain(v.Note),
		YAML: plain(v.YAML), Hash: plain(v.Hash), ReturnsTo: v.ReturnsTo,
	}
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var latest int64
		err := told(tx.Raw("SELECT coalesce(max(number), 0) FROM policy_versions").Row().Scan(&latest))
		if err != nil {
			return err
		}
		if latest != after {
			return gorm.ErrDuplicatedKey
		}
		if err := tx.Create(&row).Error; err != nil { // of two at once the key refuses one
			return err
		}
		return savePolicy(tx, row.Hash, row.YAML, v.SavedAt)
	})
	if errors.Is(err, gorm.ErrDuplicatedKey) {
		return records.PolicyVersion{}, clinical.Errorf(clinical.Conflict, "version %d of the policy is not the latest one any more", after)
	}
	if err != nil {
		return records.PolicyVersion{}, fmt.Errorf("saving a version of the policy: %w", err)
	}
	return row.version(), nil
}

// LatestPolicyVersion is the version with the highest number; the error carries
// clinical.NotFound where none was saved yet.
func (s *Store) LatestPolicyVersion(ctx context.Context) (records.PolicyVersion, error) {
	return s.policyVersion(s.reading(ctx).Order("number DESC"))
}

// PolicyVersionOf is a version by its number; the error carries clinical.NotFound
// where there is none.
func (s *Store) PolicyVersionOf(ctx context.Context, number int64) (records.PolicyVersion, error) {
	return s.policyVersion(s.reading(ctx).Where("number = ?", number))
}

func (s *Store) policyVersion(chosen *gorm.DB) (records.PolicyVersion, error) {
	var rows []policyVersionRow
	err := chosen.Limit(1).Find(&rows).Error
	switch {
	case err != nil:
		return records.PolicyVersion{}, fmt.Errorf("reading a version of the policy: %w", err)
	case len(rows) == 0:
		return records.PolicyVersion{}, clinical.Errorf(clinical.NotFound, "there is no such version of the policy")
	}
	return rows[0].version(), nil
}

// PolicyVersions lists the latest versions without their texts, the newest first.
func (s *Store) PolicyVersions(ctx context.Context, limit int) ([]records.PolicyVersion, error) {
	var rows []policyVersionRow
	err := s.reading(ctx).Omit("yaml").Order("number DESC").Limit(limit).Find(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading the versions of the policy: %w", err)
	}
	list := make([]records.PolicyVersion, len(rows))
	for n, r := range rows {
		list[n] = r.version()
	}
	return list, nil
}
