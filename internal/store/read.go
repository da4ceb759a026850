package store

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// storedVersion is a version with what the store knows of it besides.
type storedVersion struct {
	clinical.Version
	hash []byte
}

// compare orders the versions of one fact: the last one counts.
func (v storedVersion) compare(w storedVersion) int {
	return cmp.Or(v.RecordedAt.Compare(w.RecordedAt), strings.Compare(v.File, w.File),
		cmp.Compare(v.Reading, w.Reading), cmp.Compare(v.Line, w.Line), bytes.Compare(v.hash, w.hash))
}

// versionColumns are the columns that scanVersion reads.
func versionColumns(table string) string {
	names := []string{
		"kind", "source_id", "stay_id", "patient_id", "recorded_at", "stated", "status", "body", "feed", "file",
		"reading", "line", "hash",
	}
	return table + "." + strings.Join(names, ", "+table+".")
}

func scanVersion(rows *sql.Rows, more ...any) (storedVersion, error) {
	var v storedVersion
	var recordedAt int64
	var body []byte
	into := append(more, &v.Kind, &v.SourceID, &v.StayID, &v.PatientID, &recordedAt, &v.Stated, &v.Status, &body,
		&v.Feed, &v.File, &v.Reading, &v.Line, &v.hash)
	if err := rows.Scan(into...); err != nil {
		return v, err
	}
	v.RecordedAt = fromMicros(recordedAt)
	var err error
	v.Body, err = bodyOf(v.Kind, body)
	return v, err
}

// eachVersion reads rows of versionColumns to their end.
func eachVersion(rows *sql.Rows, each func(storedVersion) error) error {
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		v, err := scanVersion(rows)
		if err != nil {
			return err
		}
		if err := each(v); err != nil {
			return err
		}
	}
	return ended(rows)
}

// Versions returns, for each of the stays, every version of every fact that any
// version gives to the stay, as clinical.ChartAt needs them. Versions of one
// fact stand in the order in which they count, the last one counting most. Where
// facts name a patient of such a stay alone, they are among them, and so are the other
// stays of that patient, between which the time of a fact decides. All
// are of one state of the database. A stay that no version names is left out.
func (s *Store) Versions(ctx context.Context, stayIDs []string) (map[string][]clinical.Version, error) {
	return s.versions(ctx, stayIDs, choice{where: "TRUE"})
}

// Readings are of Versions those of stays, and those of vital signs of which a version says
// that they were taken at since or later.
func (s *Store) Readings(
	ctx context.Context, stayIDs []string, since time.Time,
) (map[string][]clinical.Version, error) {
	return s.versions(ctx, stayIDs, choice{
		"(v.kind = ? OR v.kind = ? AND v.at >= ?)",
		[]any{string(clinical.KindStay), string(clinical.KindVitals), micros(since)},
	})
}

// LastCame is, by kind of fact, the latest recorded_at of the versions of the stays' facts that
// feeds, and not this program, sent, as far as recorded by a moment.
func (s *Store) LastCame(ctx context.Context, stayIDs []string, by time.Time) (map[clinical.Kind]time.Time, error) {
	out := map[clinical.Kind]time.Time{}
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		for part := range parts(distinct(stayIDs), 100) {
			if err := lastCame(tx, part, by, out); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading when facts last came: %w", err)
	}
	return out, nil
}

func lastCame(tx *gorm.DB, stayIDs []string, by time.Time, out map[clinical.Kind]time.Time) error {
	facts, values, err := factsOf(tx, stayIDs, choice{where: "TRUE"})
	if err != nil {
		return err
	}
	var rows []struct {
		Kind clinical.Kind
		At   int64
	}
	err = tx.Raw(`SELECT v.kind, MAX(v.recorded_at) AS at FROM (`+facts+`) f
		JOIN fact_versions v ON v.kind = f.kind AND v.source_id = f.source_id
		WHERE v.feed <> ? AND v.recorded_at <= ? GROUP BY v.kind`,
		append(values, clinical.BedsideFeed, micros(by))...).Scan(&rows).Error
	if err != nil {
		return err
	}
	for _, r := range rows {
		if at := fromMicros(r.At); at.After(out[r.Kind]) {
			out[r.Kind] = at
		}
	}
	return nil
}

// versions are those of Versions that are of a choice, with every other version of the same facts.
func (s *Store) versions(ctx context.Context, stayIDs []string, of choice) (map[string][]clinical.Version, error) {
	all := map[string][]clinical.Version{}
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		for part := range parts(distinct(stayIDs), 100) {
			if err := versionsOf(tx, part, of, all); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading facts: %w", err)
	}
	return all, nil
}

