package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// chunk is how many rows are gathered before they are written. It bounds the
// memory of a load, and pays for the statements that a write costs.
const chunk = 5000

// versionSink writes versions in the way that is fast on its engine.
type versionSink interface {
	// insert stores those of the rows that are not held yet, and says how many.
	// The rows differ from each other.
	insert(ctx context.Context, rows []versionRow, loadID int64) (int, error)
	// find finds the versions that the rows last given to insert stand for.
	find(ctx context.Context, rows []versionRow) ([]foundVersion, error)
	close()
}

// foundVersion is the stored version of the n-th row.
type foundVersion struct {
	n      int
	id     int64
	loadID int64
	place  place
}

// writing runs one transaction that writes facts. There is only one at a time.
func (s *Store) writing(ctx context.Context, write func(*gorm.DB, versionSink) error) error {
	return s.write.WithContext(ctx).Connection(func(c *gorm.DB) error {
		conn := c.Statement.ConnPool.(*sql.Conn)
		return c.Session(&gorm.Session{NewDB: true, Context: ctx}).Transaction(func(tx *gorm.DB) error {
			if s.engine == SQLite {
				sink := &sqliteSink{tx: tx.Statement.ConnPool.(*sql.Tx)}
				defer sink.close()
				return write(tx, sink)
			}
			if err := preparePostgres(tx); err != nil {
				return err
			}
			return write(tx, &postgresSink{tx: tx, conn: conn})
		})
	})
}

// batch implements Batch: it gathers rows and writes them a chunk at a time.
type batch struct {
	ctx      context.Context
	tx       *gorm.DB
	versions versionSink
	load     loadRow
	name     string // of the file in feed_files
	result   FileResult
	err      error // the first error; after it the transaction is lost

	lastID     int64 // of the versions written so far
	lastHeldID int64 // of the rows held back before this file was read

	rows    []versionRow
	twins   []twin
	byHash  map[hash]int // into rows
	scratch []byte
	held    []heldRow
}

// twin is a row that says the same as the n-th one of the chunk.
type twin struct {
	n     int
	place place // the smaller of the two
}

func newBatch(ctx context.Context, tx *gorm.DB, versions versionSink, load loadRow, name string) (*batch, error) {
	b := &batch{ctx: ctx, tx: tx, versions: versions, load: load, name: name, byHash: map[hash]int{}}
	var err error
	if b.lastID, err = lastVersion(tx); err != nil {
		return nil, err
	}
	err = tx.Raw("SELECT coalesce(max(id), 0) FROM quarantined_rows").Row().Scan(&b.lastHeldID)
	return b, err
}

// Put implements Batch.
func (b *batch) Put(v clinical.Version) error {
	if b.err != nil {
		return b.err
	}
	var row versionRow
	if row, b.scratch, b.err = rowOf(v, b.scratch); b.err != nil {
		return b.err
	}
	b.result.Rows++
	if n, twice := b.byHash[row.hash]; twice {
		t := twin{n, row.place}
		if b.rows[n].place.before(row.place) {
			t.place, b.rows[n].place = b.rows[n].place, row.place
		}
		b.twins = append(b.twins, t)
	} else {
		b.byHash[row.hash] = len(b.rows)
		b.rows = append(b.rows, row)
	}
	return b.flushFull()
}

// Hold implements Batch.
func (b *batch) Hold(h Held) error {
	if b.err != nil {
		return b.err
	}
	row, err := b.heldRow(h)
	if err != nil {
		b.err = err
		return err
	}
	b.result.Rows++
	b.result.Quarantined++
	b.held = append(b.held, row)
	return b.flushFull()
}

func (b *batch) heldRow(h Held) (heldRow, error) {
	header, err := json.Marshal(h.Header)
	if err != nil {
		return heldRow{}, err
	}
	record, err := json.Marshal(h.Record)
	return heldRow{
		Name: b.name, File: plain(h.File), Line: h.Line, Kind: plain(string(h.Kind)), SourceID: plain(h.SourceID),
		Status: plain(h.Status), Reason: plain(h.Reason), Feed: plain(h.Feed), Header: string(header), Record: string(record),
		LoadID: b.load.ID, FirstSeen: b.load.StartedAt, LastSeen: b.load.StartedAt,
	}, err
}

