package store

import (
	"fmt"
	"maps"
	"slices"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// How many topics are composed before what came of them is written, and how many parts are
// kept in memory for those who look at them again.
var (
	chunkTopics = 200 // tests make them smaller
	keptParts   = 20000
)

// Compose implements records.Batch.
func (b *batch) Compose(feed string, compose records.Compose) error {
	if b.err != nil {
		return b.err
	}
	if b.err = b.flushParts(); b.err != nil {
		return b.err
	}
	if b.wait(); b.err == nil {
		b.err = b.composeDue(plain(feed), compose)
	}
	return b.err
}

func (b *batch) composeDue(feed string, compose records.Compose) error {
	c := composing{batch: b, feed: feed, compose: compose, seen: map[string][]records.Part{}}
	for {
		var due []string
		err := b.tx.Raw("SELECT topic FROM feed_topics_due WHERE feed = ? ORDER BY topic LIMIT ?", feed, chunkTopics).Scan(&due).Error
		if err != nil || len(due) == 0 {
			return err
		}
		if err := c.some(due); err != nil {
			return fmt.Errorf("composing facts: %w", err)
		}
		if err := b.tx.Exec("DELETE FROM feed_topics_due WHERE feed = ? AND topic IN ?", feed, due).Error; err != nil {
			return err
		}
	}
}

// composing composes the topics of a feed that are due.
type composing struct {
	*batch
	feed    string
	compose records.Compose
	due     map[string][]records.Part // the topics being composed
	seen    map[string][]records.Part // others that were looked at
	parts   int                       // in seen
}

// composedRow names a version that came of a topic.
type composedRow struct {
	Feed       string
	Topic      string
	Kind       string
	SourceID   string
	RecordedAt int64
	Hash       []byte
	File       string // where the part stood that brought it
	Line       int
}

func (composedRow) TableName() string { return "feed_composed" }

func (r composedRow) key() string {
	return fmt.Sprintf("%s\x00%s\x00%s\x00%d\x00%x", r.Topic, r.Kind, r.SourceID, r.RecordedAt, r.Hash)
}

// outcome is what came of some topics.
type outcome struct {
	rows []versionRow
	now  map[string]composedRow
	row  map[string]int // into rows
	uses []topicUse
	// homes are the parts whose home is one of the topics; ends those that are not used.
	homes []string
	ends  map[records.End][]string
}

type topicUse struct{ Feed, Topic, Uses string }

func (topicUse) TableName() string { return "feed_topic_uses" }

// some composes topics, and puts what came of them in place of what had come before.
func (c *composing) some(topics []string) error {
	var err error
	if c.due, err = c.fetch(topics); err != nil {
		return err
	}
	if err := c.foresee(topics); err != nil {
		return err
	}
	out := outcome{now: map[string]composedRow{}, row: map[string]int{}, ends: map[records.End][]string{}}
	for _, topic := range topics {
		if err := c.one(topic, &out); err != nil {
			return err
		}
	}
	if err := c.saveUses(topics, out.uses); err != nil {
		return err
	}
	if err := c.saveEnds(out); err != nil {
		return err
	}
	return c.replace(topics, out)
}

// foresights is how many times topics are composed for what they will look at. What a look leads
// to is seen the next time.
const foresights = 4

// foresee finds what the topics will look at, and fetches it together: a query for each look
// would take most of the time. To compose is pure, so it may be done for that alone.
func (c *composing) foresee(topics []string) error {
	if c.parts > keptParts {
		c.seen, c.parts = map[string][]records.Part{}, 0
	}
	for range foresights {
		missing := map[string]bool{}
		var again []string
		for _, topic := range topics {
			missed := false
			_, err := c.compose(topic, func(other string) ([]records.Part, error) {
				other = plain(other)
				if list, known := c.known(other); known {
					return slices.Clone(list), nil
				}
				missing[other], missed = true, true
				return nil, nil
			})
			if err != nil {
				return err
			}
			if missed {
				again = append(again, topic)
			}
		}
		for part := range parts(slices.Sorted(maps.Keys(missing)), 500) {
			found, err := c.fetch(part)
			if err != nil {
				return err
			}
			for other, list := range found {
				c.seen[other] = list
				c.parts += len(list) + 1
			}
		}
		if topics = again; len(topics) == 0 {
			break
		}
	}
	return nil
}

// known are the parts of a topic that was fetched already.
func (c *composing) known(topic string) ([]records.Part, bool) {
	if list, due := c.due[topic]; due {
		return list, true
	}
	list, seen := c.seen[topic]
	return list, seen
}

func (c *composing) one(topic string, out *outcome) error {
	used := map[string]bool{topic: true}
	look := func(other string) ([]records.Part, error) {
		other = plain(other)
		if !used[other] {
			used[other] = true
			out.uses = append(out.uses, topicUse{c.feed, topic, other})
		}
		list, err := c.look(other)
		return slices.Clone(list), err // theirs to sort
	}
	made, err := c.compose(topic, look)
	if err != nil {
		return err
	}
	for _, part := range c.atHome(topic) {
		out.homes = append(out.homes, part)
		if end := made.Ends[part]; end != records.PartUsed {
			out.ends[end] = append(out.ends[end], part)
		}
	}
	for _, v := range made.Versions {
		v.Feed = c.feed
		v.Reading = c.reading
		var row versionRow
		if row, c.scratch, err = rowOf(v, c.scratch); err != nil {
			return err
		}
		r := composedRow{c.feed, topic, row.kind, row.sourceID, row.recordedAt, slices.Clone(row.hash[:]), row.place.file, row.place.line}
		if _, twice := out.now[r.key()]; !twice {
			out.now[r.key()], out.row[r.key()] = r, len(out.rows)
			out.rows = append(out.rows, row)
		}
	}
	return nil
}

// look shows a topic.
func (c *composing) look(topic string) ([]records.Part, error) {
	if list, known := c.known(topic); known {
		return list, nil
	}
	found, err := c.fetch([]string{topic})
	if err != nil {
		return nil, err
	}
	c.parts += len(found[topic]) + 1
	c.seen[topic] = found[topic]
	return found[topic], nil
}

// fetch reads the parts of topics.
func (c *composing) fetch(topics []string) (map[string][]records.Part, error) {
	return partsOf(c.tx, c.feed, topics)
}

func partsOf(tx *gorm.DB, feed string, topics []string) (map[string][]records.Part, error) {
	var rows []struct {
		Row   partRow `gorm:"embedded"`
		Topic string
	}
	err := tx.Raw(`SELECT p.*, t.topic FROM feed_part_topics t JOIN feed_parts p ON p.feed = t.feed AND p.part_id = t.part_id
		WHERE t.feed = ? AND t.topic IN ? ORDER BY t.topic, p.part_id, p.recorded_at, p.file, p.reading, p.line, p.hash`,
		feed, topics).Scan(&rows).Error
	out := make(map[string][]records.Part, len(topics))
	for _, topic := range topics {
		out[topic] = nil
	}
	for n := range rows {
		p, err := rows[n].Row.part()
		if err != nil {
			return nil, err
		}
		out[rows[n].Topic] = append(out[rows[n].Topic], p)
	}
	return out, err
}

// saveUses keeps what was looked at for the topics, in place of what was before.
func (c *composing) saveUses(topics []string, uses []topicUse) error {
	if err := c.tx.Exec("DELETE FROM feed_topic_uses WHERE feed = ? AND topic IN ?", c.feed, topics).Error; err != nil {
		return err
	}
	if len(uses) == 0 {
		return nil
	}
	return c.tx.CreateInBatches(uses, 300).Error
}

// saveEnds keeps what became of the parts whose home the topics are.
func (c *composing) saveEnds(out outcome) error {
	for part := range parts(distinct(out.homes), 500) {
		err := c.tx.Exec("UPDATE feed_parts SET state = '' WHERE feed = ? AND part_id IN ? AND state <> ''", c.feed, part).Error
		if err != nil {
			return err
		}
	}
	for end, ids := range out.ends {
		for part := range parts(distinct(ids), 500) {
			err := c.tx.Exec("UPDATE feed_parts SET state = ? WHERE feed = ? AND part_id IN ?", string(end), c.feed, part).Error
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// atHome are the parts whose last version has its home in the topic.
func (c *composing) atHome(topic string) (home []string) {
	seen := c.due[topic] // by part, the last version of each last
	for n, p := range seen {
		if last := n+1 == len(seen) || seen[n+1].ID != p.ID; last && p.Topics[0].Name == topic {
			home = append(home, p.ID)
		}
	}
	return home
}

// replace stores the versions that came of the topics, and drops those that came of them
// before and do not come of them now.
func (c *composing) replace(topics []string, out outcome) error {
	var had []composedRow
	if err := c.tx.Find(&had, "feed = ? AND topic IN ?", c.feed, topics).Error; err != nil {
		return err
	}
	var gone []composedRow
	for _, r := range had {
		now, stays := out.now[r.key()]
		if !stays {
			gone = append(gone, r)
		} else if now.File != r.File || now.Line != r.Line {
			if err := c.moveComposed(now); err != nil {
				return err
			}
		}
		delete(out.now, r.key())
	}
	var fresh []composedRow
	chunk := newChunk()
	for _, key := range slices.Sorted(maps.Keys(out.now)) {
		fresh = append(fresh, out.now[key])
		chunk.add(out.rows[out.row[key]])
	}
	for _, r := range gone {
		if err := c.tx.Where(thisComposed, r.values()...).Delete(&composedRow{}).Error; err != nil {
			return err
		}
	}
	if len(fresh) > 0 {
		if err := c.tx.CreateInBatches(fresh, 200).Error; err != nil {
			return err
		}
	}
	dropped, err := c.drop(gone)
	if err != nil {
		return err
	}
	// Their load is told by a number below zero: they are counted by their parts.
	f := flusher{ctx: c.ctx, tx: c.tx, versions: c.versions, load: c.load, lastID: c.lastID}
	f.load.ID = -c.load.ID
	if _, err := f.flush(chunk); err != nil {
		return err
	}
	c.lastID = f.lastID
	if err := c.tx.Delete(&repeatedRow{}, "load_id = ?", f.load.ID).Error; err != nil {
		return err
	}
	return dropped.refresh(c.tx)
}

// thisComposed is true of one row of feed_composed.
const thisComposed = "feed = ? AND topic = ? AND kind = ? AND source_id = ? AND recorded_at = ? AND hash = ?"

func (r composedRow) values() []any {
	return []any{r.Feed, r.Topic, r.Kind, r.SourceID, r.RecordedAt, r.Hash}
}

// moveComposed notes that another part brings the same version now.
func (c *composing) moveComposed(to composedRow) error {
	place := map[string]any{"file": to.File, "line": to.Line}
	if err := c.tx.Model(&composedRow{}).Where(thisComposed, to.values()...).Updates(place).Error; err != nil {
		return err
	}
	return c.tx.Exec(`UPDATE fact_versions SET file = ?, reading = ?, line = ?
		WHERE kind = ? AND source_id = ? AND recorded_at = ? AND hash = ? AND load_id < 0`,
		to.File, c.reading, to.Line, to.Kind, to.SourceID, to.RecordedAt, to.Hash).Error
}

// droppedVersions are of what versions were that were dropped.
type droppedVersions struct {
	stays    []string // facts of these
	ofStays  []string // versions of these stays themselves
	patients patientFacts
}

// drop drops versions that come of no topic any more.
func (c *composing) drop(gone []composedRow) (d droppedVersions, err error) {
	for _, r := range gone {
		var rows []struct{ StayID, PatientID string }
		err := c.tx.Raw(`DELETE FROM fact_versions WHERE kind = ? AND source_id = ? AND recorded_at = ? AND hash = ? AND load_id < 0
			AND NOT EXISTS (SELECT 1 FROM feed_composed o WHERE o.kind = fact_versions.kind AND o.source_id = fact_versions.source_id
				AND o.recorded_at = fact_versions.recorded_at AND o.hash = fact_versions.hash)
			RETURNING stay_id, patient_id`, r.Kind, r.SourceID, r.RecordedAt, r.Hash).Scan(&rows).Error
		if err != nil {
			return d, err
		}
		for _, v := range rows {
			d.stays = append(d.stays, v.StayID)
			d.patients.add(fact{r.Kind, r.SourceID}, v.PatientID)
			if r.Kind == string(clinical.KindStay) {
				d.ofStays = append(d.ofStays, r.SourceID)
			}
		}
	}
	return d, nil
}

// refresh brings up to date what is kept of stays beside their facts.
func (d droppedVersions) refresh(tx *gorm.DB) error {
	if err := bumpHeads(tx, distinct(d.stays)); err != nil {
		return err
	}
	stays := distinct(d.ofStays)
	for part := range parts(stays, 500) {
		if err := refreshSpans(tx, part); err != nil {
			return err
		}
	}
	return refreshOfPatients(tx, d.patients, stays, d.stays)
}
