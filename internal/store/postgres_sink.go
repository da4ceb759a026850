package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"

	"github.com/jackc/pgx/v5"
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
		"SET LOCAL max_parallel_workers_per_gather = 0",
		"SET LOCAL jit = off", // it takes the above for a costly plan, and compiles each statement
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

const stagedColumns = "n, " + copiedColumns

const copiedColumns = "kind, source_id, stay_id, patient_id, recorded_at, stated, status, at, body, " +
	"feed, file, reading, line, hash, load_id"

func (s *postgresSink) close() {}

func (s *postgresSink) store(ctx context.Context, rows []versionRow, loadID, _ int64) (out stored, err error) {
	if err := s.stage(ctx, rows, loadID); err != nil {
		return out, err
	}
	if err := s.look(&out); err != nil {
		return out, err
	}
	// No one else writes facts now (writerLock): what was not there a moment ago
	// is not there now.
	insert := "INSERT INTO fact_versions (" + copiedColumns + ") SELECT " + copiedColumns + " FROM staged_versions"
	switch len(out.found) {
	case len(rows):
		return out, nil
	case 0:
		return out, s.tx.Exec(insert).Error
	}
	held := make([]int32, len(out.found))
	for n, f := range out.found {
		held[n] = int32(f.n)
	}
	return out, s.raw(func(c *pgx.Conn) error {
		_, err := c.Exec(ctx, insert+" WHERE n NOT IN (SELECT unnest($1::integer[]))", held)
		return err
	})
}

// look finds the versions held of the facts that the staged rows speak of.
func (s *postgresSink) look(out *stored) error {
	rows, err := s.tx.Raw(`SELECT s.n, v.id, v.load_id, v.stay_id, v.patient_id,
			v.file, v.reading, v.line, v.recorded_at = s.recorded_at AND v.hash = s.hash
		FROM staged_versions s JOIN fact_versions v ON v.kind = s.kind AND v.source_id = s.source_id`).Rows()
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var f foundVersion
		var older olderVersion
		var same bool
		err := rows.Scan(&f.n, &f.id, &f.loadID, &older.stayID, &older.patientID,
			&f.place.file, &f.place.reading, &f.place.line, &same)
		if err != nil {
			return err
		}
		if same {
			out.found = append(out.found, f)
		} else {
			older.n = f.n
			out.older = append(out.older, older)
		}
	}
	return ended(rows)
}

// raw lends the connection of the transaction.
func (s *postgresSink) raw(use func(*pgx.Conn) error) error {
	return told(s.conn.Raw(func(c any) error { return use(c.(*stdlib.Conn).Conn()) }))
}

// stage puts the rows into the session's table in place of what was there.
func (s *postgresSink) stage(ctx context.Context, rows []versionRow, loadID int64) error {
	prepare := "TRUNCATE staged_versions"
	if !s.made {
		prepare = `CREATE TEMPORARY TABLE staged_versions (n integer NOT NULL, kind text COLLATE "C", source_id text COLLATE "C",
			stay_id text COLLATE "C", patient_id text COLLATE "C", recorded_at bigint, stated boolean,
			status text COLLATE "C", at bigint, body text COLLATE "C",
			feed text COLLATE "C", file text COLLATE "C", reading bigint, line bigint, hash bytea, load_id bigint) ON COMMIT DROP`
	}
	if err := s.tx.Exec(prepare).Error; err != nil {
		return err
	}
	s.made = true
	s.text = appendCopy(s.text[:0], rows, loadID)
	return s.raw(func(c *pgx.Conn) error {
		_, err := c.PgConn().CopyFrom(ctx, bytes.NewReader(s.text), "COPY staged_versions ("+stagedColumns+") FROM STDIN (FORMAT binary)")
		return err
	})
}

func (s *postgresSink) find(_ context.Context, row versionRow) (f foundVersion, err error) {
	err = s.tx.Raw(`SELECT id, load_id, file, reading, line FROM fact_versions
		WHERE kind = ? AND source_id = ? AND recorded_at = ? AND hash = ?`, row.kind, row.sourceID, row.recordedAt, row.hash[:]).
		Row().Scan(&f.id, &f.loadID, &f.place.file, &f.place.reading, &f.place.line)
	return f, err
}

// appendCopy writes rows in PostgreSQL's binary COPY format, in the order of
// stagedColumns. By hand: the driver's way through reflection costs as much as
// the server's part.
func appendCopy(to []byte, rows []versionRow, loadID int64) []byte {
	to = append(to, "PGCOPY\n\xff\r\n\x00"...)
	to = append(to, 0, 0, 0, 0, 0, 0, 0, 0) // flags, no extension
	for n := range rows {
		r := &rows[n]
		to = binary.BigEndian.AppendUint16(to, 16)
		to = binary.BigEndian.AppendUint32(to, 4)
		to = binary.BigEndian.AppendUint32(to, uint32(n))
		to = copyText(to, r.kind)
		to = copyText(to, r.sourceID)
		to = copyText(to, r.stayID)
		to = copyText(to, r.patientID)
		to = copyNumber(to, r.recordedAt)
		to = append(to, 0, 0, 0, 1, boolByte(r.stated))
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
		to = copyNumber(to, r.place.reading)
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
