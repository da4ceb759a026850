package opendata

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"plumbline/internal/testdb"
)

//go:embed testdata
var testdata embed.FS

// figures works a trial out in SQL, on a database of its own.
type figures struct{ conn *pgx.Conn }

// newFigures puts the raw tables of a trial into PostgreSQL, as text.
func newFigures(t *testing.T, tr trial) figures {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), testdb.Postgres(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	f := figures{conn}
	f.exec(t, "SET jit = off") // compiling costs more than these queries
	for table, text := range tr.tables {
		var columns []string
		for _, c := range tr.columns(t, table) {
			columns = append(columns, pgx.Identifier{strings.ToLower(c)}.Sanitize()+" text")
		}
		f.exec(t, "CREATE TABLE "+table+" ("+strings.Join(columns, ", ")+")")
		f.copy(t, table, text)
	}
	f.exec(t, script(t, "raw.sql"))
	f.copy(t, "ingredient", []byte(script(t, "ingredients.csv")))
	f.exec(t, script(t, "drugs.sql"))
	return f
}

func script(t *testing.T, name string) string {
	t.Helper()
	text, err := testdata.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func (f figures) exec(t *testing.T, sql string) {
	t.Helper()
	if _, err := f.conn.PgConn().Exec(t.Context(), sql).ReadAll(); err != nil {
		t.Fatal(err)
	}
}

func (f figures) copy(t *testing.T, table string, text []byte) {
	t.Helper()
	if _, err := f.conn.PgConn().CopyFrom(t.Context(), bytes.NewReader(text), "COPY "+table+" FROM STDIN WITH (FORMAT csv, HEADER true)"); err != nil {
		t.Fatal(err)
	}
}

// ask works everything out for one moment and one way of keeping readings
// together.
func (f figures) ask(t *testing.T, at time.Time, given bool) {
	t.Helper()
	f.exec(t, fmt.Sprintf("TRUNCATE question; INSERT INTO question VALUES ('%s', %t)", at.Format("2006-01-02 15:04:05"), given))
	f.exec(t, script(t, "figures.sql"))
}

// sets are the sets of every stay that has any.
func (f figures) sets(t *testing.T) map[string][]set {
	t.Helper()
	out := byStay[[]set](t, f, script(t, "sets.sql"))
	for _, sets := range out {
		inOrder(sets)
	}
	return out
}

// stays is what the list should say of every stay on it.
func (f figures) stays(t *testing.T) map[string]stay {
	t.Helper()
	out := byStay[stay](t, f, script(t, "stays.sql"))
	for _, s := range out {
		sortChanges(s.Exposures.Changes)
	}
	return out
}

// byStay reads a query of stays and JSON documents.
func byStay[T any](t *testing.T, f figures, sql string) map[string]T {
	t.Helper()
	rows, err := f.conn.Query(t.Context(), sql)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]T{}
	var stay string
	var document []byte
	_, err = pgx.ForEachRow(rows, []any{&stay, &document}, func() error {
		var v T
		if err := json.Unmarshal(document, &v); err != nil {
			return fmt.Errorf("%s: %w in %s", stay, err, document)
		}
		out[stay] = v
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// number reads one figure.
func (f figures) number(t *testing.T, sql string) float64 {
	t.Helper()
	var v float64
	if err := f.conn.QueryRow(t.Context(), "SELECT ("+sql+")::float8").Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}
