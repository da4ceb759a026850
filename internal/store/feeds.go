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

// How many files the feed page lists, besides those with an error.
const filesListed = 200

// FileMarks are the bookmarks of the files that were read whole at the last attempt, by name.
// One that failed last is tried again, also where it stands as it was read before: it would be
// called unread for good otherwise.
func (s *Store) FileMarks(ctx context.Context) (map[string]records.Mark, error) {
	var rows []fileRow
	if err := s.reading(ctx).Find(&rows, "size IS NOT NULL AND error = ''").Error; err != nil {
		return nil, fmt.Errorf("reading the bookmarks of files: %w", err)
	}
	marks := make(map[string]records.Mark, len(rows))
	for _, r := range rows {
		marks[r.Name], _ = r.mark()
	}
	return marks, nil
}

// Feeds tells how the feeds do, for the feed page and for monitoring.
func (s *Store) Feeds(ctx context.Context) (records.FeedState, error) {
	var state records.FeedState
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
		if state.Dropped, err = heldDropped(tx); err != nil {
			return err
		}
		waiting, total, err := s.waitingNow(tx)
		if err != nil {
			return err
		}
		state.Waiting = total
		state.Kinds, err = feedKinds(tx, waiting)
		return err
	})
	if err != nil {
		return records.FeedState{}, fmt.Errorf("reading the state of the feeds: %w", err)
	}
	return state, nil
}

// lastLoad is the last load that read files: rows that were read again, or put right,
// are no sign of a feed.
func lastLoad(tx *gorm.DB) (*records.LoadState, error) {
	var row loadRow
	switch err := tx.Where("how NOT IN ?", []string{LoadRetry, LoadFix, LoadBedside}).Last(&row).Error; {
	case errors.Is(err, gorm.ErrRecordNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	}
	state := &records.LoadState{
		ID: row.ID, How: row.How, StartedAt: fromMicros(row.StartedAt), FinishedAt: fromOptional(row.FinishedAt),
	}
	if row.Summary == nil {
		return state, nil
	}
	state.Result = &records.Counts{}
	return state, json.Unmarshal([]byte(*row.Summary), state.Result)
}

// LastLoadBy is when the last load began that was started in one of the ways, or, with others, in any
// other; zero where none was.
func (s *Store) LastLoadBy(ctx context.Context, ways []string, others bool) (time.Time, error) {
	in := "IN"
	if others {
		in = "NOT IN"
	}
	var at []int64
	err := s.reading(ctx).Raw("SELECT started_at FROM loads WHERE how "+in+" ? ORDER BY id DESC LIMIT 1", ways).Scan(&at).Error
	if err != nil || len(at) == 0 {
		return time.Time{}, err
	}
	return fromMicros(at[0]), nil
}

func lastFiles(tx *gorm.DB) ([]records.FileState, error) {
	var rows []fileRow
	last := tx.Model(&fileRow{}).Select("name").Order("read_at DESC, name").Limit(filesListed)
	err := tx.Where("name IN (?) OR error <> ''", last).Order("read_at DESC, name").Find(&rows).Error
	files := make([]records.FileState, len(rows))
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
