package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/clinical"
)

// FileMark tells which state of a file was read, so that it need not be read
// again. Name is what tells the file from others, such as its full path; the
// versions carry a File of their own. ModTime is kept to the nanosecond.
type FileMark struct {
	Name    string
	Size    int64
	ModTime time.Time
	Hash    string
}

// Batch takes what is read from one file, inside one transaction.
type Batch interface {
	// Put stores a version of a fact.
	Put(clinical.Version) error
	// Hold keeps a row that cannot be used, with its reason.
	Hold(Held) error
}

// FileResult counts the rows of one file: Unchanged were held already, or stood
// twice in the file.
type FileResult struct{ Rows, Unchanged, Quarantined int }

// RowRef says where a row stands and which fact it speaks of.
type RowRef struct {
	File     string        `json:"file"`
	Line     int           `json:"line"`
	Kind     clinical.Kind `json:"kind"`
	SourceID string        `json:"source_id"`
	StayID   string        `json:"stay_id"`
}

// LoadResult says what became of the rows of a load: each has one end, so that
// Rows is the sum of the other counts.
type LoadResult struct {
	Rows        int `json:"rows"`
	Accepted    int `json:"accepted"`
	Unchanged   int `json:"unchanged"`
	Superseded  int `json:"superseded"`
	Waiting     int `json:"waiting"`
	Quarantined int `json:"quarantined"`

	// WaitingRows names the rows counted in Waiting, by file and line.
	WaitingRows []RowRef `json:"-"`
}

// How long the rows of a load that was never finished are kept.
const abandonedAfter = 48 * time.Hour

// BeginLoad opens a load; how says what started it. Its files are read at the
// moment given, as far as the records go.
func (s *Store) BeginLoad(ctx context.Context, at time.Time, how string) (loadID int64, err error) {
	load := loadRow{StartedAt: micros(at), How: plain(how)}
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		abandoned := tx.Model(&loadRow{}).Select("id").Where("started_at < ?", micros(at.Add(-abandonedAfter)))
		if err := tx.Where("load_id IN (?)", abandoned).Delete(&repeatedRow{}).Error; err != nil {
			return err
		}
		if load.AfterID, err = lastVersion(tx); err != nil {
			return err
		}
		return tx.Create(&load).Error
	})
	if err != nil {
		return 0, fmt.Errorf("beginning a load: %w", err)
	}
	return load.ID, nil
}

func lastVersion(tx *gorm.DB) (id int64, err error) {
	err = tx.Raw("SELECT coalesce(max(id), 0) FROM fact_versions").Row().Scan(&id)
	return id, err
}

