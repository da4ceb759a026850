package store

import (
	"context"
	"fmt"
)

// HeldReadBy is the version of the program that read all held rows last; empty where none has.
func (s *Store) HeldReadBy(ctx context.Context) (program string, err error) {
	found, err := s.texts(ctx, "SELECT program FROM held_reads WHERE id = 1")
	if err != nil {
		return "", fmt.Errorf("asking which program read the held rows last: %w", err)
	}
	for _, program = range found {
	}
	return program, nil
}

// NoteHeldRead notes that a version of the program has read all held rows.
func (s *Store) NoteHeldRead(ctx context.Context, program string) error {
	err := s.write.WithContext(ctx).Exec(`INSERT INTO held_reads (id, program) VALUES (1, ?)
		ON CONFLICT (id) DO UPDATE SET program = excluded.program`, program).Error
	if err != nil {
		return fmt.Errorf("noting which program read the held rows: %w", err)
	}
	return nil
}
