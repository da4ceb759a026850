package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// How long the rows of a load that was never finished are kept.
const abandonedAfter = 48 * time.Hour

// BeginLoad opens a load; how says what started it. Its files are read at the
// moment given, as far as the records go.
func (s *Store) BeginLoad(ctx context.Context, at time.Time, how string) (loadID int64, err error) {
	load := loadRow{StartedAt: micros(at), How: plain(how)}
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		done := tx.Model(&loadRow{}).Select("id").
			Where("started_at < ? OR how = ? AND finished_at IS NOT NULL", micros(at.Add(-abandonedAfter)), load.How)
		if err := dropNotes(tx, "load_id IN (?)", done); err != nil {
			return err
		}
		return openLoad(tx, &load)
	})
	if err != nil {
		return 0, fmt.Errorf("beginning a load: %w", err)
	}
	return load.ID, nil
}

func openLoad(tx *gorm.DB, load *loadRow) (err error) {
	if load.AfterID, err = lastVersion(tx); err != nil {
		return err
	}
	return tx.Create(load).Error
}

// dropNotes drops what was noted of the rows of loads, by which they are counted and named.
func dropNotes(tx *gorm.DB, where string, value any) error {
	if err := tx.Where(where, value).Delete(&repeatedRow{}).Error; err != nil {
		return err
	}
	if err := tx.Where(where, value).Delete(&repeatedPartRow{}).Error; err != nil {
		return err
	}
	return tx.Where(where, value).Delete(&skippedRow{}).Error
}

func lastVersion(tx *gorm.DB) (id int64, err error) {
	err = told(tx.Raw("SELECT coalesce(max(id), 0) FROM fact_versions").Row().Scan(&id))
	return id, err
}

func findLoad(tx *gorm.DB, id int64) (loadRow, error) {
	var load loadRow
	switch err := tx.Take(&load, id).Error; {
	case errors.Is(err, gorm.ErrRecordNotFound):
		return load, clinical.Errorf(clinical.NotFound, "there is no load %d; begin one first", id)
	case err != nil:
		return load, err
	case load.FinishedAt != nil:
		return load, clinical.Errorf(clinical.Conflict, "the load %d is finished; begin another", id)
	}
	return load, nil
}

// FinishLoad counts, over all files of the load, what became of its rows.
//
// Of the versions that the load brought, those that count for their fact (the
// last by recorded_at, file and line) are accepted, the others superseded. What
// was held already is unchanged. A row, new or not, whose version counts while
// its stay has not been seen is waiting instead; a stay that was taken back has
// been seen. Parts are counted in place of the versions that were composed of them: one of
// which nothing is used is skipped. A retraction that names no stay speaks of the stay of the version
// before it; where there is no such version it does not wait. Nor does a version of
// a stay.
func (s *Store) FinishLoad(ctx context.Context, loadID int64, at time.Time) (records.Counts, error) {
	var result records.Counts
	err := s.writing(ctx, func(tx *gorm.DB, _ versionSink) error {
		var err error
		result, err = finishLoad(tx, loadID, at)
		return err
	})
	if err != nil {
		return records.Counts{}, fmt.Errorf("finishing load %d: %w", loadID, err)
	}
	return result, nil
}

func finishLoad(tx *gorm.DB, loadID int64, at time.Time) (records.Counts, error) {
	load, err := findLoad(tx, loadID)
	if err != nil {
		return records.Counts{}, err
	}
	result, kinds, err := countEnds(tx, load)
	if err != nil {
		return result, err
	}
	if err := saveKinds(tx, load, kinds); err != nil {
		return result, err
	}
	summary, err := json.Marshal(result)
	if err != nil {
		return result, err
	}
	last, err := lastVersion(tx)
	if err != nil {
		return result, err
	}
	return result, tx.Exec("UPDATE loads SET finished_at = ?, last_id = ?, summary = ? WHERE id = ?",
		micros(at), last, string(summary), loadID).Error
}

func countEnds(tx *gorm.DB, load loadRow) (records.Counts, map[feedKind]*kindTally, error) {
	result := records.Counts{
		Rows: int(load.Rows), Unchanged: int(load.Unchanged), Skipped: int(load.Skipped), Held: int(load.Held),
	}
	stored := result.Rows - result.Unchanged - result.Skipped - result.Held
	tallies, skipped, err := tallyKinds(tx, load)
	if err != nil {
		return result, nil, err
	}
	for _, t := range tallies {
		result.Accepted += t.counting - t.waitingFresh
		result.Superseded -= t.counting
		result.Unchanged -= t.waitingRepeated
		result.Waiting += t.waitingFresh + t.waitingRepeated
	}
	result.Superseded += stored - skipped.fresh - skipped.echoes
	result.Unchanged += skipped.echoes
	result.Unchanged -= skipped.repeated
	result.Skipped += skipped.fresh + skipped.repeated
	return result, tallies, nil
}

// counts is true of a version n that no other version of its fact comes after.
const counts = `NOT EXISTS (SELECT 1 FROM fact_versions w
	WHERE w.kind = n.kind AND w.source_id = n.source_id
	AND (w.recorded_at, w.file, w.reading, w.line, w.hash) > (n.recorded_at, n.file, n.reading, n.line, n.hash))`
