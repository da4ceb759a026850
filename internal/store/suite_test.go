package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/testdb"
)

// forEachEngine runs a test on a fresh, migrated store of each engine.
func forEachEngine(t *testing.T, test func(*testing.T, *Store)) {
	t.Helper()
	for _, engine := range []string{SQLite, Postgres} {
		t.Run(engine, func(t *testing.T) { test(t, openStore(t, engine)) })
	}
}

// openStore opens a copy of a database that is migrated once: to migrate takes longer than
// most tests. (Those of the migrations open their own.)
func openStore(tb testing.TB, engine string) *Store {
	tb.Helper()
	s := openTarget(tb, migrated(tb, engine))
	must(tb, s.Migrate(tb.Context()))
	if _, bench := tb.(*testing.B); !bench {
		must(tb, s.Unflushed(tb.Context())) // no test outlives a power cut
	}
	return s
}

// migrated is a new database of an engine with all its tables and nothing in them.
func migrated(tb testing.TB, engine string) (target string) {
	tb.Helper()
	migrate := func(target string) error {
		s, err := Open(context.Background(), target, nil)
		if err != nil {
			return err
		}
		return errors.Join(s.Migrate(context.Background()), s.Close())
	}
	if engine == Postgres {
		return testdb.PostgresFrom(tb, "store", migrate)
	}
	return testdb.SQLiteFrom(tb, "store", get(key())(tb), migrate)
}

// key changes with the code that migrates.
var key = sync.OnceValues(func() (string, error) { return testdb.KeyOf("internal/store", "internal/testdb") })

func openTarget(tb testing.TB, target string) *Store {
	tb.Helper()
	s, err := Open(tb.Context(), target, nil)
	must(tb, err)
	s.EpisodeRules = episodeRules
	tb.Cleanup(func() {
		if err := s.Close(); err != nil {
			tb.Errorf("close the store: %v", err)
		}
	})
	return s
}

func must(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

// get is must for a value.
func get[T any](v T, err error) func(testing.TB) T {
	return func(tb testing.TB) T {
		tb.Helper()
		must(tb, err)
		return v
	}
}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func hours(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }

// file is a feed file of a test: what it holds, and rows that are held back.
type file struct {
	name     string
	versions []clinical.Version
	held     []records.Held
	skipped  int
	parts    []records.Part
}

func (f file) read(b records.Batch) error {
	for _, v := range f.versions {
		if err := b.Put(v); err != nil {
			return err
		}
	}
	for _, h := range f.held {
		if err := b.Hold(h); err != nil {
			return err
		}
	}
	for _, p := range f.parts {
		if err := b.Part(p); err != nil {
			return err
		}
	}
	if len(f.parts) > 0 {
		if err := b.Compose(puzzleFeed, composePuzzle); err != nil {
			return err
		}
	}
	for range f.skipped {
		if err := b.Skip("csv", clinical.KindWeight); err != nil {
			return err
		}
	}
	return nil
}

// load reads files in one load.
func load(tb testing.TB, s *Store, files ...file) records.Counts {
	tb.Helper()
	_, result := loadAt(tb, s, noon, files...)
	return result
}

// fileIn is a file as a delivery of a load.
func fileIn(load int64, mark records.Mark) records.Delivery {
	return records.Delivery{Load: load, File: &mark}
}

func loadAt(tb testing.TB, s *Store, at time.Time, files ...file) (int64, records.Counts) {
	tb.Helper()
	id, err := s.BeginLoad(tb.Context(), at, "test")
	must(tb, err)
	for _, f := range files {
		_, err := s.Take(tb.Context(), fileIn(id, records.Mark{Name: f.name, Size: 1, ModTime: at}), f.read)
		must(tb, err)
	}
	result, err := s.FinishLoad(tb.Context(), id, at)
	must(tb, err)
	if sum := result.Accepted + result.Unchanged + result.Superseded + result.Waiting + result.Skipped + result.Held; sum != result.Rows {
		tb.Fatalf("the ends add up to %d, want the %d rows: %+v", sum, result.Rows, result)
	}
	if named := waitOf(tb, s, id); len(named) != result.Waiting {
		tb.Fatalf("%d rows are named as waiting, want %d", len(named), result.Waiting)
	}
	return id, result
}

// waitOf are the rows of a load that wait, the last one if it is 0.
func waitOf(tb testing.TB, s *Store, load int64) (out []records.RowRef) {
	tb.Helper()
	if load == 0 {
		must(tb, s.reading(tb.Context()).Raw("SELECT max(id) FROM loads").Row().Scan(&load))
	}
	must(tb, s.EachWaiting(tb.Context(), load, func(r records.RowRef) error { out = append(out, r); return nil }))
	return out
}

// in gives versions a file and lines from 2 on.
func in(name string, versions ...clinical.Version) file {
	for n := range versions {
		versions[n].File, versions[n].Line, versions[n].Feed = name, n+2, "csv"
	}
	return file{name: name, versions: versions}
}

// stay is a version of a stay on a unit from h hours after noon, recorded then.
func stay(id, unit string, h float64) clinical.Version {
	return version(id, id, hours(h), clinical.Stay{PatientID: "P" + id, Unit: unit, AdmittedAt: hours(h)})
}

// vitals is a reading h hours after noon, recorded then.
func vitals(source, stay string, h, systolic float64) clinical.Version {
	return version(source, stay, hours(h), clinical.Vitals{TakenAt: hours(h), Systolic: &systolic, Position: clinical.Standing})
}

func version(source, stay string, recorded time.Time, body clinical.Body) clinical.Version {
	return clinical.Version{Kind: body.FactKind(), SourceID: source, StayID: stay, RecordedAt: recorded, Stated: true, Status: clinical.Final, Body: body}
}

func retraction(kind clinical.Kind, source, stay string, h float64) clinical.Version {
	return clinical.Version{Kind: kind, SourceID: source, StayID: stay, RecordedAt: hours(h), Stated: true, Status: clinical.EnteredInError}
}

func recordedAt(v clinical.Version, h float64) clinical.Version {
	v.RecordedAt = hours(h)
	return v
}

func discharged(v clinical.Version, h float64) clinical.Version {
	b := v.Body.(clinical.Stay)
	end := hours(h)
	b.DischargedAt = &end
	v.Body = b
	return v
}

// readings are n readings of about n/200 stays, in the order of a feed.
func readings(n int) []clinical.Version {
	r := rand.New(rand.NewPCG(1, 2))
	list := make([]clinical.Version, n)
	for i := range list {
		at := noon.Add(time.Duration(i) * time.Minute)
		systolic, diastolic, pulse := float64(90+r.IntN(80)), float64(50+r.IntN(40)), float64(55+r.IntN(50))
		list[i] = clinical.Version{
			Kind: clinical.KindVitals, SourceID: fmt.Sprintf("V%07d", i), StayID: fmt.Sprintf("S%05d", r.IntN(n/200+1)),
			RecordedAt: at.Add(2 * time.Minute), Stated: true, Status: clinical.Final, Feed: "csv", File: "vitals.csv", Line: i + 2,
			Body: clinical.Vitals{TakenAt: at, Systolic: &systolic, Diastolic: &diastolic, HeartRate: &pulse, Position: clinical.Lying, Limb: "left arm"},
		}
	}
	return list
}
