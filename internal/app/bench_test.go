package app

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/demo"
	"plumbline/internal/testdb"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/trends"
)

// benchSite opens a site on a database of its own.
func benchSite(b *testing.B, database string, now time.Time) *site {
	b.Helper()
	p := process{env: func(string) string { return "" }, stdout: os.Stderr, stderr: os.Stderr, clock: func() time.Time { return now }}
	s, _, err := p.parse("bench", []string{"--database", database}, nil)
	if err != nil {
		b.Fatal(err)
	}
	site, err := p.open(context.Background(), s)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(site.close)
	return site
}

// bulkRows is the size of the feed that loads are measured with.
const bulkRows = 60000

// BenchmarkLoad measures a whole load, from the files to the summary, and beside
// it a plain COPY of the same bytes into a table of text columns: rows per second,
// and the load's time as a multiple of the COPY's in the same run.
func BenchmarkLoad(b *testing.B) {
	feed := filepath.Join(b.TempDir(), "feed")
	if err := os.Mkdir(feed, 0o700); err != nil {
		b.Fatal(err)
	}
	writeBulk(b, feed, 3, bulkRows/3)
	postgres := testdb.Postgres(b)
	copied := timePlainCopy(b, postgres, feed)
	b.ReportMetric(0, "ns/op")
	for _, engine := range []string{"sqlite", "postgres"} {
		b.Run(engine, func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				database := filepath.Join(b.TempDir(), fmt.Sprintf("%d.db", b.N))
				if engine == "postgres" {
					database = testdb.Postgres(b)
				}
				s := benchSite(b, database, time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC))
				b.StartTimer()
				summary, err := s.loader.Load(context.Background(), []string{feed}, "bench")
				if err != nil || summary.Accepted != bulkRows+100 {
					b.Fatalf("%+v %v", summary, err)
				}
			}
			perLoad := b.Elapsed() / time.Duration(b.N)
			b.ReportMetric(float64(bulkRows)/perLoad.Seconds(), "rows/s")
			b.ReportMetric(float64(bulkRows)/copied.Seconds(), "copy-rows/s")
			b.ReportMetric(float64(perLoad)/float64(copied), "x-copy")
		})
	}
}

// timePlainCopy is the time of COPY of the feed's readings, the best of three.
func timePlainCopy(b *testing.B, url, feed string) time.Duration {
	b.Helper()
	ctx := context.Background()
	c, err := pgx.Connect(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = c.Close(ctx) }()
	best := time.Duration(0)
	for range 3 {
		if _, err := c.Exec(ctx, `DROP TABLE IF EXISTS plain; CREATE TABLE plain (source_id text, stay_id text, taken_at text,
			systolic text, diastolic text, heart_rate text, position text, minutes_in_position text, limb text)`); err != nil {
			b.Fatal(err)
		}
		start := time.Now()
		for n := range 3 {
			f, err := os.Open(filepath.Join(feed, fmt.Sprintf("vitals-%d.csv", n)))
			if err != nil {
				b.Fatal(err)
			}
			_, err = c.PgConn().CopyFrom(ctx, f, "COPY plain FROM STDIN WITH (FORMAT csv, HEADER true)")
			_ = f.Close()
			if err != nil {
				b.Fatal(err)
			}
		}
		if took := time.Since(start); best == 0 || took < best {
			best = took
		}
	}
	return best
}

// BenchmarkAssess measures one stay (the longest of the demo unit) in the core
// alone and with the reading of its facts, the unit from the facts known at a
// moment, and the unit from kept digests; the last is given as a share of the one
// before it.
func BenchmarkAssess(b *testing.B) {
	now := demo.AnchorTime()
	s := benchSite(b, filepath.Join(b.TempDir(), "assess.db"), now)
	feed := filepath.Join(b.TempDir(), "feed")
	if err := writeDemoFeed(feed, now); err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	if _, err := s.loader.Load(ctx, []string{feed}, "bench"); err != nil {
		b.Fatal(err)
	}
	chart, err := s.service.Chart(ctx, "S125", now)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("core", func(b *testing.B) {
		for b.Loop() {
			_ = alerts.Assess(s.service.Digest(chart), s.service.Policy.Current().Policy, time.UTC, now)
		}
	})
	b.Run("stay", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.service.Stay(ctx, "S125", now); err != nil {
				b.Fatal(err)
			}
		}
	})
	var known time.Duration
	b.Run("unit-as-of", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.service.List(ctx, demo.MainUnit, now); err != nil {
				b.Fatal(err)
			}
		}
		known = b.Elapsed() / time.Duration(b.N)
	})
	b.Run("unit-live", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.service.Live(ctx, demo.MainUnit, now); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed()/time.Duration(b.N))/float64(known), "x-as-of")
	})
}

// BenchmarkUnitOverTime measures a year of the demo unit with its past by month, as
// it is first asked for and again: the second as a share of the first.
func BenchmarkUnitOverTime(b *testing.B) {
	now := demo.AnchorTime()
	s := benchSite(b, filepath.Join(b.TempDir(), "unit.db"), now)
	feed := filepath.Join(b.TempDir(), "feed")
	if err := writeDemoFeed(feed, now); err != nil {
		b.Fatal(err)
	}
	if err := writeDemoPast(feed, now); err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	if _, err := s.loader.Load(ctx, []string{feed}, "bench"); err != nil {
		b.Fatal(err)
	}
	ask := func(b *testing.B, service *assess.Service) {
		if _, err := service.Unit(ctx, demo.MainUnit, now.AddDate(-1, 0, 0), now, trends.ByMonth, now); err != nil {
			b.Fatal(err)
		}
	}
	var first time.Duration
	b.Run("first", func(b *testing.B) {
		for b.Loop() {
			ask(b, &assess.Service{Store: s.service.Store, Policy: s.service.Policy, Zone: s.service.Zone})
		}
		first = b.Elapsed() / time.Duration(b.N)
	})
	b.Run("again", func(b *testing.B) {
		ask(b, s.service)
		b.ResetTimer()
		for b.Loop() {
			ask(b, s.service)
		}
		if first > 0 {
			b.ReportMetric(float64(b.Elapsed()/time.Duration(b.N))/float64(first), "x-first")
		}
	})
}

// BenchmarkIsItAllThere measures the page of what feeds bring, of the demo unit with its year: the
// sums and how each day stands to the habit. What is kept of stays is counted before.
func BenchmarkIsItAllThere(b *testing.B) {
	now := demo.AnchorTime()
	s := benchSite(b, teststore.DemoWithPastFile(b), now)
	counted, err := s.watch.CatchUp(b.Context())
	if err != nil || counted < 100 {
		b.Fatalf("%d stays counted: %v", counted, err)
	}
	for b.Loop() {
		report, err := s.newWatch(func() time.Time { return now }).Report(b.Context(), s.watch.Today())
		if err != nil || len(report) < 2 {
			b.Fatalf("%d units: %v", len(report), err)
		}
	}
}
