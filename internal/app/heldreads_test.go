package app

import (
	"context"
	"testing"

	"plumbline/internal/demo"
	"plumbline/internal/records"
)

// What an older version held is read again, once, by the one that follows it.
func TestANewVersionReadsAgainWhatTheOlderOneHeld(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		ctx := context.Background()
		s := openSite(t, database, demo.AnchorTime())
		before := heldRows(t, s)
		if before == 0 {
			t.Fatal("the demo holds no row")
		}
		if err := s.store.NoteHeldRead(ctx, "older"); err != nil {
			t.Fatal(err)
		}
		counts, any, err := s.retryAfterUpdate(ctx)
		if err != nil || !any || counts.Rows != before || counts.Held != before {
			t.Errorf("the first time: %+v, %v, %v; want all %d rows read again", counts, any, err, before)
		}
		if counts, any, err = s.retryAfterUpdate(ctx); err != nil || any {
			t.Errorf("the second time: %+v, %v, %v; want nothing read", counts, any, err)
		}
	})
}

func heldRows(t *testing.T, s *site) int {
	t.Helper()
	rows, err := s.store.HeldRows(context.Background(), records.HeldQuery{Bare: true})
	if err != nil {
		t.Fatal(err)
	}
	return len(rows)
}