// LoadFile runs read inside one transaction: the versions, the rows held back
// and the bookmark of the file are stored together, and nothing of them where
// read returns an error. Then the error is noted with the file, whose earlier
// versions, rows held back and bookmark stay as they were. Rows held back when
// the file was last read give way to those of this time.
//
// A version that is held already is not stored again. Where it now stands at a
// larger place (file by its bytes, then line) it takes that place, so that which
// of two versions recorded at one moment counts does not depend on the order in
// which files were read.
//
// Memory does not grow with the file. Only one file is written at a time; read
// must not call methods of the store that write, for they would wait for it.
func (s *Store) LoadFile(ctx context.Context, loadID int64, mark FileMark, read func(Batch) error) (FileResult, error) {
	mark.Name = plain(mark.Name)
	var result FileResult
	var load loadRow
	err := s.writing(ctx, func(tx *gorm.DB, versions versionSink) error {
		var err error
		if load, err = findLoad(tx, loadID); err != nil {
			return err
		}
		b, err := newBatch(ctx, tx, versions, load, mark.Name)
		if err != nil {
			return err
		}
		defer b.wait() // also where read fails, or panics
		if err := read(b); err != nil {
			return err
		}
		if err := b.close(); err != nil { // also of a Put whose error read passed over
			return err
		}
		if err := b.replaceHeld(); err != nil {
			return err
		}
		result = b.result
		return saveMark(tx, load, mark, result)
	})
	if err == nil {
		return result, nil
	}
	if load.ID != 0 && ctx.Err() == nil { // being stopped is not the file's error
		if noting := s.noteError(ctx, load, mark.Name, err); noting != nil {
			err = errors.Join(err, noting)
		}
	}
	return FileResult{}, err
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

func saveMark(tx *gorm.DB, load loadRow, mark FileMark, result FileResult) error {
	row := fileRow{
		Name: mark.Name, Size: &mark.Size, Hash: &mark.Hash,
		Rows: &result.Rows, Unchanged: &result.Unchanged, Quarantined: &result.Quarantined,
		LoadID: load.ID, ReadAt: load.StartedAt,
	}
	if !mark.ModTime.IsZero() {
		ns := mark.ModTime.UnixNano()
		row.ModTimeNS = &ns
	}
	if err := tx.Clauses(clause.OnConflict{UpdateAll: true}).Create(&row).Error; err != nil {
		return err
	}
	return countRows(tx, load.ID, result)
}

// countRows adds the rows of a file to its load.
func countRows(tx *gorm.DB, loadID int64, r FileResult) error {
	return tx.Exec("UPDATE loads SET files = files + 1, rows = rows + ?, unchanged = unchanged + ?, quarantined = quarantined + ? WHERE id = ?",
		r.Rows, r.Unchanged, r.Quarantined, loadID).Error
}

// noteError notes with a file why it could not be read.
func (s *Store) noteError(ctx context.Context, load loadRow, name string, cause error) error {
	row := fileRow{Name: name, LoadID: load.ID, ReadAt: load.StartedAt, Error: plain(cause.Error())}
	keepTheRest := clause.OnConflict{
		Columns:   []clause.Column{{Name: "name"}},
		DoUpdates: clause.AssignmentColumns([]string{"load_id", "read_at", "error"}),
	}
	if err := s.write.WithContext(ctx).Clauses(keepTheRest).Create(&row).Error; err != nil {
		return fmt.Errorf("noting the error with the file: %w", err)
	}
	return nil
}

// FinishLoad counts, over all files of the load, what became of its rows.
//
// Of the versions that the load brought, those that count for their fact (the
// last by recorded_at, file and line) are accepted, the others superseded. What
// was held already is unchanged. A row, new or not, whose version counts while
// its stay has not been seen is waiting instead; a stay that was taken back has
// been seen. A retraction that names no stay
// speaks of the stay of the version before it, and waits for none where there is
// no such version; a stay waits for nothing.
func (s *Store) FinishLoad(ctx context.Context, loadID int64, at time.Time) (LoadResult, error) {
	var result LoadResult
	err := s.writing(ctx, func(tx *gorm.DB, _ versionSink) error {
		var err error
		result, err = finishLoad(tx, loadID, at)
		return err
	})
	if err != nil {
		return LoadResult{}, fmt.Errorf("finishing load %d: %w", loadID, err)
	}
	return result, nil
}

func finishLoad(tx *gorm.DB, loadID int64, at time.Time) (LoadResult, error) {
	load, err := findLoad(tx, loadID)
	if err != nil {
		return LoadResult{}, err
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
	if err := tx.Where("load_id = ?", loadID).Delete(&repeatedRow{}).Error; err != nil {
		return result, err
	}
	return result, tx.Exec("UPDATE loads SET finished_at = ?, last_id = ?, summary = ? WHERE id = ?",
		micros(at), last, string(summary), loadID).Error
}

func countEnds(tx *gorm.DB, load loadRow) (LoadResult, map[feedKind]*kindTally, error) {
	result := LoadResult{Rows: int(load.Rows), Unchanged: int(load.Unchanged), Quarantined: int(load.Quarantined)}
	stored := result.Rows - result.Unchanged - result.Quarantined
	fresh, repeated, err := waitingOf(tx, load)
	if err != nil {
		return result, nil, err
	}
	tallies, err := tallyKinds(tx, load, fresh, repeated)
	if err != nil {
		return result, nil, err
	}
	counting := 0
	for _, t := range tallies {
		counting += t.counting
	}
	result.Accepted = counting - len(fresh)
	result.Superseded = stored - counting
	result.Unchanged -= len(repeated)
	result.Waiting = len(fresh) + len(repeated)
	for _, w := range slices.Concat(fresh, repeated) {
		result.WaitingRows = append(result.WaitingRows, w.RowRef)
	}
	byPlace(result.WaitingRows)
	return result, tallies, nil
}

// counts is true of a version n that no other version of its fact comes after.
const counts = `NOT EXISTS (SELECT 1 FROM fact_versions w
	WHERE w.kind = n.kind AND w.source_id = n.source_id
	AND (w.recorded_at, w.file, w.reading, w.line, w.hash) > (n.recorded_at, n.file, n.reading, n.line, n.hash))`
