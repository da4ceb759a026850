package store

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// BedsideSet is a set sent from the bedside. Its readings are facts; the body holds
// it whole, with the answers that are none.
type BedsideSet struct {
	ID         string // made by the sender
	StayID     string
	Who        string // account
	ReceivedAt time.Time
	Sum        string // tells the content from another
	Body       []byte // JSON
}

type bedsideRow struct {
	ID         string `gorm:"primaryKey"`
	StayID     string
	Who        string
	ReceivedAt int64
	Sum        string
	Body       string
}

func (bedsideRow) TableName() string { return "bedside_sets" }

func (r bedsideRow) set() BedsideSet {
	return BedsideSet{
		ID: r.ID, StayID: r.StayID, Who: r.Who, ReceivedAt: fromMicros(r.ReceivedAt), Sum: r.Sum, Body: []byte(r.Body),
	}
}

// bedsideLoad is what starts a load of one set. Such loads say nothing of the feeds.
const bedsideLoad = "bedside"

// RecordSet stores a set and its facts as a load of their own, in one transaction. A
// set that is held already is returned as it was first stored, and nothing is stored;
// the error carries clinical.Conflict where other content was sent under its id.
func (s *Store) RecordSet(ctx context.Context, set BedsideSet, facts []clinical.Version) (kept BedsideSet, fresh bool, err error) {
	row := bedsideRow{
		ID: plain(set.ID), StayID: plain(set.StayID), Who: plain(set.Who), ReceivedAt: micros(set.ReceivedAt), Sum: plain(set.Sum), Body: plain(string(set.Body)),
	}
	err = s.writing(ctx, func(tx *gorm.DB, versions versionSink) error {
		var held []bedsideRow
		if err := tx.Where("id = ?", row.ID).Find(&held).Error; err != nil {
			return err
		}
		if len(held) > 0 {
			if kept = held[0].set(); held[0].Sum != row.Sum || held[0].StayID != row.StayID {
				return clinical.Errorf(clinical.Conflict, "a set with this number is stored already, with other content")
			}
			return nil
		}
		fresh, kept = true, row.set()
		if err := tx.Create(&row).Error; err != nil {
			return err
		}
		return loadAtOnce(ctx, tx, versions, set.ReceivedAt, facts)
	})
	if err != nil {
		return BedsideSet{}, false, fmt.Errorf("storing a set from the bedside: %w", err)
	}
	return kept, fresh, nil
}

// loadAtOnce is a load from its beginning to its end within one transaction.
func loadAtOnce(ctx context.Context, tx *gorm.DB, versions versionSink, at time.Time, facts []clinical.Version) error {
	load := loadRow{StartedAt: micros(at), How: bedsideLoad}
	var err error
	if load.AfterID, err = lastVersion(tx); err != nil {
		return err
	}
	if err := tx.Create(&load).Error; err != nil {
		return err
	}
	b, err := newBatch(ctx, tx, versions, load, "")
	if err != nil {
		return err
	}
	defer b.wait()
	for _, v := range facts {
		if err := b.Put(v); err != nil {
			return err
		}
	}
	if err := b.close(); err != nil {
		return err
	}
	if err := countRows(tx, load.ID, b.result); err != nil {
		return err
	}
	_, err = finishLoad(tx, load.ID, at)
	return err
}

// BedsideSetOf is a set of a stay by its id; the error carries clinical.NotFound where
// there is none.
func (s *Store) BedsideSetOf(ctx context.Context, stayID, id string) (BedsideSet, error) {
	var rows []bedsideRow
	err := s.reading(ctx).Where("id = ? AND stay_id = ?", id, stayID).Limit(1).Find(&rows).Error
	switch {
	case err != nil:
		return BedsideSet{}, fmt.Errorf("reading a set from the bedside: %w", err)
	case len(rows) == 0:
		return BedsideSet{}, clinical.Errorf(clinical.NotFound, "there is no such set")
	}
	return rows[0].set(), nil
}
