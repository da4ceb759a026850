package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/records"
)

// FeedState is how the feeds do.
type FeedState struct {
	LastLoad *LoadState  // that read files; nil where there was none
	Files    []FileState // those read last and those with an error, last read first
	Held     int         // held rows now
	Waiting  int         // rows that wait for their stay now
	Kinds    []FeedKind
}

// LoadState is what is known of a load.
type LoadState struct {
	ID         int64
	How        string
	StartedAt  time.Time
	FinishedAt time.Time       // zero while it runs, or where it was killed
	Result     *records.Counts // nil until it is finished; names no rows
}

// FileState is what is known of a file.
type FileState struct {
	records.Mark       // of the last time it was read whole; only the name where it never was
	records.FileCounts // likewise

	LoadID   int64
	ReadAt   time.Time // when it was last read, or could not be
	Error    string    // why it could not be read the last time; empty where it could
	ReadOnce bool      // it was read whole at least once
}

// How many files the feed page lists, besides those with an error.
const filesListed = 200

// FileMarks are the bookmarks of all files that were ever read whole, by name.
// A failed attempt leaves the bookmark of the last good one, so the file is tried again.
func (s *Store) FileMarks(ctx context.Context) (map[string]records.Mark, error) {
	var rows []fileRow
	if err := s.reading(ctx).Find(&rows, "size IS NOT NULL").Error; err != nil {
		return nil, fmt.Errorf("reading the bookmarks of files: %w", err)
	}
	marks := make(map[string]records.Mark, len(rows))
	for _, r := range rows {
		marks[r.Name], _ = r.mark()
	}
	return marks, nil
}

// Feeds tells how the feeds do, for the feed page and for monitoring.
func (s *Store) Feeds(ctx context.Context) (FeedState, error) {
	var state FeedState
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		var err error
		if state.LastLoad, err = lastLoad(tx); err != nil {
			return err
		}
		if state.Files, err = lastFiles(tx); err != nil {
			return err
		}
		if err := told(tx.Raw("SELECT count(*) FROM quarantined_rows").Row().Scan(&state.Held)); err != nil {
			return err
		}
		waiting, err := waitingVersions(tx)
		if err != nil {
			return err
		}
		state.Waiting = len(waiting)
		state.Kinds, err = feedKinds(tx, waiting)
		return err
	})
	if err != nil {
		return FeedState{}, fmt.Errorf("reading the state of the feeds: %w", err)
	}
	return state, nil
}

// lastLoad is the last load that read files: rows that were read again, or put right,
// are no sign of a feed.
func lastLoad(tx *gorm.DB) (*LoadState, error) {
	var row loadRow
	switch err := tx.Where("how NOT IN ?", []string{LoadRetry, LoadFix, LoadBedside}).Last(&row).Error; {
	case errors.Is(err, gorm.ErrRecordNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	}
	state := &LoadState{ID: row.ID, How: row.How, StartedAt: fromMicros(row.StartedAt), FinishedAt: fromOptional(row.FinishedAt)}
	if row.Summary == nil {
		return state, nil
	}
	state.Result = &records.Counts{}
	return state, json.Unmarshal([]byte(*row.Summary), state.Result)
}

func lastFiles(tx *gorm.DB) ([]FileState, error) {
	var rows []fileRow
	last := tx.Model(&fileRow{}).Select("name").Order("read_at DESC, name").Limit(filesListed)
	err := tx.Where("name IN (?) OR error <> ''", last).Order("read_at DESC, name").Find(&rows).Error
	files := make([]FileState, len(rows))
	for n, r := range rows {
		f := &files[n]
		f.Mark, f.ReadOnce = r.mark()
		f.LoadID, f.ReadAt, f.Error = r.LoadID, fromMicros(r.ReadAt), r.Error
		if f.ReadOnce {
			f.FileCounts = records.FileCounts{Rows: *r.Rows, Unchanged: *r.Unchanged, Skipped: *r.Skipped, Held: *r.Held}
		}
	}
	return files, err
}
