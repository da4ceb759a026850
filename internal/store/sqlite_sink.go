package store

import (
	"context"
	"database/sql"
)

const insertVersion = `INSERT INTO fact_versions (kind, source_id, stay_id, recorded_at, stated, status,
	at, body, feed, file, line, hash, load_id) VALUES `

const versionTuple = "(?,?,?,?,?,?,?,?,?,?,?,?,?)"

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

func (s *sqliteSink) insert(ctx context.Context, rows []versionRow, loadID int64) (inserted int, err error) {
	for part := range parts(rows, manyVersions) {
		if len(part) == manyVersions {
			n, err := s.insertPart(ctx, &s.many, part, loadID)
			if err != nil {
				return 0, err
			}
			inserted += n
			continue
		}
		for n := range part {
			n, err := s.insertPart(ctx, &s.one, part[n:n+1], loadID)
			if err != nil {
				return 0, err
			}
			inserted += n
		}
	}
	return inserted, nil
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
		s.values = append(s.values, r.kind, r.sourceID, r.stayID, r.recordedAt, r.stated, r.status,
			at, body, r.feed, r.place.file, r.place.line, r.hash[:], loadID)
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

func (s *sqliteSink) find(ctx context.Context, rows []versionRow) ([]foundVersion, error) {
	err := s.prepare(ctx, &s.get, `SELECT id, load_id, file, line FROM fact_versions
		WHERE kind = ? AND source_id = ? AND recorded_at = ? AND hash = ?`)
	if err != nil {
		return nil, err
	}
	all := make([]foundVersion, len(rows))
	for n := range rows {
		r, f := &rows[n], &all[n]
		f.n = n
		err := s.get.QueryRowContext(ctx, r.kind, r.sourceID, r.recordedAt, r.hash[:]).
			Scan(&f.id, &f.loadID, &f.place.file, &f.place.line)
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}
