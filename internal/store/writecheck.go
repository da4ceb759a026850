package store

import (
	"context"
	"crypto/rand"
	"fmt"
	"time"
)

// checkBytes is how much a check writes: some pages, so that a disk with no room for more than a
// few bytes counts as full.
const checkBytes = 16 << 10

// CheckWrite writes something that nobody reads, and so finds out whether the database takes what is
// written to it: a full disk, a folder that may only be read and a server that only answers questions
// can still be read. It waits for whoever is writing. The error carries clinical.Unavailable, but not
// where another program has the file locked for long: nothing is wrong with it then.
func (s *Store) CheckWrite(ctx context.Context, at time.Time) error {
	body := make([]byte, checkBytes)
	_, _ = rand.Read(body) // it cannot fail
	err := s.write.WithContext(ctx).Exec(`INSERT INTO write_checks (id, at, body) VALUES (1, ?, ?)
		ON CONFLICT (id) DO UPDATE SET at = excluded.at, body = excluded.body`, micros(at), body).Error
	if err != nil && !isBusy(err) && ctx.Err() == nil {
		return fmt.Errorf("the database %s cannot be written: %w", s.target, err)
	}
	return nil
}
