package testdb_test

import (
	"context"
	"errors"
	"os"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"plumbline/internal/testdb"
)

func TestEachTestHasItsOwnDatabase(t *testing.T) {
	a, b := testdb.Postgres(t), testdb.Postgres(t)
	execute(t, a, "CREATE TABLE note (text text)")
	execute(t, b, "CREATE TABLE note (text text)")
}

func TestADatabaseIsDroppedWhenItsTestEnds(t *testing.T) {
	var url string
	t.Run("inner", func(t *testing.T) {
		url = testdb.Postgres(t)
		// A connection left open does not keep the database alive.
		if _, err := pgx.Connect(t.Context(), url); err != nil {
			t.Fatal(err)
		}
	})
	if url == "" {
		t.Skip("the inner test was skipped")
	}
	_, err := pgx.Connect(t.Context(), url)
	var refused *pgconn.PgError
	if !errors.As(err, &refused) || refused.Code != "3D000" { // invalid_catalog_name
		t.Errorf("connecting to a dropped database: %v, want code 3D000", err)
	}
}

func TestACopyOfATemplateHoldsWhatFillMade(t *testing.T) {
	runs := 0
	fill := func(url string) error {
		runs++
		conn, err := pgx.Connect(context.Background(), url)
		if err != nil {
			return err
		}
		defer conn.Close(context.Background())
		_, err = conn.Exec(context.Background(), "CREATE TABLE note (text text)")
		return err
	}
	a := testdb.PostgresFrom(t, "notes", fill)
	b := testdb.PostgresFrom(t, "notes", fill)
	execute(t, a, "INSERT INTO note VALUES ('one')")
	execute(t, b, "INSERT INTO note VALUES ('two')")
	if runs != 1 {
		t.Errorf("fill ran %d times, want once", runs)
	}
}

func TestWithoutAServerTheTestIsSkipped(t *testing.T) {
	if os.Getenv(testdb.Variable) != "" {
		t.Setenv(testdb.Variable, "")
	}
	var inner *testing.T
	t.Run("inner", func(t *testing.T) {
		inner = t
		testdb.Postgres(t)
	})
	if !inner.Skipped() {
		t.Error("a test without a server went on, want it skipped")
	}
}

func execute(t *testing.T, url, statement string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(t.Context(), statement); err != nil {
		t.Fatal(err)
	}
}
