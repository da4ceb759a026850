package store

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm/clause"
)

// SavePolicy keeps the text of a policy under its hash, once, with the moment it
// was first in force, so that an answer of the past can be traced to its rules.
func (s *Store) SavePolicy(ctx context.Context, hash, yaml string, at time.Time) error {
	row := policyRow{Hash: hash, YAML: yaml, FirstUsedAt: micros(at)}
	if err := s.write.WithContext(ctx).Clauses(clause.OnConflict{DoNothing: true}).Create(&row).Error; err != nil {
		return fmt.Errorf("saving the policy in force: %w", err)
	}
	return nil
}
