package store

import (
	"context"
	"fmt"
	"time"
)

// DataState names the state of the facts: it differs after every file that was
// loaded and every row that was released. It costs the same however many loads
// there were.
func (s *Store) DataState(ctx context.Context) (string, error) {
	var last, files int64
	err := told(s.reading(ctx).Raw(`SELECT coalesce(max(id), 0), coalesce(sum(files), 0) FROM loads
		WHERE finished_at IS NULL OR id = (SELECT max(id) FROM loads)`).Row().Scan(&last, &files))
	if err != nil {
		return "", fmt.Errorf("reading the state of the data: %w", err)
	}
	return fmt.Sprintf("%d.%d", last, files), nil
}

// LastLanded is when the latest load began, however it came: facts that it brought are known
// from then on. Zero where there was none. It costs the same however many loads there were.
func (s *Store) LastLanded(ctx context.Context) (time.Time, error) {
	var at int64
	err := told(s.reading(ctx).Raw("SELECT coalesce(max(started_at), 0) FROM loads WHERE id = (SELECT max(id) FROM loads)").
		Row().Scan(&at))
	if err != nil {
		return time.Time{}, fmt.Errorf("reading when facts last came: %w", err)
	}
	if at == 0 {
		return time.Time{}, nil
	}
	return time.UnixMicro(at).UTC(), nil
}
