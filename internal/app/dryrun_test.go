package app

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"plumbline/internal/testdb"
	"plumbline/internal/testdb/teststore"
)

// A dry run on PostgreSQL knows what is held already, and leaves nothing behind.
func TestADryRunOnPostgreSQLKnowsWhatIsHeld(t *testing.T) {
	target := testdb.Postgres(t)
	st := teststore.Open(t, target)
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	p := newProcess(t, target, now)
	file := filepath.Join(t.TempDir(), "stays.csv")
	if err := os.WriteFile(file, []byte("stay_id,patient_id,unit,admitted_at\nS1,P1,4W,2026-11-24T08:00:00Z\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	load := func(database string) (accepted, unchanged int) {
		t.Helper()
		site := bareSite(t, database, now)
		sum, err := site.loader.Load(t.Context(), []string{file}, "test")
		if err != nil {
			t.Fatal(err)
		}
		return sum.Accepted, sum.Unchanged
	}
	dry := func() (int, int) {
		t.Helper()
		copied, drop, err := p.onCopy(context.Background(), settings{database: target})
		if err != nil {
			t.Fatal(err)
		}
		accepted, unchanged := load(copied.database)
		drop()
		return accepted, unchanged
	}
	if accepted, _ := dry(); accepted != 1 {
		t.Errorf("before: %d accepted", accepted)
	}
	if stays, err := st.Versions(t.Context(), []string{"S1"}); err != nil || len(stays["S1"]) != 0 {
		t.Errorf("a dry run stored something: %v %v", stays, err)
	}
	if accepted, _ := load(target); accepted != 1 {
		t.Errorf("loaded: %d accepted", accepted)
	}
	if accepted, unchanged := dry(); accepted != 0 || unchanged != 1 {
		t.Errorf("after: %d accepted, %d unchanged", accepted, unchanged)
	}
}
