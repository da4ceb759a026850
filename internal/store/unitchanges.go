package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/records"
)

type unitChangeRow struct {
	Number int64 `gorm:"primaryKey"`
	Unit   string
	Day    string
	What   string
	Anew   int64
	Who    string
	At     int64
	Ends   int64 // the change that this one takes back; 0 for none
}

func (unitChangeRow) TableName() string { return "unit_changes" }

// AddUnitChange keeps what was changed on a unit.
func (s *Store) AddUnitChange(ctx context.Context, c records.UnitChange) error {
	return s.addUnitChange(ctx, c, 0)
}

// EndUnitChange takes a change back, in the name and at the moment of c. One of another unit is not touched.
func (s *Store) EndUnitChange(ctx context.Context, c records.UnitChange) error {
	return s.addUnitChange(ctx, records.UnitChange{Unit: c.Unit, Who: c.Who, At: c.At}, c.Number)
}

func (s *Store) addUnitChange(ctx context.Context, c records.UnitChange, ends int64) error {
	row := unitChangeRow{
		Unit: plain(c.Unit), Day: plain(c.Day), What: plain(c.What), Who: plain(c.Who), At: micros(c.At), Ends: ends,
	}
	if c.Anew {
		row.Anew = 1
	}
	if err := s.write.WithContext(ctx).Create(&row).Error; err != nil {
		return fmt.Errorf("keeping what was changed on a unit: %w", err)
	}
	return nil
}

// UnitChanges lists what was changed on a unit, as known at a moment, by day and then by number.
func (s *Store) UnitChanges(ctx context.Context, unit string, at time.Time) ([]records.UnitChange, error) {
	var rows []unitChangeRow
	err := s.reading(ctx).Where("unit = ? AND at <= ?", unit, micros(at)).Order("number").Find(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading what was changed on a unit: %w", err)
	}
	ended := map[int64]bool{}
	for _, r := range rows {
		ended[r.Ends] = true
	}
	var out []records.UnitChange
	for _, r := range rows {
		if r.Ends == 0 && !ended[r.Number] {
			out = append(out, records.UnitChange{
				Number: r.Number, Unit: r.Unit, Day: r.Day, What: r.What, Anew: r.Anew == 1, Who: r.Who, At: fromMicros(r.At),
			})
		}
	}
	slices.SortStableFunc(out, func(a, b records.UnitChange) int { return strings.Compare(a.Day, b.Day) })
	return out, nil
}
