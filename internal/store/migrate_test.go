package store

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/pressly/goose/v3"

	"plumbline/internal/clinical"
	"plumbline/internal/testdb"
)

// bare runs a test on an empty database of each engine, which no one has migrated.
func bare(t *testing.T, test func(t *testing.T, target string)) {
	t.Helper()
	t.Run(SQLite, func(t *testing.T) { test(t, filepath.Join(t.TempDir(), "new", "plumb?line %41#.db")) })
	t.Run(Postgres, func(t *testing.T) { test(t, testdb.Postgres(t)) })
}

func names(t *testing.T, engine string) []string {
	t.Helper()
	files, err := fs.Glob(migrations, "migrations/"+engine+"/*")
	must(t, err)
	for n := range files {
		files[n] = filepath.Base(files[n])
	}
	return files
}

func TestBothEnginesHaveTheSameMigrations(t *testing.T) {
	sqlite, postgres := names(t, SQLite), names(t, Postgres)
	if diff := cmp.Diff(sqlite, postgres); diff != "" || len(sqlite) == 0 {
		t.Errorf("migrations of SQLite and PostgreSQL (-SQLite +PostgreSQL):\n%s", diff)
	}
	for n, name := range sqlite {
		if want := fmt.Sprintf("%05d_", n+1); !strings.HasPrefix(name, want) || !strings.HasSuffix(name, ".sql") {
			t.Errorf("migration %s, want a file %s*.sql", name, want)
		}
	}
}

func TestBothEnginesHaveTheSameSchema(t *testing.T) {
	sqlite, postgres := openStore(t, SQLite), openStore(t, Postgres)
	columns := map[string][]string{
		SQLite: list(t, sqlite, `SELECT m.name || '.' || c.name || ' ' || c.type || CASE WHEN c."notnull" THEN '' ELSE ' null' END
			FROM sqlite_schema m JOIN pragma_table_info(m.name) c WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%' AND m.name NOT LIKE 'goose_%'`),
		Postgres: list(t, postgres, `SELECT table_name || '.' || column_name || ' ' || data_type || CASE is_nullable WHEN 'NO' THEN '' ELSE ' null' END ||
			CASE WHEN data_type = 'text' AND collation_name IS DISTINCT FROM 'C' THEN ' compares by ' || coalesce(collation_name, 'the database') ELSE '' END
			FROM information_schema.columns WHERE table_schema = 'public' AND table_name NOT LIKE 'goose_%'`),
	}
	indexes := map[string][]string{
		SQLite: list(t, sqlite, `SELECT i.name || CASE WHEN i."unique" THEN ' unique' ELSE '' END || CASE WHEN i.partial THEN ' partial' ELSE '' END || ' ' ||
			(SELECT group_concat(name) FROM (SELECT name FROM pragma_index_info(i.name) ORDER BY seqno))
			FROM sqlite_schema m JOIN pragma_index_list(m.name) i WHERE m.type = 'table' AND i.origin = 'c'`),
		Postgres: list(t, postgres, `SELECT c.relname || CASE WHEN i.indisunique THEN ' unique' ELSE '' END || CASE WHEN i.indpred IS NULL THEN '' ELSE ' partial' END || ' ' ||
			(SELECT string_agg(a.attname, ',' ORDER BY a.attnum) FROM pg_attribute a WHERE a.attrelid = c.oid)
			FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid JOIN pg_namespace n ON n.oid = c.relnamespace
			WHERE n.nspname = 'public' AND NOT i.indisprimary AND c.relname NOT LIKE 'goose_%'`),
	}
	types := strings.NewReplacer(" BLOB", " bytes", " bytea", " bytes", " TEXT", " text", " INTEGER", " integer", " bigint", " integer", " boolean", " integer")
	for _, lists := range []map[string][]string{columns, indexes} {
		for engine := range lists {
			for n := range lists[engine] {
				lists[engine][n] = types.Replace(lists[engine][n])
			}
			slices.Sort(lists[engine])
		}
		if diff := cmp.Diff(lists[SQLite], lists[Postgres]); diff != "" || len(lists[SQLite]) < 3 {
			t.Errorf("the schemas differ (-SQLite +PostgreSQL):\n%s", diff)
		}
	}
	var known []string
	for _, c := range columns[SQLite] {
		table, _, _ := strings.Cut(c, ".")
		known = append(known, table)
	}
	if diff := cmp.Diff(distinct(slices.Concat(tables, keptTables)), distinct(known)); diff != "" {
		t.Errorf("the tables that tests wipe (-tests +schema):\n%s", diff)
	}
}

