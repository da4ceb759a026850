package store

import (
	"context"
	"fmt"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// What waits is asked of the database in one statement each time, and handed on row by row: a feed of
// stays that is missing leaves millions of rows waiting.

// speaksOf is the stay of which a version n speaks: a retraction that names none speaks of that of the
// version before it.
const speaksOf = `CASE WHEN n.stay_id <> '' OR n.status <> 'entered-in-error' THEN n.stay_id ELSE coalesce((
	SELECT b.stay_id FROM fact_versions b WHERE b.kind = n.kind AND b.source_id = n.source_id
		AND (b.recorded_at, b.file, b.reading, b.line, b.hash) < (n.recorded_at, n.file, n.reading, n.line, n.hash)
		AND (b.stay_id <> '' OR b.status <> 'entered-in-error')
	ORDER BY b.recorded_at DESC, b.file DESC, b.reading DESC, b.line DESC, b.hash DESC LIMIT 1), '') END`

// waits is true of a version n that counts for its fact while its stay has not been seen, or no stay of
// its patient covers its time.
const waits = `(n.kind <> 'stays' AND (EXISTS (SELECT 1 FROM stay_heads h WHERE NOT h.seen AND h.stay_id = ` + speaksOf + `)
	AND ` + counts + ` OR EXISTS (SELECT 1 FROM waiting_for_patient w WHERE w.version_id = n.id)))`

// ofHome are the versions n that were composed of the home topic of a part p.
const ofHome = `FROM feed_composed c JOIN fact_versions n ON n.kind = c.kind AND n.source_id = c.source_id
	WHERE c.feed = p.feed AND c.topic = p.home AND n.load_id < 0 AND ` + waits

// partWaits is true of a part p that waits for what it refers to, or of whose home topic a fact waits.
const partWaits = "(p.state = 'waits' OR p.state <> 'skipped' AND EXISTS (SELECT 1 " + ofHome + "))"

// waitingRows are all rows that wait now, with their feed. What was composed stands for its parts.
const waitingRows = `
	SELECT n.feed, n.kind, n.source_id, n.stay_id, n.file, n.line FROM stay_heads h JOIN fact_versions n ON n.stay_id = h.stay_id
		WHERE NOT h.seen AND h.stay_id <> '' AND n.kind <> 'stays' AND ` + counts + `
	UNION ALL SELECT n.feed, n.kind, n.source_id, ` + speaksOf + `, n.file, n.line FROM fact_versions n
		WHERE n.stay_id = '' AND n.status = 'entered-in-error' AND ` + waits + `
	UNION ALL SELECT n.feed, n.kind, n.source_id, '', n.file, n.line FROM waiting_for_patient w JOIN fact_versions n ON n.id = w.version_id
		WHERE NOT (n.stay_id = '' AND n.status = 'entered-in-error')
	UNION ALL SELECT p.feed, p.kind, p.part_id, '', p.file, p.line FROM feed_parts p WHERE p.state = 'waits' AND ` + lastPart

// Waiting lists every row that waits now for its stay, by file and line.
func (s *Store) Waiting(ctx context.Context) ([]records.RowRef, error) {
	list := []records.RowRef{}
	err := eachRef(s.reading(ctx), func(r records.RowRef) error { list = append(list, r); return nil },
		"SELECT kind, source_id, stay_id, file, line FROM ("+waitingRows+") r"+byPlace)
	return list, err
}

const byPlace = " ORDER BY file, line, kind, source_id"

// EachWaiting hands on, by file and line, the rows of a finished load that wait now, where they stood in
// it. A load is forgotten when the next one of its way begins.
func (s *Store) EachWaiting(ctx context.Context, load int64, each func(records.RowRef) error) error {
	part := ` p.kind, p.part_id, coalesce((SELECT max(` + speaksOf + `) ` + ofHome + "), '')"
	err := eachRef(s.reading(ctx), each, `SELECT kind, source_id, stay_id, file, line FROM (
		SELECT n.kind, n.source_id, `+speaksOf+` AS stay_id, n.file, n.line FROM fact_versions n
			WHERE n.id > (SELECT after_id FROM loads WHERE id = ?) AND n.load_id = ? AND `+waits+`
		UNION ALL SELECT n.kind, n.source_id, `+speaksOf+`, r.file, r.line FROM repeated_rows r
			JOIN fact_versions n ON n.id = r.version_id WHERE r.load_id = ? AND `+waits+`
		UNION ALL SELECT`+part+`, p.file, p.line FROM feed_parts p WHERE p.load_id = ? AND `+lastPart+" AND "+partWaits+`
		UNION ALL SELECT`+part+`, r.file, r.line FROM `+repeatedParts+" AND "+lastPart+" AND "+partWaits+`
		) q`+byPlace, load, load, load, load, load)
	if err != nil {
		return fmt.Errorf("reading what waits of load %d: %w", load, err)
	}
	return nil
}

// anyWaits reports whether any fact may wait: mostly none does, and a load need not ask of each.
func anyWaits(tx *gorm.DB) (any bool, err error) {
	err = told(tx.Raw(`SELECT EXISTS (SELECT 1 FROM stay_heads WHERE NOT seen)
		OR EXISTS (SELECT 1 FROM waiting_for_patient)`).Row().Scan(&any))
	return any, err
}

func eachRef(tx *gorm.DB, each func(records.RowRef) error, query string, values ...any) error {
	rows, err := tx.Raw(query, values...).Rows()
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var r records.RowRef
		if err := rows.Scan(&r.Kind, &r.SourceID, &r.StayID, &r.File, &r.Line); err != nil {
			return err
		}
		if err := each(r); err != nil {
			return err
		}
	}
	return ended(rows)
}

// waitingCount is how many rows of a kind of a feed wait.
type waitingCount struct {
	Feed, Kind string
	N          int
}

// waitingByKind counts what waits now.
func waitingByKind(tx *gorm.DB) (out []waitingCount, total int, err error) {
	err = tx.Raw("SELECT feed, kind, count(*) AS n FROM (" + waitingRows + ") r GROUP BY feed, kind").Scan(&out).Error
	for _, w := range out {
		total += w.N
	}
	return out, total, err
}

// EachAccepted streams, by file and line, the versions of a kind that a load brought and that count,
// those that wait and those that were composed of parts included.
func (s *Store) EachAccepted(ctx context.Context, load int64, kind clinical.Kind, each func(clinical.Version) error) error {
	rows, err := s.reading(ctx).Raw("SELECT "+versionColumns("n")+` FROM fact_versions n
		WHERE n.id > (SELECT after_id FROM loads WHERE id = ?) AND n.kind = ? AND n.load_id IN (?, ?) AND `+counts+
		" ORDER BY n.file, n.line, n.id", load, string(kind), load, -load).Rows()
	if err != nil {
		return fmt.Errorf("reading what load %d brought: %w", load, err)
	}
	return eachVersion(rows, func(v storedVersion) error { return each(v.Version) })
}
