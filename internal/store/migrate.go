package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/pressly/goose/v3"

	"plumbline/internal/clinical"
)

//go:embed migrations
var migrations embed.FS

// Migrate brings the database to the form that this program knows. Programs that
// start together take turns. A database that a newer program has migrated is
// refused, and a SQLite file that holds data is copied beside itself first.
func (s *Store) Migrate(ctx context.Context) error {
	pool, err := s.write.DB()
	if err != nil {
		return err
	}
	p, err := s.provider(pool)
	if err != nil {
		return err
	}
	sources := p.ListSources()
	target := sources[len(sources)-1].Version
	if current, err := s.version(ctx); err == nil && current == target {
		return nil // the usual start: nothing to wait for
	}
	release, err := s.lockMigration(ctx, pool)
	if err != nil {
		return fmt.Errorf("waiting to migrate the database: %w", err)
	}
	defer release()
	return s.migrate(ctx, p, target)
}

// migrate runs under the lock.
func (s *Store) migrate(ctx context.Context, p *goose.Provider, target int64) error {
	current, err := p.GetDBVersion(ctx)
	if err != nil {
		return fmt.Errorf("asking the database for its version: %w", err)
	}
	switch {
	case current == target:
		return nil
	case current > target:
		return clinical.Errorf(clinical.Conflict,
			"the database is newer than this program (version %d, this program knows %d); "+
				"start the newer program, or restore the copy that it made before it migrated", current, target)
	case current > 0 && s.engine == SQLite:
		if err := s.copyBeside(ctx, current); err != nil {
			return fmt.Errorf("the database was not migrated, for it could not be copied first; make room beside it and start again: %w", err)
		}
	}
	done, err := p.Up(ctx)
	for _, m := range done {
		s.log.InfoContext(ctx, "database migrated", "version", m.Source.Version, "took", m.Duration)
	}
	if err != nil {
		return fmt.Errorf("migrating the database: %w", err)
	}
	return nil
}

func (s *Store) provider(pool *sql.DB) (*goose.Provider, error) {
	dialect := goose.DialectSQLite3
	if s.engine == Postgres {
		dialect = goose.DialectPostgres
	}
	files, err := fs.Sub(migrations, "migrations/"+s.engine)
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(dialect, pool, files, goose.WithDisableGlobalRegistry(true), goose.WithSlog(s.log))
}

// version is the version of the database; an error where it has none yet.
func (s *Store) version(ctx context.Context) (int64, error) {
	var n int64
	err := told(s.reading(ctx).Raw("SELECT max(version_id) FROM " + goose.DefaultTablename).Row().Scan(&n))
	return n, err
}

// lockMigration waits until no other program migrates.
func (s *Store) lockMigration(ctx context.Context, pool *sql.DB) (release func(), err error) {
	if s.engine == Postgres {
		return holdLock(ctx, pool, migrationLock)
	}
	// A lock on the database itself would shut out goose, which opens its own
	// transactions. So an empty database beside it is locked; the system lets go
	// of it when the program ends, however it ends. It stays where it is: who
	// waits for the lock has the file open.
	path := s.path + ".lock"
	beside, err := sql.Open("sqlite", sqliteName(path, "exclusive", []string{"busy_timeout(600000)"}))
	if err != nil {
		return nil, err
	}
	tx, err := beside.BeginTx(ctx, nil)
	if err != nil {
		return nil, errors.Join(err, beside.Close())
	}
	return func() {
		_ = tx.Rollback()
		_ = beside.Close()
	}, nil
}

// copyBeside copies the database, with what is in its log, to a file whose name
// tells the version, and never over an older copy.
func (s *Store) copyBeside(ctx context.Context, version int64) error {
	target := fmt.Sprintf("%s.before-migration-from-%d", s.path, version)
	for n := 2; exists(target); n++ {
		target = fmt.Sprintf("%s.before-migration-from-%d.%d", s.path, version, n)
	}
	// Under another name until it is whole, and with the rights of the original.
	partial := target + ".partial"
	if err := os.Remove(partial); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := makeFile(partial); err != nil { // VACUUM INTO takes an empty file
		return err
	}
	if err := s.copyInto(ctx, partial); err != nil {
		return errors.Join(err, os.Remove(partial))
	}
	if err := os.Rename(partial, target); err != nil {
		return err
	}
	s.log.InfoContext(ctx, "database copied before its migration", "copy", target)
	return nil
}

func (s *Store) copyInto(ctx context.Context, path string) error {
	return s.write.WithContext(ctx).Exec("VACUUM INTO ?", path).Error
}

// CopyOf makes a copy of an embedded database as it stands, with what is in its log, in a file
// that is not there yet. Of a database that is not there it makes none.
func CopyOf(ctx context.Context, source, target string) error {
	if !exists(source) {
		return nil
	}
	s, err := Open(ctx, source, nil)
	if err != nil {
		return err
	}
	return errors.Join(makeFile(target), s.copyInto(ctx, target), s.Close())
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
