// Package testdb gives tests a database of their own, copied from one that was
// prepared once: a SQLite file in a few milliseconds, a PostgreSQL database in some
// tens. It knows nothing of what stands in them: testdb/teststore opens the store on
// such a copy, empty or with the demo unit.
//
// scripts/with-postgres.sh, which `make test` runs, starts the server and names
// it in PLUMBLINE_TEST_POSTGRES. Where no server is named the tests that need
// one are skipped, so that a plain `go test` works without any.
package testdb

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// Variable names the server: a URL whose user may create databases.
const Variable = "PLUMBLINE_TEST_POSTGRES"

// Tools names a mark of the programs and data outside of the module that tests rely on. Whoever relies on them asks for
// it, so that go test does not answer from its cache when they have changed; see scripts/with-postgres.sh.
const Tools = "PLUMBLINE_TEST_TOOLS"

// Postgres returns the URL of a new, empty database, dropped when the test ends.
func Postgres(tb testing.TB) string {
	tb.Helper()
	return create(tb, server(tb), "template0")
}

// PostgresFrom returns the URL of a new copy of a database that fill has
// prepared, dropped when the test ends. fill runs once per test process and
// name, so that a suite pays for its migrations once and not with every test.
// It must have closed its connections when it returns.
func PostgresFrom(tb testing.TB, name string, fill func(databaseURL string) error) string {
	tb.Helper()
	admin := server(tb)
	made, _ := templates.LoadOrStore(name, &template{})
	t := made.(*template)
	t.once.Do(func() {
		t.database = newName("template")
		if t.err = execute(admin, "CREATE DATABASE "+t.database+" TEMPLATE template0"); t.err == nil {
			t.err = fill(databaseURL(admin, t.database))
		}
	})
	if t.err != nil {
		tb.Fatalf("prepare the template database %q: %v", name, t.err)
	}
	return create(tb, admin, t.database)
}

// Templates live as long as the server: it is thrown away after the run.
var templates sync.Map // name -> *template

type template struct {
	once     sync.Once
	database string
	err      error
}

func server(tb testing.TB) string {
	tb.Helper()
	_ = os.Getenv(Tools)
	admin := os.Getenv(Variable)
	if admin == "" {
		tb.Skipf("needs PostgreSQL: run `make test`, or `scripts/with-postgres.sh go test ./...`, or name a server in %s", Variable)
	}
	return admin
}

func create(tb testing.TB, admin, from string) string {
	tb.Helper()
	name := newName("test")
	if err := execute(admin, "CREATE DATABASE "+name+" TEMPLATE "+from+strategy(admin)); err != nil {
		tb.Fatalf("create a test database: %v", err)
	}
	tb.Cleanup(func() {
		// FORCE ends the connections of whatever the test has not closed.
		if err := execute(admin, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)"); err != nil {
			tb.Errorf("drop the test database: %v", err)
		}
	})
	return databaseURL(admin, name)
}

// strategy has a server that can (15 and later) copy the files of a database, which takes
// less than half of writing every page into the log.
func strategy(admin string) string {
	newer.once.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		conn, err := pgx.Connect(ctx, admin)
		if err != nil {
			return // whoever asks next says so
		}
		defer conn.Close(ctx)
		_ = conn.QueryRow(ctx, "SELECT current_setting('server_version_num')::int >= 150000").Scan(&newer.copies)
	})
	if newer.copies {
		return " STRATEGY FILE_COPY"
	}
	return ""
}

var newer struct {
	once   sync.Once
	copies bool
}

// patience is how long one statement may take before it counts as hanging.
const patience = 3 * time.Minute

// newName is unique over the packages that `go test` runs at the same time.
func newName(kind string) string {
	return "plumbline_" + kind + "_" + strings.ToLower(rand.Text())
}

func databaseURL(admin, name string) string {
	u, err := url.Parse(admin)
	if err != nil {
		panic(fmt.Sprintf("%s is no URL: %v", Variable, err))
	}
	u.Path = "/" + name
	return u.String()
}

func execute(admin, statement string) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, admin)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, statement)
	return err
}
