package store

import (
	"context"
	"database/sql"
)

const insertVersion = `INSERT INTO fact_versions (kind, source_id, stay_id, patient_id, recorded_at, stated, status,
	at, body, feed, file, reading, line, hash, load_id) VALUES `

const versionTuple = "(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"

// manyVersions is how many versions one SQLite statement stores: beyond this the
// statement's own cost no longer shows.
const manyVersions = 100

// sqliteSink stores versions by prepared statements.
type sqliteSink struct {
	tx             *sql.Tx
	one, many, get *sql.Stmt // prepared when first used
	values         []any
}

func (s *sqliteSink) close() {
	for _, statement := range []*sql.Stmt{s.one, s.many, s.get} {
		if statement != nil {
			_ = statement.Close()
		}
	}
}

func (s *sqliteSink) store(ctx context.Context, rows []versionRow, loadID, before int64) (out stored, err error) {
	inserted := 0
	for part := range parts(rows, manyVersions) {
		n, err := s.insert(ctx, part, loadID)
		if err != nil {
			return out, err
		}
		inserted += n
	}
	if inserted < len(rows) {
		if out.found, err = s.findHeld(ctx, rows, before); err != nil {
			return out, err
		}
	}
	if inserted > 0 {
		err = s.findOlder(ctx, rows, before, &out)
	}
	return out, err
}

func (s *sqliteSink) insert(ctx context.Context, rows []versionRow, loadID int64) (inserted int, err error) {
	if len(rows) == manyVersions {
		return s.insertPart(ctx, &s.many, rows, loadID)
	}
	for n := range rows {
		one, err := s.insertPart(ctx, &s.one, rows[n:n+1], loadID)
		if err != nil {
			return 0, err
		}
		inserted += one
	}
	return inserted, nil
}

// findOlder finds the older versions of the facts that have one with an id above
// before. Most facts have none, and those are passed over without a word.
func (s *sqliteSink) findOlder(ctx context.Context, rows []versionRow, before int64, out *stored) error {
	found, err := s.tx.QueryContext(ctx, `SELECT n.hash, v.stay_id, v.patient_id FROM fact_versions n
		CROSS JOIN fact_versions v ON v.kind = n.kind AND v.source_id = n.source_id AND v.id <= ?1
		WHERE n.id > ?1`, before)
	if err != nil {
		return err
	}
	defer func() { _ = found.Close() }()
	byHash := map[hash]int{}
	for found.Next() {
		var sum []byte
		var older olderVersion
		if err := found.Scan(&sum, &older.stayID, &older.patientID); err != nil {
			return err
		}
		if len(byHash) == 0 {
			for n := range rows {
				byHash[rows[n].hash] = n
			}
		}
		older.n = byHash[hash(sum)]
		out.older = append(out.older, older)
	}
	return found.Err()
}

func (s *sqliteSink) insertPart(ctx context.Context, statement **sql.Stmt, rows []versionRow, loadID int64) (int, error) {
	query := insertVersion + tuples(versionTuple, len(rows)) + " ON CONFLICT (kind, source_id, recorded_at, hash) DO NOTHING"
	if err := s.prepare(ctx, statement, query); err != nil {
		return 0, err
	}
	s.values = s.values[:0]
	for n := range rows {
		r := &rows[n]
		var at, body any
		if r.at != nil {
			at = *r.at
		}
		if r.body != nil {
			body = string(r.body)
		}
		s.values = append(s.values, r.kind, r.sourceID, r.stayID, r.patientID, r.recordedAt, r.stated, r.status,
			at, body, r.feed, r.place.file, r.place.reading, r.place.line, r.hash[:], loadID)
	}
	result, err := (*statement).ExecContext(ctx, s.values...)
	if err != nil {
		return 0, err
	}
	n, err := result.RowsAffected()
	return int(n), err
}

func (s *sqliteSink) prepare(ctx context.Context, statement **sql.Stmt, query string) (err error) {
	if *statement == nil {
		*statement, err = s.tx.PrepareContext(ctx, query)
	}
	return err
}

// findHeld finds those of the rows that were held before.
func (s *sqliteSink) findHeld(ctx context.Context, rows []versionRow, before int64) ([]foundVersion, error) {
	held := make([]foundVersion, 0, len(rows))
	for n, row := range rows {
		f, err := s.find(ctx, row)
		if err != nil {
			return nil, err
		}
		if f.id <= before {
			f.n = n
			held = append(held, f)
		}
	}
	return held, nil
}

func (s *sqliteSink) find(ctx context.Context, row versionRow) (f foundVersion, err error) {
	err = s.prepare(ctx, &s.get, `SELECT id, load_id, file, reading, line FROM fact_versions
		WHERE kind = ? AND source_id = ? AND recorded_at = ? AND hash = ?`)
	if err != nil {
		return f, err
	}
	err = s.get.QueryRowContext(ctx, row.kind, row.sourceID, row.recordedAt, row.hash[:]).
		Scan(&f.id, &f.loadID, &f.place.file, &f.place.reading, &f.place.line)
	return f, err
}
