package store

import (
	"context"
	"fmt"

	"plumbline/internal/records"
)

type unitCheckRow struct {
	Number  int64 `gorm:"primaryKey"`
	Unit    string
	Checked bool
	Who     string
	At      int64
}

func (unitCheckRow) TableName() string { return "unit_checks" }

// AddUnitCheck keeps what somebody said of the feeds of a unit. It counts at once.
func (s *Store) AddUnitCheck(ctx context.Context, c records.UnitCheck) error {
	row := unitCheckRow{Unit: plain(c.Unit), Checked: c.Checked, Who: plain(c.Who), At: micros(c.At)}
	if err := s.write.WithContext(ctx).Create(&row).Error; err != nil {
		return fmt.Errorf("keeping what was said of the feeds of unit %s: %w", c.Unit, err)
	}
	return nil
}

// UnitChecks lists everything that was said of the feeds of units, the first one first.
func (s *Store) UnitChecks(ctx context.Context) ([]records.UnitCheck, error) {
	var rows []unitCheckRow
	if err := s.reading(ctx).Order("number").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading what was said of the feeds of units: %w", err)
	}
	out := make([]records.UnitCheck, len(rows))
	for n, r := range rows {
		out[n] = records.UnitCheck{Number: r.Number, Unit: r.Unit, Checked: r.Checked, Who: r.Who, At: fromMicros(r.At)}
	}
	return out, nil
}