func versionsOf(tx *gorm.DB, stayIDs []string, of choice, all map[string][]clinical.Version) error {
	facts, values, err := factsOf(tx, stayIDs, of)
	if err != nil {
		return err
	}
	rows, err := tx.Raw(`SELECT f.stay_id, `+versionColumns("v")+` FROM (`+facts+`) f
		JOIN fact_versions v ON v.kind = f.kind AND v.source_id = f.source_id`, values...).Rows()
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	stored := map[string][]storedVersion{}
	for rows.Next() {
		var stay string
		v, err := scanVersion(rows, &stay)
		if err != nil {
			return err
		}
		stored[stay] = append(stored[stay], v)
	}
	for stay, versions := range stored {
		slices.SortFunc(versions, func(a, b storedVersion) int {
			return cmp.Or(strings.Compare(string(a.Kind), string(b.Kind)), strings.Compare(a.SourceID, b.SourceID), a.compare(b))
		})
		for _, v := range versions {
			all[stay] = append(all[stay], v.Version)
		}
	}
	return ended(rows)
}

// Candidates are the stays that can have been on the unit's list at the moment,
// by their ids in byte order. Whether one was, its chart of the moment tells.
func (s *Store) Candidates(ctx context.Context, unit string, at time.Time) ([]string, error) {
	t := micros(at)
	// Two searches, for the index serves each of them, and not their "or".
	return s.texts(ctx, `SELECT stay_id FROM stay_spans WHERE unit = ? AND ends_at > ? AND starts_at <= ?
		UNION ALL SELECT stay_id FROM stay_spans WHERE unit = ? AND ends_at IS NULL AND starts_at <= ?
		ORDER BY 1`, unit, t, t, unit, t)
}

// Between lists the stays that can have been on the unit's list at any moment of
// [from, to), by their ids in byte order.
func (s *Store) Between(ctx context.Context, unit string, from, to time.Time) ([]string, error) {
	return s.texts(ctx, `SELECT stay_id FROM stay_spans WHERE unit = ? AND ends_at > ? AND starts_at < ?
		UNION ALL SELECT stay_id FROM stay_spans WHERE unit = ? AND ends_at IS NULL AND starts_at < ?
		ORDER BY 1`, unit, micros(from), micros(to), unit, micros(to))
}

// FallStays are the stays that any version of a fall names, by their ids in byte
// order.
func (s *Store) FallStays(ctx context.Context, sourceID string) ([]string, error) {
	query, values := staysOfFall(sourceID)
	return s.texts(ctx, query+" ORDER BY 1", values...)
}

// staysOfFall asks for the stays that any version of a fall names.
func staysOfFall(sourceID string) (query string, values []any) {
	kind, id := string(clinical.KindFall), plain(sourceID)
	return `SELECT stay_id FROM fact_versions WHERE kind = ? AND source_id = ? AND stay_id <> ''
		UNION SELECT p.stay_id FROM fact_versions v JOIN stay_patients p ON p.patient_id = v.patient_id
			WHERE v.kind = ? AND v.source_id = ? AND v.patient_id <> ''`, []any{kind, id, kind, id}
}

// FallsBetween lists the stays of every fall that by any of its versions happened in
// [from, to), by their ids in byte order. It reads the falls alone: the index
// of facts begins with their kind.
func (s *Store) FallsBetween(ctx context.Context, from, to time.Time) ([]string, error) {
	return s.texts(ctx, `SELECT stay_id FROM fact_versions WHERE kind = ? AND at >= ? AND at < ? AND stay_id <> ''
		UNION SELECT p.stay_id FROM fact_versions v JOIN stay_patients p ON p.patient_id = v.patient_id
			WHERE v.kind = ? AND v.at >= ? AND v.at < ? AND v.patient_id <> '' ORDER BY 1`,
		string(clinical.KindFall), micros(from), micros(to), string(clinical.KindFall), micros(from), micros(to))
}

// Units are all units that any version of a stay ever named, in byte order.
func (s *Store) Units(ctx context.Context) ([]string, error) {
	// From one unit to the next by the index: the cost is that of the units, not of the stays.
	return s.texts(ctx, `WITH RECURSIVE u(unit) AS (
		SELECT min(unit) FROM stay_spans
		UNION ALL SELECT (SELECT min(n.unit) FROM stay_spans n WHERE n.unit > u.unit) FROM u WHERE u.unit IS NOT NULL
	) SELECT unit FROM u WHERE unit IS NOT NULL`)
}

func (s *Store) texts(ctx context.Context, query string, values ...any) ([]string, error) {
	list := []string{}
	err := s.reading(ctx).Raw(query, values...).Scan(&list).Error
	return list, err
}

// HasFacts says which of the facts have at least one stored version.
func (s *Store) HasFacts(ctx context.Context, kind clinical.Kind, sourceIDs []string) (map[string]bool, error) {
	held := map[string]bool{}
	for part := range parts(distinct(sourceIDs), 500) {
		found, err := s.texts(ctx, "SELECT DISTINCT source_id FROM fact_versions WHERE kind = ? AND source_id IN ?", string(kind), part)
		if err != nil {
			return nil, err
		}
		for _, id := range found {
			held[id] = true
		}
	}
	return held, nil
}
