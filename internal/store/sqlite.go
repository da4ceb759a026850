package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/libtnb/sqlite"
	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// What each connection to a SQLite file is told. A write waits a minute for a
// writer in another process, such as `dashboard load` beside `dashboard serve`.
// The log is flushed at each commit (FULL): what was acknowledged to a sender
// must outlive a power cut.
var (
	pragmas       = []string{"busy_timeout(60000)", "foreign_keys(1)", "temp_store(MEMORY)"}
	writerPragmas = []string{"journal_mode(WAL)", "synchronous(FULL)", "journal_size_limit(67108864)", "cache_size(-65536)"}
	readerPragmas = []string{"query_only(1)", "cache_size(-16384)"}
)

func openSQLite(ctx context.Context, target string, log *slog.Logger) (*Store, error) {
	path, err := filepath.Abs(target)
	if err != nil {
		return nil, fmt.Errorf("the database path %s cannot be resolved: %w", target, err)
	}
	if err := makeFile(path); err != nil {
		return nil, err
	}
	s := &Store{engine: SQLite, target: target, path: path, log: log}
	// Write transactions lock at their start. One that read first and locked
	// later would fail when another had written in between.
	if s.write, err = openSQLitePool(ctx, path, "immediate", 1, append(pragmas, writerPragmas...)); err != nil {
		return nil, err
	}
	// The readers come second: the writer sets the journal mode of the file.
	if s.read, err = openSQLitePool(ctx, path, "deferred", max(4, runtime.GOMAXPROCS(0)), append(pragmas, readerPragmas...)); err != nil {
		s.read = s.write
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// makeFile makes the database file where it is missing, and its folder, for the
// eyes of the program's own user: it holds patients' records.
func makeFile(path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("the folder of the database %s cannot be made; "+
			"choose another path, or make the folder and give it to this user: %w", path, err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("the database %s cannot be opened; check that it is a file, "+
			"and that this user may write it and its folder: %w", path, err)
	}
	return f.Close()
}

func openSQLitePool(ctx context.Context, path, lock string, connections int, pragmas []string) (*gorm.DB, error) {
	pool, err := sql.Open(sqlite.DriverName, sqliteName(path, lock, pragmas))
	if err != nil {
		return nil, err
	}
	pool.SetMaxOpenConns(connections)
	pool.SetMaxIdleConns(connections)
	err = pool.PingContext(ctx)
	if err == nil {
		var db *gorm.DB
		if db, err = openGorm(sqliteDialect{&sqlite.Dialector{Conn: pool}}); err == nil {
			return db, nil
		}
	}
	_ = pool.Close()
	if strings.Contains(err.Error(), "not a database") {
		return nil, clinical.Errorf(clinical.Invalid, "%s is not a SQLite database; choose another path", path)
	}
	return nil, fmt.Errorf("the database %s cannot be opened; check that this user may write the file and its folder: %w", path, err)
}

func sqliteName(path, lock string, pragmas []string) string {
	q := url.Values{"_txlock": {lock}, "_pragma": pragmas}
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path // a drive letter
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
}
