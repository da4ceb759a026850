package store

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"plumbline/internal/clinical"
	"plumbline/internal/testdb"
)

const benchRows = 50_000

// BenchmarkLoad loads a file of readings, from the first row to the counted
// result, into an empty store, and again where all is held already. On PostgreSQL
// it names how many times as fast a bare COPY of the same bytes is, into a table
// without an index.
func BenchmarkLoad(b *testing.B) {
	rows := readings(benchRows)
	for _, engine := range []string{SQLite, Postgres} {
		b.Run(engine, func(b *testing.B) { benchmarkLoad(b, engine, rows, 0) })
		b.Run(engine+"/again", func(b *testing.B) { benchmarkLoad(b, engine, rows, benchRows) })
	}
}

func benchmarkLoad(b *testing.B, engine string, rows []clinical.Version, unchanged int) {
	var took, bare time.Duration
	for b.Loop() {
		b.StopTimer()
		s := openStore(b, engine)
		f := file{name: "vitals.csv", versions: rows}
		load(b, s, in("stays.csv", staysOf(rows)...))
		if unchanged > 0 {
			load(b, s, f)
		}
		b.StartTimer()
		start := time.Now()
		result := load(b, s, f)
		took += time.Since(start)
		b.StopTimer()
		if result.Unchanged != unchanged || result.Accepted != len(rows)-unchanged {
			b.Fatalf("not what was to be measured: %+v", result)
		}
		if engine == Postgres && unchanged == 0 {
			bare += bareCopy(b, rows)
		}
		b.StartTimer()
	}
	b.ReportMetric(float64(b.N*len(rows))/took.Seconds(), "rows/s")
	if bare > 0 {
		b.ReportMetric(float64(b.N*len(rows))/bare.Seconds(), "copy-rows/s")
		b.ReportMetric(took.Seconds()/bare.Seconds(), "times-copy")
	}
}

func staysOf(rows []clinical.Version) []clinical.Version {
	var list []clinical.Version
	known := map[string]bool{}
	for _, v := range rows {
		if !known[v.StayID] {
			known[v.StayID] = true
			list = append(list, stay(v.StayID, "4W", -1))
		}
	}
	return list
}

// bareCopy is what the server takes for the same bytes alone.
func bareCopy(b *testing.B, rows []clinical.Version) time.Duration {
	b.Helper()
	conn, err := pgx.Connect(b.Context(), testdb.Postgres(b))
	must(b, err)
	defer func() { _ = conn.Close(b.Context()) }()
	_, err = conn.Exec(b.Context(), `CREATE TABLE bare (n integer, kind text, source_id text, stay_id text, patient_id text, recorded_at bigint, stated boolean,
		status text, at bigint, body text, feed text, file text, reading bigint, line bigint, hash bytea, load_id bigint)`)
	must(b, err)
	var stored []versionRow
	for _, v := range rows {
		row, _, err := rowOf(v, nil)
		must(b, err)
		stored = append(stored, row)
	}
	text := appendCopy(nil, stored, 1)
	start := time.Now()
	tag, err := conn.PgConn().CopyFrom(b.Context(), bytes.NewReader(text), "COPY bare FROM STDIN (FORMAT binary)")
	must(b, err)
	if tag.RowsAffected() != int64(len(rows)) {
		b.Fatal(fmt.Errorf("copied %d rows", tag.RowsAffected()))
	}
	return time.Since(start)
}
