package store

import (
	"gorm.io/gorm"

	"plumbline/internal/records"
)

// skippedParts are the parts of a load of which nothing is used: of those that it brought, and of those
// that it brought again.
type skippedParts struct {
	fresh, repeated int
	echoes          int // new ones that say what was taken here already
}

// countedPart is a part of a load, with what became of it.
type countedPart struct {
	feed, kind, state string
	recordedAt        int64
	counts            bool // no other version of the part comes after it
	waits             bool
}

// skipped: nothing is used of it.
func (p countedPart) skipped() bool { return p.counts && p.state == string(records.PartSkipped) }

// lastPart is true of a version p of a part that no other one comes after.
const lastPart = `NOT EXISTS (SELECT 1 FROM feed_parts w WHERE w.feed = p.feed AND w.part_id = p.part_id
	AND (w.recorded_at, w.file, w.reading, w.line, w.hash) > (p.recorded_at, p.file, p.reading, p.line, p.hash))`

// repeatedParts are the versions p of parts that a load r brought again.
const repeatedParts = `repeated_parts r JOIN feed_parts p ON p.feed = r.feed AND p.part_id = r.part_id
	AND p.recorded_at = r.recorded_at AND p.hash = r.hash WHERE r.load_id = ?`

// tallyParts adds to the tallies what became of the parts of the load: those that it
// brought and those that it brought again.
func tallyParts(tx *gorm.DB, load loadRow, of func(feed, kind string) *kindTally) (n skippedParts, err error) {
	err = eachPart(tx, "feed_parts p WHERE p.load_id = ?", load.ID, func(p countedPart) {
		t := of(p.feed, p.kind)
		if at := p.recordedAt; at <= load.StartedAt && at > 0 && (t.newest == nil || *t.newest < at) {
			t.newest = &at
		}
		if p.skipped() {
			n.fresh++
			t.skipped++
			return
		}
		if p.counts && p.state == string(records.PartUnchanged) {
			n.echoes++
			t.repeated++
			return
		}
		t.stored++
		if p.counts {
			t.counting++
		}
		if p.waits {
			t.waitingFresh++
		}
	})
	if err != nil || load.Unchanged == 0 {
		return n, err
	}
	return n, eachPart(tx, repeatedParts, load.ID, func(p countedPart) {
		t := of(p.feed, p.kind)
		if p.skipped() {
			n.repeated++
			t.skipped++
			return
		}
		t.repeated++
		if p.waits {
			t.waitingRepeated++
		}
	})
}

func eachPart(tx *gorm.DB, from string, load int64, take func(countedPart)) error {
	rows, err := tx.Raw("SELECT p.feed, p.kind, p.state, p.recorded_at, "+lastPart+", "+lastPart+" AND "+partWaits+" FROM "+from, load).Rows()
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var p countedPart
		if err := rows.Scan(&p.feed, &p.kind, &p.state, &p.recordedAt, &p.counts, &p.waits); err != nil {
			return err
		}
		take(p)
	}
	return rows.Err()
}
