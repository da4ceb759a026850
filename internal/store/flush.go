package store

import (
	"context"
	"database/sql"
	"fmt"

	"gorm.io/gorm"
)

// versionSink writes versions in the way that is fast on its engine.
type versionSink interface {
	// store stores those of the rows, which differ from each other, that are not
	// held yet. Versions with ids up to before were there already.
	store(ctx context.Context, rows []versionRow, loadID, before int64) (stored, error)
	// find finds the version that the row stands for.
	find(ctx context.Context, row versionRow) (foundVersion, error)
	close()
}

// stored says what became of rows that were stored.
type stored struct {
	found []foundVersion // of the rows that say what was held already
	older []olderVersion // other versions of the facts that the rows speak of
}

// olderVersion is another version, held before, of the fact of the n-th row.
type olderVersion struct {
	n                 int
	stayID, patientID string
}

// foundVersion is the version, held already, of the n-th row.
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
			if err := write(tx, &postgresSink{tx: tx, conn: conn}); err != nil {
				return err
			}
			return s.checkFence(ctx, tx)
		})
	})
}

// flusher writes chunks of rows, one at a time.
type flusher struct {
	ctx      context.Context
	tx       *gorm.DB
	versions versionSink
	load     loadRow
	lastID   int64 // of the versions written so far
}

// flush writes a chunk and says how many of its rows were held already.
func (f *flusher) flush(c *rowChunk) (unchanged int, err error) {
	if len(c.held) > 0 {
		if err := f.tx.CreateInBatches(c.held, 100).Error; err != nil {
			return 0, fmt.Errorf("keeping rows held back: %w", err)
		}
	}
	if len(c.rows) == 0 {
		return 0, nil
	}
	outcome, err := f.versions.store(f.ctx, c.rows, f.load.ID, f.lastID)
	if err != nil {
		return 0, fmt.Errorf("storing versions: %w", err)
	}
	if len(outcome.found) < len(c.rows) {
		if f.lastID, err = lastVersion(f.tx); err != nil {
			return 0, err
		}
	}
	moved, err := f.repeat(c, outcome.found)
	if err != nil {
		return 0, fmt.Errorf("storing versions held already: %w", err)
	}
	if err := f.refreshStays(c.rows, outcome, moved); err != nil {
		return 0, fmt.Errorf("refreshing stays: %w", err)
	}
	return len(c.twins) + len(outcome.found), nil
}

// repeat deals with the rows of the chunk that say what is held already. It
// gives a version the larger place where it now stands there, and notes each
// repeated row with its place until FinishLoad, which tells whether it waits.
func (f *flusher) repeat(c *rowChunk, found []foundVersion) (moved []movedVersion, err error) {
	var repeated []repeatedRow
	note := func(v foundVersion, p place) {
		repeated = append(repeated, repeatedRow{LoadID: f.load.ID, VersionID: v.id, File: p.file, Line: p.line})
	}
	rivals, err := f.rivals(found)
	if err != nil {
		return nil, err
	}
	for _, v := range found {
		row := c.rows[v.n]
		left := row.place
		if v.place.before(row.place) && (rivals[v.id] || !v.place.sameReadAgain(row.place)) {
			moved = append(moved, movedVersion{v.id, v.n, row.feed, row.place})
			if v.loadID == f.load.ID { // each place of the load stays named once
				left = v.place
			}
		}
		note(v, left)
	}
	for _, t := range c.twins {
		v, err := f.versions.find(f.ctx, c.rows[t.n])
		if err != nil {
			return nil, err
		}
		note(v, t.place)
	}
	if len(repeated) > 0 {
		if err := f.tx.CreateInBatches(repeated, 1000).Error; err != nil {
			return nil, err
		}
	}
	return moved, moveVersions(f.tx, moved)
}

// rivals tells which of the versions have another one recorded at the same
// moment in the same file: only there does it matter in which reading of the
// file they stood.
func (f *flusher) rivals(found []foundVersion) (map[int64]bool, error) {
	out := map[int64]bool{}
	for part := range parts(found, 500) {
		ids := make([]int64, len(part))
		for n, v := range part {
			ids[n] = v.id
		}
		var with []int64
		err := f.tx.Raw(`SELECT v.id FROM fact_versions v WHERE v.id IN ? AND EXISTS (
			SELECT 1 FROM fact_versions w WHERE w.kind = v.kind AND w.source_id = v.source_id
			AND w.recorded_at = v.recorded_at AND w.file = v.file AND w.id <> v.id)`, ids).Scan(&with).Error
		if err != nil {
			return nil, err
		}
		for _, id := range with {
			out[id] = true
		}
	}
	return out, nil
}

// sameReadAgain reports whether the place is in the same file, no further down,
// at a later reading: a file that grew and was read again.
func (p place) sameReadAgain(q place) bool {
	return p.file == q.file && p.reading < q.reading && p.line >= q.line
}

// movedVersion is a version that takes the place of the n-th row.
type movedVersion struct {
	id    int64
	n     int
	feed  string
	place place
}

func moveVersions(tx *gorm.DB, places []movedVersion) error {
	for part := range parts(places, 500) {
		values := make([]any, 0, 5*len(part))
		for _, m := range part {
			values = append(values, m.id, m.feed, m.place.file, m.place.reading, m.place.line)
		}
		err := tx.Exec(`UPDATE fact_versions SET feed = d.feed, file = d.file, reading = d.reading, line = d.line FROM (
				SELECT column1 AS id, column2 AS feed, column3 AS file, column4 AS reading, column5 AS line FROM (VALUES `+
			tuples("(CAST(? AS BIGINT), CAST(? AS TEXT), CAST(? AS TEXT), CAST(? AS BIGINT), CAST(? AS BIGINT))", len(part))+`) AS v
			) AS d WHERE fact_versions.id = d.id`, values...).Error
		if err != nil {
			return err
		}
	}
	return nil
}
