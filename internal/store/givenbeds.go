package store

import (
	"context"
	"fmt"
	"time"

	"plumbline/internal/records"
)

type givenBedsRow struct {
	Number  int64 `gorm:"primaryKey"`
	Unit    string
	FromBed string
	ToBed   string
	Nurse   string
	Who     string
	At      int64
	Until   int64
}

func (givenBedsRow) TableName() string { return "given_beds" }

// GiveBeds keeps that beds were given to nurses, or back: all of it in this order, or nothing. It counts at once.
func (s *Store) GiveBeds(ctx context.Context, given ...records.GivenBeds) error {
	rows := make([]givenBedsRow, len(given))
	for n, b := range given {
		rows[n] = givenBedsRow{
			Unit: plain(b.Unit), FromBed: plain(b.From), ToBed: plain(b.To), Nurse: plain(b.Nurse), Who: plain(b.Who),
			At: micros(b.At), Until: micros(b.Until),
		}
	}
	if err := s.write.WithContext(ctx).Create(&rows).Error; err != nil {
		return fmt.Errorf("keeping whose beds are: %w", err)
	}
	return nil
}

// BedsGiven lists what holds at a moment of whose beds of a unit are, the first given first.
func (s *Store) BedsGiven(ctx context.Context, unit string, at time.Time) ([]records.GivenBeds, error) {
	var rows []givenBedsRow
	err := s.reading(ctx).Where("unit = ? AND at <= ? AND until > ?", unit, micros(at), micros(at)).Order("number").Find(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading whose beds of unit %s are: %w", unit, err)
	}
	out := make([]records.GivenBeds, len(rows))
	for n, r := range rows {
		out[n] = records.GivenBeds{
			Number: r.Number, Unit: r.Unit, From: r.FromBed, To: r.ToBed, Nurse: r.Nurse, Who: r.Who,
			At: fromMicros(r.At), Until: fromMicros(r.Until),
		}
	}
	return out, nil
}