func (b *batch) flushFull() error {
	if len(b.rows)+len(b.twins)+len(b.held) >= chunk {
		b.err = b.flush()
	}
	return b.err
}

// close writes what is left and replaces what was held back of the file before.
func (b *batch) close() error {
	if err := b.flush(); err != nil {
		return err
	}
	return b.replaceHeld()
}

func (b *batch) flush() error {
	if len(b.held) > 0 {
		if err := b.tx.CreateInBatches(b.held, 500).Error; err != nil {
			return fmt.Errorf("keeping rows held back: %w", err)
		}
		b.held = b.held[:0]
	}
	if len(b.rows) == 0 {
		return nil
	}
	before := b.lastID
	inserted, err := b.versions.insert(b.ctx, b.rows, b.load.ID)
	if err != nil {
		return fmt.Errorf("storing versions: %w", err)
	}
	changed := b.rows
	var moved []int64
	if inserted < len(b.rows) || len(b.twins) > 0 {
		if changed, moved, err = b.repeat(before); err != nil {
			return fmt.Errorf("storing versions held already: %w", err)
		}
	}
	b.result.Unchanged += len(b.rows) - inserted + len(b.twins)
	if inserted > 0 {
		if b.lastID, err = lastVersion(b.tx); err != nil {
			return err
		}
	}
	if err := refreshStays(b.tx, before, moved, changed); err != nil {
		return fmt.Errorf("refreshing stays: %w", err)
	}
	clear(b.byHash)
	b.rows, b.twins = b.rows[:0], b.twins[:0]
	return nil
}

// repeat deals with the rows of the chunk that say what is held already. It
// gives a version the larger place where it now stands there, and notes each
// repeated row with its place until FinishLoad, which tells whether it waits. It
// returns the rows whose fact has changed and the ids of the versions that moved.
func (b *batch) repeat(before int64) (changed []versionRow, moved []int64, err error) {
	found, err := b.versions.find(b.ctx, b.rows)
	if err != nil {
		return nil, nil, err
	}
	if len(found) != len(b.rows) {
		return nil, nil, clinical.Errorf(clinical.Internal, "of %d versions only %d are found again", len(b.rows), len(found))
	}
	var places []movedVersion
	var repeated []repeatedRow
	ids := make([]int64, len(b.rows))
	for _, f := range found {
		ids[f.n] = f.id
		row := b.rows[f.n]
		if f.id > before {
			changed = append(changed, row)
			continue
		}
		left := row.place
		if f.place.before(row.place) {
			places = append(places, movedVersion{f.id, row.place})
			changed = append(changed, row)
			if f.loadID == b.load.ID { // each place of the load stays named once
				left = f.place
			}
		}
		repeated = append(repeated, repeatedRow{LoadID: b.load.ID, VersionID: f.id, File: left.file, Line: left.line})
	}
	for _, t := range b.twins {
		repeated = append(repeated, repeatedRow{LoadID: b.load.ID, VersionID: ids[t.n], File: t.place.file, Line: t.place.line})
	}
	if len(repeated) > 0 {
		if err := b.tx.CreateInBatches(repeated, 1000).Error; err != nil {
			return nil, nil, err
		}
	}
	for _, m := range places {
		moved = append(moved, m.id)
	}
	return changed, moved, moveVersions(b.tx, places)
}

type movedVersion struct {
	id    int64
	place place
}

func moveVersions(tx *gorm.DB, places []movedVersion) error {
	for part := range parts(places, 500) {
		values := make([]any, 0, 3*len(part))
		for _, m := range part {
			values = append(values, m.id, m.place.file, m.place.line)
		}
		err := tx.Exec(`UPDATE fact_versions SET file = d.file, line = d.line FROM (
				SELECT column1 AS id, column2 AS file, column3 AS line FROM (VALUES `+
			tuples("(CAST(? AS BIGINT), CAST(? AS TEXT), CAST(? AS BIGINT))", len(part))+`) AS v
			) AS d WHERE fact_versions.id = d.id`, values...).Error
		if err != nil {
			return err
		}
	}
	return nil
}
