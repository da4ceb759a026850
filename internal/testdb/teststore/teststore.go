// Package teststore opens the real store for tests, each on a SQLite file of its own:
//
//	st := teststore.Empty(t)        // migrated, nothing in it
//	st := teststore.Demo(t)         // the demo unit's stories, loaded at their anchor
//	st := teststore.DemoWithPast(t) // and the year before them
//
// The file is a copy of a template that is prepared once a machine, so a test pays a
// few milliseconds; the store is closed and the file removed when the test ends. Tests
// that open their files themselves take EmptyFile and so on.
package teststore

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb"
	"plumbline/seed"
)

// Now is the moment at which the demo unit was loaded: the anchor of its stories.
func Now() time.Time { return demo.AnchorTime() }

// Empty opens a migrated store with nothing in it.
func Empty(tb testing.TB) *store.Store { tb.Helper(); return Open(tb, EmptyFile(tb)) }

// EmptyOnPostgres is Empty on PostgreSQL; the test is skipped where there is no server.
func EmptyOnPostgres(tb testing.TB) *store.Store { tb.Helper(); return Open(tb, EmptyPostgres(tb)) }

// EmptyPostgres is the address of the database that EmptyOnPostgres opens.
func EmptyPostgres(tb testing.TB) string {
	tb.Helper()
	return testdb.PostgresFrom(tb, "empty", func(target string) error {
		st, err := open(context.Background(), target)
		if err != nil {
			return err
		}
		return st.Close()
	})
}

// Demo opens a store with the demo unit's stories, loaded at Now.
func Demo(tb testing.TB) *store.Store { tb.Helper(); return Open(tb, DemoFile(tb)) }

// DemoWithPast opens a store with the demo unit's stories and the year before them.
func DemoWithPast(tb testing.TB) *store.Store { tb.Helper(); return Open(tb, DemoWithPastFile(tb)) }

// EmptyFile is the path of the file that Empty opens.
func EmptyFile(tb testing.TB) string {
	tb.Helper()
	return copyOf(tb, "empty", func() ([]demo.File, error) { return nil, nil })
}

// DemoFile is the path of the file that Demo opens.
func DemoFile(tb testing.TB) string { tb.Helper(); return copyOf(tb, "demo", seed.Files) }

// DemoWithPastFile is the path of the file that DemoWithPast opens.
func DemoWithPastFile(tb testing.TB) string {
	tb.Helper()
	return copyOf(tb, "demo-with-past", func() ([]demo.File, error) {
		files, err := seed.Files()
		return append(files, demo.Past(Now())...), err
	})
}

// Open opens a store for a test and closes it when the test ends. No test outlives a
// power cut, so its commits do not wait for the disk.
func Open(tb testing.TB, target string) *store.Store {
	tb.Helper()
	st, err := open(context.Background(), target)
	if err != nil {
		tb.Fatal(err)
	}
	targets.Store(st, target)
	tb.Cleanup(func() {
		targets.Delete(st)
		if err := st.Close(); err != nil {
			tb.Errorf("close the store: %v", err)
		}
	})
	return st
}

func open(ctx context.Context, target string) (*store.Store, error) {
	st, err := store.Open(ctx, target, nil)
	if err != nil {
		return nil, err
	}
	st.EpisodeRules = episodes.KeptRules
	if err := errors.Join(st.Unflushed(ctx), st.Migrate(ctx)); err != nil {
		return nil, errors.Join(err, st.Close())
	}
	return st, nil
}

// Count is how many rows a table of a store on SQLite holds: for what is kept or dropped
// behind an answer that stays the same.
func Count(tb testing.TB, st *store.Store, table string) (n int) {
	tb.Helper()
	target, _ := targets.Load(st)
	Ask(tb, target.(string), "SELECT count(*) FROM "+table, &n)
	return n
}

// targets are the databases of the stores that Open opened.
var targets sync.Map

// Ask asks a database of either engine for one row, beside the store.
func Ask(tb testing.TB, target, query string, into ...any) {
	tb.Helper()
	driver := "sqlite"
	if strings.Contains(target, "://") {
		driver = "pgx"
	}
	db, err := sql.Open(driver, target)
	if err != nil {
		tb.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	if err := db.QueryRowContext(tb.Context(), query).Scan(into...); err != nil {
		tb.Fatal(err)
	}
}

// key changes with the code that migrates, writes and loads the templates.
var key = sync.OnceValues(func() (string, error) {
	return testdb.KeyOf("internal/clinical", "internal/demo", "internal/ingest", "internal/records",
		"internal/store", "internal/testdb", "seed")
})

func copyOf(tb testing.TB, name string, files func() ([]demo.File, error)) string {
	tb.Helper()
	key, err := key()
	if err != nil {
		tb.Fatal(err)
	}
	return testdb.SQLiteFrom(tb, name, key, func(path string) error {
		ctx := context.Background()
		list, err := files()
		if err != nil {
			return err
		}
		st, err := open(ctx, path)
		if err != nil {
			return err
		}
		return errors.Join(Load(ctx, st, list, Now()), checkUnits(ctx, st), st.Close())
	})
}

// Load reads files of the demo's feed in one load that begins and ends at a moment.
// No files, no load.
func Load(ctx context.Context, st *store.Store, files []demo.File, at time.Time) error {
	if len(files) == 0 {
		return nil
	}
	load, err := st.BeginLoad(ctx, at, "test")
	if err != nil {
		return err
	}
	for _, f := range files {
		kind, ok := csvfeed.KindOf(f.Name)
		if !ok {
			return fmt.Errorf("%s is of no known kind", f.Name)
		}
		mark := records.Mark{Name: "/demo/feed/" + f.Name, Size: int64(len(f.Data)), ModTime: at.Add(-time.Minute)}
		_, err := st.Take(ctx, records.Delivery{Load: load, File: &mark}, func(b records.Batch) error {
			return csvfeed.Read(bytes.NewReader(f.Data), kind, f.Name, feed.Options{Zone: time.UTC, Now: at}, sink{b})
		})
		if err != nil {
			return fmt.Errorf("load %s: %w", f.Name, err)
		}
	}
	_, err = st.FinishLoad(ctx, load, at)
	return err
}

// checkUnits says of every unit that its feeds were checked, so that nothing is in
// commissioning but where a test wants it.
func checkUnits(ctx context.Context, st *store.Store) error {
	units, err := st.Units(ctx)
	for _, unit := range units {
		err = errors.Join(err, st.AddUnitCheck(ctx, records.UnitCheck{Unit: unit, Checked: true}))
	}
	return err
}

// sink hands what the reader finds to the store.
type sink struct{ records.Batch }

func (s sink) Notice(string) {}
