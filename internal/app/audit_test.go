package app

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/store"
)

func auditStoreOf(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "audit.db"), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	return s
}

func entryBy(who string) records.AuditEntry {
	return records.AuditEntry{At: time.Date(2026, 11, 20, 7, 0, 0, 0, time.UTC), Who: who, Did: audit.View, What: "GET /stays/:stay", Stay: "S1", Outcome: "allowed"}
}

func TestRequestsAreRecordedInAChain(t *testing.T) {
	s := auditStoreOf(t)
	r := newRecorder(s, slog.New(slog.DiscardHandler))
	var hands sync.WaitGroup
	for range 20 {
		hands.Go(func() {
			for range 5 {
				if err := r.Record(t.Context(), entryBy("anna")); err != nil {
					t.Error(err)
				}
			}
		})
	}
	hands.Wait()
	r.close()
	v, err := verifyAudit(t.Context(), s, nil)
	if err != nil || v.Head().N != 100 {
		t.Errorf("%d entries: %v", v.Head().N, err)
	}
}

// busyStore cannot be written to until it is let go.
type busyStore struct {
	free    chan struct{}
	mu      sync.Mutex
	written int
	fail    error
}

func (b *busyStore) AppendAudit(_ context.Context, entries []records.AuditEntry, _ func([]byte, records.AuditEntry) []byte) error {
	<-b.free
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return b.fail
	}
	b.written += len(entries)
	return nil
}

// A page does not wait for ever for a database that is busy; what it showed is
// recorded all the same, at the latest when the program ends.
func TestARequestOutlivesABusyDatabase(t *testing.T) {
	b := &busyStore{free: make(chan struct{})}
	r := newRecorder(b, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // the reader has left: no need to wait
	for range 3 {
		if err := r.Record(ctx, entryBy("anna")); err != nil {
			t.Fatal(err)
		}
	}
	close(b.free)
	r.close()
	if b.written != 3 {
		t.Errorf("%d entries were written, want 3", b.written)
	}
}

func TestAnAuditThatIsFullRefuses(t *testing.T) {
	b := &busyStore{free: make(chan struct{}), fail: errors.New("disk full")}
	r := newRecorder(b, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var err error
	for range auditQueue + auditBatch + 2 {
		if err = r.Record(ctx, entryBy("anna")); err != nil {
			break
		}
	}
	if err == nil || !strings.Contains(err.Error(), "the audit cannot be written") {
		t.Errorf("nothing was refused: %v", err)
	}
	close(b.free)
	r.close() // ends although nothing can be written
}

// Every cell of the file goes through the one guard: blanks, a no-break space, a line
// break and full-width signs hide no formula (internal/export tests the guard itself).
func TestCellsOfTheAuditAreNoFormulas(t *testing.T) {
	for _, in := range []string{"=1+1", "+1", "-1", "@a", "\tx", " =1", "\u00a0=1", "\n=1", "\r\n=1", "\uff1d1"} {
		record := auditRecord(records.AuditEntry{Who: in, From: in, Did: in, What: in, Unit: in, Stay: in, Outcome: in, Note: in})
		for n, cell := range record {
			if formula := strings.Trim(cell, "0123456789TZ:-") != "" && !strings.HasPrefix(cell, "'"); formula {
				t.Errorf("%q stands in column %d as %q", in, n+1, cell)
			}
		}
	}
	if got := auditRecord(records.AuditEntry{Who: "a=1"})[2]; got != "a=1" {
		t.Errorf("harmless text became %q", got)
	}
}
