package store

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/records"
)

type stayTallyRow struct {
	StayID   string `gorm:"primaryKey"`
	Basis    string
	Revision int64
}

func (stayTallyRow) TableName() string { return "stay_tallies" }

type stayDayRow struct {
	StayID string `gorm:"primaryKey"`
	Unit   string `gorm:"primaryKey"`
	Day    string `gorm:"primaryKey"`
	Feed   string `gorm:"primaryKey"`

	records.FactCounts
}

func (stayDayRow) TableName() string { return "stay_days" }

type presenceRow struct {
	StayID   string `gorm:"primaryKey"`
	N        int    `gorm:"primaryKey;autoIncrement:false"`
	Unit     string
	StartsAt int64
	EndsAt   *int64
}

func (presenceRow) TableName() string { return "stay_presences" }

// StaysToTally are stays that may have been on a unit since a moment and of which nothing is kept
// that rests on basis and on the stay as it is, with their revisions: at most so many.
func (s *Store) StaysToTally(ctx context.Context, basis string, since time.Time, limit int) (map[string]int64, error) {
	var rows []struct {
		StayID   string
		Revision int64
	}
	err := s.reading(ctx).Raw(`SELECT h.stay_id, h.revision FROM stay_heads h
		LEFT JOIN stay_tallies t ON t.stay_id = h.stay_id
		WHERE (t.stay_id IS NULL OR t.revision <> h.revision OR t.basis <> ?) AND EXISTS
			(SELECT 1 FROM stay_spans s WHERE s.stay_id = h.stay_id AND (s.ends_at IS NULL OR s.ends_at >= ?))
		ORDER BY h.stay_id LIMIT ?`, basis, micros(since), limit).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading which stays are to be counted: %w", err)
	}
	out := make(map[string]int64, len(rows))
	for _, r := range rows {
		out[r.StayID] = r.Revision
	}
	return out, nil
}

// SaveTallies keeps what was counted of stays, in place of what was kept of them.
func (s *Store) SaveTallies(ctx context.Context, basis string, tallies []records.StayTally) error {
	var ids []string
	var heads []stayTallyRow
	var days []stayDayRow
	var presences []presenceRow
	for _, t := range tallies {
		id := plain(t.StayID)
		ids = append(ids, id)
		heads = append(heads, stayTallyRow{id, basis, t.Revision})
		for _, d := range t.Days {
			row := stayDayRow{StayID: id, Unit: plain(d.Unit), Day: d.Day, Feed: plain(d.Feed), FactCounts: d.FactCounts}
			days = append(days, row)
		}
		for n, p := range t.Spans {
			presences = append(presences, presenceRow{id, n, plain(p.Unit), micros(p.From), optional(p.To)})
		}
	}
	if len(ids) == 0 {
		return nil
	}
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if s.engine == Postgres { // two that keep the same stay would each add it
			if err := tx.Exec("SELECT pg_advisory_xact_lock(?)", int64(talliesLock)).Error; err != nil {
				return err
			}
		}
		for _, row := range []any{&stayTallyRow{}, &stayDayRow{}, &presenceRow{}} {
			if err := tx.Delete(row, "stay_id IN ?", ids).Error; err != nil {
				return err
			}
		}
		if err := tx.CreateInBatches(heads, 500).Error; err != nil {
			return err
		}
		if len(days) > 0 {
			if err := tx.CreateInBatches(days, 500).Error; err != nil {
				return err
			}
		}
		if len(presences) > 0 {
			return tx.CreateInBatches(presences, 500).Error
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("keeping what was counted of stays: %w", err)
	}
	return nil
}

// DayTallies sums by unit, feed and day what was counted of the days from one to another, both
// included, in the order of units, feeds and days.
func (s *Store) DayTallies(ctx context.Context, from, to string) ([]records.DayTally, error) {
	var out []records.DayTally
	err := s.reading(ctx).Raw(`SELECT unit, feed, day, SUM(readings) AS readings, SUM(positioned) AS positioned,
		SUM(sets) AS sets, SUM(orders) AS orders, SUM(orders_known) AS orders_known, SUM(doses) AS doses,
		SUM(doses_known) AS doses_known, SUM(doses_ordered) AS doses_ordered, SUM(precautions) AS precautions,
		SUM(fluids) AS fluids, SUM(weights) AS weights, SUM(labs) AS labs
		FROM stay_days WHERE day >= ? AND day <= ? GROUP BY unit, feed, day ORDER BY unit, feed, day`, from, to).Scan(&out).Error
	if err != nil {
		return nil, fmt.Errorf("reading what feeds have brought by day: %w", err)
	}
	return out, nil
}

// UnitSpans lists the times that patients spent on units as far as they reach past a moment.
func (s *Store) UnitSpans(ctx context.Context, since time.Time) ([]records.UnitSpan, error) {
	var rows []presenceRow
	err := s.reading(ctx).Order("stay_id, n").Find(&rows, "ends_at IS NULL OR ends_at >= ?", micros(since)).Error
	if err != nil {
		return nil, fmt.Errorf("reading how long patients were on units: %w", err)
	}
	out := make([]records.UnitSpan, len(rows))
	for n, r := range rows {
		out[n] = records.UnitSpan{Unit: r.Unit, From: fromMicros(r.StartsAt), To: fromOptional(r.EndsAt)}
	}
	return out, nil
}
