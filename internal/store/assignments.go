package store

import (
	"context"
	"fmt"
	"time"

	"plumbline/internal/records"
)

type assignmentRow struct {
	ID     int64 `gorm:"primaryKey"`
	Unit   string
	StayID string
	Key    string
	Name   string
	Who    string
	At     int64
}

func (assignmentRow) TableName() string { return "assignments" }

// Assign adds an assignment; none is ever changed.
func (s *Store) Assign(ctx context.Context, a records.Assignment) error {
	row := assignmentRow{
		Unit: plain(a.Unit), StayID: plain(a.StayID), Key: plain(a.Key), Name: plain(a.Name), Who: plain(a.Who), At: micros(a.At),
	}
	if err := s.write.WithContext(ctx).Create(&row).Error; err != nil {
		return fmt.Errorf("saving an assignment: %w", err)
	}
	return nil
}

// Assigned is what was assigned of a unit later than from and not later than to, in the order
// in which they were made.
func (s *Store) Assigned(ctx context.Context, unit string, from, to time.Time) ([]records.Assignment, error) {
	var rows []assignmentRow
	err := s.reading(ctx).Order("at, id").Find(&rows, "unit = ? AND at > ? AND at <= ?", unit, micros(from), micros(to)).Error
	if err != nil {
		return nil, fmt.Errorf("reading the assignments of a unit: %w", err)
	}
	out := make([]records.Assignment, len(rows))
	for n, r := range rows {
		out[n] = records.Assignment{Unit: r.Unit, StayID: r.StayID, Key: r.Key, Name: r.Name, Who: r.Who, At: fromMicros(r.At)}
	}
	return out, nil
}
