package store

import (
	"context"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// replaceHeld drops the rows of the file that were held when it was last
// read. A row that stands again where it stood keeps its number, by which somebody may
// be looking at it, and the moment it was first seen.
func (b *batch) replaceHeld() error {
	if b.result.Held > 0 {
		// Its number is taken until the old row is gone, hence the detour below zero.
		err := b.tx.Exec(`UPDATE quarantined_rows SET id = -o.id, first_seen = o.first_seen FROM (
				SELECT line, original, min(id) AS id, min(first_seen) AS first_seen FROM quarantined_rows
				WHERE name = ? AND id <= ? GROUP BY line, original
			) AS o WHERE quarantined_rows.name = ? AND quarantined_rows.id > ?
			AND quarantined_rows.line = o.line AND quarantined_rows.original = o.original`,
			b.name, b.lastHeldID, b.name, b.lastHeldID).Error
		if err != nil {
			return err
		}
	}
	if err := b.tx.Where("name = ? AND id > 0 AND id <= ?", b.name, b.lastHeldID).Delete(&heldRow{}).Error; err != nil {
		return err
	}
	if b.result.Held == 0 {
		return nil
	}
	return b.tx.Exec("UPDATE quarantined_rows SET id = -id WHERE name = ? AND id < 0", b.name).Error
}

// AllHeld lists every held row, by file and line.
func (s *Store) AllHeld(ctx context.Context) ([]records.Held, error) {
	return s.HeldRows(ctx, records.HeldQuery{})
}

// foundHeld is a held row as it is found.
type foundHeld struct {
	Row        heldRow `gorm:"embedded"` // gorm passes over an embedded type that is not exported
	Correction bool
	Bytes      int // of its context and original
}

func (f foundHeld) held() records.Held {
	h := f.Row.held()
	h.Correction = f.Correction
	return h
}

// heldColumns are the columns of a held row that are never large.
const heldColumns = `q.id, q.name, q.file, q.line, q.kind, q.source_id, q.status, q.reason, q.feed, q.load_id, q.first_seen,
	q.last_seen, q.retry_at, length(q.context) + length(q.original) AS bytes, EXISTS (SELECT 1 FROM fact_versions v
		WHERE v.kind = q.kind AND v.source_id = q.source_id AND q.source_id <> '') AS correction`

// heldWhere is what a query asks for.
func (s *Store) heldWhere(q records.HeldQuery) (where string, values []any) {
	where = "TRUE"
	add := func(condition string, value ...any) {
		where += " AND " + condition
		values = append(values, value...)
	}
	if q.ID != 0 {
		add("q.id = ?", q.ID)
	}
	if q.Kind != "" {
		add("q.kind = ?", string(q.Kind))
	}
	if q.Load != 0 {
		add("q.load_id = ?", q.Load)
	}
	if !q.Due.IsZero() {
		add("q.retry_at <= ?", micros(q.Due))
	}
	switch {
	case q.Text != "" && s.engine == SQLite:
		add("instr(q.original, ?) > 0", []byte(q.Text))
	case q.Text != "":
		add("position(decode(?, 'hex') IN q.original) > 0", hex.EncodeToString([]byte(q.Text)))
	}
	if q.Reason != "" {
		add(`lower(q.reason) LIKE ? ESCAPE '\'`, partOf(q.Reason))
	}
	if q.Source != "" {
		add(`(lower(q.source_id) LIKE ? ESCAPE '\' OR lower(q.file) LIKE ? ESCAPE '\')`, partOf(q.Source), partOf(q.Source))
	}
	if !q.From.IsZero() {
		add("q.last_seen >= ?", micros(q.From))
	}
	if !q.To.IsZero() {
		add("q.last_seen < ?", micros(q.To))
	}
	return where, values
}

// partOf is a pattern of LIKE for a part of a text, in lower case.
func partOf(text string) string {
	return "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(strings.ToLower(text)) + "%"
}

// HeldRows lists some of the held rows, by file and line.
func (s *Store) HeldRows(ctx context.Context, q records.HeldQuery) ([]records.Held, error) {
	where, values := s.heldWhere(q)
	limit := ""
	if q.Limit > 0 {
		limit = " LIMIT ? OFFSET ?"
		values = append(values, q.Limit, q.Offset)
	}
	var list []records.Held
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		found, err := findHeld(tx, where+" ORDER BY q.file, q.line, q.name, q.id"+limit, values)
		if err == nil {
			list = make([]records.Held, 0, len(found))
			err = eachHeldOf(tx, found, q.Bare, func(h records.Held) error {
				list = append(list, h)
				return nil
			})
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading the rows held back: %w", err)
	}
	return list, nil
}

// heldPart is how many held rows are looked at together.
const heldPart = 500

// EachHeld hands on held rows by file and line. Memory does not grow with them; each may write, and
// a row that is released meanwhile may be passed over.
func (s *Store) EachHeld(ctx context.Context, q records.HeldQuery, each func(records.Held) error) error {
	where, values := s.heldWhere(q)
	after := ""
	var place []any
	for {
		var part []foundHeld
		query := where + after + fmt.Sprintf(" ORDER BY q.file, q.line, q.name, q.id LIMIT %d", heldPart)
		part, err := findHeld(s.reading(ctx), query, append(values[:len(values):len(values)], place...))
		if err == nil {
			err = eachHeldOf(s.reading(ctx), part, q.Bare, each)
		}
		if err != nil {
			return fmt.Errorf("reading the rows held back: %w", err)
		}
		if len(part) < heldPart {
			return nil
		}
		last := part[len(part)-1].Row
		after, place = " AND (q.file, q.line, q.name, q.id) > (?, ?, ?, ?)", []any{last.File, last.Line, last.Name, last.ID}
	}
}

func findHeld(tx *gorm.DB, query string, values []any) (found []foundHeld, err error) {
	return found, tx.Raw("SELECT "+heldColumns+" FROM quarantined_rows q WHERE "+query, values...).Scan(&found).Error
}

// eachHeldOf hands on rows that were found, with what they hold unless they are asked for bare.
func eachHeldOf(tx *gorm.DB, found []foundHeld, bare bool, each func(records.Held) error) error {
	for from := 0; from < len(found); {
		to, bytes := from, 0
		for ; to < len(found) && (to == from || bytes+found[to].Bytes <= chunkBytes); to++ {
			bytes += found[to].Bytes
		}
		part := found[from:to]
		if from = to; !bare {
			if err := fillHeld(tx, part); err != nil {
				return err
			}
		}
		for n := range part {
			h := part[n].held()
			part[n].Row.Context, part[n].Row.Original = nil, nil
			if err := each(h); err != nil {
				return err
			}
		}
	}
	return nil
}

// fillHeld reads what rows hold.
func fillHeld(tx *gorm.DB, rows []foundHeld) error {
	byID := make(map[int64]*heldRow, len(rows))
	ids := make([]int64, len(rows))
	for n := range rows {
		ids[n] = rows[n].Row.ID
		byID[ids[n]] = &rows[n].Row
	}
	var filled []heldRow
	if err := tx.Select("id", "context", "original").Where("id IN ?", ids).Find(&filled).Error; err != nil {
		return err
	}
	for _, f := range filled {
		byID[f.ID].Context, byID[f.ID].Original = f.Context, f.Original
	}
	return nil
}

// StaysHeld notes why a row that was read again stays where it is, and from when on it may be
// read by itself. It is no error that the row is not held any more.
func (s *Store) StaysHeld(ctx context.Context, h records.Held) error {
	err := s.write.WithContext(ctx).Model(&heldRow{}).Where("id = ?", h.ID).
		Updates(map[string]any{"reason": plain(h.Reason), "retry_at": optional(h.RetryAt)}).Error
	if err != nil {
		return fmt.Errorf("noting why a row stays held: %w", err)
	}
	return nil
}

// HeldRow is the held row of a number. The error is clinical.NotFound where none of that
// number is held now.
func (s *Store) HeldRow(ctx context.Context, id int64) (records.Held, error) {
	if id <= 0 {
		return records.Held{}, notHeld(id)
	}
	rows, err := s.HeldRows(ctx, records.HeldQuery{ID: id})
	if err == nil && len(rows) == 0 {
		err = notHeld(id)
	}
	if err != nil {
		return records.Held{}, err
	}
	return rows[0], nil
}

func notHeld(id int64) error {
	return clinical.Errorf(clinical.NotFound, "the row %d is not held back any more", id)
}

// heldBytes is what a row takes of the quarantine.
const heldBytes = "length(original) + length(context)"

// TrimHeld drops held rows that were last held before a moment, and the oldest of more than so many
// bytes. It counts what it drops by feed and kind, for good, and says so.
func (s *Store) TrimHeld(ctx context.Context, before time.Time, most int64, at time.Time) (dropped []records.HeldDropped, err error) {
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		for _, bound := range []struct {
			why, where string
			value      int64
		}{
			{"age", "last_seen < ?", micros(before)},
			{"size", `id IN (SELECT id FROM (SELECT id, sum(` + heldBytes + `) OVER (ORDER BY last_seen DESC, id DESC) AS filled
				FROM quarantined_rows) AS r WHERE filled > ?)`, most},
		} {
			var rows []droppedRow
			err := tx.Raw("SELECT feed, kind, count(*) AS rows, sum("+heldBytes+") AS bytes FROM quarantined_rows WHERE "+
				bound.where+" GROUP BY feed, kind ORDER BY feed, kind", bound.value).Scan(&rows).Error
			if err != nil {
				return err
			}
			if len(rows) == 0 {
				continue
			}
			if err := tx.Exec("DELETE FROM quarantined_rows WHERE "+bound.where, bound.value).Error; err != nil {
				return err
			}
			for _, r := range rows {
				r.Why, r.At = bound.why, micros(at)
				dropped = append(dropped, r.dropped())
				err := tx.Exec(`INSERT INTO held_dropped (feed, kind, why, rows, bytes, at) VALUES (?, ?, ?, ?, ?, ?)
					ON CONFLICT (feed, kind, why) DO UPDATE SET rows = held_dropped.rows + excluded.rows,
						bytes = held_dropped.bytes + excluded.bytes, at = excluded.at`,
					r.Feed, r.Kind, r.Why, r.Rows, r.Bytes, r.At).Error
				if err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("dropping rows held back beyond the bounds: %w", err)
	}
	return dropped, nil
}

type droppedRow struct {
	Feed, Kind, Why string
	Rows            int
	Bytes, At       int64
}

func (r droppedRow) dropped() records.HeldDropped {
	return records.HeldDropped{
		Feed: r.Feed, Kind: clinical.Kind(r.Kind), Why: r.Why, Rows: r.Rows, Bytes: r.Bytes, At: fromMicros(r.At),
	}
}

// heldDropped is what was dropped so far.
func heldDropped(tx *gorm.DB) (out []records.HeldDropped, err error) {
	var rows []droppedRow
	err = tx.Raw("SELECT feed, kind, why, rows, bytes, at FROM held_dropped ORDER BY feed, kind, why").Scan(&rows).Error
	for _, r := range rows {
		out = append(out, r.dropped())
	}
	return out, err
}

// release takes the held row of the delivery out of the quarantine, and keeps what
// somebody has put right.
func release(tx *gorm.DB, load loadRow, d records.Delivery) error {
	var was []heldRow
	if err := tx.Find(&was, "id = ?", d.Release).Error; err != nil {
		return err
	}
	if len(was) == 0 {
		return notHeld(d.Release)
	}
	if d.Fix != nil {
		row := fixRowOf(was[0], *d.Fix, load.ID)
		if err := tx.Create(&row).Error; err != nil {
			return err
		}
	}
	return tx.Delete(&heldRow{}, d.Release).Error
}

// FixesOf are the rows of a file (its full path) that were put right, oldest first.
func (s *Store) FixesOf(ctx context.Context, name string) ([]records.Fix, error) {
	return s.fixes(s.reading(ctx).Order("id").Where("name = ?", plain(name)))
}

// LastFixes are the rows that were put right last, newest first.
func (s *Store) LastFixes(ctx context.Context, limit int) ([]records.Fix, error) {
	return s.fixes(s.reading(ctx).Order("id DESC").Limit(limit))
}

func (s *Store) fixes(query *gorm.DB) ([]records.Fix, error) {
	var rows []fixRow
	if err := query.Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the rows put right: %w", err)
	}
	out := make([]records.Fix, len(rows))
	for n, r := range rows {
		out[n] = r.fix()
	}
	return out, nil
}

type fixRow struct {
	ID          int64 `gorm:"primaryKey"`
	Name        string
	File        string
	Line        int
	Kind        string
	SourceID    string
	Feed        string
	Reason      string
	Context     []byte
	Original    []byte
	NewContext  []byte
	NewOriginal []byte
	Who         string
	At          int64
	LoadID      int64
}

func (fixRow) TableName() string { return "row_fixes" }

func fixRowOf(was heldRow, fix records.Fix, loadID int64) fixRow {
	return fixRow{
		Name: was.Name, File: was.File, Line: was.Line, Kind: was.Kind, SourceID: was.SourceID, Feed: was.Feed, Reason: was.Reason,
		Context: someBytes(was.Context), Original: someBytes(was.Original), NewContext: someBytes(fix.Context),
		NewOriginal: someBytes(fix.Original),
		Who:         plain(fix.Who), At: micros(fix.At), LoadID: loadID,
	}
}

func (r fixRow) fix() records.Fix {
	return records.Fix{
		Source: r.Name, Context: r.NewContext, Original: r.NewOriginal, Who: r.Who, At: fromMicros(r.At),
		Was: records.Held{
			File: r.File, Line: r.Line, Kind: clinical.Kind(r.Kind), SourceID: r.SourceID, Feed: r.Feed, Reason: r.Reason,
			Context: r.Context, Original: r.Original,
		},
	}
}
