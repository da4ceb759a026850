package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"

	"github.com/jackc/pgx/v5/stdlib"
	"gorm.io/gorm"
)

// preparePostgres makes a transaction ready to write facts.
func preparePostgres(tx *gorm.DB) error {
	for _, statement := range []string{
		fmt.Sprintf("SELECT pg_advisory_xact_lock(%d)", writerLock),
		// A load reads by index what it has just written, of which the planner
		// has no statistics yet: left alone it would read the whole table for
		// each chunk, and a load would slow down as it goes.
		"SET LOCAL enable_hashjoin = off",
		"SET LOCAL enable_mergejoin = off",
		"SET LOCAL enable_seqscan = off",
	} {
		if err := tx.Exec(statement).Error; err != nil {
			return err
		}
	}
	return nil
}

// postgresSink stores versions by COPY into a table of the session, and from
// there by one statement.
type postgresSink struct {
	tx   *gorm.DB
	conn *sql.Conn // the connection of tx
	made bool
	text []byte
}

const stagedColumns = "n, kind, source_id, stay_id, recorded_at, stated, status, at, body, feed, file, line, hash, load_id"

func (s *postgresSink) close() {}

func (s *postgresSink) insert(ctx context.Context, rows []versionRow, loadID int64) (int, error) {
	if err := s.stage(ctx, rows, loadID); err != nil {
		return 0, err
	}
	// No one else writes facts now (writerLock), so asking first is safe, and
	// cheaper than ON CONFLICT.
	result := s.tx.Exec(`INSERT INTO fact_versions (kind, source_id, stay_id, recorded_at, stated, status,
			at, body, feed, file, line, hash, load_id)
		SELECT kind, source_id, stay_id, recorded_at, stated, status, at, body, feed, file, line, hash, load_id
		FROM staged_versions s WHERE NOT EXISTS (SELECT 1 FROM fact_versions v
			WHERE v.kind = s.kind AND v.source_id = s.source_id AND v.recorded_at = s.recorded_at AND v.hash = s.hash)`)
	return int(result.RowsAffected), result.Error
}

// stage puts the rows into the session's table in place of what was there.
func (s *postgresSink) stage(ctx context.Context, rows []versionRow, loadID int64) error {
	prepare := "TRUNCATE staged_versions"
	if !s.made {
		prepare = `CREATE TEMPORARY TABLE staged_versions (n integer NOT NULL, kind text COLLATE "C", source_id text COLLATE "C",
			stay_id text COLLATE "C", recorded_at bigint, stated boolean, status text COLLATE "C", at bigint, body text COLLATE "C",
			feed text COLLATE "C", file text COLLATE "C", line bigint, hash bytea, load_id bigint) ON COMMIT DROP`
	}
	if err := s.tx.Exec(prepare).Error; err != nil {
		return err
	}
	s.made = true
	s.text = appendCopy(s.text[:0], rows, loadID)
	return s.conn.Raw(func(c any) error {
		_, err := c.(*stdlib.Conn).Conn().PgConn().CopyFrom(ctx, bytes.NewReader(s.text),
			"COPY staged_versions ("+stagedColumns+") FROM STDIN (FORMAT binary)")
		return err
	})
}

func (s *postgresSink) find(_ context.Context, rows []versionRow) ([]foundVersion, error) {
	found, err := s.tx.Raw(`SELECT s.n, v.id, v.load_id, v.file, v.line FROM staged_versions s JOIN fact_versions v
		ON v.kind = s.kind AND v.source_id = s.source_id AND v.recorded_at = s.recorded_at AND v.hash = s.hash`).Rows()
	if err != nil {
		return nil, err
	}
	defer func() { _ = found.Close() }()
	all := make([]foundVersion, 0, len(rows))
	for found.Next() {
		var f foundVersion
		if err := found.Scan(&f.n, &f.id, &f.loadID, &f.place.file, &f.place.line); err != nil {
			return nil, err
		}
		all = append(all, f)
	}
	return all, found.Err()
}

// appendCopy writes rows in PostgreSQL's binary COPY format, in the order of
// stagedColumns. By hand: the driver's way through reflection costs as much as
// the server's part.
func appendCopy(to []byte, rows []versionRow, loadID int64) []byte {
	to = append(to, "PGCOPY\n\xff\r\n\x00"...)
	to = append(to, 0, 0, 0, 0, 0, 0, 0, 0) // flags, no extension
	for n := range rows {
		r := &rows[n]
		to = binary.BigEndian.AppendUint16(to, 14)
		to = binary.BigEndian.AppendUint32(to, 4)
		to = binary.BigEndian.AppendUint32(to, uint32(n))
		to = copyText(to, r.kind)
		to = copyText(to, r.sourceID)
		to = copyText(to, r.stayID)
		to = copyNumber(to, r.recordedAt)
		to = append(to, 0, 0, 0, 1, flag(r.stated))
		to = copyText(to, r.status)
		if r.at == nil {
			to = append(to, null...)
		} else {
			to = copyNumber(to, *r.at)
		}
		if r.body == nil {
			to = append(to, null...)
		} else {
			to = copyText(to, string(r.body))
		}
		to = copyText(to, r.feed)
		to = copyText(to, r.place.file)
		to = copyNumber(to, int64(r.place.line))
		to = copyText(to, string(r.hash[:]))
		to = copyNumber(to, loadID)
	}
	return append(to, 0xff, 0xff)
}

const null = "\xff\xff\xff\xff"

func copyText(to []byte, s string) []byte {
	to = binary.BigEndian.AppendUint32(to, uint32(len(s)))
	return append(to, s...)
}

func copyNumber(to []byte, n int64) []byte {
	to = binary.BigEndian.AppendUint32(to, 8)
	return binary.BigEndian.AppendUint64(to, uint64(n))
}
