package store

import (
	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// partCounts is what became of the parts of a load.
type partCounts struct {
	freshSkipped, repeatedSkipped, repeatedWaiting, waiting int
	rows                                                    []records.RowRef // those that wait
}

// countedPart is a part of a load, with what became of it.
type countedPart struct {
	records.RowRef
	feed, home, state string
	recordedAt        int64
	counts            bool // no other version of the part comes after it
}

// lastPart is true of a version p of a part that no other one comes after.
const lastPart = `NOT EXISTS (SELECT 1 FROM feed_parts w WHERE w.feed = p.feed AND w.part_id = p.part_id
	AND (w.recorded_at, w.file, w.reading, w.line, w.hash) > (p.recorded_at, p.file, p.reading, p.line, p.hash))`

// tallyParts adds to the tallies what became of the parts of the load: those that it
// brought and those that it brought again.
func tallyParts(tx *gorm.DB, load loadRow, waiting map[topicKey]string, of func(feed, kind string) *kindTally) (partCounts, error) {
	var n partCounts
	fresh := `SELECT p.feed, p.home, p.kind, p.part_id, p.file, p.line, p.state, p.recorded_at, ` + lastPart +
		" FROM feed_parts p WHERE p.load_id = ?"
	err := eachPart(tx, fresh, load.ID, func(p countedPart) {
		t := of(p.feed, string(p.Kind))
		if at := p.recordedAt; at <= load.StartedAt && at > 0 && (t.newest == nil || *t.newest < at) {
			t.newest = &at
		}
		waits := n.waits(&p, waiting)
		switch {
		case p.counts && p.state == string(records.PartSkipped):
			n.freshSkipped++
			t.skipped++
			return
		case waits:
			t.waitingFresh++
		}
		t.stored++
		if p.counts {
			t.counting++
		}
	})
	if err != nil || load.Unchanged == 0 {
		return n, err
	}
	again := `SELECT p.feed, p.home, p.kind, p.part_id, r.file, r.line, p.state, p.recorded_at, ` + lastPart + `
		FROM repeated_parts r JOIN feed_parts p ON p.feed = r.feed AND p.part_id = r.part_id
			AND p.recorded_at = r.recorded_at AND p.hash = r.hash WHERE r.load_id = ?`
	return n, eachPart(tx, again, load.ID, func(p countedPart) {
		t := of(p.feed, string(p.Kind))
		if p.counts && p.state == string(records.PartSkipped) {
			n.repeatedSkipped++
			t.skipped++
			return
		}
		t.repeated++
		if n.waits(&p, waiting) {
			n.repeatedWaiting++
			t.waitingRepeated++
		}
	})
}

// waits reports whether the part waits, and notes it.
func (n *partCounts) waits(p *countedPart, waiting map[topicKey]string) bool {
	stay, ofFact := waiting[topicKey{p.feed, p.home}]
	if !p.counts || !ofFact && p.state != string(records.PartWaits) {
		return false
	}
	p.StayID = stay
	n.rows = append(n.rows, p.RowRef)
	n.waiting++
	return true
}

func eachPart(tx *gorm.DB, query string, load int64, take func(countedPart)) error {
	rows, err := tx.Raw(query, load).Rows()
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var p countedPart
		err := rows.Scan(&p.feed, &p.home, &p.Kind, &p.SourceID, &p.File, &p.Line, &p.state, &p.recordedAt, &p.counts)
		if err != nil {
			return err
		}
		take(p)
	}
	return rows.Err()
}

// topicKey names a topic of a feed.
type topicKey struct{ feed, topic string }

// waitingTopics are the topics of which a fact came that waits for its stay, and that stay;
// it is empty where the fact names a patient alone.
func waitingTopics(tx *gorm.DB, waiting []waitingVersion) (map[topicKey]string, error) {
	out := map[topicKey]string{}
	for _, w := range waiting {
		if w.loadID >= 0 {
			continue
		}
		var topics []struct{ Feed, Topic string }
		err := tx.Raw("SELECT DISTINCT feed, topic FROM feed_composed WHERE kind = ? AND source_id = ?", string(w.Kind), w.SourceID).
			Scan(&topics).Error
		if err != nil {
			return nil, err
		}
		for _, t := range topics {
			out[topicKey{t.Feed, t.Topic}] = w.StayID
		}
	}
	return out, nil
}

// waitingParts are the parts that wait for what they refer to, as far as no fact was made
// of them.
func waitingParts(tx *gorm.DB) (all []waitingVersion, err error) {
	rows, err := tx.Raw("SELECT p.feed, p.kind, p.part_id, p.file, p.line FROM feed_parts p WHERE p.state = 'waits' AND " + lastPart).Rows()
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		w := waitingVersion{loadID: -1}
		var kind string
		if err := rows.Scan(&w.feed, &kind, &w.SourceID, &w.File, &w.Line); err != nil {
			return nil, err
		}
		w.Kind = clinical.Kind(kind)
		all = append(all, w)
	}
	return all, rows.Err()
}
