package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"io"
	"io/fs"
	"net"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/libtnb/sqlite"
	"github.com/pressly/goose/v3"
	"gorm.io/driver/postgres"
	"gorm.io/gorm"
	moderncsqlite "modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"plumbline/internal/clinical"
)

// told marks an error for which the database itself is the reason, not what was asked
// of it, with clinical.Unavailable: whoever asked may ask again. Others stay as they are.
func told(err error) error {
	if err == nil || clinical.CodeOf(err) != clinical.Internal || !away(err) {
		return err
	}
	return &clinical.Error{
		Code: clinical.Unavailable, Err: err,
		Message: "the database cannot be used now; check that its server or its file is there, " +
			"that its disk has room and that this user may write it",
	}
}

// sqliteAway are SQLite's result codes for a file that is locked, gone, full or broken
// (sqlite.org/rescode.html, from memory).
var sqliteAway = []int{
	sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_INTERRUPT,
	sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PROTOCOL,
	sqlite3.SQLITE_NOTADB,
}

// postgresAway are the beginnings of PostgreSQL's codes (its manual, appendix A, from
// memory) for a lost connection, too few resources, a server that starts, stops or only
// reads, a lock not had in time, and faults of its system.
var postgresAway = []string{"08", "53", "57P", "58", "25006", "55P03", "57014", "XX001", "XX002"}

// isBusy is that another program has locked a SQLite file.
func isBusy(err error) bool {
	var lite *moderncsqlite.Error
	return errors.As(err, &lite) && lite.Code()&0xff == sqlite3.SQLITE_BUSY
}

// emptied is that the database lacks a table that the migrations make: it was emptied, or
// another stands in its place.
func emptied(said string) bool {
	_, table, missing := strings.Cut(said, "no such table: ")
	table, _, _ = strings.Cut(table, " ") // SQLite's message ends with its code
	return missing && (table == goose.DefaultTablename || slices.Contains(ownTables(), table))
}

// ownTables are the tables that the migrations of SQLite make.
var ownTables = sync.OnceValue(func() (tables []string) {
	paths, _ := fs.Glob(migrations, "migrations/sqlite/*.sql")
	for _, path := range paths {
		steps, _ := migrations.ReadFile(path)
		for _, made := range regexp.MustCompile(`(?m)^CREATE TABLE (\w+)`).FindAllSubmatch(steps, -1) {
			tables = append(tables, string(made[1]))
		}
	}
	return tables
})

func away(err error) bool {
	var lite *moderncsqlite.Error
	var server *pgconn.PgError
	var connect *pgconn.ConnectError
	var network net.Error
	switch {
	case errors.As(err, &lite):
		return slices.Contains(sqliteAway, lite.Code()&0xff) || emptied(lite.Error()) // the low byte is the kind
	case errors.As(err, &server):
		return slices.ContainsFunc(postgresAway, func(p string) bool { return strings.HasPrefix(server.Code, p) })
	case errors.As(err, &connect), errors.As(err, &network):
		return true
	}
	for _, known := range []error{
		sql.ErrConnDone, driver.ErrBadConn, context.DeadlineExceeded, io.EOF, io.ErrUnexpectedEOF, net.ErrClosed,
	} {
		if errors.Is(err, known) {
			return true
		}
	}
	// Those that their packages give no name to.
	text := err.Error()
	return strings.Contains(text, "sql: database is closed") || strings.Contains(text, "conn closed")
}

// ended is the error that ended the reading of rows.
func ended(rows *sql.Rows) error { return told(rows.Err()) }

// openGorm opens gorm on a dialect that marks what gorm returns. gorm asks the dialect
// about every error but those of queries whose rows it hands on.
func openGorm(dialect gorm.Dialector) (*gorm.DB, error) {
	db, err := gorm.Open(dialect, gormConfig())
	if err != nil {
		return nil, err
	}
	return db, db.Callback().Row().After("gorm:row").Register("told", func(tx *gorm.DB) { tx.Error = told(tx.Error) })
}

type sqliteDialect struct{ *sqlite.Dialector }

// Translate implements gorm.ErrorTranslator.
func (d sqliteDialect) Translate(err error) error { return told(d.Dialector.Translate(err)) }

type postgresDialect struct{ *postgres.Dialector }

// Translate implements gorm.ErrorTranslator.
func (d postgresDialect) Translate(err error) error { return told(d.Dialector.Translate(err)) }
