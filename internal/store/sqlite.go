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
// must outlive a power cut. A reader that sorts more than its cache holds, such as a million rows
// that wait, does so in a file without a name.
var (
	pragmas       = []string{"busy_timeout(60000)", "foreign_keys(1)"}
	writerPragmas = []string{
		"temp_store(MEMORY)", "journal_mode(WAL)", "synchronous(FULL)", "journal_size_limit(67108864)", "cache_size(-65536)",
	}
	readerPragmas = []string{"temp_store(FILE)", "query_only(1)", "cache_size(-16384)"}
)

func openSQLite(ctx context.Context, target string, log *slog.Logger) (*Store, error) {
	path, err := filepath.Abs(target)
	if err != nil {
		return nil, fmt.Errorf("the database path %s cannot be resolved: %w", target, err)
	}
	if err := makeFile(path); err != nil {
		return nil, err
	}
	file, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("the database %s cannot be looked at; check that its folder can be read: %w", path, err)
	}
	s := &Store{engine: SQLite, target: target, path: path, log: log, file: file}
	// Write transactions lock at their start. One that read first and locked
	// later would fail when another had written in between.
	if s.write, err = s.openPool(ctx, "immediate", 1, append(pragmas, writerPragmas...)); err != nil {
		return nil, err
	}
	// The readers come second: the writer sets the journal mode of the file.
	if s.read, err = s.openPool(ctx, "deferred", max(4, runtime.GOMAXPROCS(0)), append(pragmas, readerPragmas...)); err != nil {
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

// openPool opens connections to the file as it is there: one that is gone is not made anew.
func (s *Store) openPool(ctx context.Context, lock string, connections int, pragmas []string) (*gorm.DB, error) {
	path := s.path
	pool, err := sql.Open(sqlite.DriverName, sqliteName(path, lock, pragmas)+"&mode=rw")
	if err != nil {
		return nil, err
	}
	pool.SetMaxOpenConns(connections)
	pool.SetMaxIdleConns(connections)
	err = pool.PingContext(ctx)
	if err == nil {
		var db *gorm.DB
		if db, err = openGorm(sqliteDialect{&sqlite.Dialector{Conn: filePool{pool, s.fileThere}}}); err == nil {
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

// fileThere reports whether the database file is the one that was opened. Whoever has a file
// open reads and writes on in it after it was removed or replaced, and all that is lost.
func (s *Store) fileThere() error {
	now, err := os.Stat(s.path)
	if err == nil && os.SameFile(now, s.file) {
		return nil
	}
	if err == nil {
		err = errors.New("another file stands in its place; put the right one back, or start the program again")
	}
	return told(fmt.Errorf("the database %s is gone: %w: %w", s.target, err, sql.ErrConnDone))
}

// filePool is a pool of connections to a file that is looked at before each statement
// outside a transaction, and before each transaction.
type filePool struct {
	*sql.DB
	there func() error
}

// GetDBConn implements gorm.GetDBConnector.
func (p filePool) GetDBConn() (*sql.DB, error) { return p.DB, nil }

// BeginTx implements gorm.TxBeginner.
func (p filePool) BeginTx(ctx context.Context, opts *sql.TxOptions) (*sql.Tx, error) {
	if err := p.there(); err != nil {
		return nil, err
	}
	tx, err := p.DB.BeginTx(ctx, opts)
	return tx, told(err)
}

func (p filePool) PrepareContext(ctx context.Context, query string) (*sql.Stmt, error) {
	if err := p.there(); err != nil {
		return nil, err
	}
	return p.DB.PrepareContext(ctx, query)
}

func (p filePool) ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error) {
	if err := p.there(); err != nil {
		return nil, err
	}
	return p.DB.ExecContext(ctx, query, args...)
}

func (p filePool) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	if err := p.there(); err != nil {
		return nil, err
	}
	return p.DB.QueryContext(ctx, query, args...)
}

// QueryRowContext asks without time left where the file is gone: a sql.Row cannot be made
// that holds another error, and this one reads as an unavailable database too.
func (p filePool) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	if p.there() != nil {
		spent, cancel := context.WithTimeout(ctx, 0)
		defer cancel()
		ctx = spent
	}
	return p.DB.QueryRowContext(ctx, query, args...)
}
