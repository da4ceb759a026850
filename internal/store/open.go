package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"

	"gorm.io/gorm"
	"gorm.io/gorm/logger"

	"plumbline/internal/clinical"
)

// The engines, as Engine names them.
const (
	SQLite   = "sqlite"
	Postgres = "postgres"
)

// Store keeps facts on one of the two engines. It is safe for concurrent use.
type Store struct {
	engine string
	target string      // without a password
	path   string      // of the SQLite file; empty on PostgreSQL
	file   os.FileInfo // the SQLite file as it was opened; nil on PostgreSQL
	write  *gorm.DB    // one connection on SQLite, where only one may write
	read   *gorm.DB    // the same pool as write on PostgreSQL
	log    *slog.Logger

	leases *sql.DB // one connection of its own; nil on SQLite
	locks  sync.Mutex
	locked map[string]func() error // of SQLite: the leases that are held, with what ends them

	// EpisodeRules are the rules whose figures episodes keep (episodes.KeptRules); set
	// before any is read. What a figure is stands in the table of the rules alone, of
	// which the store knows nothing.
	EpisodeRules []clinical.Rule

	// KeepUnmapped is how many bytes of rows with codes that nothing tells are kept; 0: none are.
	KeepUnmapped int64

	// Steady, where set, is a clock that nobody sets, by which slow counts are not made too often.
	Steady      clinical.Clock
	waitingKept waitingCounts

	// OnAhead, where set, is told of each step of episodes that lies ahead of the clock.
	OnAhead func(StepAhead)
	ahead   aheadBook
}

// Open opens a postgres:// or postgresql:// URL, or a file path for the embedded
// SQLite database, whose folder is made where it is missing. It asks the
// database for a sign of life and does not migrate it: see Migrate.
func Open(ctx context.Context, target string, log *slog.Logger) (*Store, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	scheme, _, isURL := strings.Cut(target, "://")
	switch {
	case isURL && (scheme == "postgres" || scheme == "postgresql"):
		return openPostgres(ctx, target, log)
	case isURL:
		return nil, clinical.Errorf(clinical.Invalid,
			"a database of the kind %q cannot be used; give a postgres:// URL, "+
				"or a file path for the embedded database", scheme)
	case strings.TrimSpace(target) == "":
		return nil, clinical.Errorf(clinical.Invalid, "no database is named; give a postgres:// URL, or a file path for the embedded database")
	}
	return openSQLite(ctx, target, log)
}

// gormConfig: no statement is wrapped in a transaction that did not ask for one,
// and none is logged, for its values may be a patient's.
func gormConfig() *gorm.Config {
	return &gorm.Config{SkipDefaultTransaction: true, Logger: logger.Discard, TranslateError: true}
}

// Engine is SQLite or Postgres.
func (s *Store) Engine() string { return s.engine }

// Target names the database for people: a path, or a URL without its password.
func (s *Store) Target() string { return s.target }

// Ping checks that the database can be read, and that the file of the embedded one is
// where it was: a file that was removed can be read on by whoever has it open. The
// error carries clinical.Unavailable.
func (s *Store) Ping(ctx context.Context) error {
	if s.path != "" {
		if err := s.fileThere(); err != nil {
			return err
		}
	}
	for _, pool := range s.pools() {
		if err := told(pool.PingContext(ctx)); err != nil {
			return fmt.Errorf("the database %s does not answer: %w", s.target, err)
		}
	}
	if _, err := s.version(ctx); err != nil {
		return fmt.Errorf("the database %s cannot be read: %w", s.target, err)
	}
	return nil
}

// Close closes the connections. A transaction that runs is waited for.
func (s *Store) Close() error {
	var errs []error
	if s.leases != nil {
		errs = append(errs, s.leases.Close())
	}
	for name := range s.locked {
		errs = append(errs, s.unlockLease(name))
	}
	for _, pool := range s.pools() {
		errs = append(errs, pool.Close())
	}
	return errors.Join(errs...)
}

// Unflushed lets commits to a SQLite file return before the disk has them, for tests
// and for files that nobody would miss: what a power cut takes is lost.
func (s *Store) Unflushed(ctx context.Context) error {
	if s.engine != SQLite {
		return nil // that server's own setting says so
	}
	return s.write.WithContext(ctx).Exec("PRAGMA synchronous = OFF").Error
}

// pools are the connection pools, that for reading first: SQLite writes its log
// back into the database file when the last connection, a writing one, closes.
func (s *Store) pools() []*sql.DB {
	var all []*sql.DB
	for _, db := range []*gorm.DB{s.read, s.write} {
		if pool, err := db.DB(); err == nil && (len(all) == 0 || all[0] != pool) {
			all = append(all, pool)
		}
	}
	return all
}

// reading starts a query outside a transaction.
func (s *Store) reading(ctx context.Context) *gorm.DB { return s.read.WithContext(ctx) }

// snapshot runs queries that must see one state of the database.
func (s *Store) snapshot(ctx context.Context, queries func(tx *gorm.DB) error) error {
	return s.reading(ctx).Transaction(queries, &sql.TxOptions{Isolation: s.snapshotLevel(), ReadOnly: true})
}

func (s *Store) snapshotLevel() sql.IsolationLevel {
	if s.engine == Postgres {
		return sql.LevelRepeatableRead
	}
	return sql.LevelDefault // a SQLite transaction sees one state always
}