// migrateTo brings a database to a version of the past.
func migrateTo(t *testing.T, s *Store, version int64) {
	t.Helper()
	pool := get(s.write.DB())(t)
	p := get(s.provider(pool))(t)
	if version > 0 {
		_, err := p.UpTo(t.Context(), version)
		must(t, err)
	}
}

func TestEveryVersionCanBeMigrated(t *testing.T) {
	last := int64(len(names(t, SQLite)))
	first := int64(0)
	if testing.Short() {
		first = last - 2
	}
	for from := first; from <= last; from++ {
		t.Run(fmt.Sprint("from ", from), func(t *testing.T) {
			bare(t, func(t *testing.T, target string) {
				s := openTarget(t, target)
				migrateTo(t, s, from)
				if from >= 1 {
					insertOldFact(t, s)
				}
				must(t, s.Migrate(t.Context()))
				must(t, s.Migrate(t.Context()))
				if v := get(s.version(t.Context()))(t); v != last {
					t.Errorf("the version is %d, want %d", v, last)
				}
				if from >= 1 && len(versions(t, s, "S1")["S1"]) != 1 {
					t.Error("what was stored before is lost")
				}
				load(t, s, in("v.csv", vitals("V2", "S1", 0, 120)))
				checkCopies(t, s, from, last)
			})
		})
	}
}

func insertOldFact(t *testing.T, s *Store) {
	t.Helper()
	must(t, s.write.Exec(`INSERT INTO fact_versions (kind, source_id, stay_id, recorded_at, stated, status, at, body, feed, file, reading, line, hash, load_id)
		VALUES ('vitals', 'V1', 'S1', 1, ?, 'final', 1, '{"taken_at":"2026-11-25T12:00:00Z"}', 'csv', 'v.csv', 1, 2, ?, 1)`, true, []byte("0123456789abcdef")).Error)
}

func checkCopies(t *testing.T, s *Store, from, last int64) {
	t.Helper()
	if s.engine != SQLite {
		return
	}
	copies, err := filepath.Glob(filepath.Join(filepath.Dir(s.path), "*before*"))
	must(t, err)
	want := 0
	if from > 0 && from < last {
		want = 1
	}
	if len(copies) != want {
		t.Fatalf("copies made: %q, want %d", copies, want)
	}
	if want == 0 {
		return
	}
	if !strings.HasSuffix(copies[0], fmt.Sprintf(".before-migration-from-%d", from)) {
		t.Errorf("the copy is %s, want its version in its name", copies[0])
	}
	if info, err := os.Stat(copies[0]); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the copy is open to others: %v %v", info.Mode(), err)
	}
	old := openTarget(t, copies[0])
	if v := get(old.version(t.Context()))(t); v != from {
		t.Errorf("the copy is of version %d, want %d", v, from)
	}
	if n := count(t, old, "fact_versions"); n != 1 {
		t.Errorf("the copy holds %d versions, want 1", n)
	}
}

func TestACopyNeverOverwritesAnother(t *testing.T) {
	s := openStore(t, SQLite)
	for _, want := range []string{".before-migration-from-9", ".before-migration-from-9.2", ".before-migration-from-9.3"} {
		must(t, os.WriteFile(s.path+".before-migration-from-9.partial", []byte("of a copy that broke off"), 0o600))
		must(t, s.copyBeside(t.Context(), 9))
		if !exists(s.path + want) {
			t.Errorf("there is no copy %s", want)
		}
	}
}

func TestANewerDatabaseIsRefused(t *testing.T) {
	bare(t, func(t *testing.T, target string) {
		s := openTarget(t, target)
		must(t, s.Migrate(t.Context()))
		must(t, s.write.Exec("INSERT INTO "+goose.DefaultTablename+" (version_id, is_applied) VALUES (?, ?)", 999, true).Error)
		err := s.Migrate(t.Context())
		if clinical.CodeOf(err) != clinical.Conflict || !strings.Contains(err.Error(), "newer than this program (version 999,") {
			t.Errorf("a newer database: %v", err)
		}
	})
}

// Programs that start together take turns.
func TestMigrationsTakeTurns(t *testing.T) {
	bare(t, func(t *testing.T, target string) {
		first := openTarget(t, target)
		stores := []*Store{first}
		for range 5 {
			stores = append(stores, openTarget(t, reopen(t, first)))
		}
		var wg sync.WaitGroup
		for _, s := range stores {
			wg.Go(func() {
				if err := s.Migrate(t.Context()); err != nil {
					t.Errorf("migrate: %v", err)
				}
			})
		}
		wg.Wait()
		load(t, stores[3], in("v.csv", vitals("V1", "S1", 0, 120)))
	})
}
