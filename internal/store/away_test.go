package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"plumbline/internal/clinical"
	"plumbline/internal/testdb"
)

// asks are reads and writes of several kinds: rows, one value, a transaction.
func asks(ctx context.Context, s *Store) map[string]error {
	_, units := s.Units(ctx)
	_, versions := s.Versions(ctx, []string{"S1"})
	_, state := s.DataState(ctx)
	_, feeds := s.Feeds(ctx)
	_, accounts := s.Accounts(ctx)
	_, _, session := s.SessionOf(ctx, []byte("x"))
	return map[string]error{
		"units": units, "versions": versions, "state": state, "feeds": feeds, "accounts": accounts, "session": session,
		"touch": s.TouchSession(ctx, []byte("x"), noon), "policy": s.SavePolicy(ctx, "h", "y", noon), "ping": s.Ping(ctx), "check": s.CheckWrite(ctx, noon),
	}
}

func mustBeAway(t *testing.T, ctx context.Context, s *Store) {
	t.Helper()
	for what, err := range asks(ctx, s) {
		if clinical.CodeOf(err) != clinical.Unavailable {
			t.Errorf("%s: %v, want code %q", what, err, clinical.Unavailable)
		}
	}
}

// A closed store, on both engines.
func TestAClosedDatabaseIsUnavailable(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		for what, err := range asks(t.Context(), s) {
			if err != nil && clinical.CodeOf(err) != clinical.NotFound {
				t.Fatalf("%s of an open store: %v", what, err)
			}
		}
		must(t, s.Close())
		mustBeAway(t, t.Context(), s)
	})
}

// wire passes connections on to a server until it is cut.
type wire struct {
	listener net.Listener
	cut      context.CancelFunc
}

func wireTo(t *testing.T, server string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	w := &wire{l, func() { cancel(); _ = l.Close() }}
	t.Cleanup(w.cut)
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", server)
			if err != nil {
				_ = near.Close()
				continue
			}
			context.AfterFunc(ctx, func() { _ = near.Close(); _ = far.Close() })
			go func() { _, _ = io.Copy(far, near) }()
			go func() { _, _ = io.Copy(near, far) }()
		}
	}()
	return w
}

// PostgreSQL that is stopped, as the program sees it: its connections end, and no new
// one is taken.
func TestAStoppedServerIsUnavailable(t *testing.T) {
	target := testdb.Postgres(t)
	config, err := pgconn.ParseConfig(target)
	must(t, err)
	if strings.HasPrefix(config.Host, "/") {
		t.Skip("the server listens on no network")
	}
	w := wireTo(t, net.JoinHostPort(config.Host, fmt.Sprint(config.Port)))
	s := openTarget(t, strings.Replace(target, fmt.Sprintf(":%d/", config.Port), fmt.Sprintf(":%d/", w.listener.Addr().(*net.TCPAddr).Port), 1))
	must(t, s.Migrate(t.Context()))
	must(t, s.Ping(t.Context()))
	w.cut()
	mustBeAway(t, t.Context(), s)
}

// A write that another program holds up longer than the reader waits. What can be read
// is still read.
func TestALockedFileIsUnavailableToWriters(t *testing.T) {
	s := openStore(t, SQLite)
	other, err := sql.Open("sqlite", s.path)
	must(t, err)
	defer func() { _ = other.Close() }()
	_, err = other.Exec("BEGIN IMMEDIATE")
	must(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if err := s.SavePolicy(ctx, "h", "y", noon); clinical.CodeOf(err) != clinical.Unavailable {
		t.Errorf("a write to a locked file: %v", err)
	}
	if _, err := s.Units(t.Context()); err != nil {
		t.Errorf("a read of a locked file: %v", err)
	}
}

func TestAFileThatIsGoneIsNoticed(t *testing.T) {
	s := openStore(t, SQLite)
	must(t, s.Ping(t.Context()))
	moved := filepath.Join(t.TempDir(), "elsewhere.db")
	must(t, os.Rename(s.path, moved))
	if err := s.Ping(t.Context()); clinical.CodeOf(err) != clinical.Unavailable || !strings.Contains(err.Error(), "gone") {
		t.Errorf("ping without the file: %v", err)
	}
	must(t, os.Rename(moved, s.path))
}

// An unlinked file can be written on in by whoever has it open (POSIX, unlink), and SQLite
// makes one that is missing unless it is told not to (sqlite.org/uri.html: mode=rw).
func TestAFileThatIsGoneIsUnavailableToAll(t *testing.T) {
	s := openStore(t, SQLite)
	folder := t.TempDir()
	for _, beside := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(s.path+beside, filepath.Join(folder, "elsewhere.db"+beside)); beside == "" {
			must(t, err)
		}
	}
	mustBeAway(t, t.Context(), s)
	pool, err := s.read.DB()
	must(t, err)
	pool.SetMaxIdleConns(0) // the next asks of connections that are new
	mustBeAway(t, t.Context(), s)
	if exists(s.path) {
		t.Error("a file was made in the place of the one that is gone")
	}
	must(t, os.WriteFile(s.path, nil, 0o600)) // by another program
	mustBeAway(t, t.Context(), s)
	must(t, os.Rename(filepath.Join(folder, "elsewhere.db"), s.path))
	must(t, s.Ping(t.Context()))
	must(t, s.SavePolicy(t.Context(), "h", "y", noon))
}

// The same file, without its tables.
func TestADatabaseWithoutItsTablesIsUnavailable(t *testing.T) {
	s := openTarget(t, filepath.Join(t.TempDir(), "empty.db"))
	mustBeAway(t, t.Context(), s)
}

// What is wrong with a question is no fault of the database.
func TestOtherErrorsKeepTheirCode(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		if err := s.reading(t.Context()).Exec("SELECT nothing FROM nowhere").Error; err == nil || clinical.CodeOf(err) != clinical.Internal {
			t.Errorf("a wrong statement: %v", err)
		}
		if _, err := s.EpisodeByID(t.Context(), "none"); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("an episode that is not there: %v", err)
		}
		left, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := s.Units(left); !errors.Is(err, context.Canceled) {
			t.Errorf("a reader who has left: %v", err)
		}
	})
}
