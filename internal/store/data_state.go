package store

import (
	"context"
	"fmt"
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
